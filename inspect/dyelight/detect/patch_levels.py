"""The squared-up difference smoothed at doubling widths, in the scatter of each width.

Each pixel is weighted by its inverse variance, so that edges, where place and blur err, speak less.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from skimage.filters.rank import percentile

from ..imaging import area, enlarged, gaussian, reduced, some_of, spread, steepness
from ..look import Difference, PanelFrame
from ..look.render import photo_light
from ..ranks import median, quantile
from ..records import F32, U8, Mask

WIDE_MM = 25.0  # a wider patch is taken for the light of its neighbourhood
SIGMAS_ACROSS = 2.8  # of the filter that suits a spot
_FIRST_MM = 0.6
_EDGE_MM = 1.2
_UNSEEN_EDGE_MM = 2.2  # the print's outline may be off the metal's by its drift
_AROUND = 5  # cells of two sigmas
_BINS = 5
_LOW_SPAN = 1.12  # scatters between the 5th and 30th percentile of normal noise
_WIDE = 7  # cells
_QUARTER, _STEPS = 0.3186, 512.0  # lower quartile of |normal noise|; eight-bit steps of a ratio
# a scatter told by some 50 values is taken so many times, and not below this share of the panel's
_FEW, _CALMEST = 1.3, 0.2
_GRAIN_MM = 0.35
MOST_ENERGY = np.float32(400)  # a strong speck stands for no wide patch
_LEAST_SCATTER = 0.0008  # root light: what eight-bit steps leave after smoothing


@dataclass(frozen=True, slots=True)
class PatchView:
    """The panel frame made ready for patches, under the light of each place's wider neighbourhood.

    `expected` (H, W, 3) root light blurred to match, `slope` (H, W) its light channel's per px;
    `residual` (H, W) the light channel of photo minus expected; `due` (H, W) the light channel with
    all the detail that it should have; `weight` (H, W)
    inverse variance, zero where not `usable` (H, W); `energy` (H, W) what is left over noise,
    squared, once all that a neighbourhood may err by was forgiven: 1 for noise alone; `given_up`
    (H, W) bool where the look was so far off that there was nothing to forgive.
    """

    frame: PanelFrame
    expected: F32
    slope: F32
    residual: F32
    due: F32
    weight: F32
    usable: Mask
    energy: F32
    given_up: Mask
    blur_px: float


def patch_view(difference: Difference, ignore: Mask | None = None) -> PatchView:
    """Weigh every pixel of the panel frame; those to `ignore` (H, W) bool have no weight."""
    frame, usable = difference.panel, _usable(difference)
    if ignore is not None:
        usable &= ~ignore
    expected = difference.under_veil
    slope, residual = _in_light(frame, expected)
    blur_px = difference.photo.blur_px * frame.px_per_mm / difference.photo.px_per_mm
    return PatchView(
        frame=frame,
        expected=expected,
        slope=slope,
        residual=residual,
        due=difference.due,
        weight=_weight(slope, residual, usable),
        usable=usable,
        energy=_energy(difference.left_over, usable, frame.px_per_mm),
        # what is left of a pixel that was looked at is never nothing
        given_up=difference.left_over == 0,
        blur_px=max(blur_px, 0.5),
    )


def _usable(difference: Difference) -> Mask:
    """Where patches are looked for on the panel frame (H, W): print that shows, clear of the
    panel's rim."""
    frame = difference.panel
    edge_mm = _EDGE_MM if difference.outline_seen else _UNSEEN_EDGE_MM
    inside = frame.inside & frame.printed & (frame.edge_mm > edge_mm)
    return np.asarray(inside & ~difference.hidden)


def _weight(slope: F32, residual: F32, usable: Mask) -> F32:
    """Inverse variance (H, W) of the residual, by flat print's scatter and what slopes add."""
    slope2 = slope * slope
    sample = np.abs(some_of(residual, usable)) if usable.any() else np.zeros(1, np.float32)
    noise2 = max(1.4826 * median(sample), 0.001) ** 2
    g2 = some_of(slope2, usable) if usable.any() else np.zeros(1, np.float32)
    busy = g2 > quantile(g2, 0.8)
    ratio = (
        np.minimum(sample[busy] ** 2, 25 * noise2).mean() / max(float(g2[busy].mean()), 1e-9)
        if busy.any()
        else 0.0
    )
    weight = 1 / (noise2 + np.float32(ratio) * slope2)
    weight[~usable] = 0
    return np.asarray(weight, np.float32)


def without_veil(view: PatchView) -> PatchView:
    """The view under the panel's own light alone: a patch as wide as a neighbourhood's light would
    be taken for that light."""
    plain = view.frame.expected
    slope, residual = _in_light(view.frame, plain)
    return replace(view, expected=plain, slope=slope, residual=residual)


def _in_light(frame: PanelFrame, expected: F32) -> tuple[F32, F32]:
    """Slope (H, W) of the light channel of expected root light (H, W, 3), and how far the photo's
    light channel lies over it."""
    light = photo_light(expected)
    return steepness(light), photo_light(frame.observed) - light


def _energy(left_over: F32, usable: Mask, px_per_mm: float) -> F32:
    """Squares (H, W) of what is left over noise, summed over as much as a mottle's grain holds."""
    sigma = max(_GRAIN_MM * px_per_mm, 1.0)
    # independent noise summed under a Gaussian has 1 / (4 pi sigma^2) of its variance
    grain = gaussian(left_over * usable, sigma) * np.float32(2 * np.sqrt(np.pi) * sigma)
    return np.asarray(np.minimum(grain * grain, MOST_ENERGY), np.float32)


def darker_scatter(light: F32, busy: U8, seen: Mask) -> F32 | None:
    """Scatter (256,) float32 of a smoothed difference against how busy the picture is there.

    From the darker side of each bin alone, since reflections and pale patches may fill much of the
    lighter; never falling with business. None where too little is seen.
    """
    some = spread(seen.shape, least_step=2)
    keep = seen[some]
    sample, level = light[some][keep], busy[some][keep]
    if sample.size < 200:
        return None
    order = np.argsort(level, kind="stable")
    places, scatter = [], []
    for part in np.array_split(order, int(np.clip(sample.size // 2000, 1, _BINS))):
        low, middle = (quantile(sample[part], share) for share in (0.05, 0.3))
        places.append(median(level[part]))
        scatter.append(max((middle - low) / _LOW_SPAN, 1e-6))
    rising = np.maximum.accumulate(scatter)
    return np.interp(np.arange(256), places, rising).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Level:
    """A smoothed difference (h, w) over its scatter, on the panel frame shrunk by `step`.

    `sigma_px` is the filter's in the shrunk px, `scatter` the middle one in root light.
    """

    score: F32
    sigma_px: float
    step: int
    scatter: float


def smoothed_levels(view: PatchView, span_px: tuple[float, float] = (0.0, np.inf)) -> list[Level]:
    """Scores at doubling widths, those of them that lie over the first of `span_px` and not over
    the second."""
    return _levels(view.slope, view.residual, view.weight, view.frame.px_per_mm, span_px)


def _levels(
    slope: F32, residual: F32, weight: F32, px_per_mm: float, span_px: tuple[float, float]
) -> list[Level]:
    """As `smoothed_levels`, of the light channel's residual, weight and expected slope (H, W)."""
    levels: list[Level] = []
    if not weight.any():
        return levels
    weighted, busy_weighted = residual * weight, slope * weight
    widest_px = _widest_px(weight)
    sigma, step = _first_px(px_per_mm), 1
    while sigma * step < widest_px and sigma * step <= span_px[1]:
        if sigma * step > span_px[0]:
            level = _level(weight, weighted, busy_weighted, sigma, step)
            if level is None:
                break
            levels.append(level)
        weight, weighted, busy_weighted = (
            reduced(image, 2) for image in (weight, weighted, busy_weighted)
        )
        step *= 2
    return levels


def _first_px(px_per_mm: float) -> float:
    return max(1.5, _FIRST_MM * px_per_mm)


def _widest_px(image: F32) -> float:
    return float(min(image.shape)) / 9


def _level(weight: F32, weighted: F32, busy_weighted: F32, sigma: float, step: int) -> Level | None:
    """One width's scores of images (h, w) shrunk by `step`; None where too little is seen."""
    top, bottom = gaussian(weighted, sigma), gaussian(weight, sigma)
    top_busy = gaussian(busy_weighted, sigma)
    least = 1e-6 * float(weight.max())
    light = np.asarray(top / np.maximum(bottom, least), np.float32)
    known = weight > 0
    seen = known & (bottom > 0.02 * median(some_of(weight, known)))
    if seen.sum() < 50:
        return None
    light = _without_broad(light, seen, sigma)
    busy = np.asarray(
        cv2.convertScaleAbs(top_busy / np.maximum(bottom, least), alpha=4000.0), np.uint8
    )
    by_activity = darker_scatter(light, busy, seen)
    if by_activity is None:
        return None
    scatter = np.maximum(cv2.LUT(busy, by_activity), np.float32(_LEAST_SCATTER))
    scatter = _calmer(scatter, light, seen, sigma)
    score = light / scatter
    score[~seen] = 0
    middle_scatter = median(some_of(scatter, seen))
    return Level(np.asarray(score, np.float32), sigma, step, middle_scatter)


def _without_broad(light: F32, seen: Mask, sigma: float) -> F32:
    """A smoothed difference (H, W) less the median of what lies around, some five patches wide.

    Light that is off over a wide place hides no spot within it, and a median does not dip beside a
    strong patch as a mean would. Where too little lies around, the whole panel's darker side, to
    which glare adds nothing, stands for it.
    """
    sample = some_of(light, seen)
    low, middle = quantile(sample, 0.05), quantile(sample, 0.3)
    ground = middle + 0.4 * (middle - low) / _LOW_SPAN
    height, width = light.shape
    cells = (int(width / (2 * sigma)), int(height / (2 * sigma)))
    if min(cells) < 2 * _AROUND:
        return light - np.float32(ground)
    filled = np.where(seen, light, np.float32(ground))
    around = cv2.medianBlur(area(filled, cells), _AROUND)
    return np.asarray(light - enlarged(np.asarray(around, np.float32), (width, height)))


def _calmer(scatter: F32, light: F32, seen: Mask, sigma: float) -> F32:
    """The scatter (H, W) expected of a smoothed difference, less where its surroundings are calm.

    Glare and uneven light raise the scatter of a wide filter over the whole panel, though most of
    the panel lies outside them. The calmer quarter of what lies around, some seven patches wide,
    leaves out the patch itself and a reflection beside it. All is taken relative to what the
    picture's business lets expect, so that white paper does not make calm letters of those on it.
    It rests on few values and so is not believed below a share of the whole.
    """
    height, width = light.shape
    cells = (int(width / (2 * sigma)), int(height / (2 * sigma)))
    if min(cells) < _WIDE:
        return scatter
    relative = np.where(seen, np.abs(light) / scatter, np.float32(1))
    drawn = cv2.resize(np.asarray(relative, np.float32), cells, interpolation=cv2.INTER_NEAREST)
    steps = cv2.convertScaleAbs(drawn, alpha=_STEPS)
    ring = np.ones((_WIDE, _WIDE), np.uint8)
    quarter = percentile(steps, ring, p0=0.25)  # type: ignore[no-untyped-call]  # unannotated there
    calm = np.clip(quarter.astype(np.float32) * np.float32(_FEW / (_QUARTER * _STEPS)), _CALMEST, 1)
    local = scatter * enlarged(np.asarray(calm, np.float32), (width, height))
    return np.asarray(np.maximum(local, np.float32(_LEAST_SCATTER)), np.float32)


def spot_scatter(difference: Difference, diameter_mm: float) -> float | None:
    """Scatter in root light of the difference smoothed as suits a spot this wide."""
    frame = difference.panel
    slope, residual = _in_light(frame, difference.under_veil)
    wanted = diameter_mm / SIGMAS_ACROSS * frame.px_per_mm
    widths = _first_px(frame.px_per_mm) * 2.0 ** np.arange(16)
    widths = widths[widths < _widest_px(residual)]
    if not len(widths):
        return None
    only = float(widths[np.argmin(np.abs(np.log(widths / wanted)))])
    weight = _weight(slope, residual, _usable(difference))
    levels = _levels(slope, residual, weight, frame.px_per_mm, (0.75 * only, only))
    return levels[0].scatter if levels else None
