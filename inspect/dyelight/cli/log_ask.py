"""`dyelight log add` by questions: one value at a time, the last one offered."""

from __future__ import annotations

from typing import Any

import typer

from ..errors import SettingsError
from ..press_log.fields import PANEL_FIELDS, PRESSING_FIELDS, Field
from ..press_log.rows import PanelRow
from ..press_log.units import Units, unit_name
from ..sizes import parse_size

_NOT_ASKED = ("code", "at", "note")
_TAKE_AWAY = "-"


def ask_pressing(
    offered: dict[str, Any], panels: list[dict[str, Any]], last: PanelRow | None, units: Units
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Ask for a pressing and its panels. Enter takes what is offered, "-" leaves it open."""
    typer.echo("Enter takes what stands in brackets, - leaves it open.", err=True)
    values: dict[str, Any] = {}
    for field in PRESSING_FIELDS:
        if field.name in _NOT_ASKED:
            continue
        value = _ask(field, offered.get(field.name), units, needed=field.name == "press")
        if value is not None:
            values[field.name] = value
    panels = list(panels)
    while len(panels) < 100:
        panel = _ask_panel(len(panels) + 1, last, units)
        if panel is None:
            break
        panels.append(panel)
    note = typer.prompt("Note", default="", show_default=False, err=True).strip()
    return values | ({"note": note} if note else {}), panels


def _ask_panel(number: int, last: PanelRow | None, units: Units) -> dict[str, Any] | None:
    fields = {field.name: field for field in PANEL_FIELDS}
    code = typer.prompt(
        f"Panel {number}, its number (nothing ends)", default="", show_default=False, err=True
    ).strip()
    if not code:
        return None
    panel: dict[str, Any] = {"code": code}
    size = ""
    if last is not None and last.width_mm is not None and last.height_mm is not None:
        size = f"{last.width_mm:g}x{last.height_mm:g}mm"
    while True:
        text = typer.prompt("  Size, width x height", default=size or _TAKE_AWAY, err=True).strip()
        if text == _TAKE_AWAY:
            break
        try:
            panel["width_mm"], panel["height_mm"] = parse_size(text)
        except SettingsError as trouble:
            typer.echo(f"  {trouble}", err=True)
            continue
        break
    for name in ("base", "finish", "lot"):
        value = _ask(fields[name], None if last is None else getattr(last, name), units)
        if value is not None:
            panel[name] = value
    result = _ask(fields["result"], None, units)
    if result is not None:
        panel["result"] = result
        if result != "pass":
            panel["defects"] = _ask(fields["defects"], None, units) or ()
    return panel


def _ask(field: Field, offered: Any, units: Units, *, needed: bool = False) -> Any:
    unit = "" if field.dimension is None else f" ({unit_name(units.of(field.dimension))})"
    known = offered is not None and offered != ""
    default = field.shown(offered, units) if known else _TAKE_AWAY
    while True:
        text = str(typer.prompt(f"{field.title}{unit}", default=default, err=True)).strip()
        if known and text == default:
            # what is shown is rounded; what is kept is not
            return offered
        if text == _TAKE_AWAY and not needed:
            return None
        try:
            value = field.read(text, units)
        except SettingsError as trouble:
            typer.echo(f"  {trouble}", err=True)
            continue
        if value is not None and text != _TAKE_AWAY:
            return value
        typer.echo("  This one is needed.", err=True)
