"""What stands from earlier pressings: values that a new one may take over, names in use."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, select

from . import schema
from .entries import PressingEntry
from .rows import PanelRow

_LATEST = 400


def copied_values(row: PanelRow) -> dict[str, Any]:
    """What a new pressing may take from an earlier one: all but number, time, note and panels."""
    names = [
        name for name in PressingEntry.model_fields if name not in ("code", "at", "note", "panels")
    ]
    return {name: value for name in names if (value := getattr(row, name)) not in (None, "")}


def names_in_use(connection: Connection) -> dict[str, list[str]]:
    """Names that the log knows, by fields of PressingEntry; the latest operators first.

    Presses, fabrics that were not thrown away, operators, papers and ink.
    """
    pressing, fabric, supply = schema.pressing.c, schema.vent_fabric.c, schema.supply.c
    latest = connection.execute(
        select(pressing.operator).order_by(pressing.id.desc()).limit(_LATEST)
    ).scalars()
    known = {
        "press": list(
            connection.execute(select(schema.press.c.name).order_by(schema.press.c.name)).scalars()
        ),
        "fabric": list(
            connection.execute(
                select(fabric.name).where(fabric.retired_at.is_(None)).order_by(fabric.name)
            ).scalars()
        ),
        "operator": list(dict.fromkeys(name for name in latest if name)),
    }
    for kind in ("transfer_paper", "ink", "cover_paper"):
        names = connection.execute(
            select(supply.name).where(supply.kind == kind).order_by(supply.id.desc())
        ).scalars()
        known[kind] = list(dict.fromkeys(names))
    return known
