"""Pressings on the terminal: one with its story, many as a table."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Console
from rich.table import Table

from ..judge import texts
from ..press_log.agreement import MISSED
from ..press_log.fields import PRESSING_FIELDS, Field
from ..press_log.press_check import Outside
from ..press_log.rows import Filter, PanelRow
from ..press_log.story import Story
from ..press_log.units import Dimension, Units, shown
from .console import data_console, say
from .exits import visible
from .tables import print_hanging

if TYPE_CHECKING:
    from .log_work import OpenLog

_OUTSIDE = {
    "too_cold": "the platen under it was at {value}, and its maker posts at least {limit}",
    "too_hot": "the platen under it was at {value}, and its maker posts at most {limit}",
    "too_short": "it was pressed for {value}, and its maker posts at least {limit}",
    "too_long": "it was pressed for {value}, and its maker posts at most {limit}",
}


def outside_sentence(item: Outside, row: PanelRow, units: Units) -> str:
    """How a panel left the window that its maker posts."""
    dimension: Dimension = "temperature" if item.what in ("too_cold", "too_hot") else "time"
    said = _OUTSIDE[item.what].format(
        value=shown(item.value, dimension, units), limit=shown(item.limit, dimension, units)
    )
    which = f"panel {row.panel} of pressing {row.pressing}" if row.panel else row.pressing
    return f"{which}: {said} ({item.posted_by})."


def plain_json(value: Any) -> str:
    """Records of the log as indented JSON with a closing newline."""
    text = json.dumps(value, indent=1, ensure_ascii=False, default=_plain)
    return text + "\n"


def _plain(value: Any) -> str:
    return value.isoformat() if isinstance(value, datetime) else str(value)


def print_found(opened: OpenLog, wanted: Filter) -> int:
    """Print the rows that a filter asks for."""
    rows = opened.log.rows(wanted)
    if opened.settings.format == "json":
        say(plain_json([asdict(row) for row in rows]), end="")
        return 0
    console = data_console()
    if not rows:
        console.print("Nothing in the log answers to that.")
        return 0
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for name in ("Pressing", "Time", "Press", "Set", "Dwell"):
        table.add_column(name, no_wrap=True)
    table.add_column("Fabric", overflow="fold")
    table.add_column("Panel", overflow="fold")
    table.add_column("Result", ratio=1)
    before = ""
    for row in rows:
        again = row.pressing == before
        before = row.pressing
        head = ["", "", "", "", "", ""] if again else _head(row, opened.units)
        table.add_row(*(visible(cell) for cell in (*head, row.panel or "-", result_text(row))))
    console.print(table)
    if wanted.last is not None and len(rows) == wanted.last:
        console.print(f"The latest {wanted.last}; more with --last.")
    return 0


def _head(row: PanelRow, units: Units) -> list[str]:
    uses = "" if row.fabric_use is None else f" ({row.fabric_use})"
    return [
        row.pressing,
        row.at.astimezone().strftime("%Y-%m-%d %H:%M"),
        row.press,
        shown(row.set_c, "temperature", units),
        shown(row.dwell_s, "time", units),
        f"{row.fabric}{uses}" if row.fabric else "-",
    ]


def result_text(row: PanelRow) -> str:
    """A row's verdict with the kinds that stand."""
    if row.verdict is None:
        return "not looked at"
    names = ", ".join(_kind(kind) for kind in row.kinds)
    return f"{row.verdict}: {names}" if names else row.verdict


def _kind(kind: str) -> str:
    return texts.kind_title(kind).lower()  # type: ignore[arg-type]  # the log keeps kinds as text


def print_pressing(opened: OpenLog, code: str) -> int:
    """Print one pressing with all that was written about it."""
    story = opened.log.story(code)
    if opened.settings.format == "json":
        say(plain_json(asdict(story)), end="")
        return 0
    console = data_console()
    row = story.rows[0]
    console.print(f"Pressing {visible(row.pressing)}", style="bold")
    for field in PRESSING_FIELDS:
        if field.name in ("code", "note"):
            continue
        value = getattr(row, field.name)
        if value in (None, ""):
            continue
        text = field.shown(value, opened.units)
        if field.name == "fabric" and row.fabric_use is not None:
            text += f", use {row.fabric_use}"
            text += f" of {row.fabric_limit}" if row.fabric_limit else ""
        _line(console, field.title, text)
    for panel in story.rows:
        if panel.panel_row is not None:
            _print_panel(console, panel, opened.units)
    _print_story(console, story, opened.units)
    return 0


def _line(console: Console, name: str, text: str) -> None:
    lead = f"  {name:<28} "
    lines = [part for part in visible(text).splitlines() if part] or [""]
    console.print(lead + lines[0], soft_wrap=True)
    for more in lines[1:]:
        console.print(" " * len(lead) + more, soft_wrap=True)


def _print_panel(console: Console, row: PanelRow, units: Units) -> None:
    console.print()
    console.print(f"Panel {visible(row.panel or '(no number)')}", style="bold")
    if row.width_mm is not None and row.height_mm is not None:
        wide, high = (shown(side, "length", units) for side in (row.width_mm, row.height_mm))
        lot = f", lot {row.lot}" if row.lot else ""
        _line(console, "Panel", f"{wide} x {high}, {row.base}, {row.finish}{lot}")
    if row.x_mm is not None and row.y_mm is not None:
        across, down = (shown(place, "length", units) for place in (row.x_mm, row.y_mm))
        turns = f", {row.quarter_turns} quarter turns" if row.quarter_turns else ""
        _line(console, "Centre on the platen", f"{across} from left, {down} from back{turns}")
    _line(console, "Result", result_text(row))


def _print_story(console: Console, story: Story, units: Units) -> None:
    lines: list[tuple[datetime, str]] = []
    for look in story.looks:
        seen = [item for item in look.findings if not item[0].startswith(MISSED)]
        what = ", ".join(f"{code} {_kind(kind)}" for code, kind in seen) or "no findings"
        photos = ", ".join(f"{file} (sha256 {digest[:12]})" for file, digest in look.photos)
        said = f"Looked at by {look.source}: {look.verdict}, {what}."
        lines.append((look.at, said + (f" Photos: {photos}." if photos else "")))
    for ruled in story.rulings:
        missed = ruled.finding is not None and ruled.finding.startswith(MISSED)
        if missed and not ruled.agreed and ruled.ruled != "nothing":
            said = (
                f"{_who(ruled.by)} added {ruled.finding}, which was missed: {_kind(ruled.ruled)}."
            )
            lines.append((ruled.at, f"{said}{_why(ruled.why)}"))
            continue
        about = "the verdict" if ruled.finding is None else f"finding {ruled.finding}"
        word = "agreed with" if ruled.agreed else "overruled"
        lines.append(
            (ruled.at, f"{_who(ruled.by)} {word} {about}: {ruled.ruled}.{_why(ruled.why)}")
        )
    lines += [(at, f"{_who(by)} noted: {text}") for at, by, text in story.notes]
    fields = {field.name: field for field in PRESSING_FIELDS}
    for item in story.amendments:
        field = fields[item.field]
        old, new = (_stored(field, value, units) for value in (item.old, item.new))
        lines.append(
            (item.at, f"{_who(item.by)} changed {field.title}: {old} to {new}.{_why(item.why)}")
        )
    if not lines:
        return
    console.print()
    console.print("What was written", style="bold")
    for at, text in sorted(lines, key=lambda line: line[0]):
        print_hanging(console, text, f"  {at.astimezone():%Y-%m-%d %H:%M}  ")


def _who(by: str) -> str:
    return by or "Somebody"


def _why(text: str) -> str:
    return f" Why: {text}" if text else ""


def _stored(field: Field, value: Any, units: Units) -> str:
    if field.form == "moment" and isinstance(value, str):
        return field.shown(datetime.fromisoformat(value), units)
    return field.shown(value, units)
