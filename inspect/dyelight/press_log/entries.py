"""What goes into the log, checked: SI units, names instead of row numbers, unknown keys refused."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    model_validator,
)
from pydantic_core import ErrorDetails

from ..errors import SettingsError
from ..records import Base, DefectClass, Kind, VerdictWord

_YEARS = (1970, 2200)
_MOST_USES = 1_000_000


def _with_zone(moment: datetime) -> datetime:
    if not _YEARS[0] <= moment.year <= _YEARS[1]:
        raise ValueError(f"the year must be {_YEARS[0]} to {_YEARS[1]}.")
    # a time without a zone is meant on this machine's clock
    return (moment.astimezone() if moment.tzinfo is None else moment).astimezone(UTC)


def _without_null(text: str) -> str:
    # PostgreSQL keeps none, and C programs end a text there
    if "\0" in text:
        raise ValueError("it holds a null character.")
    return text


Moment = Annotated[datetime, AfterValidator(_with_zone)]
_Plain = AfterValidator(_without_null)
Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80), _Plain]
Word = Annotated[str, StringConstraints(strip_whitespace=True, max_length=80), _Plain]
Text = Annotated[str, StringConstraints(strip_whitespace=True, max_length=4000), _Plain]
NoteText = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=4000), _Plain
]
# an export joins all notes of a pressing, and import must take them back
LongText = Annotated[str, StringConstraints(strip_whitespace=True, max_length=100_000), _Plain]
# outside these bounds a value is a slip of the pen or of the unit
Celsius = Annotated[float, Field(ge=20, le=300, allow_inf_nan=False)]
RoomCelsius = Annotated[float, Field(ge=-30, le=60, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Seconds = Annotated[float, Field(ge=0, le=7200, allow_inf_nan=False)]
Millimetres = Annotated[float, Field(ge=5, le=5000, allow_inf_nan=False)]
PlatenMillimetres = Annotated[float, Field(ge=0, le=10000, allow_inf_nan=False)]
Kilopascal = Annotated[float, Field(ge=0, le=100000, allow_inf_nan=False)]


def now() -> datetime:
    """This moment, in UTC."""
    return datetime.now(UTC)


class Entry(BaseModel):
    """Anything that is entered: unknown keys are refused, nothing changes afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class PanelEntry(Entry):
    """One panel in a pressing.

    `code` is the shop's panel number. Size, base, finish and lot name the stock; without a size no
    stock is kept. `x_mm`, `y_mm` is the panel's centre on the platen, from the back left corner as
    the operator sees it; `quarter_turns` clockwise from the picture's top at the back. `result` is
    what a person saw: pass, review or remake, with the `defects` seen.
    """

    code: Word = ""
    width_mm: Millimetres | None = None
    height_mm: Millimetres | None = None
    base: Base = "white"
    finish: Annotated[str, StringConstraints(min_length=1, max_length=40)] = "gloss"
    lot: Word = ""
    x_mm: PlatenMillimetres | None = None
    y_mm: PlatenMillimetres | None = None
    quarter_turns: Annotated[int, Field(ge=0, le=3)] = 0
    face_up: bool = True
    result: Literal["pass", "review", "remake"] | None = None
    defects: tuple[Kind, ...] = ()

    @model_validator(mode="after")
    def _whole(self) -> PanelEntry:
        if (self.width_mm is None) != (self.height_mm is None):
            raise ValueError("a panel's size needs both width and height.")
        if (self.x_mm is None) != (self.y_mm is None):
            raise ValueError("a place on the platen needs both x and y.")
        if self.defects and self.result is None:
            raise ValueError("defects need a result beside them: pass, review or remake.")
        return self


class PressingEntry(Entry):
    """One pressing: what was set, what was used, and the panels in it.

    `code` is the shop's own number, None lets the log count. Press, fabric and supplies are named;
    names that the log does not know yet are added. None and "" mean: not known.
    """

    code: Name | None = None
    at: Moment = Field(default_factory=now)
    press: Name
    set_c: Celsius | None = None
    true_c: Celsius | None = None
    dwell_s: Seconds | None = None
    pressure_kpa: Kilopascal | None = None
    drying_s: Seconds | None = None
    cleaned: bool | None = None
    stack: Text = ""
    back_print: bool | None = None
    operator: Word = ""
    fabric: Word = ""
    transfer_paper: Word = ""
    transfer_paper_lot: Word = ""
    ink: Word = ""
    ink_lot: Word = ""
    cover_paper: Word = ""
    cover_paper_lot: Word = ""
    room_c: RoomCelsius | None = None
    room_humidity_pct: Percent | None = None
    job: Text = ""
    note: LongText = ""
    panels: tuple[PanelEntry, ...] = ()

    @model_validator(mode="after")
    def _lots_have_names(self) -> PressingEntry:
        for name in ("transfer_paper", "ink", "cover_paper"):
            if getattr(self, f"{name}_lot") and not getattr(self, name):
                raise ValueError(f"{name}_lot needs {name} beside it.")
        codes = [panel.code for panel in self.panels if panel.code]
        twice = sorted({code for code in codes if codes.count(code) > 1})
        if twice:
            raise ValueError(f"the panel {twice[0]!r} stands in it twice.")
        return self


class ProbePoint(Entry):
    """What a probe read at one point of the platen, in mm from its back left corner."""

    x_mm: PlatenMillimetres
    y_mm: PlatenMillimetres
    true_c: Celsius


class ProbeEntry(Entry):
    """One round of probe readings on a press at one set temperature."""

    press: Name
    at: Moment = Field(default_factory=now)
    set_c: Celsius
    points: Annotated[tuple[ProbePoint, ...], Field(min_length=1)]
    by: Word = ""
    note: Text = ""


class WindowEntry(Entry):
    """The window of temperature and dwell that a panel's maker posts, as the user read it there.

    None for size or base holds for all of them. `posted_by` says where it stands.
    """

    width_mm: Millimetres | None = None
    height_mm: Millimetres | None = None
    base: Base | None = None
    temperature_min_c: Celsius | None = None
    temperature_max_c: Celsius | None = None
    dwell_min_s: Seconds | None = None
    dwell_max_s: Seconds | None = None
    posted_by: Name

    @model_validator(mode="after")
    def _in_order(self) -> WindowEntry:
        if (self.width_mm is None) != (self.height_mm is None):
            raise ValueError("a size needs both width and height.")
        pairs = (
            ("temperature", self.temperature_min_c, self.temperature_max_c),
            ("dwell", self.dwell_min_s, self.dwell_max_s),
        )
        if all(low is None and high is None for _, low, high in pairs):
            raise ValueError("a window needs a temperature, a dwell or both.")
        for name, low, high in pairs:
            if low is not None and high is not None and low > high:
                raise ValueError(f"the least {name} is above the greatest.")
        return self


class FabricEntry(Entry):
    """A vent fabric. `uses_before` were made before the log, `uses_limit` is the user's own."""

    name: Name
    width_mm: Millimetres | None = None
    height_mm: Millimetres | None = None
    uses_before: Annotated[int, Field(ge=0, le=_MOST_USES)] = 0
    uses_limit: Annotated[int, Field(gt=0, le=_MOST_USES)] | None = None
    note: Text = ""


class RulingEntry(Entry):
    """What a person says of a verdict (`finding` None) or of one finding.

    `ruled` is what holds: a verdict word, or a kind, or "nothing" where there is no defect. None
    agrees with what the inspection said.
    """

    finding: Word | None = None
    ruled: VerdictWord | Kind | Literal["nothing"] | None = None
    why: Text = ""
    by: Word = ""


class NoteEntry(Entry):
    """A note beside a pressing."""

    text: NoteText
    by: Word = ""


class SeenDefect(Entry):
    """A finding as the log keeps it, from a photo or from a person."""

    code: Name
    kind: Kind
    severity: DefectClass = "major"
    confidence: Annotated[float, Field(ge=0, le=1)] = 1.0
    x_mm: float | None = None
    y_mm: float | None = None


EntryType = TypeVar("EntryType", bound=Entry)


def entry_troubles(failure: ValidationError) -> list[str]:
    """Each thing wrong with an entry: its key and what is wrong, in plain words."""
    told = []
    for details in failure.errors():
        key = ".".join(str(part) for part in details["loc"] if not isinstance(part, int))
        told.append(f"{key}: {_trouble(details)}".removeprefix(": ").rstrip("."))
    return told


def _trouble(details: ErrorDetails) -> str:
    kind, given, limits = details["type"], details["input"], details.get("ctx", {})
    if kind == "extra_forbidden":
        return "there is no such field"
    if kind == "missing":
        return "is missing"
    if kind == "string_too_short":
        return "nothing is given"
    if kind == "string_too_long":
        return f"it has over {limits['max_length']} signs"
    if kind == "string_unicode":
        return "it holds bytes that are no text"
    if kind.startswith("datetime"):
        return f"{given!r} is no day or time; write it as 2026-03-01 or 2026-03-01T14:30"
    if kind in ("greater_than_equal", "greater_than", "less_than_equal"):
        word = {"ge": "at least", "gt": "more than", "le": "at most"}
        ((limit, value),) = limits.items()
        shown = f"{given:.10g}" if isinstance(given, float) else given
        return f"{shown} should be {word[limit]} {value:.10g}"
    text = details["msg"].removeprefix("Value error, ")
    if text.startswith("Input should be "):
        return f"{given!r} should be {text.removeprefix('Input should be ')}"
    return text


def checked(kind: type[EntryType], values: dict[str, Any], place: str) -> EntryType:
    """An entry from plain values; SettingsError with everything that is wrong with it."""
    try:
        return kind.model_validate(values)
    except ValidationError as failure:
        raise SettingsError(
            f"{'; '.join(entry_troubles(failure))}.",
            place=place,
            remedy="Nothing was written. Correct the entry.",
        ) from failure
