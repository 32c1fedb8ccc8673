"""Single sampling by attributes: which panels of a lot to take, and when the lot is accepted.

MIL-STD-105E, Tables I and II-A to II-C, in models/sampling/. The unit is a panel, and an AQL is per
cent of panels that do not conform, so at most 10.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..data import models_folder
from ..errors import RulesError, SettingsError
from ..records import DefectClass

Severity = Literal["normal", "tightened", "reduced"]
LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
# above this the tables count defects per hundred units, of which a panel may hold several
HIGHEST_AQL = 10.0
_CLASSES: tuple[DefectClass, ...] = ("critical", "major", "minor")


@dataclass(frozen=True, slots=True)
class Plan:
    """A single sampling plan: take `n`, accept up to `accept`, reject from `reject` on.

    Only reduced plans leave a gap between the two: there the lot is accepted, and inspection goes
    back to normal. `whole_lot`: the lot is not larger than the sample, so every panel is taken.
    `code` is the letter that the lot size asked for.
    """

    code: str
    aql: float
    severity: Severity
    n: int
    accept: int
    reject: int
    whole_lot: bool = False


@dataclass(frozen=True, slots=True)
class Drawn:
    """The panels of a sample: places in the run from 0, in the order in which they were drawn."""

    order: tuple[int, ...]
    seed: int


def code_letter(lot: int, level: str) -> str:
    """The sample size code letter of a lot (Table I); SettingsError for a lot or level unknown."""
    if level not in LEVELS:
        raise SettingsError(
            f"there is no inspection level {level!r}.", remedy=f"Use one of {', '.join(LEVELS)}."
        )
    if lot < 2:
        raise SettingsError("a lot to sample from has at least 2 panels.", remedy="Take all.")
    for row in _rows("code_letters.csv"):
        if int(row["lot_min"]) <= lot <= int(row["lot_max"] or lot):
            return row[level]
    raise RulesError("the table of code letters has a gap.", place=f"lot size {lot}")


def aqls() -> tuple[float, ...]:
    """The AQLs of the tables that count panels, in per cent, rising."""
    values = {float(row["aql"]) for row in _rows("single_normal.csv")}
    return tuple(sorted(value for value in values if value <= HIGHEST_AQL))


def plan_for(lot: int, level: str, aql: float, severity: Severity) -> Plan:
    """The plan for a lot; SettingsError for a level or AQL that the tables do not hold."""
    if aql not in aqls():
        shown = ", ".join(f"{value:g}" for value in aqls())
        raise SettingsError(f"the tables hold no AQL {aql:g}.", remedy=f"Use one of {shown}.")
    code = code_letter(lot, level)
    n, accept, reject = _plans(severity)[code, aql]
    return Plan(code, aql, severity, min(n, lot), accept, reject, whole_lot=n >= lot)


def plans_for(
    lot: int, level: str, aql: Mapping[DefectClass, float], severity: Severity
) -> dict[DefectClass, Plan]:
    """One plan for each class, gravest first; n may differ, as arrows lead to other letters."""
    return {kind: plan_for(lot, level, aql[kind], severity) for kind in _CLASSES if kind in aql}


def draw(lot: int, n: int, seed: int) -> Drawn:
    """Draw n of a lot's panels without replacement; the same seed draws the same panels.

    The first k of the order are a sample of k drawn the same way, so that classes with a smaller n
    use the beginning of it.
    """
    if seed < 0:
        raise SettingsError("a seed is zero or more.")
    order = np.random.default_rng(seed).permutation(lot)[: min(n, lot)]
    return Drawn(tuple(int(place) for place in order), seed)


def acceptance_probability(plan: Plan, fraction: ArrayLike) -> NDArray[np.float64]:
    """How often a lot is accepted whose process makes this fraction (0..1) of bad panels.

    The operating characteristic of type B: a lot is a binomial sample of a steady process. With
    reduced plans a lot is accepted up to one below the rejection number.
    """
    from scipy.stats import binom

    least = plan.reject - 1 if plan.severity == "reduced" else plan.accept
    return np.asarray(binom.cdf(least, plan.n, np.asarray(fraction, np.float64)), np.float64)


def quality_at(plan: Plan, probability: float) -> float:
    """The fraction (0..1) of bad panels at which a lot is accepted with this probability."""
    from scipy.stats import beta

    least = plan.reject - 1 if plan.severity == "reduced" else plan.accept
    # P(at most c of n) = p is the upper tail of a beta distribution (c + 1, n - c)
    if least >= plan.n:
        return 1.0
    return float(beta.ppf(1.0 - probability, least + 1, plan.n - least))


@cache
def _rows(name: str) -> tuple[dict[str, str], ...]:
    path = models_folder() / "sampling" / name
    try:
        with path.open(encoding="utf-8", newline="") as lines:
            return tuple(csv.DictReader(line for line in lines if not line.startswith("#")))
    except OSError as trouble:
        raise RulesError(
            "a sampling table that belongs to dyelight is missing.",
            file=path,
            remedy="Install dyelight again.",
        ) from trouble


@cache
def _plans(severity: Severity) -> Mapping[tuple[str, float], tuple[int, int, int]]:
    return {
        (row["code"], float(row["aql"])): (int(row["n"]), int(row["ac"]), int(row["re"]))
        for row in _rows(f"single_{severity}.csv")
    }


def parse_aql(text: str) -> dict[DefectClass, float]:
    """AQLs by class from text such as `critical=0.65,major=2.5,minor=4`; SettingsError."""
    chosen: dict[DefectClass, float] = {}
    for part in text.split(","):
        name, sign, value = (piece.strip() for piece in part.partition("="))
        kind = next((word for word in _CLASSES if word == name), None)
        if kind is None or not sign:
            raise SettingsError(
                f"{part.strip()!r} is no AQL of a class.",
                remedy="Write critical=0.65,major=2.5,minor=4.",
            )
        try:
            number = float(value)
        except ValueError:
            number = -1.0
        if number not in aqls():
            shown = ", ".join(f"{known:g}" for known in aqls())
            raise SettingsError(f"the tables hold no AQL {value!r}.", remedy=f"Use one of {shown}.")
        chosen[kind] = number
    return chosen
