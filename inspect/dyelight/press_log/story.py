"""One pressing with everything that was ever written about it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from . import schema
from .rows import Filter, PanelRow, read_rows
from .writing import pressing_id


@dataclass(frozen=True, slots=True)
class Look:
    """One inspection as it was written: `findings` are (id, kind), `photos` (file, sha256)."""

    number: int
    panel: str
    at: datetime
    source: str
    verdict: str
    findings: tuple[tuple[str, str], ...]
    photos: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Ruled:
    """What a person ruled on an inspection; `finding` None speaks of the verdict."""

    inspection: int
    finding: str | None
    at: datetime
    by: str
    agreed: bool
    ruled: str
    why: str


@dataclass(frozen=True, slots=True)
class Amended:
    """One value that was changed, with the old one."""

    at: datetime
    by: str
    field: str
    old: Any
    new: Any
    why: str


@dataclass(frozen=True, slots=True)
class Story:
    """A pressing: its rows as they stand, looks, rulings, notes (at, by, text), amendments."""

    rows: tuple[PanelRow, ...]
    looks: tuple[Look, ...]
    rulings: tuple[Ruled, ...]
    notes: tuple[tuple[datetime, str, str], ...]
    amendments: tuple[Amended, ...]


def read_story(connection: Connection, code: str) -> Story:
    """Read one pressing; SettingsError where there is none."""
    row = pressing_id(connection, code)
    looks = _looks(connection, row)
    return Story(
        tuple(read_rows(connection, Filter(pressing=code))),
        looks,
        _rulings(connection, looks),
        _notes(connection, row),
        _amendments(connection, row),
    )


def _looks(connection: Connection, pressing: int) -> tuple[Look, ...]:
    panel, looked = schema.pressed_panel.c, schema.inspection.c
    finding, photo = schema.finding.c, schema.inspection_photo.c
    heads = connection.execute(
        select(looked.id, panel.code, looked.at, looked.source, looked.verdict)
        .join(schema.pressed_panel, looked.pressed_panel_id == panel.id)
        .where(panel.pressing_id == pressing)
        .order_by(looked.id)
    ).all()
    looks = []
    for head in heads:
        found = connection.execute(
            select(finding.code, finding.kind)
            .where(finding.inspection_id == head.id)
            .order_by(finding.id)
        )
        photos = connection.execute(
            select(photo.file, photo.sha256)
            .where(photo.inspection_id == head.id)
            .order_by(photo.id)
        )
        looks.append(
            Look(
                *head,
                findings=tuple((item.code, item.kind) for item in found),
                photos=tuple((item.file, item.sha256) for item in photos),
            )
        )
    return tuple(looks)


def _rulings(connection: Connection, looks: tuple[Look, ...]) -> tuple[Ruled, ...]:
    ruling, finding = schema.ruling.c, schema.finding.c
    rows = connection.execute(
        select(
            ruling.inspection_id,
            finding.code,
            ruling.at,
            ruling.by,
            ruling.agreed,
            ruling.ruled,
            ruling.why,
        )
        .select_from(schema.ruling.outerjoin(schema.finding, ruling.finding_id == finding.id))
        .where(ruling.inspection_id.in_([look.number for look in looks]))
        .order_by(ruling.id)
    )
    return tuple(Ruled(*row) for row in rows)


def _notes(connection: Connection, pressing: int) -> tuple[tuple[datetime, str, str], ...]:
    note = schema.note.c
    rows = connection.execute(
        select(note.at, note.by, note.text).where(note.pressing_id == pressing).order_by(note.id)
    )
    return tuple((row.at, row.by, row.text) for row in rows)


def _amendments(connection: Connection, pressing: int) -> tuple[Amended, ...]:
    table = schema.amendment.c
    rows = connection.execute(
        select(table.at, table.by, table.field, table.old_json, table.new_json, table.why)
        .where(table.table_name == "pressing", table.row_id == pressing)
        .order_by(table.id)
    )
    return tuple(
        Amended(
            row.at, row.by, row.field, json.loads(row.old_json), json.loads(row.new_json), row.why
        )
        for row in rows
    )
