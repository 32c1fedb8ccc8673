"""Values as people write them, with a unit or in the user's own, to SI and back."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from ..errors import SettingsError

Dimension = Literal["temperature", "length", "time", "pressure", "percent"]

# unit -> (factor, offset): value in SI = written * factor + offset
_SCALES: dict[Dimension, dict[str, tuple[float, float]]] = {
    "temperature": {"c": (1.0, 0.0), "f": (5 / 9, -160 / 9)},
    "length": {"mm": (1.0, 0.0), "in": (25.4, 0.0), "cm": (10.0, 0.0)},
    "time": {"s": (1.0, 0.0), "min": (60.0, 0.0)},
    "pressure": {"kpa": (1.0, 0.0), "bar": (100.0, 0.0), "psi": (6.894757293168361, 0.0)},
    "percent": {"%": (1.0, 0.0)},
}
_SPELT = {
    "°c": "c", "°f": "f", "degc": "c", "degf": "f", '"': "in", "inch": "in", "sec": "s",
    "seconds": "s", "minutes": "min", "m": "min", "pct": "%",
}  # fmt: skip
_SHOWN = {"c": "°C", "f": "°F", "kpa": "kPa"}
_PLACES = {"c": 1, "f": 0, "mm": 1, "in": 3, "cm": 2, "s": 0, "min": 2, "kpa": 0, "bar": 2}
_VALUE = re.compile(r"\s*([+-]?(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+))\s*([^\d\s].*?)?\s*")
_CLOCK = re.compile(r"\s*([0-9]{1,3}):([0-5][0-9])\s*")


@dataclass(frozen=True, slots=True)
class Units:
    """The units that a user writes and reads; SI is what is stored."""

    temperature: Literal["c", "f"] = "c"
    length: Literal["mm", "in"] = "mm"
    time: Literal["s", "min"] = "s"
    pressure: Literal["kpa", "bar", "psi"] = "kpa"

    def of(self, dimension: Dimension) -> str:
        """The user's unit of a dimension."""
        return "%" if dimension == "percent" else str(getattr(self, dimension))


def to_si(value: float, unit: str, dimension: Dimension) -> float:
    """A value in one of the dimension's units, in degrees C, mm, s, kPa or per cent."""
    factor, offset = _SCALES[dimension][unit]
    # rounded where only the binary fraction speaks: 400 F is 204.444444 C, 2.5 min is 150 s
    return round(value * factor + offset, 9)


def from_si(value: float, unit: str, dimension: Dimension) -> float:
    """A stored value in one of the dimension's units."""
    factor, offset = _SCALES[dimension][unit]
    return round((value - offset) / factor, 6)


def units_of(dimension: Dimension) -> tuple[str, ...]:
    """The units that a dimension knows."""
    return tuple(_SCALES[dimension])


def parse_quantity(text: str, dimension: Dimension, units: Units, field: str) -> float:
    """A value such as `400F`, `204 °C`, `2.5min`, `1:30`, `8in` or a bare number, in SI.

    A bare number is in the user's unit. Raises SettingsError for anything else.
    """
    clock = _CLOCK.fullmatch(text)
    if clock and dimension == "time":
        return int(clock[1]) * 60.0 + int(clock[2])
    match = _VALUE.fullmatch(text)
    known = _SCALES[dimension]
    unit = units.of(dimension)
    if match and match[2]:
        unit = match[2].strip().lower()
        unit = _SPELT.get(unit, unit)
    if match is None or unit not in known:
        shown = ", ".join(_SHOWN.get(name, name) for name in known)
        raise SettingsError(
            f"{text.strip()!r} is not a {dimension}.",
            place=field,
            remedy=f"Write a number, with its unit where it is another than yours: {shown}.",
        )
    return to_si(float(match[1].replace(",", ".")), unit, dimension)


def unit_name(unit: str) -> str:
    """A unit as it is printed."""
    return _SHOWN.get(unit, unit)


def shown(value: float | None, dimension: Dimension, units: Units) -> str:
    """A stored value as text in the user's unit; "-" where it is not known."""
    if value is None:
        return "-"
    unit = units.of(dimension)
    text = f"{from_si(value, unit, dimension):.{_PLACES.get(unit, 1)}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{text} {unit_name(unit)}"
