"""The fields of a pressing and its panels as people name them: flags, columns, questions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from ..errors import SettingsError
from ..judge.model_file import close_name
from ..sizes import parse_size
from .units import Dimension, Units, parse_quantity, shown

Form = Literal["text", "yes_no", "whole", "moment", "list"]


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its name in the log (with the SI unit), how it is asked for, what it is.

    `plain` is the name without the unit, as flags and `amend` use it.
    """

    name: str
    plain: str
    title: str
    dimension: Dimension | None = None
    form: Form = "text"

    def shown(self, value: Any, units: Units) -> str:
        """A stored value as text in the user's units."""
        if value is None or value == "":
            return "-"
        if self.dimension is not None:
            return shown(float(value), self.dimension, units)
        if self.form == "yes_no":
            return "yes" if value else "no"
        if self.form == "moment":
            return str(value.astimezone().strftime("%Y-%m-%d %H:%M"))
        return str(value)

    def read(self, text: str, units: Units) -> Any:
        """A value as somebody typed it; "" stands for not known. SettingsError where it is none."""
        text = text.strip()
        if not text:
            return None if self.dimension or self.form != "text" else ""
        if self.dimension is not None:
            return parse_quantity(text, self.dimension, units, self.plain)
        if self.form == "yes_no":
            word = text.lower()
            if word in ("yes", "y", "true", "1"):
                return True
            if word in ("no", "n", "false", "0"):
                return False
            raise SettingsError(f"{text!r} is neither yes nor no.", place=self.plain)
        if self.form == "list":
            return tuple(part for part in text.replace("+", " ").replace(";", " ").split())
        return text


PRESSING_FIELDS = (
    Field("code", "code", "Number of the pressing"),
    Field("at", "at", "Time", form="moment"),
    Field("press", "press", "Press"),
    Field("set_c", "set", "Set temperature", "temperature"),
    Field("true_c", "true", "True temperature", "temperature"),
    Field("dwell_s", "dwell", "Dwell", "time"),
    Field("pressure_kpa", "pressure", "Pressure", "pressure"),
    Field("drying_s", "drying", "Drying of the transfer", "time"),
    Field("cleaned", "cleaned", "Cleaned before", form="yes_no"),
    Field("stack", "stack", "Stack from the bottom up"),
    Field("back_print", "back-print", "Print on the back", form="yes_no"),
    Field("operator", "operator", "Operator"),
    Field("fabric", "fabric", "Vent fabric"),
    Field("transfer_paper", "transfer-paper", "Transfer paper"),
    Field("transfer_paper_lot", "transfer-paper-lot", "Lot of the transfer paper"),
    Field("ink", "ink", "Ink"),
    Field("ink_lot", "ink-lot", "Lot of the ink"),
    Field("cover_paper", "cover-paper", "Cover paper"),
    Field("cover_paper_lot", "cover-paper-lot", "Lot of the cover paper"),
    Field("room_c", "room", "Room temperature", "temperature"),
    Field("room_humidity_pct", "humidity", "Room humidity", "percent"),
    Field("job", "job", "Job"),
    Field("note", "note", "Note"),
)
PANEL_FIELDS = (
    Field("code", "panel", "Panel number"),
    Field("width_mm", "width", "Panel width", "length"),
    Field("height_mm", "height", "Panel height", "length"),
    Field("base", "base", "Panel base"),
    Field("finish", "finish", "Panel finish"),
    Field("lot", "lot", "Panel lot"),
    Field("x_mm", "place-x", "Panel's centre from the platen's left edge", "length"),
    Field("y_mm", "place-y", "Panel's centre from the platen's back edge", "length"),
    Field("quarter_turns", "turns", "Quarter turns clockwise", form="whole"),
    Field("face_up", "face-up", "Face up", form="yes_no"),
    Field("result", "result", "Result"),
    Field("defects", "defects", "Defects", form="list"),
)
_BY_WORD = {word: field for field in PRESSING_FIELDS for word in (field.name, field.plain)}


def read_changes(words: list[str], units: Units) -> dict[str, Any]:
    """Values from words like `set=400F`; SettingsError for an unknown name or a word without =."""
    changes: dict[str, Any] = {}
    for word in words:
        name, mark, text = word.partition("=")
        if not mark:
            raise SettingsError(f"{word!r} is no change.", remedy="Write name=value, as set=204.")
        key = name.strip().lower()
        field = _BY_WORD.get(key) or _BY_WORD.get(key.replace("_", "-"))
        if field is None:
            known = [item.plain for item in PRESSING_FIELDS]
            raise SettingsError(
                f"a pressing has no field {name.strip()!r}.{close_name(key, known)}",
                remedy=f"It has {', '.join(known)}.",
            )
        if field.name in changes:
            raise SettingsError(f"{field.plain} is given twice.", remedy="Give it once.")
        changes[field.name] = field.read(text, units)
    return changes


def read_panel(text: str, units: Units) -> dict[str, Any]:
    """A panel from text like `panel=K-0142,size=254x203,place=300x200,result=pass`.

    The names are those of PANEL_FIELDS, with `size` for width and height and `place` for x and y. A
    text without `=` is a panel's number. SettingsError for what is not understood.
    """
    if "=" not in text:
        return {"code": text.strip()}
    known = {field.plain: field for field in PANEL_FIELDS}
    values: dict[str, Any] = {}
    for word in text.split(","):
        name, mark, value = word.partition("=")
        key = name.strip().lower().replace("_", "-")
        if not mark:
            raise SettingsError(f"{word!r} is not name=value.", place="panel")
        if key == "size":
            values["width_mm"], values["height_mm"] = parse_size(value)
        elif key == "place":
            across, cross, down = value.lower().partition("x")
            if not cross:
                raise SettingsError(
                    f"{value!r} is no place.", place="panel", remedy="Write it as 300x200."
                )
            values["x_mm"] = parse_quantity(across, "length", units, "place")
            values["y_mm"] = parse_quantity(down, "length", units, "place")
        elif key in known:
            read = known[key].read(value, units)
            if read is not None:
                values[known[key].name] = read
        else:
            names = [*known, "size", "place"]
            raise SettingsError(
                f"a panel has no field {name.strip()!r}.{close_name(key, names)}",
                place="panel",
                remedy=f"It has {', '.join(names)}.",
            )
    return values
