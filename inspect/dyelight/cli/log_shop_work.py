"""The work behind `dyelight log fabric`, `platen`, `probe` and `window`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from rich import box
from rich.table import Table

from ..errors import SettingsError
from ..press_log import FabricEntry, Filter, ProbeEntry, ProbePoint, WindowEntry, checked
from ..press_log.entries import now
from ..press_log.press_check import ProbeRound, Window, outside, probe_rounds
from ..press_log.press_check import windows as known_windows
from ..press_log.shop import Fabric, Press, read_fabrics, read_press
from ..press_log.steam import steam_pressure_mpa
from ..press_log.units import Dimension, Units, from_si, parse_quantity, shown, unit_name
from ..sizes import parse_size
from .console import data_console, say
from .exits import visible
from .log_pages import outside_sentence, plain_json
from .log_work import OpenLog, parse_moment

_MOST_WARNINGS = 10


def fabrics(
    opened: OpenLog,
    name: str | None,
    size: str | None,
    used: int,
    limit: int | None,
    retire: bool,
) -> int:
    """List fabrics, add one or retire it."""
    if name is not None and retire:
        opened.log.retire_fabric(name)
        say(f"Vent fabric {name} is retired.")
        return 0
    if name is not None:
        width, height = (None, None) if size is None else parse_size(size)
        values = {
            "name": name,
            "width_mm": width,
            "height_mm": height,
            "uses_before": used,
            "uses_limit": limit,
        }
        opened.log.set_fabric(checked(FabricEntry, values, place="the fabric"))
        say(f"Vent fabric {name} is in the log.")
        return 0
    with opened.log.database.reading() as connection:
        held = read_fabrics(connection)
    if opened.settings.format == "json":
        say(plain_json([asdict(item) for item in held]), end="")
        return 0
    console = data_console()
    if not held:
        console.print("The log holds no vent fabric yet.")
        return 0
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 2, 0, 0))
    for title in ("Fabric", "For panels", "Uses", "Limit", "State"):
        table.add_column(title, justify="right" if title in ("Uses", "Limit") else "left")
    for item in held:
        table.add_row(*(visible(cell) for cell in _fabric_cells(item, opened.units)))
    console.print(table)
    return 0


def _fabric_cells(item: Fabric, units: Units) -> list[str]:
    size = "-"
    if item.width_mm is not None:
        size = f"{shown(item.width_mm, 'length', units)} x {shown(item.height_mm, 'length', units)}"
    limit = "-" if item.uses_limit is None else str(item.uses_limit)
    return [item.name, size, str(item.uses), limit, fabric_state(item)]


def fabric_state(item: Fabric) -> str:
    """Whether a fabric is still good, in words."""
    if item.retired_at is not None:
        return f"retired {item.retired_at.astimezone():%Y-%m-%d}"
    if item.uses_limit is None:
        return "in use, no limit set"
    if item.uses >= item.uses_limit:
        return "over its limit: throw it away"
    if item.near_its_end:
        return f"{item.uses_limit - item.uses} uses left"
    return "in use"


def add_probe(
    opened: OpenLog,
    press: str,
    readings: Sequence[str],
    set_: str,
    at: str | None,
    by: str,
) -> int:
    """Write one round of probe readings and say what it shows."""
    points = [_point(text, opened.units) for text in readings]
    values = {
        "press": press,
        "at": now() if at is None else parse_moment(at, "--at"),
        "set_c": parse_quantity(set_, "temperature", opened.units, "--set"),
        "points": points,
        "by": by,
    }
    opened.log.add_probe_readings(checked(ProbeEntry, values, place="the readings"))
    return check_platen(opened, press, None)


def _point(text: str, units: Units) -> ProbePoint:
    place, mark, value = text.partition("=")
    across, comma, down = place.partition(",")
    if not mark or not comma:
        raise SettingsError(f"{text!r} is no reading.", remedy="Write X,Y=VALUE, as 50,50=203.")
    return checked(
        ProbePoint,
        {
            "x_mm": parse_quantity(across, "length", units, "reading"),
            "y_mm": parse_quantity(down, "length", units, "reading"),
            "true_c": parse_quantity(value, "temperature", units, "reading"),
        },
        place=text,
    )


def windows(
    opened: OpenLog,
    posted_by: str | None,
    size: str | None,
    base: str | None,
    temperature: str | None,
    dwell: str | None,
) -> int:
    """Write down a maker's window, or list those written down."""
    if posted_by is not None:
        width, height = (None, None) if size is None else parse_size(size)
        coldest, hottest = _range(temperature, "temperature", opened.units)
        shortest, longest = _range(dwell, "time", opened.units)
        values = {
            "width_mm": width,
            "height_mm": height,
            "base": base,
            "temperature_min_c": coldest,
            "temperature_max_c": hottest,
            "dwell_min_s": shortest,
            "dwell_max_s": longest,
            "posted_by": posted_by,
        }
        opened.log.add_window(checked(WindowEntry, values, place="the window"))
        say("The window is in the log.")
        return 0
    with opened.log.database.reading() as connection:
        held = known_windows(connection)
    if opened.settings.format == "json":
        say(plain_json([asdict(item) for item in held]), end="")
        return 0
    console = data_console()
    if not held:
        console.print("No window is written down. Take it from what the panel's maker posts.")
        return 0
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 2, 0, 0))
    for title in ("For panels", "Base", "Temperature", "Dwell", "Posted"):
        table.add_column(title)
    for item in held:
        table.add_row(*(visible(cell) for cell in _window_cells(item, opened.units)))
    console.print(table)
    return 0


def _window_cells(item: Window, units: Units) -> list[str]:
    size = "all"
    if item.width_mm is not None:
        size = f"{shown(item.width_mm, 'length', units)} x {shown(item.height_mm, 'length', units)}"
    return [
        size,
        item.base or "all",
        _span(item.temperature_min_c, item.temperature_max_c, "temperature", units),
        _span(item.dwell_min_s, item.dwell_max_s, "time", units),
        item.posted_by,
    ]


def _span(low: float | None, high: float | None, dimension: Dimension, units: Units) -> str:
    if low is None and high is None:
        return "-"
    if low is None:
        return f"up to {shown(high, dimension, units)}"
    if high is None:
        return f"{shown(low, dimension, units)} and more"
    return f"{shown(low, dimension, units)} to {shown(high, dimension, units)}"


def _range(
    text: str | None, dimension: Dimension, units: Units
) -> tuple[float | None, float | None]:
    if text is None:
        return None, None
    low, dots, high = text.partition("..")
    if not dots:
        raise SettingsError(f"{text!r} is no range.", remedy="Write LOW..HIGH, as 200..206.")
    unit = "".join(letter for letter in high if letter.isalpha() or letter in "°%")
    if low and unit and not any(letter.isalpha() for letter in low):
        # 395..405F means both in degrees F
        low += unit
    bounds = [
        parse_quantity(part, dimension, units, "range") if part.strip() else None
        for part in (low, high)
    ]
    return bounds[0], bounds[1]


def check_platen(opened: OpenLog, name: str, size: str | None) -> int:
    """Show how a press is against what was set, and which panels left their window."""
    if size is not None:
        opened.log.set_platen(name, *parse_size(size))
    with opened.log.database.reading() as connection:
        press = read_press(connection, name)
        rounds = probe_rounds(connection, name)
        known = known_windows(connection)
    if opened.settings.format == "json":
        told = [
            {**asdict(item), "offset_c": item.offset_c, "spread_c": item.spread_c}
            for item in rounds
        ]
        say(plain_json({"press": asdict(press), "probe_rounds": told}), end="")
        return 0
    console = data_console()
    console.print(f"Press {visible(name)}", style="bold")
    if press.platen_width_mm is not None and press.platen_depth_mm is not None:
        wide = shown(press.platen_width_mm, "length", opened.units)
        console.print(f"Platen {wide} x {shown(press.platen_depth_mm, 'length', opened.units)}")
    if not rounds:
        console.print("It was never probed: whether it is as hot as it says nobody knows.")
        return 0
    for line in platen_lines(rounds, press, opened.units):
        console.print(visible(line), soft_wrap=True)
    rows = opened.log.rows(Filter(press=name))
    left = [
        outside_sentence(item, row, opened.units)
        for row in rows
        for item in outside(row, rounds, known)
    ]
    if left:
        console.print()
        console.print(f"Outside the window that the maker posts ({len(left)})", style="bold")
        for text in left[-_MOST_WARNINGS:]:
            console.print(f" - {visible(text)}", soft_wrap=True)
    return 0


def platen_lines(rounds: Sequence[ProbeRound], press: Press, units: Units) -> list[str]:
    """The last round of readings in words and as a map, seen as the operator sees the platen."""
    last = rounds[-1]
    lines = [
        f"Last probed {last.at.astimezone():%Y-%m-%d %H:%M}, set to "
        f"{shown(last.set_c, 'temperature', units)}.",
        f"True over set: {_difference(last.offset_c, units)} on the mean; "
        f"{_difference(last.spread_c, units, sign=False)} between coldest and hottest point.",
        "",
    ]
    across = sorted({point[0] for point in last.points})
    down = sorted({point[1] for point in last.points})
    read = {(x, y): true_c for x, y, true_c in last.points}
    wide = max(8, *(len(shown(value, "temperature", units)) + 2 for value in read.values()))
    lines.append("back".rjust(10))
    lines.append(" " * 12 + "".join(shown(x, "length", units).rjust(wide) for x in across))
    for y in down:
        cells = [shown(read[x, y], "temperature", units) if (x, y) in read else "." for x in across]
        lines.append(
            shown(y, "length", units).rjust(12) + "".join(cell.rjust(wide) for cell in cells)
        )
    lines.append("front".rjust(11))
    hottest = max(point[2] for point in last.points)
    lines += [
        "",
        f"Water at {shown(hottest, 'temperature', units)} has a steam pressure of "
        f"{steam_pressure_mpa(hottest):.1f} MPa: never clamp a damp stack hard and hot.",
    ]
    return lines


def _difference(value: float, units: Units, *, sign: bool = True) -> str:
    """A difference of temperatures: only the step counts, not where the scale begins."""
    unit = units.of("temperature")
    step = from_si(value, unit, "temperature") - from_si(0.0, unit, "temperature")
    return f"{step:{'+' if sign else ''}.1f} {unit_name(unit)}"
