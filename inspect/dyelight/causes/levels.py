"""The log's columns as levels: each factor of each panel as a small whole number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..press_log.rows import Columns
from ..records import F64, Mask
from .factor_file import Factor, Factors

Codes = NDArray[np.int64]
UNKNOWN = -1
OTHERS = "others"


@dataclass(frozen=True, slots=True)
class Coded:
    """One factor over all panels.

    `codes` (N,) is each panel's level, -1 where it is not known; `labels` names the levels in their
    order. `values` (N,) float64 holds the numbers behind ordered factors, nan where not known, and
    None for words.
    """

    name: str
    factor: Factor
    codes: Codes
    labels: tuple[str, ...]
    values: F64 | None

    @property
    def ordered(self) -> bool:
        """Whether the levels have an order."""
        return self.factor.shape not in ("group", "place")


def code_factors(columns: Columns, kept: Mask, factors: Factors) -> dict[str, Coded]:
    """Every factor but the place on the platen, by its id.

    `kept` (N,) marks the panels that decide about levels; the others are put into theirs.
    """
    least = factors.learn.least_level.value
    coded = {}
    for name, factor in factors.factors.items():
        if factor.shape == "place":
            continue
        values = _values(columns.values, name)
        if factor.shape == "group":
            codes, labels = _group(values, kept, least)
            coded[name] = Coded(name, factor, codes, labels, None)
        else:
            numbers = np.array(values, dtype=np.float64)
            if factor.shape == "yes_no":
                codes = np.where(np.isnan(numbers), UNKNOWN, numbers).astype(np.int64)
                labels = ("no", "yes")
            else:
                codes, labels = _ordered(numbers, kept, factor, least)
            coded[name] = Coded(name, factor, codes, labels, numbers)
    return coded


def _values(columns: Mapping[str, Sequence[Any]], name: str) -> Sequence[Any]:
    if name in ("transfer_paper", "ink", "cover_paper"):
        return [
            f"{plain}, lot {lot}" if lot else plain
            for plain, lot in zip(columns[name], columns[f"{name}_lot"], strict=True)
        ]
    if name == "panel_lot":
        return columns["lot"]
    if name == "true_over_set_c":
        # what this pressing's own thermometer said comes before the press's last probe readings
        three = (columns["true_c"], columns["set_c"], columns["probe_over_set_c"])
        return [
            probed if true is None or set_ is None else true - set_
            for true, set_, probed in zip(*three, strict=True)
        ]
    if name == "short_side_mm":
        return [
            None if wide is None or high is None else min(wide, high)
            for wide, high in zip(columns["width_mm"], columns["height_mm"], strict=True)
        ]
    if name == "hour":
        # the hour on the wall, which is what people and rooms go by
        return [moment.astimezone().hour for moment in columns["at"]]
    return columns[name]


def _group(values: Sequence[Any], kept: Mask, least: float) -> tuple[Codes, tuple[str, ...]]:
    numbers: dict[str, int] = {}
    first = np.array(
        [numbers.setdefault(word, len(numbers)) if word else UNKNOWN for word in values],
        dtype=np.int64,
    )
    counts = np.bincount(first[kept & (first >= 0)], minlength=len(numbers))
    words = list(numbers)
    large = sorted(word for word in words if counts[numbers[word]] >= least)
    labels = list(large)
    if len(large) < len(words):
        labels.append(OTHERS)
    place = np.array(
        [labels.index(word) if word in large else len(large) for word in words] + [UNKNOWN],
        dtype=np.int64,
    )
    return place[first], tuple(labels)


def _ordered(
    numbers: F64, kept: Mask, factor: Factor, least: float
) -> tuple[Codes, tuple[str, ...]]:
    known = numbers[kept & ~np.isnan(numbers)]
    cuts = list(factor.cuts)
    if factor.parts and len(known):
        steps = np.arange(1, factor.parts) / factor.parts
        cuts = sorted(set(np.quantile(known, steps).tolist()) - {float(known.min())})
    while cuts:
        counts = np.bincount(np.searchsorted(cuts, known, side="right"), minlength=len(cuts) + 1)
        small = int(counts.argmin())
        if counts[small] >= least:
            break
        # joined with the smaller of its neighbours
        left = counts[small - 1] if small > 0 else np.inf
        right = counts[small + 1] if small < len(cuts) else np.inf
        cuts.pop(small - 1 if left <= right else small)
    codes = np.searchsorted(np.array(cuts), numbers, side="right").astype(np.int64)
    codes[np.isnan(numbers)] = UNKNOWN
    return codes, _labels(cuts, factor.unit)


def _labels(cuts: Sequence[float], unit: str) -> tuple[str, ...]:
    unit = f" {unit}" if unit else ""
    if not cuts:
        return (f"any{unit}",)
    shown = [f"{cut:.4g}" for cut in cuts]
    between = [f"{low} to {high}{unit}" for low, high in pairwise(shown)]
    return (f"under {shown[0]}{unit}", *between, f"{shown[-1]}{unit} and more")
