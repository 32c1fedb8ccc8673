"""Pressings from and to CSV and JSON files.

CSV holds one row for each panel; rows with the same pressing number make one pressing, whose fields
stand in its first row and may be left out in the others. A column's name carries its unit: `set_c`
or `set_f`, `dwell_s` or `dwell_min`, `width_mm` or `width_in`.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from ..errors import SettingsError, UnreadableInput
from .columns import PANEL_PREFIX, Column, columns_for, read_header
from .entries import PressingEntry, entry_troubles
from .fields import PRESSING_FIELDS
from .rows import PanelRow
from .units import Units, from_si, to_si

SCHEMA_VERSION = 1
# a spreadsheet takes a cell that begins so for a formula
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]{1,2})?")


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that cannot be taken: its number in the file, the first being 1, and why."""

    row: int
    reason: str


@dataclass(slots=True)
class Reading:
    """What a file holds: pressings that can be taken, with their rows, and rows that cannot."""

    entries: list[tuple[int, PressingEntry]] = field(default_factory=list)
    bad: list[BadRow] = field(default_factory=list)


def template_csv(units: Units) -> str:
    """An empty CSV file in the user's units: its header."""
    return ",".join(column.header for column in columns_for(units)) + "\n"


def read_file(path: Path, units: Units) -> Reading:
    """Read a CSV or JSON file, told apart by its name. Raises UnreadableInput."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UnreadableInput(
            "the file is not there.", file=path, remedy="Check the name."
        ) from None
    except OSError as trouble:
        raise UnreadableInput(
            f"the file cannot be read ({trouble.strerror or trouble}).",
            file=path,
            remedy="Check the name and the rights.",
        ) from trouble
    except UnicodeDecodeError as trouble:
        raise UnreadableInput(
            "the file is no UTF-8 text.", file=path, remedy="Save it as plain text in UTF-8."
        ) from trouble
    if path.suffix.lower() == ".json":
        return _read_json(text, path)
    return _read_csv(text, path, units)


def _read_json(text: str, path: Path) -> Reading:
    try:
        held = json.loads(text)
    except (ValueError, RecursionError) as trouble:
        # also a number of too many digits, and brackets nested without end
        at = f"line {trouble.lineno}" if isinstance(trouble, json.JSONDecodeError) else None
        reason = trouble.msg if isinstance(trouble, json.JSONDecodeError) else str(trouble)
        raise UnreadableInput(
            f"the file is not JSON ({reason}).",
            file=path,
            place=at,
            remedy="`dyelight log export --out FILE.json` shows the shape.",
        ) from trouble
    version = held.get("schema_version") if isinstance(held, dict) else None
    if not isinstance(held, dict) or not isinstance(held.get("pressings"), list):
        raise UnreadableInput(
            'the file holds no "pressings".',
            file=path,
            remedy="`dyelight log export --out FILE.json` shows the shape.",
        )
    if version != SCHEMA_VERSION:
        raise UnreadableInput(
            f"the file has schema_version {version}, and this program knows {SCHEMA_VERSION}.",
            file=path,
            remedy="Use the dyelight that wrote it, or a newer one.",
        )
    reading = Reading()
    for number, values in enumerate(held["pressings"], start=1):
        _take(reading, number, [number], values)
    return reading


def _take(reading: Reading, row: int, rows: Sequence[int], values: Any) -> None:
    try:
        reading.entries.append((row, PressingEntry.model_validate(values)))
    except ValidationError as failure:
        reason = "; ".join(entry_troubles(failure))
        reading.bad += [BadRow(number, reason) for number in rows]


def _read_csv(text: str, path: Path, units: Units) -> Reading:
    # strict: a quote that is never closed would swallow all rows after it
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    try:
        header = next(lines, None)
        if not header:
            raise UnreadableInput(
                "the file is empty.", file=path, remedy="`dyelight log template` makes one to fill."
            )
        columns = read_header(header, path, units)
        body = [(number, cells) for number, cells in enumerate(lines, start=2) if any(cells)]
    except csv.Error as trouble:
        raise UnreadableInput(
            f"the file is not CSV ({trouble}).",
            file=path,
            place=f"line {lines.line_num}",
            remedy="Look for a quote that is never closed.",
        ) from trouble
    reading = Reading()
    groups: dict[str, list[tuple[int, dict[str, Any]]]] = {}
    spoilt: dict[str, list[BadRow]] = {}
    for number, cells in body:
        code = _code(columns, cells) or f"\0row {number}"
        groups.setdefault(code, [])
        try:
            groups[code].append((number, _values(columns, cells, units)))
        except SettingsError as trouble:
            spoilt.setdefault(code, []).append(BadRow(number, trouble.sentence()))
    for code, rows in groups.items():
        if code in spoilt:
            # a pressing with half of its panels would be worse than none
            reading.bad += spoilt[code]
            reason = f"belongs to the pressing {code!r}, of which another row cannot be taken"
            reading.bad += [BadRow(number, reason) for number, _ in rows]
            continue
        _take_group(reading, rows)
    reading.bad.sort(key=lambda item: item.row)
    return reading


def _take_group(reading: Reading, rows: list[tuple[int, dict[str, Any]]]) -> None:
    numbers = [number for number, _ in rows]
    pressing: dict[str, Any] = {}
    panels = []
    for number, values in rows:
        panel = {
            name.removeprefix(PANEL_PREFIX): value
            for name, value in values.items()
            if name.startswith(PANEL_PREFIX)
        }
        if panel:
            panels.append(panel)
        for name, value in values.items():
            if name.startswith(PANEL_PREFIX):
                continue
            if pressing.setdefault(name, value) != value:
                reason = f"{name} differs from the first row of the pressing {pressing['code']!r}"
                reading.bad += [BadRow(number, reason)]
                reading.bad += [
                    BadRow(other, f"belongs to the same pressing as row {number}")
                    for other in numbers
                    if other != number
                ]
                return
    _take(reading, numbers[0], numbers, pressing | {"panels": panels})


def _delimiter(text: str) -> str:
    first = text.partition("\n")[0]
    return max(",;\t", key=first.count)


def _code(columns: Sequence[Column], cells: Sequence[str]) -> str:
    for column, cell in zip(columns, cells, strict=False):
        if column.field.name == "code" and not column.of_panel:
            return _plain(cell).strip()
    return ""


def _values(columns: Sequence[Column], cells: Sequence[str], units: Units) -> dict[str, Any]:
    if any(cells[len(columns) :]):
        raise SettingsError(f"has {len(cells)} cells, and the header has {len(columns)}")
    values: dict[str, Any] = {}
    for column, cell in zip(columns, cells, strict=False):
        text = _plain(cell).strip()
        if not text:
            continue
        name = (PANEL_PREFIX if column.of_panel else "") + column.field.name
        if column.field.dimension is not None and column.unit is not None:
            # nan, inf and 1_000 are numbers to Python alone
            if not _NUMBER.fullmatch(text):
                raise SettingsError(f"{text!r} is not a number", place=column.header)
            number = float(text.replace(",", "."))
            values[name] = to_si(number, column.unit, column.field.dimension)
        else:
            values[name] = column.field.read(text, units)
    return values


def _plain(cell: str) -> str:
    # what `_escaped` put before a text
    return cell[1:] if cell[:1] == "'" and cell[1:].startswith(_FORMULA_STARTS) else cell


def _escaped(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def export_csv(rows: Iterable[PanelRow], notes: Mapping[str, str], units: Units) -> str:
    """Rows of the log as CSV in the user's units; texts cannot turn into formulas."""
    columns = columns_for(units)
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([column.header for column in columns])
    for row in rows:
        writer.writerow([_cell(column, row, notes) for column in columns])
    return out.getvalue()


def _cell(column: Column, row: PanelRow, notes: Mapping[str, str]) -> str:
    value = _value(column, row, notes)
    if value is None or value == "":
        return ""
    dimension = column.field.dimension
    if dimension is not None and column.unit is not None:
        return f"{from_si(float(value), column.unit, dimension):.6f}".rstrip("0").rstrip(".")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return " ".join(value)
    if column.field.form == "moment":
        return str(value.isoformat())
    return _escaped(str(value))


def _value(column: Column, row: PanelRow, notes: Mapping[str, str]) -> Any:
    name = column.field.name
    if not column.of_panel:
        return {"code": row.pressing, "note": notes.get(row.pressing, "")}.get(
            name, getattr(row, name, None)
        )
    return None if row.panel_row is None else panel_values(row).get(name)


def panel_values(row: PanelRow) -> dict[str, Any]:
    """A row's panel as PanelEntry takes it."""
    result = row.verdict if row.verdict in ("pass", "review", "remake") else None
    known = row.width_mm is not None
    return {
        "code": row.panel,
        "width_mm": row.width_mm,
        "height_mm": row.height_mm,
        **({"base": row.base, "finish": row.finish, "lot": row.lot} if known else {}),
        "x_mm": row.x_mm,
        "y_mm": row.y_mm,
        "quarter_turns": row.quarter_turns,
        "face_up": row.face_up,
        "result": result,
        "defects": row.kinds if result else (),
    }


def export_json(rows: Iterable[PanelRow], notes: Mapping[str, str]) -> str:
    """Rows of the log as JSON in SI units, as `read_file` takes it back."""
    pressings: dict[str, dict[str, Any]] = {}
    for row in rows:
        if row.pressing not in pressings:
            values = {
                item.name: getattr(row, item.name)
                for item in PRESSING_FIELDS
                if item.name not in ("code", "note")
            }
            values["at"] = row.at.isoformat()
            kept = {name: value for name, value in values.items() if value not in (None, "")}
            note = {"note": notes[row.pressing]} if row.pressing in notes else {}
            pressings[row.pressing] = {"code": row.pressing, **kept, **note, "panels": []}
        if row.panel_row is None:
            continue
        panel = {
            name: value
            for name, value in panel_values(row).items()
            if value is not None and value not in ("", ())
        }
        pressings[row.pressing]["panels"].append(panel)
    held = {"schema_version": SCHEMA_VERSION, "pressings": list(pressings.values())}
    return json.dumps(held, indent=1, ensure_ascii=False) + "\n"
