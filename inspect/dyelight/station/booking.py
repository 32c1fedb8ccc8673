"""The press log behind the station: pressings in three taps, panels booked, rulings written.

All methods block and run in threads. The log is opened when it is first needed, and begun with the
first pressing, so that looking around leaves no empty log behind.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import Any

from ..errors import DyelightError, SettingsError
from ..press_log import Filter, PressingEntry, PressLog, RulingEntry, checked
from ..press_log.database import log_file
from ..press_log.fields import PRESSING_FIELDS, Field
from ..press_log.rows import PanelRow
from ..press_log.standing import copied_values, names_in_use
from ..press_log.units import Units, from_si
from ..records import Kind
from .jobs import StationJob

# what a tap can change, in the order of the page
TILES = (
    "set_c",
    "dwell_s",
    "room_humidity_pct",
    "drying_s",
    "fabric",
    "operator",
    "pressure_kpa",
    "transfer_paper",
    "cover_paper",
    "ink",
)
_STEPS = {"c": 1.0, "f": 2.0, "s": 5.0, "min": 0.25, "%": 1.0, "kpa": 10.0, "bar": 0.1, "psi": 1.0}
# where a stepper begins that has no value yet; nothing is written down before a tap
_BEGIN_SI = {
    "set_c": 204.0,
    "dwell_s": 60.0,
    "room_humidity_pct": 50.0,
    "drying_s": 10.0,
    "pressure_kpa": 300.0,
}
_FIELDS = {item.name: item for item in PRESSING_FIELDS}


@dataclass(frozen=True, slots=True)
class Tile:
    """One fact of a pressing as the page shows it: value as text, bare number, unit, step, names.

    `number` is "" and `step` 0 for words; `begin` is where
    a stepper without a number begins; `names` are those that one tap takes.
    """

    name: str
    title: str
    shown: str
    number: str
    unit: str
    step: float
    begin: str
    names: tuple[str, ...]
    changed: bool


@dataclass(frozen=True, slots=True)
class Facts:
    """What stands for the next pressing on a press; `press` "" where none was chosen yet."""

    press: str
    presses: tuple[str, ...]
    tiles: tuple[Tile, ...]
    line: str
    last: str


@dataclass(slots=True)
class Booking:
    """The station's hand in the press log at `place`."""

    place: str
    units: Units
    _log: PressLog | None = None
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _changes: dict[str, dict[str, Any]] = field(default_factory=dict)
    _given: set[str] = field(default_factory=set)

    def close(self) -> None:
        """Let go of the log."""
        with self._lock:
            if self._log is not None:
                self._log.close()
                self._log = None

    def _open(self, create: bool) -> PressLog | None:
        with self._lock:
            if self._log is None:
                file = log_file(self.place)
                if not create and file is not None and not file.exists():
                    return None
                self._log = PressLog(self.place, create=create)
            return self._log

    # what stands

    def facts(self, press: str) -> Facts:
        """What stands for a press's next pressing: the last one's values and what was changed."""
        log = self._open(create=False)
        known: dict[str, list[str]] = {}
        last = None
        if log is not None:
            with log.database.reading() as connection:
                known = names_in_use(connection)
            if not press:
                rows = log.rows(Filter(last=1))
                press = rows[0].press if rows else ""
            last = self._last(log, press)
        values = self._values(press, last)
        changed = self._changes.get(press, {})
        tiles = tuple(self._tile(name, values, known, name in changed) for name in TILES)
        presses = tuple(dict.fromkeys([*known.get("press", []), *([press] if press else [])]))
        shown = [tile.shown for tile in tiles[:6] if tile.shown != "-"]
        return Facts(
            press, presses, tiles, " · ".join(shown), "" if last is None else last.pressing
        )

    @staticmethod
    def _last(log: PressLog, press: str) -> PanelRow | None:
        rows = log.rows(Filter(press=press, last=1)) if press else []
        return rows[0] if rows else None

    def _values(self, press: str, last: PanelRow | None) -> dict[str, Any]:
        values = {} if last is None else copied_values(last)
        values.pop("job", None)
        values |= {"press": press} | self._changes.get(press, {})
        return {name: value for name, value in values.items() if value not in (None, "")}

    def _tile(
        self, name: str, values: dict[str, Any], known: dict[str, list[str]], changed: bool
    ) -> Tile:
        item, value = _FIELDS[name], values.get(name)
        number, unit, step, begin = "", "", 0.0, ""
        if item.dimension is not None:
            raw = self.units.of(item.dimension)
            step = _STEPS[raw]
            unit = item.shown(0.0, self.units).partition(" ")[2]
            number = "" if value is None else f"{from_si(value, raw, item.dimension):.6g}"
            begin = f"{from_si(_BEGIN_SI[name], raw, item.dimension):.3g}"
        names = tuple(known.get(name, [])[:8])
        shown = item.shown(value, self.units)
        return Tile(name, item.title, shown, number, unit, step, begin, names, changed)

    def change(self, press: str, name: str, text: str) -> None:
        """Change a fact for the press's next pressings; SettingsError for what is no such value."""
        item: Field | None = _FIELDS.get(name) if name in TILES else None
        if item is None or not press:
            raise SettingsError("this cannot be changed here.")
        value = item.read(text[:80], self.units)
        changes = self._changes.get(press, {}) | {name: value}
        # the whole entry is checked, so that a slip is told now and not when a photo comes
        checked(PressingEntry, {"press": press} | {name: value}, place=item.title)
        with self._lock:
            self._changes[press] = changes

    def choose(self, press: str) -> str:
        """A press's name as the log keeps it; SettingsError where it takes none such."""
        return checked(PressingEntry, {"press": press}, place="the press").press

    # pressings

    def book(self, job: StationJob, panel: str, press: str, same: str, at: Any) -> tuple[str, int]:
        """Write a panel into the log: its pressing's number, and its row.

        `same` is the pressing that the panel lay in together with the one before; "" begins a new
        one with what stands for `press`. A panel that is in the log already stays where it is.
        """
        log = self._open(create=True)
        assert log is not None
        with self._lock:
            row = log.find_panel(panel)
            if row is not None:
                rows = log.rows(Filter(panel=panel))
                return rows[-1].pressing, row
            if same:
                return same, log.panel_of(same, panel)
            values = self._values(press, self._last(log, press))
            size = {}
            if job.width_mm is not None and job.height_mm is not None:
                size = {"width_mm": job.width_mm, "height_mm": job.height_mm}
            entry = checked(
                PressingEntry,
                {
                    **values,
                    "at": at,
                    "job": job.code,
                    "panels": [
                        {"code": panel, "base": job.base, "finish": job.finish, **size},
                    ],
                },
                place="the pressing",
            )
            code = log.code_of(log.add_pressing(entry))
            self._changes.pop(press, None)
            return code, log.panels_of(code)[panel]

    def next_panel(self, job: StationJob) -> str:
        """A number for a job's next panel; begins the log where there is none."""
        log = self._open(create=True)
        assert log is not None
        with self._lock:
            count = len(log.rows(Filter(job=job.code))) + 1
            while True:
                panel = f"{job.code[:70]}-{count}"
                if panel not in self._given and log.find_panel(panel) is None:
                    self._given.add(panel)
                    return panel
                count += 1

    def keep(self, panel: str) -> None:
        """A panel's number that was given before a restart is not given again."""
        self._given.add(panel)

    def usual_press(self) -> str:
        """The press of the last pressing; "" where the log holds none."""
        log = self._open(create=False)
        rows = [] if log is None else log.rows(Filter(last=1))
        return rows[0].press if rows else ""

    # rulings

    def rule(
        self, inspection: int, finding: str | None, ruled: str | None, why: str, by: str
    ) -> None:
        """Write a ruling; SettingsError for what is none."""
        values = {"finding": finding, "ruled": ruled, "why": why, "by": by}
        self._needed().add_ruling(inspection, checked(RulingEntry, values, place="the ruling"))

    def add_missed(
        self, inspection: int, kind: Kind, place_mm: tuple[float, float], why: str, by: str
    ) -> str:
        """Write a finding that was missed; its code in the log."""
        return self._needed().add_missed(inspection, kind, place_mm, why=why, by=by)

    def _needed(self) -> PressLog:
        log = self._open(create=False)
        if log is None:
            raise SettingsError("there is no press log yet.")
        return log

    def trouble(self) -> str | None:
        """Why the log cannot be used just now; None where it can."""
        try:
            self._open(create=False)
        except DyelightError as trouble:
            return trouble.sentence()
        return None
