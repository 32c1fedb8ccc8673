"""The work behind `dyelight log`: open the log, write, import, export."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import get_args

from ..errors import DyelightError, OutputError, SettingsError, UnreadableInput
from ..judge.model_file import close_name
from ..judge.rules import KINDS
from ..press_log import Filter, PanelRow, PressingEntry, PressLog, RulingEntry, checked
from ..press_log.entries import now
from ..press_log.exchange import export_csv, export_json, read_file
from ..press_log.fields import read_changes, read_panel
from ..press_log.press_check import outside, probe_rounds, windows
from ..press_log.standing import copied_values
from ..press_log.units import Units
from ..records import VerdictWord
from ..report.outputs import write_together
from ..settings import Settings, load_settings, user_log_file
from .console import say, warn

_MOST_BAD_ROWS = 30
_CLOCKS_APART = timedelta(hours=1)  # clocks of a shop's machines differ, but not by more


@dataclass(frozen=True, slots=True)
class OpenLog:
    """An open log with the user's settings and units."""

    log: PressLog
    settings: Settings
    units: Units


def settings_and_units(log: str | None = None, format: str | None = None) -> tuple[Settings, Units]:
    """The settings, and the units that they ask for."""
    settings = load_settings({"log": log, "format": format})
    return settings, units_of_settings(settings)


def units_of_settings(settings: Settings) -> Units:
    """The units that a person writes and reads."""
    return Units(
        temperature="f" if settings.temperature_unit == "F" else "c",
        length=settings.length_unit,
        time=settings.time_unit,
        pressure="kpa" if settings.pressure_unit == "kPa" else settings.pressure_unit,
    )


def log_place(settings: Settings) -> str:
    """Where the log lies: the setting, or the usual place."""
    return settings.log or str(user_log_file())


@contextmanager
def open_log(
    log: str | None, *, create: bool = True, format: str | None = None
) -> Iterator[OpenLog]:
    """Open the log that the flag, the settings or else the usual place names."""
    settings, units = settings_and_units(log, format)
    with PressLog(log_place(settings), create=create) as opened:
        yield OpenLog(opened, settings, units)


def parse_moment(text: str, place: str) -> datetime:
    """A day or a time as ISO 8601; without a zone it is meant on this machine's clock."""
    try:
        return datetime.fromisoformat(text.strip()).astimezone()
    except (ValueError, OverflowError):
        raise SettingsError(
            f"{text!r} is no day or time.", place=place, remedy="Write it as 2026-03-01 or "
            "2026-03-01T14:30.",
        ) from None  # fmt: skip


def wanted_rows(*, since: str | None, until: str | None, last: int | None, **words: str) -> Filter:
    """A filter from what was typed."""
    kind = words.get("kind", "").strip().lower().replace(" ", "_").replace("-", "_")
    if kind and kind not in KINDS:
        raise SettingsError(
            f"there is no kind {kind!r}.{close_name(kind, KINDS)}",
            place="--kind",
            remedy=f"Name one of {', '.join(KINDS)}.",
        )
    words["kind"] = kind
    verdicts = get_args(VerdictWord)
    if words.get("verdict") and words["verdict"] not in verdicts:
        raise SettingsError(
            f"there is no verdict {words['verdict']!r}.",
            place="--verdict",
            remedy=f"Name one of {', '.join(verdicts)}.",
        )
    return Filter(
        since=None if since is None else parse_moment(since, "--since"),
        until=None if until is None else parse_moment(until, "--until"),
        last=last,
        **words,
    )


def earlier(opened: OpenLog, which: str) -> PanelRow | None:
    """The pressing that `last` or a number names; None where the log is empty."""
    if which == "last":
        rows = opened.log.rows(Filter(last=1))
    else:
        rows = opened.log.rows(Filter(pressing=which))
        if not rows:
            raise SettingsError(f"the log holds no pressing {which!r}.")
    return rows[0] if rows else None


def add_pressing(
    opened: OpenLog, words: Sequence[str], panels: Sequence[str], like: str | None, ask: bool
) -> int:
    """Write one pressing down, from words or by questions; say its number and what to look at."""
    values = read_changes(list(words), opened.units)
    values = {name: value for name, value in values.items() if value is not None}
    held = [read_panel(text, opened.units) for text in panels]
    if ask or not (values or held or like):
        if not sys.stdin.isatty():
            raise SettingsError(
                "nothing was given to write down, and nobody can be asked here.",
                remedy="Give values, as press=Anvil set=204 dwell=65.",
            )
        from .log_ask import ask_pressing

        row = earlier(opened, like or "last")
        offered = {} if row is None else copied_values(row)
        values, held = ask_pressing(offered | values, held, row, opened.units)
    elif like:
        row = earlier(opened, like)
        values = ({} if row is None else copied_values(row)) | values
    entry = checked(PressingEntry, {**values, "panels": held}, place="the pressing")
    code = opened.log.code_of(opened.log.add_pressing(entry))
    say(f"Pressing {code} is in the log.")
    if entry.at > now() + _CLOCKS_APART:
        warn(
            f"pressing {code} lies ahead of this machine's clock. If that is a slip: "
            f"`dyelight log amend {code} at=...`."
        )
    warn_outside(opened, code)
    return 0


def warn_outside(opened: OpenLog, code: str) -> None:
    """Warn where a pressing left the window that the panel's maker posts."""
    from .log_pages import outside_sentence

    rows = opened.log.rows(Filter(pressing=code))
    with opened.log.database.reading() as connection:
        rounds, known = probe_rounds(connection), windows(connection)
    for row in rows:
        for item in outside(row, rounds, known):
            warn(outside_sentence(item, row, opened.units))


def amend_pressing(opened: OpenLog, code: str, words: Sequence[str], why: str, by: str) -> int:
    """Change values of a pressing and say so."""
    changes = read_changes(list(words), opened.units)
    opened.log.amend(code, changes, why=why, by=by)
    say(f"Pressing {code} is amended; the old values stay in the log.")
    warn_outside(opened, code)
    return 0


def write_ruling(
    opened: OpenLog,
    code: str,
    panel: str,
    finding: str | None,
    ruled: str | None,
    why: str,
    by: str,
) -> int:
    """Write a ruling on the last result of a panel."""
    held = opened.log.panels_of(code)
    if panel and panel not in held:
        raise SettingsError(
            f"pressing {code!r} holds no panel {panel!r}.{close_name(panel, held)}",
            remedy=f"It holds {', '.join(held) or 'none'}.",
        )
    inspection = opened.log.last_inspection(opened.log.panel_of(code, panel))
    if inspection is None:
        raise SettingsError(
            f"nobody has looked at this panel of pressing {code!r} yet.",
            remedy="Check a photo of it with `dyelight check --pressing`.",
        )
    values = {"finding": finding, "ruled": ruled, "why": why, "by": by}
    opened.log.add_ruling(inspection, checked(RulingEntry, values, place="the ruling"))
    say("The ruling is in the log.")
    return 0


def import_file(opened: OpenLog, file: Path, partial: bool) -> int:
    """Take pressings from a file; every bad row is named with its reason."""
    reading = read_file(file, opened.units)
    taken = opened.log.import_entries(reading, partial=partial)
    if reading.bad:
        rows = [f"  row {item.row}: {item.reason}" for item in reading.bad[:_MOST_BAD_ROWS]]
        if len(reading.bad) > _MOST_BAD_ROWS:
            rows.append(f"  and {len(reading.bad) - _MOST_BAD_ROWS} more.")
        told = "\n".join(rows)
        if not partial:
            raise UnreadableInput(
                f"{_rows(len(reading.bad))} cannot be taken:\n{told}\n",
                file=file,
                remedy="Nothing was written. Correct them, or take the others with --partial.",
            )
        warn(f"{file}: {_rows(len(reading.bad))} left out:\n{told}")
    say(f"{_pressings(taken)} taken from {file}.")
    return 0


def _pressings(count: int) -> str:
    return "1 pressing" if count == 1 else f"{count} pressings"


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def export_file(
    opened: OpenLog, out: Path | None, format: str | None, since: str | None, until: str | None
) -> int:
    """Write pressings to a file or to standard output."""
    if format not in (None, "csv", "json"):
        raise SettingsError(f"{format!r} is neither csv nor json.", place="--format")
    as_json = format == "json" or (
        format is None and out is not None and out.suffix.lower() == ".json"
    )
    rows = opened.log.rows(wanted_rows(since=since, until=until, last=None))
    notes = opened.log.notes()
    text = export_json(rows, notes) if as_json else export_csv(rows, notes, opened.units)
    if out is None:
        say(text, end="")
        return 0
    write_file(out, text)
    say(f"{_pressings(len({row.pressing for row in rows}))} written to {out}.")
    return 0


def write_file(path: Path, text: str) -> None:
    """Write a file whole or not at all; OutputError where that cannot be done."""
    if not path.absolute().parent.is_dir():
        raise OutputError("the folder is not there.", file=path, remedy="Make it, or name another.")
    if path.is_dir():
        raise OutputError("a folder stands there.", file=path, remedy="Name a file in it.")
    try:
        write_together(path.absolute().parent, {path.name: text.encode("utf-8", "replace")})
    except DyelightError as trouble:
        raise OutputError(trouble.trouble, file=path, remedy="Name another file.") from trouble
