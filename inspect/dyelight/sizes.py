"""Panel sizes as people write them, and whether an artwork's shape fits its panel."""

from __future__ import annotations

import math
import re

from .errors import SettingsError
from .records import Note

SMALLEST_MM = 5.0
LARGEST_MM = 5000.0
# panels this small are rare, sheets of this many inches common. Common practice, no source
_BARE_MM = 50.0
# rounding a nominal size (8 x 10 in on an 8 x 10.04 in panel) stays under the first figure; a wrong
# bleed or a crop shows above the second. Common practice, no source
ASPECT_NOTE_PCT = 0.5
ASPECT_ERROR_PCT = 2.0

_MM_PER_UNIT = {
    "mm": 1.0,
    "cm": 10.0,
    "in": 25.4,
    "inch": 25.4,
    "inches": 25.4,
    '"': 25.4,
    "\u2033": 25.4,  # double prime
    "\u201d": 25.4,  # right double quotation mark
    "''": 25.4,
}
_UNIT = "|".join(re.escape(unit) for unit in sorted(_MM_PER_UNIT, key=len, reverse=True))
_NUMBER = r"[0-9]{1,9}(?:[.,][0-9]{1,9})?|[.,][0-9]{1,9}"
_SIZE = re.compile(
    rf"\s*({_NUMBER})\s*({_UNIT})?\s*(?:x|\u00d7|\*|by)\s*({_NUMBER})\s*({_UNIT})?\s*",
    re.IGNORECASE,
)
_HOW = "Write width x height, such as 254x203 (millimetres), 25.4x20.3cm or 10x8in."
# bleeds in common use, in mm; the last two are 1/8 and 1/4 inch
_USUAL_BLEEDS_MM = (0.0, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 3.175, 6.35)


def _number(text: str, whole: str) -> float:
    if re.fullmatch(r"[0-9]{1,3},[0-9]{3}", text):
        raise SettingsError(
            f"the comma in size {whole!r} can mean thousands or decimals.",
            remedy="Write the number with a point, or with no comma.",
        )
    return float(text.replace(",", "."))


def parse_size(text: str) -> tuple[float, float]:
    """Width and height in mm of a size such as `254x203`, `10x8in`, `25.4 x 20.3 cm`.

    Without a unit the numbers are millimetres; one unit serves both numbers. The sign between them
    is x, the multiplication sign, * or "by"; the decimal mark a point or a comma.

    Two bare numbers under 50 are refused: 10x8 is nearly always meant in inches.

    Raises SettingsError where the text is no size, where a side is under 5 mm or over 5000 mm, and
    where a number may mean two things.
    """
    match = _SIZE.fullmatch(text)
    if match is None:
        shown = text if len(text) <= 40 else text[:37] + "..."
        raise SettingsError(f"{shown!r} is not a size.", remedy=_HOW)
    first, first_unit, second, second_unit = match.groups()
    units = [
        (first_unit or second_unit or "mm").lower(),
        (second_unit or first_unit or "mm").lower(),
    ]
    sides = [_number(number, text.strip()) for number in (first, second)]
    if not first_unit and not second_unit and 0 < min(sides) <= max(sides) < _BARE_MM:
        raise SettingsError(
            f"size {text.strip()!r} has no unit, and is small for millimetres.",
            remedy=f"Write {first}x{second}in or {first}x{second}mm.",
        )
    width_mm, height_mm = (
        side * _MM_PER_UNIT[unit] for side, unit in zip(sides, units, strict=True)
    )
    return check_size(width_mm, height_mm)


def check_size(width_mm: float, height_mm: float) -> tuple[float, float]:
    """The same size, or SettingsError where a side is no number, under 5 mm or over 5000 mm."""
    for name, side_mm in (("width", width_mm), ("height", height_mm)):
        if not math.isfinite(side_mm) or side_mm <= 0:
            raise SettingsError(f"the panel's {name} must be more than zero.", remedy=_HOW)
        if side_mm < SMALLEST_MM:
            raise SettingsError(
                f"the panel's {name} of {side_mm:g} mm is under {SMALLEST_MM:g} mm.",
                remedy=f"Check the unit. {_HOW}",
            )
        if side_mm > LARGEST_MM:
            raise SettingsError(
                f"the panel's {name} of {side_mm:g} mm is over {LARGEST_MM:g} mm.",
                remedy=f"Check the unit. {_HOW}",
            )
    return width_mm, height_mm


def check_bleed(bleed_mm: float, width_mm: float, height_mm: float) -> None:
    """SettingsError where the bleed is negative, no number, or over half the shorter side."""
    if not math.isfinite(bleed_mm) or bleed_mm < 0:
        raise SettingsError(
            "the bleed must be zero or more.", remedy="Give the bleed per side in millimetres."
        )
    if bleed_mm > min(width_mm, height_mm) / 2:
        raise SettingsError(
            f"a bleed of {bleed_mm:g} mm per side is too much for a panel of "
            f"{width_mm:g} x {height_mm:g} mm.",
            remedy="Give the bleed per side in millimetres.",
        )


def _off_pct(width_px: int, height_px: int, width_mm: float, height_mm: float) -> float:
    """By how many per cent the file's aspect and the size's differ, the larger over the smaller."""
    ratio = (width_px * height_mm) / (height_px * width_mm)
    return 100 * (max(ratio, 1 / ratio) - 1)


def _likely_fix(
    width_px: int, height_px: int, width_mm: float, height_mm: float, bleed_mm: float
) -> str:
    whole = (width_mm + 2 * bleed_mm, height_mm + 2 * bleed_mm)
    if _off_pct(width_px, height_px, whole[1], whole[0]) <= ASPECT_ERROR_PCT:
        return (
            f"Width and height look swapped: give {height_mm:g}x{width_mm:g}, or turn the artwork."
        )
    fits = [
        (_off_pct(width_px, height_px, width_mm + 2 * usual, height_mm + 2 * usual), usual)
        for usual in _USUAL_BLEEDS_MM
        if usual != bleed_mm
    ]
    off_pct, usual_mm = min(fits)
    if off_pct <= ASPECT_NOTE_PCT:
        return f"A bleed of {usual_mm:g} mm would fit. Otherwise check the size, or for a crop."
    return "Check the size, the bleed, and whether the artwork was cropped."


def check_aspect(
    width_px: int,
    height_px: int,
    width_mm: float,
    height_mm: float,
    bleed_mm: float = 0.0,
    *,
    file: str | None = None,
) -> Note | None:
    """Whether a file of this many pixels fits a panel of this size with this bleed on each side.

    None up to 0.5 % of difference in aspect, a Note up to 2 %, SettingsError above.
    """
    whole = (width_mm + 2 * bleed_mm, height_mm + 2 * bleed_mm)
    off_pct = _off_pct(width_px, height_px, *whole)
    if off_pct <= ASPECT_NOTE_PCT:
        return None
    bleed = f" with {bleed_mm:g} mm bleed" if bleed_mm else ""
    text = (
        f"the artwork's {width_px} x {height_px} px have an aspect of {width_px / height_px:.4g}, "
        f"but {width_mm:g} x {height_mm:g} mm{bleed} has {whole[0] / whole[1]:.4g}: "
        f"{off_pct:.3g} % apart."
    )
    if off_pct > ASPECT_ERROR_PCT:
        raise SettingsError(
            text,
            file=file,
            remedy=_likely_fix(width_px, height_px, width_mm, height_mm, bleed_mm),
        )
    return Note("aspect_off", text[0].upper() + text[1:])
