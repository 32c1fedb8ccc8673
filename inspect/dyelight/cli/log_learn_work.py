"""The work behind `dyelight log factors`, `trial` and `report`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

from ..causes import load_causes
from ..causes.association import FactorResult, KindResult, compare_factors
from ..causes.cause_map import CauseMap
from ..causes.factor_file import Factors, load_factors
from ..causes.history import History
from ..causes.trial_standing import trial_standing
from ..errors import SettingsError
from ..judge import texts
from ..judge.model_file import close_name
from ..judge.rules import KINDS
from ..press_log.fields import PRESSING_FIELDS, Field
from ..press_log.trials import HELD, end_trial, read_trials, start_trial
from ..press_log.units import Units
from ..report.history import alike_text
from ..report.trial_words import change_text, held_text, left_out_text, standing_text
from .console import data_console, progress, say
from .exits import visible
from .log_pages import plain_json
from .log_work import OpenLog, earlier, write_file
from .tables import print_hanging

_MOST_LEVELS = 12


def show_factors(opened: OpenLog, kind: str | None) -> int:
    """Print which factors go with which kind."""
    wanted = None if kind is None else _kind(kind)
    with progress("Reading the log"):
        history = History.of(opened.log.columns(), load_factors())
        kinds = history.kinds if wanted is None else (wanted,)
        results = [compare_factors(item, history) for item in kinds]  # type: ignore[arg-type]  # text in the log
    if opened.settings.format == "json":
        say(plain_json([asdict(item) for item in results]), end="")
        return 0
    console = data_console()
    if not results:
        console.print("The log holds no defects yet.")
    for number, result in enumerate(results):
        if number:
            console.print()
        _print_kind(console, result, whole=wanted is not None)
    return 0


def _kind(text: str) -> str:
    kind = text.strip().lower().replace(" ", "_").replace("-", "_")
    if kind not in KINDS:
        raise SettingsError(
            f"there is no kind {kind!r}.{close_name(kind, KINDS)}",
            remedy=f"Name one of {', '.join(KINDS)}.",
        )
    return kind


def _print_kind(console: Console, result: KindResult, *, whole: bool) -> None:
    console.print(texts.kind_title(result.kind), style="bold")
    console.print(f"On {result.defects} of {result.panels} panels looked at.")
    if not result.enough:
        console.print("Too few to tell what matters. Go on writing pressings down.")
        return
    if not result.factors:
        console.print("No factor takes more than one value: there is nothing to compare.")
        return
    telling = [item for item in result.factors if item.significant]
    if not telling:
        console.print("No factor is significant, all others held and all factors counted.")
    for item in telling:
        _print_factor(console, item)
    others = [item for item in result.factors if not item.significant]
    if whole and others:
        console.print()
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 2, 0, 0))
        for title in ("Not significant", "p alone", "p, others held", "q"):
            table.add_column(title, justify="left" if title.startswith("Not") else "right")
        for item in others:
            table.add_row(item.title, *(p_text(p) for p in (item.plain_p, item.p, item.q)))
        console.print(table)


def _print_factor(console: Console, item: FactorResult) -> None:
    console.print()
    console.print(item.title.capitalize(), style="bold")
    odds = item.odds
    print_hanging(
        console,
        f"{item.high} against {item.low}: odds ratio {odds.value:.2g} (95 % interval "
        f"{odds.low:.2g} to {odds.high:.2g}). p {p_text(item.plain_p)} by itself "
        f"({item.plain_test}), {p_text(item.p)} with all other factors held, q {p_text(item.q)}."
        f"{alike_text(item)}",
        "  ",
    )
    levels = item.levels
    if len(levels) > _MOST_LEVELS:
        levels = tuple(sorted(levels, key=lambda level: -level.rate.low)[:_MOST_LEVELS])
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False)
    for to_the_right in (False, False, True, True, False):
        table.add_column(justify="right" if to_the_right else "left")
    for level in levels:
        table.add_row(
            "",
            visible(level.label),
            f"{level.hits} of {level.of}",
            f"{100 * level.rate.value:.1f} %",
            f"{100 * level.rate.low:.1f} to {100 * level.rate.high:.1f} %",
        )
    console.print(table)


def p_text(value: float) -> str:
    """A p value as one reads it."""
    return "under 0.0001" if value < 0.0001 else f"{value:.2g}"


def show_trials(opened: OpenLog) -> int:
    """Print every trial with where it stands."""
    with opened.log.database.reading() as connection:
        trials = read_trials(connection)
    factors = load_factors()
    rows = opened.log.rows() if trials else []
    standings = [trial_standing(trial, rows, factors) for trial in trials]
    if opened.settings.format == "json":
        say(plain_json([asdict(item) for item in standings]), end="")
        return 0
    console = data_console()
    if not standings:
        console.print("No trial yet. Start one with `dyelight log trial CAUSE NAME=VALUE`.")
    for number, item in enumerate(standings):
        if number:
            console.print()
        state = "ended" if item.trial.ended_at else "running"
        console.print(f"{visible(item.trial.name)} ({state})", style="bold")
        for line in (
            f"{change_text(item.trial, opened.units)}.",
            f"Held: {held_text(item.trial, opened.units)}.",
            standing_text(item),
            left_out_text(item),
        ):
            if line:
                print_hanging(console, line, "  ")
    return 0


def start_or_end(
    opened: OpenLog,
    cause: str | None,
    change: str | None,
    kind: str | None,
    name: str | None,
    free: Sequence[str],
    like: str,
    end: str | None,
    by: str,
) -> int:
    """End a trial, or start the next one from a cause."""
    if end is not None:
        with opened.log.database.writing() as connection:
            end_trial(connection, end)
        say(f"Trial {end} is ended.")
        return 0
    assert cause is not None
    cause_map, factors = load_causes(), load_factors()
    entry = cause_map.causes.get(cause)
    if entry is None:
        raise SettingsError(
            f"there is no cause {cause!r}.{close_name(cause, cause_map.causes)}",
            remedy="`dyelight causes --format json` lists them.",
        )
    if change is None:
        raise SettingsError(
            f"what is to be changed? {entry.title}: {entry.try_next}",
            remedy=f"Name it, as {_suggested(cause, factors)}.",
        )
    field, value = read_trial_change(change, opened.units)
    kind = _trial_kind(cause, kind, cause_map)
    last = earlier(opened, like)
    if last is None:
        raise SettingsError("the log holds no pressing yet to hold a trial against.")
    freed = [_held_name(item) for item in free]
    with opened.log.database.writing() as connection:
        trial = start_trial(
            connection,
            name=name or f"{cause}-{field}-{len(read_trials(connection)) + 1}",
            cause=cause,
            kind=kind,
            field=field,
            new=value,
            last=last,
            free=freed,
            by=by,
        )
    say(f"Trial {trial.name} begins.")
    say(f"Change: {change_text(trial, opened.units)}.")
    say(f"Hold: {held_text(trial, opened.units)}.")
    if entry.caution:
        say(f"Take care: {entry.caution}")
    say("Pressings from now on are counted by themselves; `dyelight log trial` says how it stands.")
    return 0


def _suggested(cause: str, factors: Factors) -> str:
    changes = [
        changed
        for link in factors.links_of(cause)
        if (changed := factors.factors[link.factor].change)
    ]
    return f"{changes[0]}=VALUE" if changes else "press=NAME or drying=10"


def read_trial_change(text: str, units: Units) -> tuple[str, Any]:
    """The field and new value of `drying=10` or `humidity=..50`."""
    name, mark, value = text.partition("=")
    fields: dict[str, Field] = {}
    for field in PRESSING_FIELDS:
        if field.name not in ("code", "at", "note"):
            fields[field.plain] = fields[field.name] = field
    key = name.strip().lower()
    known = fields.get(key) or fields.get(key.replace("_", "-"))
    if not mark or known is None:
        raise SettingsError(
            f"{text!r} is no change of a pressing.{close_name(key, fields)}",
            remedy="Write NAME=VALUE, as drying=10, fabric=F9 or humidity=..50.",
        )
    low, dots, high = value.partition("..")
    if dots and known.dimension is not None:
        bounds = [known.read(part, units) for part in (low, high)]
        if bounds == [None, None]:
            raise SettingsError(f"{value!r} is an open range on both sides.")
        return known.name, bounds
    new = known.read(value, units)
    if new in (None, ""):
        raise SettingsError("a trial needs the new value.", place=known.plain)
    return known.name, new


def _trial_kind(cause: str, kind: str | None, cause_map: CauseMap) -> str:
    kinds = [entry.kind for entry in cause_map.causes[cause].kind]
    if kind is None:
        if len(kinds) == 1:
            return kinds[0]
        raise SettingsError(
            f"{cause} leads to several defects.", remedy=f"Say which: --kind {', '.join(kinds)}."
        )
    wanted = _kind(kind)
    if wanted not in kinds:
        raise SettingsError(
            f"the map knows no way from {cause} to {wanted}.", remedy=f"It has {', '.join(kinds)}."
        )
    return wanted


def _held_name(text: str) -> str:
    key = text.strip().lower().replace("-", "_")
    names = {name: name for name in HELD}
    names |= {field.plain.replace("-", "_"): field.name for field in PRESSING_FIELDS}
    if names.get(key) not in HELD:
        raise SettingsError(f"{text!r} is not held anyway.", remedy=f"Held are {', '.join(HELD)}.")
    return names[key]


def write_report(opened: OpenLog, out: Path) -> int:
    """Write the history page."""
    from ..report.history import history_page

    with progress("Reading the log"):
        page = history_page(opened.log, opened.units)
    write_file(out, page)
    say(f"Written to {out}.")
    return 0
