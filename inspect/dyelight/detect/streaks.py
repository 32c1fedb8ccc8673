"""Streaks: thin parallel lines over the whole print, where nozzles gave no ink.

One line may be far under the noise of a pixel. Its mean over the panel's whole width is not: the
difference is averaged along the rows, or the columns, of the squared-up panel, segment by segment,
and a line counts where the segments agree (a matched filter for what printing does along one axis).
What the picture itself has along that axis is allowed for by how steep its own mean is there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import maximum_filter, median_filter

from ..colour import ciede2000, lab_from_linear
from ..imaging import some_of
from ..look import Difference
from ..look.panel_frame import gradient
from ..look.render import photo_light
from ..look.rootlight import linear_from_root
from ..ranks import median, quantile
from ..records import F32, F64, Candidate
from .shapes import is_mark

_SEGMENTS = 8
_LEAST_SEGMENTS = 5
_WIDE_MM = 1.6  # streaks are thinner; the light between two is smoother
_EDGE_MM = 1.5
_LEAST_SCORE = 7.0  # over the noise of the mean of all segments
_LEAST_WITHOUT = 4.5  # and still so without the segment that says most
_AGREE = 0.7
_LEAST_LINES = 3
_MOST_ALIKE = 10.0  # times the middle line's change
_APART_MM = 0.8
# of a line's own contrast, and how far that and a sharpened edge's halo reach
_OFF_SHARE, _BESIDE_PX, _HALO_PX = 0.15, 3, 5
_SHIFT_PX = 0.4  # by which the picture's own edges may be off on the panel frame
_LEAST_NOISE = 0.0003  # root light, of a segment's mean
_ON_LINE_MM = 0.6
_DRAWN_OUT = 3.0
_STRONGER = 2.0


@dataclass(frozen=True, slots=True)
class _Lines:
    """Lines across one axis: places in frame px, scores, and the change in root light (N, 3)."""

    at: F64
    score: F64
    change: F64
    width_px: float


def find_streaks(
    difference: Difference, _found: tuple[Candidate, ...] = ()
) -> tuple[Candidate, ...]:
    """At most one candidate of the family `panel`: all the streaks along one axis.

    `features`: `count`, `straightness`, `width_mm` (median), `length_mm`, `snr` (of the strongest
    line), `delta_e00`, `delta_l`. The outline runs along one line after the other, to and fro.
    """
    frame = difference.panel
    usable = frame.inside & frame.printed & ~difference.hidden & (frame.edge_mm > _EDGE_MM)
    residual = frame.observed - frame.expected
    slope = gradient(frame.expected)
    flat = max(median(some_of(slope, usable)), 0.002) if usable.any() else 0.002
    weight = usable / (1 + np.square(slope / np.float32(4 * flat)))
    weight = weight.astype(np.float32)
    weights = cv2.merge([weight] * 3)
    residual *= weights
    expected = frame.expected * weights
    light = photo_light(frame.expected)
    best: tuple[float, int, _Lines] | None = None
    for axis in (0, 1):
        edge = np.asarray(cv2.absdiff(light, np.roll(light, 1, axis)) * usable, np.float32)
        lines = _lines(residual, expected, weight, edge, frame.px_per_mm, axis)
        if lines is not None and (best is None or float(lines.score.sum()) > best[0]):
            best = float(lines.score.sum()), axis, lines
    return () if best is None else (_candidate(difference, best[1], best[2]),)


def is_comb(candidate: Candidate) -> bool:
    """Whether a candidate is the streaks along one axis, not a change of the panel's colour."""
    return candidate.family == "panel" and "count" in candidate.features


def without_streaks(found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates without marks and patches drawn out along a streak that was found, and hardly
    stronger than it: a scratch may lie along faint streaks."""
    combs = [c for c in found if is_comb(c)]
    return [
        c
        for c in found
        if not (is_mark(c) or c.family == "patch") or not any(_on_comb(c, comb) for comb in combs)
    ]


def _on_comb(candidate: Candidate, comb: Candidate) -> bool:
    if candidate.delta_e00 > _STRONGER * comb.features["peak_de00"]:
        return False
    # the outline's corners come in pairs along each line
    ends = comb.outline_mm.reshape(-1, 2, 2)
    along = 0 if abs(ends[0, 1, 0] - ends[0, 0, 0]) > abs(ends[0, 1, 1] - ends[0, 0, 1]) else 1
    x0, y0, x1, y1 = candidate.box_mm
    size = (x1 - x0, y1 - y0)
    if size[along] < _DRAWN_OUT * size[1 - along]:
        return False
    places = ends[:, :, 1 - along].mean(axis=1)
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)[1 - along]
    return bool(np.abs(places - middle).min() < _ON_LINE_MM)


def _segment_sums(image: F32, axis: int) -> F64:
    """Sums of an image (H, W) or (H, W, C) along its rows, or with axis 1 its columns, of each
    segment: (segments, H or W), or with C at the end."""
    starts = np.arange(_SEGMENTS) * image.shape[1 - axis] // _SEGMENTS
    sums = np.add.reduceat(image, starts, axis=1 - axis)
    return np.asarray(sums if axis else sums.swapaxes(0, 1), np.float64)


def _lines(
    residual: F32, expected: F32, weight: F32, edge: F32, px_per_mm: float, axis: int = 0
) -> _Lines | None:
    """Lines along the rows, or with axis 1 the columns, of images (H, W, 3) that were multiplied
    with their weight (H, W); None where there are too few. `edge` (H, W) is how much the expected
    light changes from one line of pixels to the next."""
    total = _segment_sums(weight, axis)
    known = total > 0.25 * median(total[total > 0]) if (total > 0).any() else total > 0
    if known.sum(axis=0).max() < _LEAST_SEGMENTS:
        return None
    safe = np.maximum(total, 1e-6)[..., None]
    mean = _segment_sums(residual, axis) / safe
    due = _segment_sums(expected, axis) / safe
    size = 2 * max(2, round(0.5 * _WIDE_MM * px_per_mm)) + 1
    mean[~known], due[~known] = 0, 0
    mean -= median_filter(mean, (1, size, 1), mode="nearest")
    # the picture's own lines, a little off their place or contrast, are no streaks; nor is what a
    # camera's sharpening leaves beside edges that go along, rising here and falling there
    steep = np.abs(np.gradient(due, axis=1))
    own = np.abs(due - median_filter(due, (1, size, 1), mode="nearest"))
    own = maximum_filter(own, (1, _BESIDE_PX, 1), mode="nearest")
    edges = _segment_sums(edge, axis) * (_SEGMENTS / edge.shape[1 - axis])
    edges -= median_filter(edges, (1, size), mode="nearest")
    edges = maximum_filter(edges, (1, _HALO_PX), mode="nearest")
    steep = maximum_filter(steep, (1, _HALO_PX, 1), mode="nearest")
    off = _SHIFT_PX * (steep + edges[..., None]) + _OFF_SHARE * own
    mean = np.sign(mean) * np.maximum(np.abs(mean) - off, 0)
    noise = np.array(
        [
            [
                max(1.4826 * median(np.abs(mean[s, known[s], c])), _LEAST_NOISE)
                if known[s].any()
                else 1.0
                for c in range(3)
            ]
            for s in range(_SEGMENTS)
        ]
    )
    score = mean / noise[:, None, :] * known[..., None]
    count = np.maximum(known.sum(axis=0), 1)
    channel = np.abs(score.sum(axis=0)).argmax(axis=1)
    told = np.take_along_axis(score, channel[None, :, None], axis=2)[..., 0]
    joint = told.sum(axis=0) / np.sqrt(count)
    sign = np.sign(joint)
    most = np.abs(told).max(axis=0)
    without = (np.abs(told.sum(axis=0)) - most) / np.sqrt(np.maximum(count - 1, 1))
    agree = ((told * sign > 0.5) & known).sum(axis=0) / count
    good = (np.abs(joint) > _LEAST_SCORE) & (without > _LEAST_WITHOUT) & (agree >= _AGREE)
    good &= count >= _LEAST_SEGMENTS
    at = _peaks(np.abs(joint) * good, max(1, round(_APART_MM * px_per_mm)))
    if len(at) < _LEAST_LINES:
        return None
    weights = total / np.maximum(total.sum(axis=0), 1e-6)
    change = np.einsum("sh,shc->hc", weights, mean)
    strength = np.take_along_axis(np.abs(change), channel[:, None], axis=1)[:, 0]
    # streaks are alike; a bare strip or a scratch along the axis is none of them
    at = at[strength[at] < _MOST_ALIKE * median(strength[at])]
    if len(at) < _LEAST_LINES:
        return None
    wide = [int((strength[max(y - 4, 0) : y + 5] > 0.5 * strength[y]).sum()) for y in at]
    return _Lines(at.astype(np.float64), np.abs(joint)[at], change[at], float(np.median(wide)))


def _peaks(score: F64, apart: int) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Places of the largest scores, none nearer than `apart` to a larger one, in order."""
    left = score.copy()
    out: list[int] = []
    while left.max() > 0:
        y = int(left.argmax())
        out.append(y)
        left[max(y - apart, 0) : y + apart + 1] = 0
    return np.array(sorted(out), np.intp)


def _candidate(difference: Difference, axis: int, lines: _Lines) -> Candidate:
    art, frame = difference.artwork, difference.panel
    sides = (art.width_mm, art.height_mm)
    along, across = sides[axis], sides[1 - axis]
    px = np.zeros((len(lines.at), 2))
    px[:, 1 - axis] = lines.at
    px[:, axis] = (along / 2 + frame.margin_mm) * frame.px_per_mm
    places = np.clip(difference.to_panel_mm(frame.to_mm(px))[:, 1 - axis], 0, across)
    ends = np.zeros((len(places), 2, 2))
    ends[:, :, 1 - axis] = places[:, None]
    ends[::2, 1, axis] = along
    ends[1::2, 0, axis] = along
    outline = ends.reshape(-1, 2)
    rows = np.clip(np.rint(lines.at).astype(int), 0, frame.expected.shape[axis] - 1)
    due = frame.expected[rows] if axis == 0 else frame.expected[:, rows].swapaxes(0, 1)
    due = np.maximum(due[:, ::5], 0).astype(np.float32)
    seen = np.maximum(due + lines.change[:, None, :].astype(np.float32), 0)
    lab_due = lab_from_linear(np.clip(linear_from_root(due), 0, 1).reshape(-1, 3))
    lab_seen = lab_from_linear(np.clip(linear_from_root(seen), 0, 1).reshape(-1, 3))
    delta = ciede2000(lab_seen, lab_due)
    width_mm = lines.width_px / frame.px_per_mm
    features = {
        "count": float(len(places)),
        "straightness": 1.0,
        "width_mm": width_mm,
        "length_mm": along,
        "snr": float(lines.score.max()),
        "delta_e00": float(delta.mean()),
        "peak_de00": quantile(delta, 0.98),
        "delta_l": float((lab_seen - lab_due)[:, 0].mean()),
        "area_mm2": width_mm * along * len(places),
    }
    return Candidate(
        family="panel",
        center_mm=(art.width_mm / 2, art.height_mm / 2),
        box_mm=(0.0, 0.0, art.width_mm, art.height_mm),
        outline_mm=outline,
        area_mm2=features["area_mm2"],
        delta_e00=features["delta_e00"],
        snr=features["snr"],
        tone="light" if features["delta_l"] > 0 else "dark",
        features=features,
        extent="panel",
    )
