"""The rows that make up an entry, written inside the caller's transaction."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any, get_args

from sqlalchemy import Connection, Table, insert, select

from ..errors import SettingsError
from ..records import Kind, VerdictWord
from . import schema
from .entries import PanelEntry, PressingEntry, RulingEntry, SeenDefect, now
from .exchange import BadRow, Reading
from .names import Names

Json = Any  # what json.dumps takes


def pressing_id(connection: Connection, code: str) -> int:
    """The row number of the pressing with this code; SettingsError where there is none."""
    table = schema.pressing
    row = connection.execute(select(table.c.id).where(table.c.code == code)).scalar_one_or_none()
    if row is None:
        raise SettingsError(
            f"the log holds no pressing {code!r}.",
            remedy="`dyelight log find` lists what it holds.",
        )
    return int(row)


def insert_row(connection: Connection, table: Table, **values: Json) -> int:
    """Insert one row; its number."""
    key = connection.execute(insert(table).values(**values)).inserted_primary_key
    assert key is not None
    return int(key[0])


def read_state(connection: Connection, scope: str, key: str) -> Json | None:
    """What is kept under a scope and a key; None where nothing is."""
    table = schema.shared_state
    kept = connection.execute(
        select(table.c.value_json).where(table.c.scope == scope, table.c.key == key)
    ).scalar_one_or_none()
    return None if kept is None else json.loads(kept)


def without_taken(connection: Connection, reading: Reading) -> list[PressingEntry]:
    """The entries whose numbers are free; the others are added to `reading.bad`."""
    table = schema.pressing
    codes = [entry.code for _, entry in reading.entries if entry.code]
    seen: dict[str, str] = {}
    for first in range(0, len(codes), 500):
        part = codes[first : first + 500]
        held = connection.execute(select(table.c.code).where(table.c.code.in_(part))).scalars()
        seen |= dict.fromkeys(held, "is in the log already")
    good = []
    for row, entry in reading.entries:
        if entry.code and entry.code in seen:
            reading.bad.append(BadRow(row, f"the pressing {entry.code!r} {seen[entry.code]}"))
            continue
        if entry.code:
            seen[entry.code] = "stands in the file before"
        good.append(entry)
    reading.bad.sort(key=lambda item: item.row)
    return good


def write_pressing(connection: Connection, names: Names, entry: PressingEntry) -> int:
    """Write a pressing with its panels; SettingsError where its code is taken."""
    table = schema.pressing
    code = entry.code or names.next_code()
    if connection.execute(select(table.c.id).where(table.c.code == code)).first() is not None:
        raise SettingsError(
            f"the pressing {code!r} is in the log already.",
            remedy="Nothing was written. Give another number, or use `dyelight log amend`.",
        )
    row = insert_row(connection, table, code=code, **names.pressing_values(entry))
    if entry.note:
        insert_row(connection, schema.note, pressing_id=row, at=entry.at, text=entry.note)
    for panel in entry.panels:
        _write_panel(connection, names, row, panel, entry.at)
    return row


def _write_panel(
    connection: Connection, names: Names, pressing: int, panel: PanelEntry, at: datetime
) -> int:
    row = insert_row(
        connection,
        schema.pressed_panel,
        pressing_id=pressing,
        panel_stock_id=names.panel_stock(panel),
        code=panel.code,
        x_mm=panel.x_mm,
        y_mm=panel.y_mm,
        quarter_turns=panel.quarter_turns,
        face_up=panel.face_up,
    )
    if panel.result is not None:
        seen = [
            SeenDefect(code=f"p{number}", kind=kind)
            for number, kind in enumerate(panel.defects, start=1)
        ]
        write_inspection(
            connection, row, source="person", verdict=panel.result, findings=seen, at=at
        )
    return row


def write_inspection(
    connection: Connection, panel: int, *, findings: Sequence[SeenDefect], **values: Json
) -> int:
    """Write an inspection with its findings; its number."""
    row = insert_row(connection, schema.inspection, pressed_panel_id=panel, **values)
    if findings:
        connection.execute(
            insert(schema.finding),
            [{"inspection_id": row, **item.model_dump()} for item in findings],
        )
    return row


def panel_of(connection: Connection, pressing: int, code: str, panel: str) -> int:
    """The row number of a panel in a pressing; one that it does not hold yet is added."""
    table = schema.pressed_panel
    held = connection.execute(
        select(table.c.id, table.c.code).where(table.c.pressing_id == pressing)
    ).all()
    named = [row.id for row in held if row.code == panel]
    if len(named) == 1:
        return int(named[0])
    if not panel and len(held) == 1:
        return int(held[0].id)
    if not panel and held:
        codes = ", ".join(row.code or "(no number)" for row in held)
        raise SettingsError(
            f"pressing {code!r} holds {len(held)} panels: {codes}.",
            remedy="Say which with --panel-id.",
        )
    if len(named) > 1:
        raise SettingsError(f"pressing {code!r} holds {len(named)} panels numbered {panel!r}.")
    return insert_row(connection, table, pressing_id=pressing, code=panel)


def write_ruling(
    connection: Connection, inspection: int, entry: RulingEntry, *, agreed: bool | None = None
) -> None:
    """Write a ruling on a verdict or finding; SettingsError where there is none such.

    `agreed` None tells it from what the inspection said.
    """
    table, found = schema.inspection, schema.finding
    said = connection.execute(
        select(table.c.verdict).where(table.c.id == inspection)
    ).scalar_one_or_none()
    if said is None:
        raise SettingsError(f"the log holds no inspection {inspection}.")
    finding_row = None
    known: tuple[str, ...] = get_args(VerdictWord)
    if entry.finding is not None:
        rows = connection.execute(
            select(found.c.id, found.c.code, found.c.kind).where(
                found.c.inspection_id == inspection
            )
        ).all()
        # reports number findings 1, 2, 3; the log has F1 from a photo and p1 from a person
        held = {row.code: row for row in rows}
        names = {code.casefold(): code for code in held}
        names |= {code.lstrip("Fp"): code for code in held}
        code = names.get(entry.finding.casefold())
        if code is None:
            raise SettingsError(
                f"the inspection has no finding {entry.finding!r}.",
                remedy=f"It has {', '.join(held) or 'none'}.",
            )
        finding_row, said = held[code].id, held[code].kind
        known = (*get_args(Kind), "nothing")
    ruled = said if entry.ruled is None else entry.ruled
    if ruled not in known:
        raise SettingsError(f"{ruled!r} is not one of {', '.join(known)}.")
    insert_row(
        connection,
        schema.ruling,
        inspection_id=inspection,
        finding_id=finding_row,
        at=now(),
        by=entry.by,
        agreed=ruled == said if agreed is None else agreed,
        ruled=ruled,
        why=entry.why,
    )
