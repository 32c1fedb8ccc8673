"""Read a run's manifest: one row for each panel, every trouble told with its row and column."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast, get_args

from ..errors import DyelightError, SettingsError, UnreadableInput
from ..judge.model_file import close_name
from ..records import Base
from ..sizes import check_bleed, check_size
from .entries import PRESSING_FACTS, Entry, file_stem

REQUIRED = ("panel_id", "photo", "artwork")
SIZES = ("width_mm", "height_mm")
OPTIONAL = ("bleed_mm", "base", "finish")
COLUMNS = (*REQUIRED, *SIZES, *OPTIONAL, *PRESSING_FACTS)
# more than any run holds; a file of another kind is told early, before it fills the memory
MOST_ROWS = 200_000
_LONGEST_ID = 200


@dataclass(frozen=True, slots=True)
class RowTrouble:
    """What is wrong with one row: its line in the file, its column (None: the row), and why."""

    line: int
    column: str | None
    text: str

    def sentence(self) -> str:
        """Line, column and trouble in one line."""
        where = f"line {self.line}" + (f", {self.column}" if self.column else "")
        return f"{where}: {self.text}"


class ManifestError(SettingsError):
    """A manifest with rows that cannot be used; `rows` holds every trouble."""

    def __init__(self, file: Path, rows: Sequence[RowTrouble]) -> None:
        self.rows = tuple(rows)
        count = len({row.line for row in rows})
        super().__init__(
            f"{count} row{'s' if count > 1 else ''} cannot be used; nothing was started.",
            file=file,
            remedy="Correct what is listed.",
        )


@dataclass(frozen=True, slots=True)
class Defaults:
    """What holds for rows that leave it out: size (None: unknown), bleed, base, finish."""

    size_mm: tuple[float, float] | None = None
    bleed_mm: float = 0.0
    base: Base = "white"
    finish: str = "gloss"


def read_rows(path: Path, torn: list[RowTrouble] | None = None) -> list[tuple[int, dict[str, str]]]:
    """The rows of a CSV file as (line, {column: stripped text}); empty rows are left out.

    Comma, semicolon or tab, whichever the header holds most of; columns without a name at its end
    are left out where they are empty. Raises UnreadableInput where the file cannot be read,
    SettingsError where a column is named twice, and where a row is longer than the header, unless
    `torn` takes such rows.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as trouble:
        raise UnreadableInput(
            "there is no such file.", file=path, remedy="Check the name and the folder."
        ) from trouble
    except OSError as trouble:
        raise UnreadableInput(
            f"the list cannot be read ({trouble.strerror or trouble}).",
            file=path,
            remedy="Check the name and the rights.",
        ) from trouble
    except UnicodeDecodeError as trouble:
        raise UnreadableInput(
            "the list is no UTF-8 text.", file=path, remedy="Save it as CSV in UTF-8."
        ) from trouble
    delimiter = max(",;\t", key=text.partition("\n")[0].count)
    reader = csv.reader(text.splitlines(keepends=True), delimiter=delimiter, strict=True)
    rows: list[tuple[int, dict[str, str]]] = []
    try:
        header = [name.strip().lower() for name in next(reader, [])]
        while header and not header[-1]:
            # spreadsheets like to leave empty columns at the end
            header.pop()
        _check_header(header, path)
        for cells in reader:
            values = [cell.strip() for cell in cells]
            if not any(values):
                continue
            if len(values) > len(header) and any(values[len(header) :]):
                cells_of = f"the row has {len(values)} cells, the header {len(header)}."
                remedy = "Put text that holds the separator into quotes."
                if torn is not None:
                    torn.append(RowTrouble(reader.line_num, None, f"{cells_of} {remedy}"))
                    continue
                raise SettingsError(
                    cells_of, file=path, place=f"line {reader.line_num}", remedy=remedy
                )
            rows.append((reader.line_num, dict(zip(header, values, strict=False))))
            if len(rows) > MOST_ROWS:
                raise SettingsError(f"the list has over {MOST_ROWS} rows.", file=path)
    except csv.Error as trouble:
        raise SettingsError(
            f"this is no CSV ({trouble}).", file=path, place=f"line {reader.line_num}"
        ) from trouble
    return rows


def _check_header(header: Sequence[str], path: Path) -> None:
    twice = sorted({name for name in header if header.count(name) > 1})
    if twice:
        raise SettingsError(f"the column {twice[0]!r} stands twice.", file=path, place="line 1")


def check_columns(present: Sequence[str], required: Sequence[str], path: Path) -> None:
    """SettingsError where a required column is missing or one is unknown."""
    known = COLUMNS
    for name in present:
        if name not in known:
            raise SettingsError(
                f"there is no column {name!r}.{close_name(name, known)}",
                file=path,
                place="line 1",
                remedy=f"Known columns: {', '.join(known)}.",
            )
    missing = [name for name in required if name not in present]
    if missing:
        raise SettingsError(
            f"the column {missing[0]!r} is missing.",
            file=path,
            place="line 1",
            remedy=f"Needed: {', '.join(required)}.",
        )


def read_manifest(path: Path, defaults: Defaults) -> tuple[Entry, ...]:
    """Read a manifest.

    Relative file names are meant from the manifest's folder; several photos of a panel are split by
    `;`. Raises UnreadableInput or SettingsError where the file as a whole cannot be used, and
    ManifestError with every trouble of every row.
    """
    troubles: list[RowTrouble] = []
    rows = read_rows(path, troubles)
    if not rows and not troubles:
        raise SettingsError(
            "the list holds no panel.",
            file=path,
            remedy=f"Needed columns: {', '.join((*REQUIRED, *SIZES))}.",
        )
    if rows:
        check_columns(list(rows[0][1]), REQUIRED, path)
    entries: list[Entry] = []
    seen: dict[str, int] = {}
    folder = path.absolute().parent
    for line, row in rows:
        row_troubles = list(_row_troubles(row, line, seen))
        entry = None if row_troubles else _entry(row, line, len(entries), folder, defaults)
        if isinstance(entry, RowTrouble):
            row_troubles = [entry]
        elif entry is not None:
            entries.append(entry)
        troubles += row_troubles
        if row.get("panel_id"):
            seen.setdefault(file_stem(row["panel_id"]).casefold(), line)
    if troubles:
        raise ManifestError(path, sorted(troubles, key=lambda trouble: trouble.line))
    return tuple(entries)


def _row_troubles(row: Mapping[str, str], line: int, seen: Mapping[str, int]) -> list[RowTrouble]:
    found = [RowTrouble(line, name, "nothing is given.") for name in REQUIRED if not row.get(name)]
    panel_id = row.get("panel_id", "")
    if len(panel_id) > _LONGEST_ID:
        found.append(RowTrouble(line, "panel_id", f"it has over {_LONGEST_ID} signs."))
    elif panel_id and not panel_id.isprintable():
        found.append(RowTrouble(line, "panel_id", "it holds a sign that cannot be printed."))
    elif panel_id and (first := seen.get(file_stem(panel_id).casefold())):
        # results are files, and some file systems do not tell capitals from small letters
        found.append(RowTrouble(line, "panel_id", f"{panel_id!r} stands in line {first} already."))
    for name in (*REQUIRED[1:], "finish"):
        if "\0" in row.get(name, ""):
            found.append(RowTrouble(line, name, "it holds a null character."))
    if row.get("base") and row["base"] not in get_args(Base):
        words = ", ".join(get_args(Base))
        found.append(RowTrouble(line, "base", f"{row['base']!r} is not one of {words}."))
    numbers = [*SIZES, "bleed_mm"]
    numbers += [name for name, (_, kind) in PRESSING_FACTS.items() if kind == "number"]
    for name in numbers:
        if row.get(name) and number(row[name]) is None:
            found.append(RowTrouble(line, name, f"{row[name]!r} is no number."))
    if row.get("quarter_turns") and number(row["quarter_turns"]) not in (0, 1, 2, 3):
        found.append(RowTrouble(line, "quarter_turns", "it must be 0, 1, 2 or 3."))
    if row.get("face_up") and row["face_up"].lower() not in ("yes", "no"):
        found.append(RowTrouble(line, "face_up", "it must be yes or no."))
    if bool(row.get("width_mm")) != bool(row.get("height_mm")):
        found.append(RowTrouble(line, "width_mm", "width and height belong together."))
    return found


def number(text: str) -> float | None:
    """A finite number written with point or comma as the decimal mark; None where it is none."""
    try:
        value = float(text.replace(",", ".") if text.count(",") == 1 else text)
    except ValueError:
        return None
    return value if math.isfinite(value) and "_" not in text else None


def _entry(
    row: Mapping[str, str], line: int, index: int, folder: Path, defaults: Defaults
) -> Entry | RowTrouble:
    names = tuple(part.strip() for part in row["photo"].split(";") if part.strip())
    if not names:
        return RowTrouble(line, "photo", "nothing is given.")
    if row.get("width_mm"):
        size = (number(row["width_mm"]) or 0.0, number(row["height_mm"]) or 0.0)
    else:
        size = defaults.size_mm or (math.nan, math.nan)
    known = math.isfinite(size[0])
    bleed_mm = number(row["bleed_mm"]) if row.get("bleed_mm") else defaults.bleed_mm
    assert bleed_mm is not None  # _row_troubles refused what is no number
    try:
        if known:
            check_size(*size)
            check_bleed(bleed_mm, *size)
        elif bleed_mm < 0:
            return RowTrouble(line, "bleed_mm", "the bleed must be zero or more.")
    except DyelightError as trouble:
        return RowTrouble(line, None, trouble.trouble)
    return Entry(
        index=index,
        line=line,
        panel_id=row["panel_id"],
        photos=tuple(folder / name for name in names),
        photo_names=names,
        artwork=folder / row["artwork"],
        artwork_name=row["artwork"],
        width_mm=size[0] if known else None,
        height_mm=size[1] if known else None,
        bleed_mm=bleed_mm,
        base=cast(Base, row["base"]) if row.get("base") else defaults.base,
        finish=row.get("finish") or defaults.finish,
        facts=tuple((name, row[name]) for name in PRESSING_FACTS if row.get(name)),
    )
