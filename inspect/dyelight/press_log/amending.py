"""Change what stands in the log, and keep what stood there."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Table, insert, select, update

from ..errors import SettingsError
from ..judge.model_file import close_name
from . import schema
from .entries import PressingEntry, checked, now
from .names import SUPPLIES, Names

AMENDABLE = tuple(
    name for name in PressingEntry.model_fields if name not in ("code", "note", "panels")
)


def keep_old(
    connection: Connection,
    table: Table,
    row: int,
    field: str,
    old: Any,
    new: Any,
    *,
    why: str = "",
    by: str = "",
) -> None:
    """Write one amendment: what a field held and what it holds now."""
    connection.execute(
        insert(schema.amendment).values(
            at=now(),
            by=by,
            table_name=table.name,
            row_id=row,
            field=field,
            old_json=json.dumps(old, default=str),
            new_json=json.dumps(new, default=str),
            why=why,
        )
    )


def amend_pressing(
    connection: Connection, code: str, changes: Mapping[str, Any], *, why: str, by: str
) -> None:
    """Change fields of a pressing. SettingsError for a field or value that is not taken."""
    for name in changes:
        if name not in AMENDABLE:
            raise SettingsError(
                f"a pressing has no field {name!r} to amend.{close_name(name, AMENDABLE)}",
                remedy=f"It has {', '.join(AMENDABLE)}.",
            )
    row, before = entry_of(connection, code)
    after = checked(PressingEntry, before.model_dump() | dict(changes), place=f"pressing {code}")
    changed = [name for name in AMENDABLE if getattr(before, name) != getattr(after, name)]
    if not changed:
        return
    connection.execute(
        update(schema.pressing)
        .where(schema.pressing.c.id == row)
        .values(**Names(connection).pressing_values(after))
    )
    for name in changed:
        old, new = getattr(before, name), getattr(after, name)
        keep_old(connection, schema.pressing, row, name, old, new, why=why, by=by)


def entry_of(connection: Connection, code: str) -> tuple[int, PressingEntry]:
    """A pressing as it stands: its row number, and its values without notes and panels."""
    table = schema.pressing
    found = connection.execute(select(table).where(table.c.code == code)).mappings().one_or_none()
    if found is None:
        raise SettingsError(
            f"the log holds no pressing {code!r}.",
            remedy="`dyelight log find` lists what it holds.",
        )
    values: dict[str, Any] = {
        name: found[name] for name in AMENDABLE if name in found and found[name] is not None
    }
    values["code"] = code
    values["press"] = _value(connection, schema.press, found["press_id"], "name")
    values["fabric"] = _value(connection, schema.vent_fabric, found["vent_fabric_id"], "name")
    for kind in SUPPLIES:
        row = found[f"{kind}_id"]
        values[kind] = _value(connection, schema.supply, row, "name")
        values[f"{kind}_lot"] = _value(connection, schema.supply, row, "lot")
    return int(found["id"]), PressingEntry.model_validate(values)


def _value(connection: Connection, table: Table, row: int | None, column: str) -> str:
    if row is None:
        return ""
    return str(connection.execute(select(table.c[column]).where(table.c.id == row)).scalar_one())
