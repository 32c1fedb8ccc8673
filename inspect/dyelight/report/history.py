"""The history page: what the press log shows, as one HTML file that needs no network."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template

from ..causes.association import FactorResult, KindResult, compare_factors
from ..causes.factor_file import load_factors
from ..causes.history import History
from ..causes.trial_standing import TrialStanding, trial_standing
from ..judge import texts
from ..press_log import Columns, Filter, PressLog
from ..press_log.agreement import read_agreement
from ..press_log.entries import now
from ..press_log.press_check import ProbeRound, probe_rounds, windows
from ..press_log.shop import Fabric, Press, read_fabrics, read_press
from ..press_log.summary import Summary, read_summary
from ..press_log.trials import read_trials
from ..press_log.units import Units, from_si, shown, unit_name
from .agreement_words import agreement_facts
from .history_charts import Period, bars, factor_chart, platen_map, yield_chart
from .trial_words import change_text, held_text, left_out_text, standing_text

_MOST_KINDS = 6
_WEEKS_FROM = 120  # a log shorter than this many days is shown week by week
_OLD_PROBE_DAYS = 90
_MANY = 0.2  # a share of missing values above this is worth a question
_TOLD = ("pass", "review", "remake")
_ASKED_VALUES = {
    "room_humidity_pct": "room humidity",
    "drying_s": "drying time",
    "vent_fabric_id": "vent fabric",
    "operator": "operator",
    "x_mm": "place on the platen",
}


def history_page(log: PressLog, units: Units) -> str:
    """The page as HTML, from everything in the log."""
    factors = load_factors()
    columns = log.columns(Filter(last=int(factors.learn.most_panels.value)))
    with log.database.reading() as connection:
        summary = read_summary(connection, tuple(_ASKED_VALUES))
        fabrics = read_fabrics(connection)
        rounds = probe_rounds(connection)
        trials = read_trials(connection)
        posted = windows(connection)
        agreement = read_agreement(connection)
        presses = {
            name: read_press(connection, name)
            for name in sorted(set(columns.values["press"]) | {done.press for done in rounds})
        }
    history = History.of(columns, factors)
    results = [compare_factors(kind, history) for kind in history.kinds[:_MOST_KINDS]]  # type: ignore[arg-type]  # text in the log
    standings = []
    if trials:
        began = min(trial.started_at for trial in trials)
        rows = log.rows(_trial_filter(columns, began))
        standings = [trial_standing(trial, rows, factors) for trial in trials]
    facts = {
        "made": f"{now().astimezone():%Y-%m-%d %H:%M}",
        **_totals(summary),
        "yield": yield_chart(_periods(summary)),
        "kinds": _kind_bars(summary),
        "ruled": agreement_facts(agreement),
        "results": [_kind_facts(result) for result in results],
        "learned_from": int(history.looked.sum()),
        "fabrics": _fabric_bars(fabrics),
        "presses": [_press_facts(press, rounds, units) for press in presses.values()],
        "trials": [_trial_facts(item, units) for item in standings],
        "questions": _questions(summary, results, rounds, presses, has_windows=bool(posted)),
    }
    return _template().render(**facts)


def _trial_filter(columns: Columns, began: datetime) -> Filter:
    """What trials need to see: a baseline that reaches far enough back, and all since."""
    times = columns.values["at"]
    before = sum(1 for at in times if at < began)
    first = max(0, before - 20000)
    return Filter(since=times[first]) if times else Filter()


def _template() -> Template:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("history.html.j2")


def _verdicts(summary: Summary) -> Counter[str | None]:
    counts: Counter[str | None] = Counter()
    for _, verdict, count in summary.days:
        counts[verdict] += count
    return counts


def _looked(summary: Summary) -> int:
    verdicts = _verdicts(summary)
    return sum(verdicts[word] for word in _TOLD)


def _totals(summary: Summary) -> dict[str, Any]:
    looked, passed = _looked(summary), _verdicts(summary)["pass"]
    span = "nothing yet"
    if summary.first is not None and summary.last is not None:
        first, last = summary.first.astimezone(), summary.last.astimezone()
        span = f"{first:%Y-%m-%d}"
        span += "" if first.date() == last.date() else f" to {last:%Y-%m-%d}"
    return {
        "span": span,
        "pressings": summary.pressings,
        "panels": summary.panels,
        "looked": looked,
        "passed": passed,
        "share": f"{100 * passed / looked:.1f} %" if looked else "-",
    }


def _periods(summary: Summary) -> list[Period]:
    if summary.first is None or summary.last is None:
        return []
    weekly = (summary.last - summary.first).days < _WEEKS_FROM
    looked: Counter[str] = Counter()
    passed: Counter[str] = Counter()
    for day, verdict, count in summary.days:
        if verdict in _TOLD:
            name = f"{date.fromisoformat(day):%G week %V}" if weekly else day[:7]
            looked[name] += count
            passed[name] += count if verdict == "pass" else 0
    return [Period(name, count, passed[name]) for name, count in looked.items()]


def _kind_bars(summary: Summary) -> dict[str, Any]:
    return bars([(_title(kind), count, _looked(summary)) for kind, count in summary.kinds])


def _title(kind: str) -> str:
    return texts.kind_title(kind)  # type: ignore[arg-type]  # the log keeps kinds as text


def _kind_facts(result: KindResult) -> dict[str, Any]:
    telling = [item for item in result.factors if item.significant]
    quiet = [item for item in result.factors if not item.significant]
    return {
        "title": _title(result.kind),
        "defects": result.defects,
        "panels": result.panels,
        "enough": result.enough,
        "telling": [_factor_facts(item) for item in telling],
        "quiet": [
            {
                "title": item.title,
                "plain_p": _p(item.plain_p),
                "p": _p(item.p),
                "q": _p(item.q),
                # the one thing worth reading in this table: what only travelled along
                "travels": item.plain_p < 0.01,
            }
            for item in quiet
        ],
    }


def _factor_facts(item: FactorResult) -> dict[str, Any]:
    odds = item.odds
    return {
        "title": item.title[0].upper() + item.title[1:],
        "chart": factor_chart(item),
        "sentence": f"{item.high} against {item.low}: odds ratio {odds.value:.2g} "
        f"({odds.low:.2g} to {odds.high:.2g}); p {_p(item.p)} with all other factors held, "
        f"q {_p(item.q)} over all factors; by itself p {_p(item.plain_p)} ({item.plain_test})."
        f"{alike_text(item)}",
    }


def alike_text(item: FactorResult) -> str:
    """What the log cannot tell a factor apart from."""
    if not item.alike:
        return ""
    return f" The log cannot tell it apart from {' and '.join(item.alike)}, which was not held."


def _p(value: float) -> str:
    return "under 0.0001" if value < 0.0001 else f"{value:.2g}"


def _fabric_bars(fabrics: Sequence[Fabric]) -> list[dict[str, Any]]:
    used = [item for item in fabrics if item.retired_at is None]
    return [
        {
            "name": item.name,
            "uses": item.uses,
            "limit": item.uses_limit,
            "fill": None
            if item.uses_limit is None
            else round(100 * min(item.uses / item.uses_limit, 1.0), 1),
            "near": item.near_its_end,
            "over": item.uses_limit is not None and item.uses >= item.uses_limit,
        }
        for item in sorted(used, key=lambda item: -(item.uses / (item.uses_limit or 10**9)))
    ]


def _press_facts(press: Press, rounds: Sequence[ProbeRound], units: Units) -> dict[str, Any]:
    own = [done for done in rounds if done.press == press.name]
    if not own:
        return {"name": press.name, "map": None, "sentence": "Never probed."}
    last = own[-1]
    size = None
    if press.platen_width_mm is not None and press.platen_depth_mm is not None:
        size = (press.platen_width_mm, press.platen_depth_mm)
    unit = units.of("temperature")
    zero = from_si(0.0, unit, "temperature")
    offset = from_si(last.offset_c, unit, "temperature") - zero
    spread = from_si(last.spread_c, unit, "temperature") - zero
    return {
        "name": press.name,
        "map": platen_map(last, size, partial(shown, dimension="temperature", units=units)),
        "sentence": f"Probed {last.at.astimezone():%Y-%m-%d}, set to "
        f"{shown(last.set_c, 'temperature', units)}: {offset:+.1f} {unit_name(unit)} true over "
        f"set on the mean, {spread:.1f} {unit_name(unit)} from coldest to hottest point.",
    }


def _trial_facts(item: TrialStanding, units: Units) -> dict[str, str]:
    return {
        "name": item.trial.name,
        "state": "ended" if item.trial.ended_at else "running",
        "change": change_text(item.trial, units),
        "held": held_text(item.trial, units),
        "standing": standing_text(item),
        "left_out": left_out_text(item),
    }


def _questions(
    summary: Summary,
    results: Sequence[KindResult],
    rounds: Sequence[ProbeRound],
    presses: Mapping[str, Press],
    *,
    has_windows: bool,
) -> list[str]:
    asked = []
    verdicts = _verdicts(summary)
    waiting = verdicts["review"]
    if waiting:
        wait = "1 panel waits" if waiting == 1 else f"{waiting} panels wait"
        asked.append(f"{wait} for a person's ruling (`dyelight log rule`).")
    unseen = verdicts[None]
    if unseen:
        came = "1 panel" if unseen == 1 else f"{unseen} panels"
        asked.append(f"How did {came} come out? The log holds no result.")
    for result in results:
        if not result.enough:
            asked.append(
                f"{_title(result.kind)}: {result.defects} on {result.panels} panels are too few "
                "to tell what matters."
            )
    for name in presses:
        own = [done for done in rounds if done.press == name]
        if not own:
            asked.append(f"Is press {name} as hot as it says? It was never probed.")
        elif (now() - own[-1].at).days > _OLD_PROBE_DAYS:
            day = f"{own[-1].at.astimezone():%Y-%m-%d}"
            asked.append(f"Press {name} was last probed on {day}. Is it still so?")
    if not has_windows:
        asked.append(
            "Which temperature and dwell does the panels' maker post? (`dyelight log window`)"
        )
    for name, title in _ASKED_VALUES.items():
        of = summary.panels if name == "x_mm" else summary.pressings
        if summary.missing[name] > _MANY * max(of, 1):
            share = f"{100 * summary.missing[name] / of:.0f} %"
            what = "panels" if name == "x_mm" else "pressings"
            asked.append(f"The {title} is missing on {share} of {what}.")
    return asked
