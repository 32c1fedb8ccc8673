"""What small marks the photo has at a place that the file does not: spots and lines.

One place is looked at, so that less counts here than in a search of the panel.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import as_u8, gaussian
from ..look import Difference
from ..look.render import photo_light
from ..records import F32, Mask
from .pointing import Pointed, filled

_SPOT_WIDTHS = (1.0, 2.0, 4.0)  # in blurs
_AROUND = 6.0  # reach of the surroundings, in the widest filter's widths
_LINE_PX = (12.0, 24.0)  # length of line filters, as sigma along them
_TURNS = 16
_BESIDE = 2.5  # how much wider the ground beside a mark is than the mark
_LEAST_BESIDE = 100  # px
# share of the file's own contrast that a small error of place, blur or sharpening leaves
_RENDERED = 0.12


@dataclass(frozen=True, slots=True)
class LeftOver:
    """`spot_snr`, `line_snr`: strongest compact and strongest straight difference at the place,
    over the noise; `line_tone` 1 for a pale line, -1 for a dark one."""

    spot_snr: float
    line_snr: float
    line_tone: int


@dataclass(frozen=True, slots=True)
class _Window:
    """The surroundings of a place: residual, its noise, the file's light, and where is what."""

    residual: F32
    sigma: F32
    due: F32
    usable: Mask
    inner: Mask
    blur_px: float


def left_over(difference: Difference, placed: Pointed) -> LeftOver:
    """Measure the place, which counts in the photo of `difference`."""
    window = _window(difference, placed)
    if not window.inner.any():
        return LeftOver(0.0, 0.0, 1)
    spot = max((abs(snr) for snr in _snrs(window, _spots(window.blur_px))), default=0.0)
    line = max(_snrs(window, _lines(window.blur_px)), key=abs, default=0.0)
    return LeftOver(spot, abs(line), 1 if line >= 0 else -1)


def _window(difference: Difference, placed: Pointed) -> _Window:
    frame = difference.photo
    blur_px = max(frame.blur_px, 1.0)
    place = placed.moved(-frame.x0, -frame.y0)
    around = max(_AROUND * _SPOT_WIDTHS[-1] * blur_px, _BESIDE * _LINE_PX[-1])
    reach = placed.slack_px + around
    height, width = frame.usable.shape
    x0, y0, x1, y1 = place.box_px
    rows = slice(int(np.clip(y0 - reach, 0, height)), int(np.clip(y1 + reach + 1, 0, height)))
    columns = slice(int(np.clip(x0 - reach, 0, width)), int(np.clip(x1 + reach + 1, 0, width)))
    # a bright speck may be clipped itself
    hole = 2 * int(_SPOT_WIDTHS[-1] * blur_px) + 1
    whole = cv2.morphologyEx(
        as_u8(frame.usable[rows, columns]), cv2.MORPH_CLOSE, np.ones((hole, hole), np.uint8)
    )
    usable = np.asarray(whole > 0)
    here = place.moved(-columns.start, -rows.start)
    # a mark is named by its middle: half of the slack is enough for it
    inner = filled(here.outline_px(max(0.5 * place.slack_px, blur_px)), usable.shape) & usable
    return _Window(
        residual=np.asarray(frame.residual[rows, columns] * usable, np.float32),
        sigma=frame.sigma[rows, columns],
        due=photo_light(frame.lit(rows, columns)),
        usable=usable,
        inner=inner,
        blur_px=blur_px,
    )


def _spots(blur_px: float) -> Iterator[F32]:
    """Kernels of unit sum within less a wider ground, for spots of some widths."""
    for times in _SPOT_WIDTHS:
        yield _kernel(times * blur_px, times * blur_px, 0.0, both=True)


def _lines(blur_px: float) -> Iterator[F32]:
    """Kernels for straight lines as thin as the blur, in all directions."""
    for long_px in _LINE_PX:
        for turn in np.arange(_TURNS) * np.pi / _TURNS:
            yield _kernel(long_px, blur_px, float(turn), both=False)


def _kernel(along_px: float, across_px: float, turn: float, *, both: bool) -> F32:
    """A Gaussian less one that is wider across, or wider both ways."""
    wide = _BESIDE * across_px
    far = int(np.ceil(2.5 * max(wide, along_px)))
    y, x = np.mgrid[-far : far + 1, -far : far + 1].astype(np.float64)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    mark = np.exp(-((u / along_px) ** 2 + (v / across_px) ** 2) / 2)
    ground = np.exp(-((u / (wide if both else along_px)) ** 2 + (v / wide) ** 2) / 2)
    return np.asarray(mark / mark.sum() - ground / ground.sum(), np.float32)


def _snrs(window: _Window, kernels: Iterator[F32]) -> Iterator[float]:
    """The signed response of each kernel that is strongest at the place, over its noise.

    The noise is as modelled or as scattered beside the place, whichever is more, and where the file
    has the same shape itself, a share of that.
    """
    for kernel in kernels:
        far = kernel.shape[0] // 2
        reach = 2 * int(far / 2.5) + 1
        beside = window.usable & ~(
            cv2.dilate(as_u8(window.inner), np.ones((reach, reach), np.uint8)) > 0
        )
        if beside.sum() < _LEAST_BESIDE:
            continue
        band = cv2.filter2D(window.residual, -1, kernel, borderType=cv2.BORDER_REFLECT)
        own = cv2.filter2D(window.due, -1, kernel, borderType=cv2.BORDER_REFLECT)
        scatter = 1.4826 * float(np.median(np.abs(band[beside])))
        gain = float(np.sqrt(np.square(kernel).sum()))
        flat = np.maximum(window.sigma * gain, np.float32(max(scatter, 1e-5)))
        # the residual's error lies beside an edge as well as on it
        own = gaussian(np.abs(own), window.blur_px)
        snr = band / np.hypot(flat, np.float32(_RENDERED) * own)
        here = np.where(window.inner, np.abs(snr), 0)
        yield float(snr.flat[int(here.argmax())])
