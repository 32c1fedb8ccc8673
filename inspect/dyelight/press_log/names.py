"""Names to row numbers: presses, fabrics and supplies that the log does not know yet are added."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Table, func, insert, select

from . import schema
from .entries import PanelEntry, PressingEntry

SUPPLIES = ("transfer_paper", "ink", "cover_paper")
_PLAIN = (
    "at",
    "set_c",
    "true_c",
    "dwell_s",
    "pressure_kpa",
    "drying_s",
    "cleaned",
    "stack",
    "back_print",
    "operator",
    "room_c",
    "room_humidity_pct",
    "job",
)


class Names:
    """Row numbers by name within one transaction, each looked up once."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._known: dict[tuple[Any, ...], int] = {}
        self._next: int | None = None

    def press(self, name: str) -> int:
        """The press of this name."""
        return self._row(schema.press, name=name)

    def fabric(self, name: str) -> int | None:
        """The vent fabric of this name; None for no name."""
        return self._row(schema.vent_fabric, name=name) if name else None

    def supply(self, kind: str, name: str, lot: str) -> int | None:
        """Paper or ink by name and lot; None for no name."""
        return self._row(schema.supply, kind=kind, name=name, lot=lot) if name else None

    def panel_stock(self, panel: PanelEntry) -> int | None:
        """The stock that a panel came from; None where its size is not known."""
        if panel.width_mm is None or panel.height_mm is None:
            return None
        return self._row(
            schema.panel_stock,
            width_mm=panel.width_mm,
            height_mm=panel.height_mm,
            base=panel.base,
            finish=panel.finish,
            lot=panel.lot,
        )

    def pressing_values(self, entry: PressingEntry) -> dict[str, Any]:
        """The columns of a pressing without its code; names become row numbers."""
        values: dict[str, Any] = {name: getattr(entry, name) for name in _PLAIN}
        values["press_id"] = self.press(entry.press)
        values["vent_fabric_id"] = self.fabric(entry.fabric)
        for kind in SUPPLIES:
            name, lot = getattr(entry, kind), getattr(entry, f"{kind}_lot")
            values[f"{kind}_id"] = self.supply(kind, name, lot)
        return values

    def next_code(self) -> str:
        """A number for a pressing that was given none: P and the next row number."""
        if self._next is None:
            last = self._connection.execute(select(func.max(schema.pressing.c.id))).scalar_one()
            self._next = int(last or 0)
        self._next += 1
        return f"P{self._next:06d}"

    def _row(self, table: Table, **values: Any) -> int:
        key = (table.name, *values.values())
        if key not in self._known:
            same = [table.c[name] == value for name, value in values.items()]
            row = self._connection.execute(select(table.c.id).where(*same)).scalar_one_or_none()
            if row is None:
                made = self._connection.execute(insert(table).values(**values))
                assert made.inserted_primary_key is not None
                row = made.inserted_primary_key[0]
            self._known[key] = int(row)
        return self._known[key]
