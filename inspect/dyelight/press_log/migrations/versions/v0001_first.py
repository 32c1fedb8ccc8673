"""The first schema.

A migration stays as it was written: it spells its tables out instead of importing today's.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_KEEP = "an amendment is kept as it was written"


def upgrade() -> None:
    """Make every table, and hold the amendments to append only."""
    op.create_table(
        "amendment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("by", sa.Text(), server_default="", nullable=False),
        sa.Column("table_name", sa.String(length=40), nullable=False),
        sa.Column("row_id", sa.Integer(), nullable=False),
        sa.Column("field", sa.String(length=40), nullable=False),
        sa.Column("old_json", sa.Text(), nullable=False),
        sa.Column("new_json", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_amendment"),
    )
    op.create_index("ix_amendment_table_name_row_id", "amendment", ["table_name", "row_id"])
    op.create_table(
        "heat_window",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("width_mm", sa.Float(), nullable=True),
        sa.Column("height_mm", sa.Float(), nullable=True),
        sa.Column("base", sa.String(length=20), nullable=True),
        sa.Column("temperature_min_c", sa.Float(), nullable=True),
        sa.Column("temperature_max_c", sa.Float(), nullable=True),
        sa.Column("dwell_min_s", sa.Float(), nullable=True),
        sa.Column("dwell_max_s", sa.Float(), nullable=True),
        sa.Column("posted_by", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_heat_window"),
    )
    op.create_table(
        "panel_stock",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("width_mm", sa.Float(), nullable=False),
        sa.Column("height_mm", sa.Float(), nullable=False),
        sa.Column("base", sa.String(length=20), nullable=False),
        sa.Column("finish", sa.String(length=40), nullable=False),
        sa.Column("lot", sa.String(length=80), server_default="", nullable=False),
        sa.CheckConstraint("base IN ('white', 'clear', 'other')", name="ck_panel_stock_base"),
        sa.PrimaryKeyConstraint("id", name="pk_panel_stock"),
        sa.UniqueConstraint(
            "width_mm",
            "height_mm",
            "base",
            "finish",
            "lot",
            name="uq_panel_stock_width_mm_height_mm_base_finish_lot",
        ),
    )
    op.create_table(
        "press",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("platen_width_mm", sa.Float(), nullable=True),
        sa.Column("platen_depth_mm", sa.Float(), nullable=True),
        sa.Column("notes", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_press"),
        sa.UniqueConstraint("name", name="uq_press_name"),
    )
    op.create_table(
        "shared_state",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("scope", sa.String(length=160), nullable=False),
        sa.Column("key", sa.String(length=80), nullable=False),
        sa.Column("value_json", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_shared_state"),
        sa.UniqueConstraint("scope", "key", name="uq_shared_state_scope_key"),
    )
    op.create_table(
        "supply",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("lot", sa.String(length=80), server_default="", nullable=False),
        sa.CheckConstraint(
            "kind IN ('transfer_paper', 'ink', 'cover_paper')", name="ck_supply_kind"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_supply"),
        sa.UniqueConstraint("kind", "name", "lot", name="uq_supply_kind_name_lot"),
    )
    op.create_table(
        "trial",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("cause", sa.String(length=60), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("factor", sa.String(length=60), nullable=False),
        sa.Column("old_json", sa.Text(), nullable=False),
        sa.Column("new_json", sa.Text(), nullable=False),
        sa.Column("held_json", sa.Text(), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.Column("ended_at", sa.DateTime(), nullable=True),
        sa.Column("by", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_trial"),
        sa.UniqueConstraint("name", name="uq_trial_name"),
    )
    op.create_table(
        "vent_fabric",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("width_mm", sa.Float(), nullable=True),
        sa.Column("height_mm", sa.Float(), nullable=True),
        sa.Column("uses_before", sa.Integer(), server_default="0", nullable=False),
        sa.Column("uses_limit", sa.Integer(), nullable=True),
        sa.Column("retired_at", sa.DateTime(), nullable=True),
        sa.Column("notes", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_vent_fabric"),
        sa.UniqueConstraint("name", name="uq_vent_fabric_name"),
    )
    op.create_table(
        "pressing",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=80), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("press_id", sa.Integer(), nullable=False),
        sa.Column("set_c", sa.Float(), nullable=True),
        sa.Column("true_c", sa.Float(), nullable=True),
        sa.Column("dwell_s", sa.Float(), nullable=True),
        sa.Column("pressure_kpa", sa.Float(), nullable=True),
        sa.Column("drying_s", sa.Float(), nullable=True),
        sa.Column("cleaned", sa.Boolean(), nullable=True),
        sa.Column("stack", sa.Text(), server_default="", nullable=False),
        sa.Column("back_print", sa.Boolean(), nullable=True),
        sa.Column("operator", sa.String(length=80), server_default="", nullable=False),
        sa.Column("vent_fabric_id", sa.Integer(), nullable=True),
        sa.Column("transfer_paper_id", sa.Integer(), nullable=True),
        sa.Column("ink_id", sa.Integer(), nullable=True),
        sa.Column("cover_paper_id", sa.Integer(), nullable=True),
        sa.Column("room_c", sa.Float(), nullable=True),
        sa.Column("room_humidity_pct", sa.Float(), nullable=True),
        sa.Column("job", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(
            ["cover_paper_id"], ["supply.id"], name="fk_pressing_cover_paper_id"
        ),
        sa.ForeignKeyConstraint(["ink_id"], ["supply.id"], name="fk_pressing_ink_id"),
        sa.ForeignKeyConstraint(["press_id"], ["press.id"], name="fk_pressing_press_id"),
        sa.ForeignKeyConstraint(
            ["transfer_paper_id"], ["supply.id"], name="fk_pressing_transfer_paper_id"
        ),
        sa.ForeignKeyConstraint(
            ["vent_fabric_id"], ["vent_fabric.id"], name="fk_pressing_vent_fabric_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_pressing"),
        sa.UniqueConstraint("code", name="uq_pressing_code"),
    )
    op.create_index("ix_pressing_at", "pressing", ["at"])
    op.create_index("ix_pressing_press_id_at", "pressing", ["press_id", "at"])
    op.create_index("ix_pressing_vent_fabric_id_at", "pressing", ["vent_fabric_id", "at"])
    op.create_table(
        "probe_set",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("press_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("set_c", sa.Float(), nullable=False),
        sa.Column("by", sa.Text(), server_default="", nullable=False),
        sa.Column("notes", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["press_id"], ["press.id"], name="fk_probe_set_press_id"),
        sa.PrimaryKeyConstraint("id", name="pk_probe_set"),
    )
    op.create_index("ix_probe_set_press_id_at", "probe_set", ["press_id", "at"])
    op.create_table(
        "note",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pressing_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("by", sa.Text(), server_default="", nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["pressing_id"], ["pressing.id"], name="fk_note_pressing_id"),
        sa.PrimaryKeyConstraint("id", name="pk_note"),
    )
    op.create_index("ix_note_pressing_id", "note", ["pressing_id"])
    op.create_table(
        "pressed_panel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pressing_id", sa.Integer(), nullable=False),
        sa.Column("panel_stock_id", sa.Integer(), nullable=True),
        sa.Column("code", sa.String(length=80), server_default="", nullable=False),
        sa.Column("x_mm", sa.Float(), nullable=True),
        sa.Column("y_mm", sa.Float(), nullable=True),
        sa.Column("quarter_turns", sa.Integer(), server_default="0", nullable=False),
        sa.Column("face_up", sa.Boolean(), server_default=sa.true(), nullable=False),
        sa.CheckConstraint("quarter_turns BETWEEN 0 AND 3", name="ck_pressed_panel_quarter_turns"),
        sa.ForeignKeyConstraint(
            ["panel_stock_id"], ["panel_stock.id"], name="fk_pressed_panel_panel_stock_id"
        ),
        sa.ForeignKeyConstraint(
            ["pressing_id"], ["pressing.id"], name="fk_pressed_panel_pressing_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_pressed_panel"),
    )
    op.create_index("ix_pressed_panel_code", "pressed_panel", ["code"])
    op.create_index("ix_pressed_panel_pressing_id", "pressed_panel", ["pressing_id"])
    op.create_table(
        "probe_point",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("probe_set_id", sa.Integer(), nullable=False),
        sa.Column("x_mm", sa.Float(), nullable=False),
        sa.Column("y_mm", sa.Float(), nullable=False),
        sa.Column("true_c", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["probe_set_id"], ["probe_set.id"], name="fk_probe_point_probe_set_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_probe_point"),
    )
    op.create_index("ix_probe_point_probe_set_id", "probe_point", ["probe_set_id"])
    op.create_table(
        "inspection",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pressed_panel_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("source", sa.String(length=20), nullable=False),
        sa.Column("verdict", sa.String(length=20), nullable=False),
        sa.Column("artwork_sha256", sa.String(length=64), server_default="", nullable=False),
        sa.Column("rules_sha256", sa.String(length=64), server_default="", nullable=False),
        sa.Column("tool_version", sa.String(length=40), server_default="", nullable=False),
        sa.Column("result_json", sa.Text(), nullable=True),
        sa.CheckConstraint("source IN ('photo', 'person')", name="ck_inspection_source"),
        sa.CheckConstraint(
            "verdict IN ('pass', 'review', 'remake', 'retake')", name="ck_inspection_verdict"
        ),
        sa.ForeignKeyConstraint(
            ["pressed_panel_id"], ["pressed_panel.id"], name="fk_inspection_pressed_panel_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_inspection"),
    )
    op.create_index("ix_inspection_at", "inspection", ["at"])
    op.create_index("ix_inspection_pressed_panel_id", "inspection", ["pressed_panel_id"])
    op.create_table(
        "finding",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=20), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("severity", sa.String(length=20), nullable=False),
        sa.Column("confidence", sa.Float(), nullable=False),
        sa.Column("x_mm", sa.Float(), nullable=True),
        sa.Column("y_mm", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name="fk_finding_inspection_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_finding"),
    )
    op.create_index("ix_finding_inspection_id", "finding", ["inspection_id"])
    op.create_index("ix_finding_kind", "finding", ["kind"])
    op.create_table(
        "inspection_photo",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name="fk_inspection_photo_inspection_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_inspection_photo"),
    )
    op.create_index("ix_inspection_photo_inspection_id", "inspection_photo", ["inspection_id"])
    op.create_index("ix_inspection_photo_sha256", "inspection_photo", ["sha256"])
    op.create_table(
        "ruling",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("finding_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("by", sa.Text(), server_default="", nullable=False),
        sa.Column("agreed", sa.Boolean(), nullable=False),
        sa.Column("ruled", sa.String(length=40), nullable=False),
        sa.Column("why", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["finding_id"], ["finding.id"], name="fk_ruling_finding_id"),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name="fk_ruling_inspection_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_ruling"),
    )
    op.create_index("ix_ruling_inspection_id", "ruling", ["inspection_id"])

    if op.get_bind().dialect.name == "sqlite":
        for deed in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER amendment_no_{deed.lower()} BEFORE {deed} ON amendment "
                f"BEGIN SELECT RAISE(ABORT, '{_KEEP}'); END"
            )
    else:
        op.execute(
            "CREATE FUNCTION amendment_kept() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{_KEEP}'; END $$"
        )
        op.execute(
            "CREATE TRIGGER amendment_append_only BEFORE UPDATE OR DELETE ON amendment "
            "FOR EACH ROW EXECUTE FUNCTION amendment_kept()"
        )
