"""The tables of the press log, the same on SQLite and PostgreSQL.

press 1-n probe_set 1-n probe_point          a press, and what a probe read on its platen
heat_window                                  what a panel maker posts, as the user typed it
panel_stock, supply, vent_fabric             what is used up: panels, paper and ink, vent fabrics
pressing 1-n pressed_panel 1-n inspection    what was pressed, what lay where, how it came out
inspection 1-n inspection_photo, finding, ruling
note, trial, shared_state, amendment
claim_case 1-n claim_answer 1-n claim_photo, claim_output     cases of customers

Units: degrees Celsius, seconds, millimetres, kilopascal, per cent of relative humidity. Times are
UTC. Platen coordinates: millimetres from the platen's back left corner as the operator sees it,
x right, y towards the operator; a panel's place is its centre. `quarter_turns` counts clockwise
from the picture's top lying at the back, seen from above.

Nothing is deleted and `amendment` keeps every value that was changed; triggers in the database hold
it to append only. Cases are the exception: they are people's own, have a day to be deleted by, and
are never amended, so that forgetting one leaves nothing.
"""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Date,
    DateTime,
    Dialect,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
    true,
)
from sqlalchemy.schema import SchemaItem

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class UtcTime(TypeDecorator[datetime]):
    """A moment: any zone goes in, UTC comes out; stored without zone, which both databases can."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn a moment with its zone into bare UTC."""
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Give a bare UTC time its zone back."""
        return None if value is None else value.replace(tzinfo=UTC)


def _table(name: str, *items: SchemaItem) -> Table:
    return Table(name, metadata, Column("id", Integer, primary_key=True), *items)


def _text(name: str) -> Column[str]:
    return Column(name, Text, nullable=False, server_default="")


def _link(name: str, target: str, *, needed: bool = False) -> Column[int]:
    return Column(name, ForeignKey(f"{target}.id"), nullable=not needed)


press = _table(
    "press",
    Column("name", String(80), nullable=False, unique=True),
    Column("platen_width_mm", Float),
    Column("platen_depth_mm", Float),
    _text("notes"),
)
probe_set = _table(
    "probe_set",
    _link("press_id", "press", needed=True),
    Column("at", UtcTime, nullable=False),
    Column("set_c", Float, nullable=False),
    _text("by"),
    _text("notes"),
    Index("ix_probe_set_press_id_at", "press_id", "at"),
)
probe_point = _table(
    "probe_point",
    _link("probe_set_id", "probe_set", needed=True),
    Column("x_mm", Float, nullable=False),
    Column("y_mm", Float, nullable=False),
    Column("true_c", Float, nullable=False),
    Index("ix_probe_point_probe_set_id", "probe_set_id"),
)
heat_window = _table(
    "heat_window",
    Column("width_mm", Float),
    Column("height_mm", Float),
    Column("base", String(20)),
    Column("temperature_min_c", Float),
    Column("temperature_max_c", Float),
    Column("dwell_min_s", Float),
    Column("dwell_max_s", Float),
    Column("posted_by", Text, nullable=False),
    Column("at", UtcTime, nullable=False),
)
panel_stock = _table(
    "panel_stock",
    Column("width_mm", Float, nullable=False),
    Column("height_mm", Float, nullable=False),
    Column("base", String(20), nullable=False),
    Column("finish", String(40), nullable=False),
    Column("lot", String(80), nullable=False, server_default=""),
    UniqueConstraint("width_mm", "height_mm", "base", "finish", "lot"),
    CheckConstraint("base IN ('white', 'clear', 'other')", name="base"),
)
supply = _table(
    "supply",
    Column("kind", String(20), nullable=False),
    Column("name", String(80), nullable=False),
    Column("lot", String(80), nullable=False, server_default=""),
    UniqueConstraint("kind", "name", "lot"),
    CheckConstraint("kind IN ('transfer_paper', 'ink', 'cover_paper')", name="kind"),
)
vent_fabric = _table(
    "vent_fabric",
    Column("name", String(80), nullable=False, unique=True),
    Column("width_mm", Float),
    Column("height_mm", Float),
    Column("uses_before", Integer, nullable=False, server_default="0"),
    Column("uses_limit", Integer),
    Column("retired_at", UtcTime),
    _text("notes"),
)
pressing = _table(
    "pressing",
    Column("code", String(80), nullable=False, unique=True),
    Column("at", UtcTime, nullable=False),
    _link("press_id", "press", needed=True),
    Column("set_c", Float),
    Column("true_c", Float),
    Column("dwell_s", Float),
    Column("pressure_kpa", Float),
    Column("drying_s", Float),
    Column("cleaned", Boolean),
    _text("stack"),
    Column("back_print", Boolean),
    Column("operator", String(80), nullable=False, server_default=""),
    _link("vent_fabric_id", "vent_fabric"),
    _link("transfer_paper_id", "supply"),
    _link("ink_id", "supply"),
    _link("cover_paper_id", "supply"),
    Column("room_c", Float),
    Column("room_humidity_pct", Float),
    _text("job"),
    Index("ix_pressing_at", "at"),
    Index("ix_pressing_vent_fabric_id_at", "vent_fabric_id", "at"),
    Index("ix_pressing_press_id_at", "press_id", "at"),
)
pressed_panel = _table(
    "pressed_panel",
    _link("pressing_id", "pressing", needed=True),
    _link("panel_stock_id", "panel_stock"),
    Column("code", String(80), nullable=False, server_default=""),
    Column("x_mm", Float),
    Column("y_mm", Float),
    Column("quarter_turns", Integer, nullable=False, server_default="0"),
    Column("face_up", Boolean, nullable=False, server_default=true()),
    Index("ix_pressed_panel_pressing_id", "pressing_id"),
    Index("ix_pressed_panel_code", "code"),
    CheckConstraint("quarter_turns BETWEEN 0 AND 3", name="quarter_turns"),
)
inspection = _table(
    "inspection",
    _link("pressed_panel_id", "pressed_panel", needed=True),
    Column("at", UtcTime, nullable=False),
    Column("source", String(20), nullable=False),
    Column("verdict", String(20), nullable=False),
    Column("artwork_sha256", String(64), nullable=False, server_default=""),
    Column("rules_sha256", String(64), nullable=False, server_default=""),
    Column("tool_version", String(40), nullable=False, server_default=""),
    Column("result_json", Text),
    Index("ix_inspection_pressed_panel_id", "pressed_panel_id"),
    Index("ix_inspection_at", "at"),
    CheckConstraint("source IN ('photo', 'person')", name="source"),
    CheckConstraint("verdict IN ('pass', 'review', 'remake', 'retake')", name="verdict"),
)
inspection_photo = _table(
    "inspection_photo",
    _link("inspection_id", "inspection", needed=True),
    Column("file", Text, nullable=False),
    Column("sha256", String(64), nullable=False),
    Index("ix_inspection_photo_inspection_id", "inspection_id"),
    Index("ix_inspection_photo_sha256", "sha256"),
)
finding = _table(
    "finding",
    _link("inspection_id", "inspection", needed=True),
    Column("code", String(20), nullable=False),
    Column("kind", String(40), nullable=False),
    Column("severity", String(20), nullable=False),
    Column("confidence", Float, nullable=False),
    Column("x_mm", Float),
    Column("y_mm", Float),
    Index("ix_finding_inspection_id", "inspection_id"),
    Index("ix_finding_kind", "kind"),
)
ruling = _table(
    "ruling",
    _link("inspection_id", "inspection", needed=True),
    _link("finding_id", "finding"),
    Column("at", UtcTime, nullable=False),
    _text("by"),
    Column("agreed", Boolean, nullable=False),
    Column("ruled", String(40), nullable=False),
    _text("why"),
    Index("ix_ruling_inspection_id", "inspection_id"),
)
note = _table(
    "note",
    _link("pressing_id", "pressing", needed=True),
    Column("at", UtcTime, nullable=False),
    _text("by"),
    Column("text", Text, nullable=False),
    Index("ix_note_pressing_id", "pressing_id"),
)
trial = _table(
    "trial",
    Column("name", String(80), nullable=False, unique=True),
    Column("cause", String(60), nullable=False),
    Column("kind", String(40), nullable=False),
    Column("factor", String(60), nullable=False),
    Column("old_json", Text, nullable=False),
    Column("new_json", Text, nullable=False),
    Column("held_json", Text, nullable=False),
    Column("started_at", UtcTime, nullable=False),
    Column("ended_at", UtcTime),
    _text("by"),
)
shared_state = _table(
    "shared_state",
    Column("scope", String(160), nullable=False),
    Column("key", String(80), nullable=False),
    Column("value_json", Text, nullable=False),
    Column("at", UtcTime, nullable=False),
    UniqueConstraint("scope", "key"),
)
amendment = _table(
    "amendment",
    Column("at", UtcTime, nullable=False),
    _text("by"),
    Column("table_name", String(40), nullable=False),
    Column("row_id", Integer, nullable=False),
    Column("field", String(40), nullable=False),
    Column("old_json", Text, nullable=False),
    Column("new_json", Text, nullable=False),
    _text("why"),
    Index("ix_amendment_table_name_row_id", "table_name", "row_id"),
)
claim_case = _table(
    "claim_case",
    Column("name", String(80), nullable=False, unique=True),
    Column("opened_at", UtcTime, nullable=False),
    Column("delete_by", Date, nullable=False),
    Index("ix_claim_case_delete_by", "delete_by"),
)
claim_answer = _table(
    "claim_answer",
    _link("claim_case_id", "claim_case", needed=True),
    Column("at", UtcTime, nullable=False),
    # the machine whose folder holds the photos and files of this answer
    _text("machine"),
    Column("code", String(20), nullable=False),
    Column("title", Text, nullable=False),
    Column("sure", Float, nullable=False),
    _text("consent"),
    Column("letter", Text, nullable=False),
    Column("sent_letter", Text),
    Column("result_json", Text, nullable=False),
    Index("ix_claim_answer_claim_case_id", "claim_case_id"),
)
claim_photo = _table(
    "claim_photo",
    _link("claim_answer_id", "claim_answer", needed=True),
    Column("file", Text, nullable=False),
    Column("sha256", String(64), nullable=False),
    # the copy's name in the folder of cases, "" where none is kept
    Column("kept", String(80), nullable=False, server_default=""),
    Index("ix_claim_photo_claim_answer_id", "claim_answer_id"),
)
claim_output = _table(
    "claim_output",
    _link("claim_answer_id", "claim_answer", needed=True),
    Column("path", Text, nullable=False),
    Column("sha256", String(64), nullable=False),
    Index("ix_claim_output_claim_answer_id", "claim_answer_id"),
)
