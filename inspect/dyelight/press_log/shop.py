"""Presses and vent fabrics as they stand."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, func, select

from ..errors import SettingsError
from ..judge.model_file import close_name
from . import schema

_NEAR = 0.9  # share of its limit from which a fabric counts as near its end; our own


@dataclass(frozen=True, slots=True)
class Press:
    """A press and its platen."""

    name: str
    platen_width_mm: float | None
    platen_depth_mm: float | None


@dataclass(frozen=True, slots=True)
class Fabric:
    """A vent fabric with its uses: those before the log and those in it."""

    name: str
    width_mm: float | None
    height_mm: float | None
    uses: int
    uses_limit: int | None
    retired_at: datetime | None

    @property
    def near_its_end(self) -> bool:
        """Whether it is in use and close to its limit or over it."""
        if self.retired_at is not None or self.uses_limit is None:
            return False
        return self.uses >= _NEAR * self.uses_limit


def read_press(connection: Connection, name: str) -> Press:
    """A press by its name; SettingsError where the log knows none."""
    table = schema.press.c
    row = connection.execute(
        select(table.name, table.platen_width_mm, table.platen_depth_mm).where(table.name == name)
    ).one_or_none()
    if row is None:
        names = list(connection.execute(select(table.name)).scalars())
        raise SettingsError(
            f"the log knows no press {name!r}.{close_name(name, names)}",
            remedy=f"It knows {', '.join(names) or 'none yet'}.",
        )
    return Press(*row)


def read_fabrics(connection: Connection) -> list[Fabric]:
    """All vent fabrics: those in use first, each group by name."""
    fabric, pressing = schema.vent_fabric.c, schema.pressing.c
    rows = connection.execute(
        select(
            fabric.name,
            fabric.width_mm,
            fabric.height_mm,
            (fabric.uses_before + func.count(pressing.id)).label("uses"),
            fabric.uses_limit,
            fabric.retired_at,
        )
        .select_from(
            schema.vent_fabric.outerjoin(schema.pressing, pressing.vent_fabric_id == fabric.id)
        )
        .group_by(*fabric)
        .order_by(fabric.retired_at.is_not(None), fabric.name)
    )
    return [Fabric(*row) for row in rows]
