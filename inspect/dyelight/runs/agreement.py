"""How far two looks at the same panels agree: Cohen's kappa with its interval.

Sources: Cohen, Educational and Psychological Measurement 20, 1960; the standard error for the
interval is that of Fleiss, Cohen and Everitt, Psychological Bulletin 72, 1969.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import get_args

import numpy as np
from numpy.typing import ArrayLike

from ..records import Kind
from .panels import VERDICTS, Panel

_Z95 = 1.959964


@dataclass(frozen=True, slots=True)
class Agreement:
    """Agreement on one question over `panels` panels.

    `share` is how often both said the same; `kappa` what is left of it beyond chance, None where
    both always said one and the same word, so that chance leaves no room. `low`, `high` is its 95 %
    interval.
    """

    about: str
    panels: int
    share: float
    kappa: float | None
    low: float | None
    high: float | None


def kappa(table: ArrayLike) -> tuple[float, float] | None:
    """Cohen's kappa and its standard error of a square table of counts; None where undefined."""
    counts = np.asarray(table, np.float64)
    n = counts.sum()
    if n == 0:
        return None
    p = counts / n
    row, column = p.sum(axis=1), p.sum(axis=0)
    # from the counts, so that whole agreement is 1 and not nearly 1
    observed, expected = float(np.trace(counts) / n), float(row @ column)
    if expected >= 1.0:
        return None
    value = (observed - expected) / (1 - expected)
    diagonal = np.diag(p)
    a = float((diagonal * (1 - (row + column) * (1 - value)) ** 2).sum())
    off = p - np.diag(diagonal)
    b = (1 - value) ** 2 * float((off * (column[:, None] + row[None, :]) ** 2).sum())
    c = (value - expected * (1 - value)) ** 2
    variance = max(0.0, a + b - c) / (n * (1 - expected) ** 2)
    return value, math.sqrt(variance)


def agreement(about: str, first: Sequence[str], second: Sequence[str]) -> Agreement:
    """Agreement of two lists of words about the same panels in the same order."""
    words = sorted(set(first) | set(second))
    table = np.zeros((len(words), len(words)))
    for one, other in zip(first, second, strict=True):
        table[words.index(one), words.index(other)] += 1
    same = sum(one == other for one, other in zip(first, second, strict=True))
    share = same / len(first) if first else 0.0
    found = kappa(table)
    if found is None:
        return Agreement(about, len(first), share, None, None, None)
    value, error = found
    low, high = max(-1.0, value - _Z95 * error), min(1.0, value + _Z95 * error)
    return Agreement(about, len(first), share, value, low, high)


def agreements(
    panels: Sequence[Panel], earlier: Mapping[str, tuple[str, frozenset[str]]]
) -> list[Agreement]:
    """Agreement by verdict and by kind with an earlier look.

    `earlier` maps panel ids to the verdict and the kinds found then; panels that only one of the
    looks could judge are left out of kinds, and failed ones of everything.
    """
    both = [panel for panel in panels if panel.verdict and panel.panel_id in earlier]
    if not both:
        return []
    first = [earlier[panel.panel_id][0] for panel in both]
    found = [agreement("verdict", first, [panel.verdict or "" for panel in both])]
    judged = [
        panel for panel in both if panel.usable and earlier[panel.panel_id][0] != VERDICTS[-1]
    ]
    for kind in get_args(Kind):
        before = [kind in earlier[panel.panel_id][1] for panel in judged]
        now = [kind in panel.kinds for panel in judged]
        if any(before) or any(now):
            found.append(agreement(kind, list(map(str, before)), list(map(str, now))))
    return found
