"""Cases of customers: what was answered, photos' hashes, consent, and the day to delete them by."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_TEXTS = {
    "claim_case": ("name",),
    "claim_answer": (
        "machine", "code", "title", "consent", "letter", "sent_letter", "result_json",
    ),
    "claim_photo": ("file", "sha256", "kept"),
    "claim_output": ("path", "sha256"),
}  # fmt: skip


def upgrade() -> None:
    """Make the four tables of cases."""
    op.create_table(
        "claim_case",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("opened_at", sa.DateTime(), nullable=False),
        sa.Column("delete_by", sa.Date(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_claim_case"),
        sa.UniqueConstraint("name", name="uq_claim_case_name"),
    )
    op.create_index("ix_claim_case_delete_by", "claim_case", ["delete_by"])
    op.create_table(
        "claim_answer",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("claim_case_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("machine", sa.Text(), server_default="", nullable=False),
        sa.Column("code", sa.String(length=20), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("sure", sa.Float(), nullable=False),
        sa.Column("consent", sa.Text(), server_default="", nullable=False),
        sa.Column("letter", sa.Text(), nullable=False),
        sa.Column("sent_letter", sa.Text(), nullable=True),
        sa.Column("result_json", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["claim_case_id"], ["claim_case.id"], name="fk_claim_answer_claim_case_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_claim_answer"),
    )
    op.create_index("ix_claim_answer_claim_case_id", "claim_answer", ["claim_case_id"])
    op.create_table(
        "claim_photo",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("claim_answer_id", sa.Integer(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("kept", sa.String(length=80), server_default="", nullable=False),
        sa.ForeignKeyConstraint(
            ["claim_answer_id"], ["claim_answer.id"], name="fk_claim_photo_claim_answer_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_claim_photo"),
    )
    op.create_index("ix_claim_photo_claim_answer_id", "claim_photo", ["claim_answer_id"])
    op.create_table(
        "claim_output",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("claim_answer_id", sa.Integer(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["claim_answer_id"], ["claim_answer.id"], name="fk_claim_output_claim_answer_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_claim_output"),
    )
    op.create_index("ix_claim_output_claim_answer_id", "claim_output", ["claim_answer_id"])
    if op.get_bind().dialect.name != "sqlite":
        # the server's statistics keep samples of values, and would go on keeping forgotten ones
        for table, columns in _TEXTS.items():
            for column in columns:
                op.execute(f"ALTER TABLE {table} ALTER COLUMN {column} SET STATISTICS 0")
