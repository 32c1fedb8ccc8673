"""What a run is made of: one entry for each panel, and what may be told about its pressing."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ..records import Base

# facts about a pressing that a run may carry along, named as in the press log:
# name -> (meaning, "number" or "word")
PRESSING_FACTS: Mapping[str, tuple[str, str]] = {
    "pressing": ("the pressing's number in the log", "word"),
    "at": ("when it was pressed, ISO 8601", "word"),
    "job": ("the job's number", "word"),
    "batch": ("panels pressed together or one after another", "word"),
    "press": ("which press", "word"),
    "operator": ("who pressed", "word"),
    "fabric": ("which vent fabric", "word"),
    "fabric_use": ("how often the fabric was used, with this pressing", "number"),
    "transfer_paper": ("transfer paper", "word"),
    "transfer_paper_lot": ("its lot", "word"),
    "ink": ("ink", "word"),
    "ink_lot": ("its lot", "word"),
    "cover_paper": ("cover paper", "word"),
    "cover_paper_lot": ("its lot", "word"),
    "lot": ("the panels' lot", "word"),
    "set_c": ("set temperature, degrees Celsius", "number"),
    "true_c": ("true temperature, degrees Celsius", "number"),
    "dwell_s": ("dwell, seconds", "number"),
    "pressure_kpa": ("pressure, kilopascal", "number"),
    "drying_s": ("drying of the transfer, seconds", "number"),
    "room_c": ("room temperature, degrees Celsius", "number"),
    "room_humidity_pct": ("room humidity, per cent", "number"),
    "x_mm": ("the panel's centre on the platen, from its left edge", "number"),
    "y_mm": ("the same from the platen's back edge", "number"),
    "quarter_turns": ("clockwise from the picture's top at the back, 0 to 3", "number"),
    "face_up": ("yes or no: the picture's side up on the platen", "word"),
}
_LONGEST_NAME = 100
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Entry:
    """One panel of a run: its files, size and pressing.

    `index` is its place in the run from 0, `line` the manifest's line. `photos` and `artwork` are
    absolute; the names beside them are how the manifest wrote them, and what results show.
    `width_mm` and `height_mm` are None where nobody gave a size. `facts` are pairs of a name of
    `PRESSING_FACTS` and its text.
    """

    index: int
    line: int
    panel_id: str
    photos: tuple[Path, ...]
    photo_names: tuple[str, ...]
    artwork: Path
    artwork_name: str
    width_mm: float | None
    height_mm: float | None
    bleed_mm: float
    base: Base
    finish: str
    facts: tuple[tuple[str, str], ...] = ()

    def fact(self, name: str) -> str | None:
        """A fact about the pressing, None where it was not given."""
        return dict(self.facts).get(name)


def file_stem(panel_id: str) -> str:
    """A file name without suffix that any file system takes and that no other panel id gives.

    Letters, digits, `-`, `_` and inner `.` stay; everything else becomes `%` and its hexadecimal
    UTF-8 bytes. Long ones are cut and told apart by a hash.
    """
    stem = "".join(
        letter
        if letter.isascii() and (letter.isalnum() or letter in "-_.")
        else "".join(f"%{byte:02X}" for byte in letter.encode("utf-8", "surrogatepass"))
        for letter in panel_id
    )
    if stem[:1] == ".":
        stem = "%2E" + stem[1:]
    if stem[-1:] == ".":
        stem = stem[:-1] + "%2E"
    if _RESERVED.fullmatch(stem):
        stem = f"%{ord(stem[0]):02X}{stem[1:]}"
    if len(stem) > _LONGEST_NAME:
        digest = hashlib.sha256(panel_id.encode("utf-8", "surrogatepass")).hexdigest()[:16]
        stem = f"{stem[: _LONGEST_NAME - 17]}-{digest}"
    return stem
