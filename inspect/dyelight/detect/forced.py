"""Whether one photo shows what another photo of the same panel saw: forced photometry.

At the place where another photo saw something, the difference within its outline is held against
that in the annulus around it. The same sum taken at places nearby gives its noise, whatever the
noise comes from: the camera, edges of the picture, or soft reflections. Places lie in artwork mm,
which both photos know from the picture far better than from the panel's outline.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from ..imaging import area
from ..look import Difference
from ..look.render import photo_light
from ..records import F32, F64, Candidate, Capture, Mask, PictureMap
from .patch_levels import WIDE_MM
from .shapes import is_mark

# unnoticed: nothing can be measured there, but a detector would have found such a thing
Shown = Literal["shown", "absent", "unnoticed", "unsure"]

_EDGE_MM = 0.8
_APERTURE = 1.5  # blurs by which an outline grows to hold what the blur spreads
_TEMPLATE_PX = 24  # larger things are measured on a smaller grid
_LEAST_SEEN = 0.7
_LEAST_AROUND = 0.3
_PLACES = 4.0  # places beside each other that noise can be read from
_SURE = 3.0
_TOLD = 2.0  # a photo's own flux under this says nothing of what another should show
_WOULD_SHOW = 4.0  # signal over noise from which on a photo plainly would have shown it
_HALF = 0.5
_LIGHT_SHARE = 0.2  # of the panel's short side: what is wider may be light
_CLEARLY = 3.0  # times as strong as what a photo finds nine times in ten
_SPOT_MM, _SPECK_DE00 = 5.0, 6.0  # what a photo's limits of sight are stated for


@dataclass(frozen=True, slots=True)
class Layer:
    """A photo's difference (H, W) float16, root light over the lit white's, and where it can be
    judged (H, W) bool. `to_px` takes artwork mm (N, 2) to its pixels."""

    residual: NDArray[np.float16]
    usable: Mask
    px_per_mm: float
    blur_px: float
    to_px: Callable[[F64], F64]


@dataclass(frozen=True, slots=True)
class Layers:
    """`fine` for marks, in the photo's own pixels; for patches, on the squared-up panel, `near`
    under the light of their neighbourhood and for wider ones `broad` without.

    `off_metal` (H, W) bool on the squared-up panel: the photo shows that no metal is there. The
    limits of sight are those of `Capture`.
    """

    fine: Layer
    near: Layer
    broad: Layer
    off_metal: Mask
    short_side_mm: float
    smallest_speck_mm: float | None
    faintest_spot_de00: float | None

    @classmethod
    def of(cls, difference: Difference, capture: Capture, *, outline_seen: bool) -> Layers:
        """What is kept of a difference: some 3 bytes a photo pixel."""
        photo, panel = difference.photo, difference.panel
        white = photo_light(difference.white)
        inside = panel.inside & panel.printed
        level = float(np.median(white[inside])) if inside.any() else 1.0
        fine = Layer(
            _in_whites(photo.residual, np.float32(max(level, 0.1))),
            photo.usable,
            photo.px_per_mm,
            photo.blur_px,
            _in_photo(difference.picture, np.array([photo.x0, photo.y0])),
        )
        seen, lit = photo_light(panel.observed), np.maximum(white, np.float32(0.1))
        usable = inside & ~difference.hidden & (panel.edge_mm > _EDGE_MM)
        near, broad = (
            Layer(
                _in_whites(seen - photo_light(expected), lit),
                usable,
                panel.px_per_mm,
                max(photo.blur_px * panel.px_per_mm / photo.px_per_mm, 0.5),
                _on_panel(panel.px_per_mm, panel.margin_mm),
            )
            for expected in (difference.under_veil, panel.expected)
        )
        off_metal = panel.in_photo & (panel.edge_mm < 0)
        return cls(
            fine,
            near,
            broad,
            off_metal if outline_seen else np.zeros_like(off_metal),
            min(difference.artwork.width_mm, difference.artwork.height_mm),
            capture.smallest_speck_mm,
            capture.faintest_spot_de00,
        )

    def wide(self, candidate: Candidate) -> bool:
        """Whether a candidate is so wide that it may be light: a fifth of the short side."""
        diameter = candidate.features.get("eq_diameter_mm", 0.0)
        return diameter > _LIGHT_SHARE * self.short_side_mm

    def for_candidate(self, candidate: Candidate) -> Layer:
        """The layer that a mark or patch is measured on."""
        if is_mark(candidate):
            return self.fine
        wide = candidate.features.get("eq_diameter_mm", 0.0) > WIDE_MM
        return self.broad if wide else self.near


def _in_whites(residual: F32, white: F32 | np.float32) -> NDArray[np.float16]:
    out = np.empty(residual.shape, np.float16)
    # straight into the result: a photo of 12 MP has no room for one more copy
    np.divide(residual, white, out=out, casting="unsafe")
    return out


def _in_photo(picture: PictureMap, origin_px: F64) -> Callable[[F64], F64]:
    return lambda mm: np.asarray(picture.to_photo(mm) - origin_px)


def _on_panel(px_per_mm: float, margin_mm: float) -> Callable[[F64], F64]:
    return lambda mm: np.asarray((mm + margin_mm) * px_per_mm - 0.5)


@dataclass(frozen=True, slots=True)
class Flux:
    """Difference summed over an outline, in lit whites times mm2, and its standard error."""

    value: float
    error: float


def flux(layer: Layer, outline_mm: F64, slack_mm: float, sign: int = 0) -> Flux | None:
    """The flux within an outline (N, 2) in artwork mm; None where the photo cannot tell.

    The place may be off by `slack_mm`: the strongest of `sign` within it counts (0: either sign).
    """
    points = layer.to_px(outline_mm)
    low, high = points.min(0), points.max(0)
    grow = _APERTURE * layer.blur_px
    size = float((high - low).max()) + 2 * grow + 1
    step = max(1, round(size / _TEMPLATE_PX))
    margin = 2 * size + 4 * step
    height, width = layer.usable.shape
    x0, y0 = (int(max(v - margin, 0)) for v in low)
    x1, y1 = int(min(high[0] + margin, width)), int(min(high[1] + margin, height))
    small = ((x1 - x0) // step, (y1 - y0) // step)
    if min(small) < 5:
        return None
    cut = (slice(y0, y0 + small[1] * step), slice(x0, x0 + small[0] * step))
    seen = layer.usable[cut].astype(np.float32)
    light = layer.residual[cut].astype(np.float32) * seen
    seen, light = area(seen, small), area(light, small)
    places = (points - np.array([x0, y0]) + 0.5) / step - 0.5
    aperture, around, (cx, cy) = _templates(places, grow / step)
    if not (0 <= cx < small[0] and 0 <= cy < small[1]):
        return None
    contrast, valid = _contrast(light, seen, aperture, around)
    reach = round(slack_mm * layer.px_per_mm / step)
    near = (
        slice(max(cy - reach, 0), cy + reach + 1),
        slice(max(cx - reach, 0), cx + reach + 1),
    )
    if not valid[near].any():
        return None
    # what lies under the aperture at its own place is no noise
    beside = valid.copy()
    rows, columns = aperture.shape
    beside[max(cy - rows, 0) : cy + rows + 1, max(cx - columns, 0) : cx + columns + 1] = False
    if beside.sum() < _PLACES * aperture.sum():
        return None
    level = contrast[beside]
    noise = 1.4826 * float(np.median(np.abs(level - np.median(level))))
    here = contrast[near][valid[near]]
    best = here[np.argmax(here * sign if sign else np.abs(here))]
    mm2 = float(aperture.sum()) * (step / layer.px_per_mm) ** 2
    return Flux(float(best) * mm2, max(noise, 1e-5) * mm2)


def _templates(places: F64, grow: float) -> tuple[F32, F32, tuple[int, int]]:
    """Aperture and annulus of an outline (N, 2) in px, and the pixel that their middle lies on."""
    gap = 1 + round(grow)
    beyond = gap + max(2, round(0.35 * float(np.ptp(places, axis=0).max())))
    low = np.floor(places.min(0)).astype(int)
    high = np.ceil(places.max(0)).astype(int)
    half = (high - low + 1) // 2 + beyond + 1
    middle = (low + high) // 2
    mask = np.zeros((2 * half[1] + 1, 2 * half[0] + 1), np.uint8)
    drawn = np.rint((places - middle + half) * 16).astype(np.int32)
    cv2.fillPoly(mask, [drawn], 1, shift=4)
    cv2.polylines(mask, [drawn], True, 1, shift=4)
    aperture = cv2.dilate(mask, _disc(round(grow)))
    inner, outer = cv2.dilate(aperture, _disc(1)), cv2.dilate(aperture, _disc(beyond - gap + 1))
    ring = (outer > 0) & (inner == 0)
    at = (int(middle[0]), int(middle[1]))
    return aperture.astype(np.float32), ring.astype(np.float32), at


def _disc(radius: int) -> NDArray[np.uint8]:
    size = 2 * max(radius, 0) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _contrast(light: F32, seen: F32, aperture: F32, around: F32) -> tuple[F32, Mask]:
    """Mean within the aperture less that of the annulus, at every place, and where it is known."""

    def summed(image: F32, template: F32) -> F32:
        out = cv2.filter2D(image, -1, template, borderType=cv2.BORDER_CONSTANT)
        return np.asarray(out, np.float32)

    within, beside = summed(seen, aperture), summed(seen, around)
    valid = (within > _LEAST_SEEN * aperture.sum()) & (beside > _LEAST_AROUND * around.sum())
    inner = summed(light, aperture) / np.maximum(within, np.float32(0.5))
    outer = summed(light, around) / np.maximum(beside, np.float32(0.5))
    return np.asarray(inner - outer, np.float32), np.asarray(valid)


@dataclass(frozen=True, slots=True)
class Second:
    """What another photo says of a mark or patch, and by what factor that changes its SNR."""

    word: Shown
    factor: float = 1.0


def second_look(
    candidate: Candidate, own: Layers, other: Layers, outline_mm: F64, slack_mm: float
) -> Second:
    """Whether another photo shows a mark or patch that its own photo saw.

    Absent: the other photo holds less than half of it by two standard errors and would have shown
    it with an SNR of four at least; or no metal is there. Unnoticed: no flux can be had, but the
    place is in sight, and the candidate is far above the photo's limits of sight or so wide that it
    may be light. The factor takes the SNR of one flux to that of the weighted mean of both.
    `outline_mm` (N, 2) is the candidate's outline in artwork mm.
    """
    if _share(other.off_metal, other.broad.to_px(outline_mm)) > _HALF:
        return Second("absent")
    mine = flux(own.for_candidate(candidate), outline_mm, slack_mm)
    sign = 0 if mine is None else 1 if mine.value > 0 else -1
    theirs = flux(other.for_candidate(candidate), outline_mm, slack_mm, sign)
    if mine is None or theirs is None or abs(mine.value) < _TOLD * mine.error:
        return _by_sight(candidate, other, outline_mm)
    share, error = theirs.value / mine.value, theirs.error / abs(mine.value)
    own_error = mine.error / abs(mine.value)
    weight, own_weight = error**-2, own_error**-2
    factor = (own_weight + share * weight) / np.sqrt(own_weight + weight) * own_error
    if share >= _HALF and share > _SURE * error:
        return Second("shown", float(factor))
    if share + 2 * error < _HALF and error * _WOULD_SHOW < 1:
        return Second("absent", float(factor))
    return Second("unsure", float(factor))


def _by_sight(candidate: Candidate, other: Layers, outline_mm: F64) -> Second:
    """What it says that another photo had the place in sight, where its flux cannot be measured."""
    layer = other.for_candidate(candidate)
    if _share(layer.usable, layer.to_px(outline_mm)) < _LEAST_SEEN:
        return Second("unsure")
    # what is as wide as light itself is the panel's only where it comes again under other light
    if other.wide(candidate) or _times_the_limit(candidate, other) > _CLEARLY:
        return Second("unnoticed")
    # as if the other photo had shown nothing: with it or without, the bar must be passed
    return Second("unsure", float(np.sqrt(0.5)))


def _share(mask: Mask, points_px: F64) -> float:
    """Share of an outline's (N, 2) inside that a mask holds; what lies off the mask is not held."""
    low = np.floor(points_px.min(0)).astype(int)
    size = np.ceil(points_px.max(0)).astype(int) - low + 1
    drawn = np.zeros((size[1], size[0]), np.uint8)
    corners = np.rint(points_px - low).astype(np.int32)
    cv2.fillPoly(drawn, [corners], 1)
    rows, columns = np.nonzero(drawn)
    rows, columns = rows + low[1], columns + low[0]
    height, width = mask.shape
    there = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    held = int(mask[rows[there], columns[there]].sum())
    return held / max(int(rows.size), 1)


def _times_the_limit(candidate: Candidate, other: Layers) -> float:
    """How many times as strong a candidate is as what a photo finds nine times in ten."""
    wide = candidate.features["eq_diameter_mm"]
    if not is_mark(candidate):
        faintest = other.faintest_spot_de00
        return 0.0 if not faintest else candidate.delta_e00 / faintest * min(wide / _SPOT_MM, 1.0)
    smallest = other.smallest_speck_mm
    if not smallest:
        return 0.0
    across = wide / smallest
    return candidate.delta_e00 / _SPECK_DE00 * min(across * across, across)
