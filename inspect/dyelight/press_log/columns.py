"""The columns of a CSV file of pressings: each name carries its unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..errors import UnreadableInput
from ..judge.model_file import close_name
from .fields import PANEL_FIELDS, PRESSING_FIELDS, Field
from .units import Units, units_of

PANEL_PREFIX = "panel_"


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a CSV file: its field, whether of the panel, and the unit of its numbers."""

    field: Field
    of_panel: bool
    unit: str | None

    @property
    def header(self) -> str:
        """The column's name."""
        name = self.field.name
        if self.field.dimension is None or self.unit is None:
            plain = name
        else:
            plain = f"{_stem(name)}_{'pct' if self.unit == '%' else self.unit}"
        return PANEL_PREFIX + plain if self.of_panel else plain


def columns_for(units: Units) -> list[Column]:
    """The columns of a file in the user's units, as template and export have them."""
    return [
        Column(item, of_panel, None if item.dimension is None else units.of(item.dimension))
        for of_panel, items in ((False, PRESSING_FIELDS), (True, PANEL_FIELDS))
        for item in items
    ]


def _stem(name: str) -> str:
    return name.rpartition("_")[0]


def read_header(header: Sequence[str], path: Path, units: Units) -> list[Column]:
    """The columns that a file's header names; UnreadableInput for one unknown or named twice."""
    # spreadsheets like to leave empty columns at the end
    named = list(header)
    while named and not named[-1].strip():
        named.pop()
    columns = [_column(name, path, units) for name in named]
    for place, column in enumerate(columns):
        if any(
            (column.field, column.of_panel) == (other.field, other.of_panel)
            for other in columns[:place]
        ):
            raise UnreadableInput(
                f"the column {column.header!r} stands twice.",
                file=path,
                place="row 1",
                remedy="Take one of them away.",
            )
    return columns


def _column(name: str, path: Path, units: Units) -> Column:
    wanted = name.strip().lower()
    names = {}
    for column in columns_for(units):
        names[column.header] = column
        if column.field.dimension is not None:
            for unit in units_of(column.field.dimension):
                other = Column(column.field, column.of_panel, unit)
                names[other.header] = other
    if wanted not in names:
        raise UnreadableInput(
            f"there is no column {name!r}.{close_name(wanted, names)}",
            file=path,
            place="row 1",
            remedy="`dyelight log template` shows the columns.",
        )
    return names[wanted]
