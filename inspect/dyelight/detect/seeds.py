"""From scores to places worth measuring: connected places over a low bar that hold a high peak."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import as_u8
from ..records import F32
from .scores import ScoreLevel

_OVER, _FILLED, _DONE = 255, 128, 1


@dataclass(frozen=True, slots=True)
class Seed:
    """A place that stands out, in frame px: box x0, y0, x1, y1 (exclusive), sign, peak score."""

    box: tuple[int, int, int, int]
    sign: int
    peak: float
    width_px: float


def _level_seeds(level: ScoreLevel, sign: int, low: float, high: float) -> list[Seed]:
    score = level.score
    beyond = score > low if sign > 0 else score < -low
    tops = np.flatnonzero(beyond)
    # nothing is a seed unless it peaks this high
    tops = tops[sign * score.ravel()[tops] > 0.8 * high]
    if not tops.size:
        return []
    over = as_u8(beyond)
    over *= _OVER
    # a long faint line has many independent cells: its sum counts as they do
    cell = max(4 * np.pi * (level.width_px / level.step) ** 2, 1.0)
    s = level.step
    # most tops lie in a place that is done, and bytes are read faster than elements of an array
    state = over.data.cast("B")
    # one for all, as OpenCV would clear a new one for every place
    mask = np.zeros((over.shape[0] + 2, over.shape[1] + 2), np.uint8)
    out = []
    for top in tops.tolist():
        if state[top] != _OVER:
            continue
        y, x = divmod(top, score.shape[1])
        _, _, _, (x0, y0, w, h) = cv2.floodFill(over, mask, (x, y), _FILLED, flags=8)
        part = over[y0 : y0 + h, x0 : x0 + w]
        mine = part == _FILLED
        value = np.abs(score[y0 : y0 + h, x0 : x0 + w][mine])
        part[mine] = _DONE
        peak = float(value.max())
        joint = float(value.sum()) / np.sqrt(value.size * cell)
        if peak >= high or joint >= 1.6 * high:
            box = (x0 * s, y0 * s, (x0 + w) * s, (y0 + h) * s)
            out.append(Seed(box, sign, max(peak, float(joint)), level.width_px))
    return out


def _touch(a: Seed, b: Seed) -> bool:
    pad = int(np.ceil(1.5 * min(a.width_px, b.width_px)))
    return (
        a.sign == b.sign
        and a.box[0] - pad < b.box[2]
        and b.box[0] - pad < a.box[2]
        and a.box[1] - pad < b.box[3]
        and b.box[1] - pad < a.box[3]
    )


def find_seeds(levels: tuple[ScoreLevel, ...], low: float, high: float, most: int) -> list[Seed]:
    """Seeds over all widths and both signs, strongest first, touching ones merged, at most `most`.

    `low` and `high` are the two bars in noise units.
    """
    found = [
        seed
        for level in levels
        for sign in (1, -1)
        for seed in _level_seeds(level, sign, low, high)
    ]
    found.sort(key=lambda seed: -seed.peak)
    merged: list[Seed] = []
    for seed in found[: 4 * most]:
        for i, other in enumerate(merged):
            if _touch(seed, other):
                a, b = seed.box, other.box
                # a wider filter sees the same thing with a halo: keep the sharper one's box
                union = (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))
                merged[i] = Seed(union, seed.sign, other.peak, min(seed.width_px, other.width_px))
                break
        else:
            merged.append(seed)
    return merged[:most]


def signed_score(
    levels: tuple[ScoreLevel, ...], seed: Seed, window: tuple[int, int, int, int]
) -> F32:
    """Largest score over the widths, signed by the seed, (H, W) float32 of a window in frame px.

    `window` is x0, y0, x1, y1 (exclusive).
    """
    x0, y0, x1, y1 = window
    best = np.full((y1 - y0, x1 - x0), -np.inf, np.float32)
    for level in levels:
        s = level.step
        rows = np.minimum(np.arange(y0, y1) // s, level.score.shape[0] - 1)
        columns = np.minimum(np.arange(x0, x1) // s, level.score.shape[1] - 1)
        best = np.maximum(best, level.score[np.ix_(rows, columns)] * seed.sign)
    return best
