"""Has a change helped? A test that may be looked at after every pressing.

Panels with the change are held against earlier ones like them in blocks: one new panel and so many
old ones. Each block gives an e-variable for two proportions; their product only exceeds 1/a with
probability a where the change does nothing, however often one looks and whenever one stops (Turner,
Ly and Grünwald, Generic E-variables for exact sequential k-sample tests that allow for optional
stopping, J. Statist. Planning and Inference 230, 2024; the bound is Ville's). Each block's chances
are guessed from the blocks before it alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

# the effects that are mixed, as new rate over old rate: a change may help by half, or wholly
HELPED = (0.5, 0.25, 0.1)
WORSE = (2.0, 4.0, 8.0)
PRIOR_WEIGHT = 4.0  # panels that the first guess of the old rate counts for
_LEAST, _MOST = 1e-4, 0.95
_PATHS, _LONGEST = 400, 5000


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a trial stands. `more` is how many further panels it needs, None where none would do.

    `against_helped`, `against_worse` are the e-values: how many times better the change's having an
    effect accounts for the panels than its having none.
    """

    word: Literal["helped", "worse", "cannot_tell"]
    against_helped: float
    against_worse: float
    blocks: int
    more: int | None


def block_log_e(old: Sequence[bool], new: bool, old_rate: float, new_rate: float) -> float:
    """Logarithm of one block's e-variable for these two rates."""
    middle = (len(old) * old_rate + new_rate) / (len(old) + 1)
    total = _log_chance(new, new_rate) - _log_chance(new, middle)
    return total + sum(_log_chance(hit, old_rate) - _log_chance(hit, middle) for hit in old)


def _log_chance(hit: bool, rate: float) -> float:
    return math.log(rate if hit else 1.0 - rate)


def standing(
    old: Sequence[bool],
    new: Sequence[bool],
    *,
    first_guess: float,
    error: float,
    worth: float,
    power: float,
) -> Standing:
    """Judge a trial.

    `old` are the earlier panels, `new` those with the change, True where they showed the kind.
    `first_guess` is an old rate from elsewhere. `error` is the chance of calling a change that does
    nothing, half of it for either word. `worth` is the change of the rate that `more` is told for,
    and `power` the share of such trials that it suffices for.
    """
    # fixed by the old panels alone: were it to follow the new ones, looking would change the blocks
    each = max(1, min(5, len(old) // 200)) if old else 0
    blocks = min(len(new), len(old) // each) if each else 0
    sums = dict.fromkeys((*HELPED, *WORSE), 0.0)
    hits, seen = first_guess * PRIOR_WEIGHT, PRIOR_WEIGHT
    for number in range(blocks):
        part = old[number * each : (number + 1) * each]
        rate = min(max(hits / seen, _LEAST), 0.9)
        for ratio in sums:
            sums[ratio] += block_log_e(part, new[number], rate, _new_rate(rate, ratio))
        hits, seen = hits + sum(part), seen + len(part)
    helped = _mixed([sums[ratio] for ratio in HELPED])
    worse = _mixed([sums[ratio] for ratio in WORSE])
    bound = math.log(2 / error)
    if helped >= bound or worse >= bound:
        word: Literal["helped", "worse"] = "helped" if helped >= worse else "worse"
        return Standing(word, math.exp(helped), math.exp(worse), blocks, 0)
    more = None
    if each:
        rate = min(max(hits / seen, _LEAST), 0.9)
        logs = [sums[ratio] for ratio in HELPED]
        more = _needed(rate, each, logs, bound, worth, power)
    return Standing("cannot_tell", math.exp(helped), math.exp(worse), blocks, more)


def _new_rate(rate: float, ratio: float) -> float:
    return min(max(rate * ratio, _LEAST / 10), _MOST)


def _mixed(logs: Sequence[float]) -> float:
    top = max(logs)
    return top + math.log(sum(math.exp(value - top) for value in logs) / len(logs))


def _needed(
    rate: float, each: int, logs: Sequence[float], bound: float, worth: float, power: float
) -> int | None:
    """Blocks until a change worth finding is called in a share `power` of simulated goings-on."""
    rng = np.random.default_rng(each)
    length = 500
    while length <= _LONGEST:
        new = rng.random((_PATHS, length)) < rate * worth
        old = rng.binomial(each, rate, (_PATHS, length))
        paths = []
        for ratio, start in zip(HELPED, logs, strict=True):
            other = _new_rate(rate, ratio)
            middle = (each * rate + other) / (each + 1)
            steps = np.where(new, math.log(other / middle), math.log((1 - other) / (1 - middle)))
            steps = steps + old * math.log(rate / middle)
            steps = steps + (each - old) * math.log((1 - rate) / (1 - middle))
            paths.append(start + steps.cumsum(axis=1))
        top = np.logaddexp.reduce(np.stack(paths), axis=0) - math.log(len(HELPED))
        crossed = top >= bound
        first = np.where(crossed.any(axis=1), crossed.argmax(axis=1) + 1, length + 1)
        needed = int(np.quantile(first, power))
        if needed <= length:
            return needed
        length *= 3
    return None
