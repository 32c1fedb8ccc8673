"""Simulated years of pressings: does the log find the true causes, and are its weights honest?

Each affected panel is judged with the history of all other panels, learned in ten parts so that no
panel learns from itself, and once more with only what came before it. Beside both stand the map
without the log and the ideal observer, who knows every true rate.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from year import GUILTY, Truth, Year, simulate_year

from dyelight.causes import load_causes, rank_causes
from dyelight.causes.association import compare_factors
from dyelight.causes.evidence import Evidence
from dyelight.causes.factor_file import load_factors
from dyelight.causes.history import History
from dyelight.press_log import LoggedFinding
from dyelight.records import Artwork, Finding

FOLDS = 10
BANDS = ((0.0, 0.2), (0.2, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 1.0))


@dataclass
class Score:
    """Places of the true cause, and how often causes of each weight were true."""

    first: int = 0
    second: int = 0
    panels: int = 0
    by_cause: dict[str, list[int]] = field(default_factory=dict)
    weights: list[float] = field(default_factory=list)
    true: list[bool] = field(default_factory=list)

    def add(self, truth: Truth, weights: Mapping[str, float]) -> None:
        """Count one panel: its weights, and, where its cause was planted, the true one's place."""
        for cause, weight in weights.items():
            self.weights.append(weight)
            self.true.append(cause == truth.cause)
        if not truth.planted:
            return
        place = (
            sorted(weights, key=lambda cause: -weights[cause]).index(truth.cause) + 1
            if (truth.cause in weights)
            else 99
        )
        self.panels += 1
        self.first += place == 1
        self.second += place <= 2
        own = self.by_cause.setdefault(truth.cause, [0, 0, 0])
        own[0] += place == 1
        own[1] += place <= 2
        own[2] += 1


def as_finding(item: LoggedFinding, confidence: float = 1.0) -> Finding:
    """A logged finding as the ranking takes it."""
    x, y = item.x_mm or 0.0, item.y_mm or 0.0
    return Finding(
        id=item.code,
        kind=item.kind,  # type: ignore[arg-type]  # the log keeps the word as plain text
        extent="local",
        center_mm=(x, y),
        box_mm=(x - 1, y - 1, x + 1, y + 1),
        outline_mm=np.zeros((0, 2)),
        area_mm2=3.0,
        eq_diameter_mm=2.0,
        delta_e00=4.0,
        snr=20.0,
        tone="mixed",
        zone="A",
        vector_mm=None,
        strength=None,
        pattern=None,
        confidence=confidence,
        severity="major",
        because=(),
        doubts=(),
    )


@cache
def artwork(width_mm: float, height_mm: float, base: str) -> Artwork:
    """The artwork of a panel of this size, as far as the causes look at it."""
    pixels = np.zeros((2, 2, 3), np.uint8)
    return Artwork(
        file="", sha256="", pixels=pixels, alpha=None, width_mm=width_mm, height_mm=height_mm,
        bleed_mm=3.0, base=base,  # type: ignore[arg-type]  # one of the words of Base
    )  # fmt: skip


def judge(year: Year, score: Score, how: str, first_row: int = 0) -> None:
    """Weigh the causes of every affected panel and count."""
    cause_map, factors = load_causes(), load_factors()
    history = History.of(year.columns, factors)
    rows = sorted(row for row in year.truth if row > first_row)
    values = year.columns.values
    shared: dict[int, Evidence] = {}
    for row in rows:
        index = row - 1
        evidence = None
        if how in ("log", "before"):
            part = row % FOLDS if how == "log" else index // 420
            if part not in shared:
                among = history.looked.copy()
                if how == "log":
                    among[np.arange(len(among)) % FOLDS == (part - 1) % FOLDS] = False
                else:
                    among[part * 420 :] = False
                shared[part] = Evidence(history, cause_map, row, among=among)
            evidence = shared[part]
            evidence.panel_row = row
        panel = artwork(
            values["width_mm"][index], values["height_mm"][index], values["base"][index]
        )
        for item, truth in zip(year.columns.findings[row], year.truth[row], strict=True):
            if how == "ideal":
                weights = dict(truth.chances)
            else:
                ranked = rank_causes([as_finding(item)], panel, cause_map, evidence)
                weights = {cause.cause: cause.weight for cause in ranked}
            score.add(truth, weights)


def innocent_calls(year: Year) -> tuple[int, int, int, int]:
    """Innocent factors called significant, of how many; guilty ones called, of how many."""
    history = History.of(year.columns, load_factors())
    false = innocent = found = guilty = 0
    for kind in history.kinds:
        for result in compare_factors(kind, history).factors:  # type: ignore[arg-type]  # as above
            if result.factor in GUILTY.get(kind, frozenset()):
                guilty += 1
                found += result.significant
            else:
                innocent += 1
                false += result.significant
    return false, innocent, found, guilty


def calibration(score: Score) -> list[str]:
    """The calibration table: for each band of weight how many, their mean weight, how many true."""
    weights, true = np.array(score.weights), np.array(score.true)
    lines = ["| weight given | causes | mean weight | true |", "|---|---|---|---|"]
    for low, high in BANDS:
        inside = (weights >= low) & ((weights < high) | (high == 1.0))
        if inside.any():
            lines.append(
                f"| {100 * low:.0f} to {100 * high:.0f} % | {int(inside.sum())} "
                f"| {100 * weights[inside].mean():.1f} % | {100 * true[inside].mean():.1f} % |"
            )
    return lines


def lines_of(title: str, score: Score) -> Iterable[str]:
    """One row of the ranking table."""
    yield (
        f"| {title} | {score.panels} | {100 * score.first / score.panels:.1f} % "
        f"| {100 * score.second / score.panels:.1f} % |"
    )
    for cause, (one, two, of) in sorted(score.by_cause.items()):
        yield f"|   {cause} | {of} | {100 * one / of:.1f} % | {100 * two / of:.1f} % |"


def main(say: Callable[[str], None] = print) -> int:
    """Run the bench; 0 where every limit is kept, 1 where not."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=int, default=4)
    parser.add_argument("--pressings", type=int, default=5000)
    parser.add_argument("--correlation", type=float, default=0.6)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    began = time.process_time()
    scores = {how: Score() for how in ("none", "log", "before", "ideal")}
    calls = np.zeros(4, dtype=np.int64)
    reached: dict[str, list[float]] = {}
    for number in range(chosen.years):
        year = simulate_year(
            chosen.seed + number, load_causes(), chosen.pressings, chosen.correlation
        )
        for how, score in scores.items():
            judge(year, score, how, first_row=chosen.pressings // 4 if how == "before" else 0)
        calls += innocent_calls(year)
        for name, value in year.correlations.items():
            reached.setdefault(name, []).append(value)
    titles = {
        "none": "map without the log",
        "log": "with the log, the other panels of the year",
        "before": "with the log, only what came before (from the second quarter on)",
        "ideal": "ideal observer, who knows every rate",
    }
    say(f"Simulated: {chosen.years} years of {chosen.pressings} pressings, seed {chosen.seed}.")
    for name, values in reached.items():
        say(f"correlation of {name}: {np.mean(values):.2f}")
    say("| planted causes (simulated) | findings | true cause first | in the first two |")
    say("|---|---|---|---|")
    for how, score in scores.items():
        for line in lines_of(titles[how], score):
            say(line)
    false, innocent, found, guilty = calls.tolist()
    for name, called, of in (("innocent", false, innocent), ("guilty", found, guilty)):
        say(f"{name} factors called significant: {called} of {of} ({100 * called / of:.1f} %)")
    for how in ("log", "before"):
        say(f"calibration, {titles[how]} (simulated):")
        for line in calibration(scores[how]):
            say(line)
    say(f"{time.process_time() - began:.0f} s of processor time")
    log = scores["log"]
    kept = log.first >= 0.9 * log.panels and log.second >= 0.98 * log.panels
    weights, true = np.array(log.weights), np.array(log.true)
    likely = (weights >= 0.6) & (weights < 0.8)
    kept = kept and 0.6 <= float(true[likely].mean()) <= 0.8
    return 0 if kept and false <= 0.05 * innocent else 1
