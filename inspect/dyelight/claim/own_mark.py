"""What the file itself has at a place, and how nearly the photo shows the same."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import as_u8, gaussian
from ..look import Difference
from ..look.render import photo_light
from ..records import F32, Mask
from .pointing import Pointed, filled

_WIDTHS = (1.0, 2.0, 4.0, 8.0)  # filter widths, in blurs, at which the file's own marks are sought
_AROUND = 7.0  # reach of the surroundings, in filter widths
_MARK = 2.5  # reach of a mark about its middle, in filter widths
_GROUND = 1.6  # how much wider the ground beside a mark is than the mark
_LEAST_NOISE = 0.002  # root light; about an eight-bit step
_LEAST_BESIDE = 50  # px


@dataclass(frozen=True, slots=True)
class OwnMark:
    """The file's own detail at a place; what each value means stands at `Look`."""

    likeness: float = 0.0
    file_snr: float = 0.0
    unlike: float = 0.0
    stands_out: float = 0.0
    mark_snr: float = 0.0
    mark_likeness: float = 0.0


def own_mark(difference: Difference, placed: Pointed) -> OwnMark:
    """Measure the place, which counts in the photo of `difference`; all 0 where nothing is seen."""
    frame = difference.photo
    blur_px = max(frame.blur_px, 1.0)
    height, width = frame.usable.shape
    place = placed.moved(-frame.x0, -frame.y0)
    x0, y0, x1, y1 = place.box_px
    reach = _AROUND * _WIDTHS[-1] * blur_px
    rows = slice(int(np.clip(y0 - reach, 0, height)), int(np.clip(y1 + reach + 1, 0, height)))
    columns = slice(int(np.clip(x0 - reach, 0, width)), int(np.clip(x1 + reach + 1, 0, width)))
    usable = frame.usable[rows, columns]
    if min(usable.shape) < 4 or not usable.any():
        return OwnMark()
    due = photo_light(frame.lit(rows, columns))
    seen = photo_light(frame.observed[rows, columns])
    here = place.moved(-columns.start, -rows.start)
    near = filled(here.outline_px(place.slack_px + 3 * blur_px), usable.shape) & usable
    if near.sum() < 9:
        return OwnMark()
    noise = max(float(np.median(frame.sigma[rows, columns][near])), _LEAST_NOISE)
    a, b = seen[near] - seen[near].mean(), due[near] - due[near].mean()
    likeness = float(np.sum(a * b) / max(float(np.sqrt(np.sum(a * a) * np.sum(b * b))), 1e-9))
    inner = filled(here.outline_px(), usable.shape) & usable
    stands_out, mark_snr, mark_likeness = _strongest(seen, due, inner, usable, blur_px, noise)
    return OwnMark(
        likeness=likeness,
        file_snr=float(due[near].std()) / noise,
        # a change of contrast alone is the neighbourhood's light
        unlike=float(np.std(a)) * float(np.sqrt(max(1 - likeness**2, 0.0))) / noise,
        stands_out=stands_out,
        mark_snr=mark_snr,
        mark_likeness=mark_likeness,
    )


def _strongest(
    seen: F32, due: F32, inner: Mask, usable: Mask, blur_px: float, noise: float
) -> tuple[float, float, float]:
    """`stands_out`, `mark_snr` and `mark_likeness` of the mark that stands out most."""
    best = (0.0, 0.0, 0.0)
    if not inner.any():
        return best
    for width in _WIDTHS:
        sigma = width * blur_px
        expected = _band(due, sigma)
        height = np.abs(expected)
        beside = usable & _grown(inner, _AROUND * sigma) & ~_grown(inner, 2 * sigma)
        if beside.sum() < _LEAST_BESIDE:
            continue
        usual = float(np.sqrt(np.mean(np.square(height[beside]))))
        # a mark fainter than the noise of its own width is not seen by anybody
        flat = noise / (2 * np.sqrt(np.pi) * sigma)
        peak = int(np.where(inner, height, 0).argmax())
        ratio = float(height.flat[peak]) / max(usual, 3 * flat)
        if ratio > best[0]:
            shown = _band(seen, sigma)
            scatter = 1.4826 * float(np.median(np.abs((shown - expected)[beside])))
            row, column = divmod(peak, inner.shape[1])
            disc = np.zeros(inner.shape, np.uint8)
            cv2.circle(disc, (column, row), int(np.ceil(_MARK * sigma)), 1, -1)
            mark = (disc > 0) & usable
            floor = max(flat, scatter)
            best = (
                ratio,
                float(height.flat[peak]) / floor,
                _likeness(shown[mark], expected[mark], floor),
            )
    return best


def _band(light: F32, sigma: float) -> F32:
    """Light (H, W) at a spot of width sigma over its ground."""
    return np.asarray(gaussian(light, sigma) - gaussian(light, _GROUND * sigma), np.float32)


def _grown(mask: Mask, reach: float) -> Mask:
    size = 2 * int(reach) + 1
    return np.asarray(cv2.dilate(as_u8(mask), np.ones((size, size), np.uint8)) > 0)


def _likeness(shown: F32, expected: F32, noise: float) -> float:
    """Correlation of what is shown with what is expected, less what noise alone takes from it.

    Noise adds to the variance of what is shown and nothing to the covariance (Spearman's correction
    for attenuation, American Journal of Psychology 15, 1904).
    """
    a, b = shown - shown.mean(), expected - expected.mean()
    own = float(np.mean(b * b))
    both = float(np.mean(a * b))
    clean = max(float(np.mean(a * a)) - noise**2, both**2 / max(own, 1e-12), 1e-12)
    return float(np.clip(both / np.sqrt(max(own, 1e-12) * clean), -1, 1))
