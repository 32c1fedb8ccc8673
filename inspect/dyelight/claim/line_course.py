"""How straight a line that was found runs and what made it pale, traced anew in the photo's pixels.

The mask that a search cuts out is broken by the picture's own lines and as ragged as its pixels.
Here the line is unrolled along its axis, its ridge found by dynamic programming, a smooth curve
fitted to it, and the light that it adds summed across that curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..imaging import sample
from ..look import Difference
from ..look.rootlight import linear_from_root
from ..records import F32, F64, Finding, Mask

_STEP_PX = 0.5  # across the line
_LEAST_PX = 12.0
_REACH_BLURS = 4.0
_STEADY_PX = 2.0  # smoothing along the line before its ridge is sought
_BEND_COST = 0.5  # noise units that one step sideways must win
_RIDGE, _OF_USUAL = 2.0, 0.25  # a piece is of the line from so many noise units, and of its height
_DEGREE, _ROUNDS = 3, 5
_FOLLOWED_PX, _BOW_PX = 160.0, 24.0  # how far a line is followed from a place, and off its axis
_GAP_PX = 9  # a line may be broken for so long
_THROUGH, _NEVER = 3, 1e6  # columns off the place; a height that no path takes
_SHOWN = 0.5  # share of the axis on which the ridge must show
_WITHIN, _BESIDE, _FAR = 3.0, 4.5, 8.0  # blurs off the curve: the line, and the ground beside it
_MIDDLE, _HALF = 1.5, 0.5  # blurs off the curve within which the line's top lies; of its height
_STRETCH = 7  # px along the line over which added light is averaged
_DARKEST = 0.01  # reflectance
_THINNEST = 2.4  # blurs; the full width of a Gaussian at half of its height
_APART = 0.2  # sine between what light and what missing dye add, from which the photo tells them


@dataclass(frozen=True, slots=True)
class LineCourse:
    """A line as the photo shows it.

    `straightness` is the distance of its ends over the length along it (1 is straight), `length_mm`
    how long it shows. `white_share` says what made a pale line pale: 1 where white light lies on
    the print, as a cut throws it back, 0 where a share of the dye is missing, 0.5 where both
    explain it alike. `width_blurs` is its full width at half of its height, in blurs of the photo;
    2.4 for a line that is far thinner than the blur.
    """

    straightness: float
    length_mm: float
    white_share: float
    width_blurs: float = _THINNEST


def course_of(item: Finding, difference: Difference) -> LineCourse | None:
    """The course of a found line; None for one that is too short, too broken or no line."""
    if item.extent == "panel" or len(item.outline_mm) < 3:
        return None
    frame = difference.photo
    outline = difference.picture.to_photo(difference.to_artwork_mm(item.outline_mm))
    outline = outline - [frame.x0, frame.y0]
    center, (a, b), degrees = cv2.minAreaRect(outline.astype(np.float32))
    long_px, wide_px = max(a, b), min(a, b)
    if long_px < _LEAST_PX:
        return None
    turn = float(np.deg2rad(degrees if a >= b else degrees + 90))
    axis = _Axis(np.array(center, np.float64), turn, long_px / 2 + 2, wide_px / 2)
    return _traced(difference, axis, dark=item.tone == "dark")


def course_at(
    difference: Difference, at_px: tuple[float, float], turn: float, *, dark: bool
) -> LineCourse | None:
    """The course of a line that runs through a place of the photo in a direction in radians; None
    for one that is too short to have one."""
    frame = difference.photo
    axis = _Axis(np.array(at_px) - [frame.x0, frame.y0], turn, _FOLLOWED_PX, _BOW_PX)
    return _traced(difference, axis, dark=dark, from_middle=True)


@dataclass(frozen=True, slots=True)
class _Axis:
    """A straight axis in frame px: its middle (2,), direction, half its length, and how far a line
    may bow off it."""

    middle: F64
    turn: float
    half_px: float
    bow_px: float

    def at(self, t: F64, s: F64) -> F32:
        """Frame px (T, S, 2) at t (T,) along the axis and s (T, S) across it."""
        along = np.array([np.cos(self.turn), np.sin(self.turn)])
        across = np.array([-along[1], along[0]])
        at = self.middle + t[:, None, None] * along + s[..., None] * across
        return np.asarray(at, np.float32)


def _traced(
    difference: Difference, axis: _Axis, *, dark: bool, from_middle: bool = False
) -> LineCourse | None:
    """The line along an axis: all that shows of it, or what hangs together through its middle."""
    frame = difference.photo
    blur_px = max(frame.blur_px, 1.0)
    reach = axis.bow_px + _REACH_BLURS * blur_px
    t = np.arange(-np.floor(axis.half_px), axis.half_px + 0.5)
    s = np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX)
    where = axis.at(t, np.broadcast_to(s, (t.size, s.size)))
    sigma = np.maximum(sample(frame.sigma, where), np.float32(1e-4))
    seen = np.asarray(sample(frame.residual * frame.usable, where) / sigma, np.float32)
    seen = -seen if dark else seen
    steady = cv2.GaussianBlur(seen, (0, 0), blur_px / _STEP_PX / 2, sigmaY=_STEADY_PX)
    ridge = _ridge(np.asarray(steady, np.float32), int(np.abs(s).argmin()) if from_middle else None)
    height = steady[np.arange(t.size), ridge]
    usual = np.abs(t) < _LEAST_PX if from_middle else np.ones(t.size, np.bool_)
    shown = height >= max(_RIDGE, _OF_USUAL * float(np.quantile(height[usual], 0.8)))
    if from_middle:
        shown &= _middle_part(shown)
    elif shown.mean() < _SHOWN:
        return None
    if shown.sum() < _LEAST_PX:
        return None
    first, last = (int(n) for n in np.nonzero(shown)[0][[0, -1]])
    t, weight = t[first : last + 1], np.where(shown, height, 0.0)[first : last + 1]
    curve = _curve(t, s[ridge][first : last + 1], weight, blur_px)
    run = float(np.hypot(np.diff(t), np.diff(curve)).sum())
    chord = float(np.hypot(t[-1] - t[0], curve[-1] - curve[0]))
    offset = np.arange(-_FAR * blur_px, _FAR * blur_px + _STEP_PX / 2, _STEP_PX)
    where = axis.at(t, curve[:, None] + offset[None, :])
    return LineCourse(
        straightness=chord / max(run, 1e-6),
        length_mm=run / frame.px_per_mm,
        white_share=_white_share(difference, where, offset / blur_px, weight > 0),
        width_blurs=_width(difference, where, offset / blur_px, weight > 0),
    )


def _width(difference: Difference, where: F32, offset: F64, shown: Mask) -> float:
    """`width_blurs` of the line whose surroundings lie at `where` (T, S, 2), offsets in blurs."""
    # the middle of the residuals along the line: what crosses it counts for nothing
    across = np.median(sample(difference.photo.residual, where)[shown], axis=0)
    height = across - np.median(across[np.abs(offset) > _BESIDE])
    middle = np.abs(offset) <= _MIDDLE
    top = int(np.where(middle, np.abs(height), 0).argmax())
    height = height / (height[top] or 1.0)
    sides = []
    for side in (height[top:], height[top::-1]):
        under = np.flatnonzero(side <= _HALF)
        if not under.size:
            return float(np.ptp(offset))
        n = int(under[0])
        sides.append(n - 1 + float((side[n - 1] - _HALF) / (side[n - 1] - side[n])))
    return sum(sides) * float(offset[1] - offset[0])


def _middle_part(shown: Mask) -> Mask:
    """What of (T,) hangs together with its middle, over short gaps."""
    gap = np.ones((_GAP_PX, 1), np.uint8)
    closed = cv2.morphologyEx(shown.astype(np.uint8)[:, None], cv2.MORPH_CLOSE, gap)
    _, part = cv2.connectedComponents(closed)
    middle = part[part.shape[0] // 2, 0]
    return np.asarray((part[:, 0] == middle) & (middle > 0))


def _ridge(steady: F32, middle: int | None) -> NDArray[np.int64]:
    """Column of the ridge in every row of (T, S): the path of most height, sideways steps paid.

    With `middle` it must pass that column, give or take a step or two, in the middle row.
    """
    rows, columns = steady.shape
    if middle is not None:
        steady = steady.copy()
        far = np.abs(np.arange(columns) - middle) > _THROUGH
        steady[rows // 2, far] = -_NEVER
    best = steady[0].astype(np.float64)
    came = np.zeros((rows, columns), np.int64)
    index = np.arange(columns)
    for row in range(1, rows):
        padded = np.pad(best, 1, constant_values=-np.inf)
        ways = np.stack([padded[:-2] - _BEND_COST, padded[1:-1], padded[2:] - _BEND_COST])
        way = ways.argmax(axis=0)
        came[row] = index + way - 1
        best = ways[way, index] + steady[row]
    path = np.zeros(rows, np.int64)
    path[-1] = int(best.argmax())
    for row in range(rows - 1, 0, -1):
        path[row - 1] = came[row, path[row]]
    return path


def _curve(t: F64, at: F64, weight: F64, blur_px: float) -> F64:
    """A smooth curve (T,) through the ridge, which jumps where the picture's own lines cross it."""
    part = weight.copy()
    curve = at
    for _ in range(_ROUNDS):
        fit = np.polynomial.Polynomial.fit(t, at, _DEGREE, w=np.sqrt(part))
        curve = np.asarray(fit(t), np.float64)
        part = weight / np.maximum(1.0, ((at - curve) / blur_px) ** 2)
    return curve


def _white_share(difference: Difference, where: F32, offset: F64, shown: Mask) -> float:
    """`white_share` of the line whose surroundings lie at `where` (T, S, 2), offsets in blurs.

    A cut adds white light, most where the print is dark. Where dye is missing by a share, the print
    gains reflectance R ln(1 / R) times that share, in its own colours and little where it is black.
    """
    frame = difference.photo
    seen = linear_from_root(np.maximum(sample(frame.observed, where), 0))
    height, width = frame.usable.shape
    low = np.clip(np.floor(where.reshape(-1, 2).min(0)).astype(int) - 2, 0, (width - 2, height - 2))
    high = np.clip(np.ceil(where.reshape(-1, 2).max(0)).astype(int) + 3, low + 2, (width, height))
    lit = frame.lit(slice(low[1], high[1]), slice(low[0], high[0]))
    local = np.asarray(where - low.astype(np.float32), np.float32)
    due = linear_from_root(np.maximum(sample(lit, local), 0))
    within, beside = np.abs(offset) <= _WITHIN, np.abs(offset) > _BESIDE
    added = seen - due
    added = added[:, within].sum(axis=1) - within.sum() * np.median(added[:, beside], axis=1)
    ground = due[:, within].mean(axis=1)
    white = _white_at(difference, where)
    reflectance = np.clip(ground / white, _DARKEST, 1)
    ways = (1 - reflectance, reflectance * np.log(1 / reflectance))
    told = _steadied(added / white)[shown]
    left, models = [], [_steadied(way)[shown] for way in ways]
    for model in models:
        share = float((told * model).sum()) / max(float(np.square(model).sum()), 1e-12)
        left.append(float(np.square(told - max(share, 0.0) * model).sum()))
    # in a grey print both add the same colours: then the photo does not tell which it was
    alike = float((models[0] * models[1]).sum()) / max(
        float(np.sqrt(np.square(models[0]).sum() * np.square(models[1]).sum())), 1e-12
    )
    tells = min(1.0, float(np.sqrt(max(1 - alike**2, 0.0))) / _APART)
    return 0.5 + tells * (left[1] / max(left[0] + left[1], 1e-12) - 0.5)


def _white_at(difference: Difference, where: F32) -> F32:
    """Linear light (3,) of the lit white base in the middle of the line."""
    frame = difference.photo
    middle = where[where.shape[0] // 2, where.shape[1] // 2].astype(np.float64)
    at_mm = difference.picture.to_artwork((middle + np.array([frame.x0, frame.y0]))[None])
    x, y = np.rint(difference.panel.to_px(at_mm)[0]).astype(int)
    height, width = difference.white.shape[:2]
    root = difference.white[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
    return np.maximum(linear_from_root(root.copy()), np.float32(0.02))


def _steadied(values: F32) -> F32:
    """Values (T, 3) averaged along the line."""
    return np.asarray(cv2.blur(np.ascontiguousarray(values, np.float32), (1, _STRETCH)), np.float32)
