"""What small marks the photo has at a place that the file does not: spots and lines.

One place is looked at, so that less counts here than in a search of the panel.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from ..detect.shapes import picture_share
from ..imaging import as_u8, gaussian
from ..look import Difference
from ..look.render import photo_light
from ..records import F32, Mask
from .pointing import Pointed, filled

_SPOT_WIDTHS = (1.0, 2.0, 4.0, 8.0)  # in blurs
_HOLE = 4.0  # reach in blurs up to which what is not usable is a mark's own glare
_AROUND = 6.0  # reach of the surroundings, in the widest filter's widths
_LINE_PX = (12.0, 24.0)  # length of line filters, as sigma along them
_TURNS = 16
_BESIDE = 2.5  # how much wider the ground beside a mark is than the mark
_LEAST_BESIDE = 100  # px
_LOBE, _LOBE_WIDE = 5.0, 3.0  # how far a spot's other side may lie, in blurs, and in its widths
_LOBE_SMOOTH = 0.5  # of a spot's width, to read its sides at
_CUT = 2.5  # widths at which kernels end
_UNDER, _LEAST_UNDER = 0.05, 9  # share of a kernel's height that counts as under it; px
_WORTH, _PICTURE = 5.0, 0.5  # snr from which the picture is asked, and its share that explains it
# share of the file's own contrast that a small error of place, blur or sharpening leaves
_RENDERED = 0.12
_COHERENT = 0.4  # how much of what edges add is alike all over a mark


@dataclass(frozen=True, slots=True)
class LeftOver:
    """`spot_snr`, `line_snr`: strongest compact and strongest straight difference at the place,
    over the noise; `opposite_lobe` how strong a side of the other sign the spot has beside it, over
    its own; where the line is strongest (photo px), its direction in radians, and whether it is
    dark."""

    spot_snr: float = 0.0
    opposite_lobe: float = 0.0
    line_snr: float = 0.0
    line_at_px: tuple[float, float] = (0.0, 0.0)
    line_turn: float = 0.0
    line_dark: bool = False


@dataclass(frozen=True, slots=True)
class _Window:
    """The surroundings of a place: residual, its noise, the file's light, and where is what."""

    residual: F32
    sigma: F32
    coherent: F32
    due: F32
    usable: Mask
    inner: Mask
    blur_px: float
    x0: float
    y0: float


def left_over(difference: Difference, placed: Pointed) -> LeftOver:
    """Measure the place, which counts in the photo of `difference`."""
    window = _window(difference, placed)
    if not window.inner.any():
        return LeftOver()
    spots = [(*_peak(window, kernel), wide) for kernel, wide in _spots(window.blur_px)]
    spot, *spot_at, wide = max(spots, key=lambda one: abs(one[0]))
    found = [(*_peak(window, kernel), turn) for kernel, turn in _lines(window.blur_px)]
    line, row, column, turn = max(found, key=lambda one: abs(one[0]))
    at = (column + window.x0, row + window.y0)
    lobe = _opposite_lobe(window, spot_at[0], spot_at[1], wide, pale=spot > 0)
    return LeftOver(abs(spot), lobe, abs(line), at, turn, line < 0)


def _window(difference: Difference, placed: Pointed) -> _Window:
    frame = difference.photo
    blur_px = max(frame.blur_px, 1.0)
    place = placed.moved(-frame.x0, -frame.y0)
    around = max(_AROUND * _SPOT_WIDTHS[-1] * blur_px, _CUT * _LINE_PX[-1])
    reach = placed.slack_px + around
    height, width = frame.usable.shape
    x0, y0, x1, y1 = place.box_px
    rows = slice(int(np.clip(y0 - reach, 0, height)), int(np.clip(y1 + reach + 1, 0, height)))
    columns = slice(int(np.clip(x0 - reach, 0, width)), int(np.clip(x1 + reach + 1, 0, width)))
    # a bright speck may be clipped itself
    usable = _without_holes(frame.usable[rows, columns], _HOLE * blur_px)
    here = place.moved(-columns.start, -rows.start)
    # a mark is named by its middle: half of the slack is enough for it
    inner = filled(here.outline_px(max(0.5 * place.slack_px, blur_px)), usable.shape) & usable
    return _Window(
        residual=np.asarray(frame.residual[rows, columns] * usable, np.float32),
        sigma=frame.sigma[rows, columns],
        coherent=frame.coherent[rows, columns],
        due=photo_light(frame.lit(rows, columns)),
        usable=usable,
        inner=inner,
        blur_px=blur_px,
        x0=columns.start + frame.x0,
        y0=rows.start + frame.y0,
    )


def _without_holes(usable: Mask, reach_px: float) -> Mask:
    """The mask with its holes of up to twice the reach filled; a panel's edge leaves no hole."""
    _, part, boxes, _ = cv2.connectedComponentsWithStats(as_u8(~usable), connectivity=8)
    sides = boxes[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1)
    low = boxes[:, [cv2.CC_STAT_LEFT, cv2.CC_STAT_TOP]].min(axis=1)
    right = boxes[:, cv2.CC_STAT_LEFT] + boxes[:, cv2.CC_STAT_WIDTH]
    bottom = boxes[:, cv2.CC_STAT_TOP] + boxes[:, cv2.CC_STAT_HEIGHT]
    hole = (sides <= 2 * reach_px + 1) & (low > 0)
    hole &= (right < usable.shape[1]) & (bottom < usable.shape[0])
    hole[0] = False  # the first part is all that is usable
    return np.asarray(usable | hole[part])


def _spots(blur_px: float) -> Iterator[tuple[F32, float]]:
    """Kernels of unit sum within less a wider ground, for spots of some widths, and the width."""
    for wide in (times * blur_px for times in _SPOT_WIDTHS):
        yield _kernel(wide, wide, 0.0, both=True), wide


def _lines(blur_px: float) -> Iterator[tuple[F32, float]]:
    """Kernels for straight lines as thin as the blur, and the direction of each."""
    for long_px in _LINE_PX:
        for turn in np.arange(_TURNS) * np.pi / _TURNS:
            yield _kernel(long_px, blur_px, float(turn), both=False), float(turn)


def _kernel(along_px: float, across_px: float, turn: float, *, both: bool) -> F32:
    """A Gaussian less one that is wider across, or wider both ways."""
    wide = _BESIDE * across_px
    far = int(np.ceil(_CUT * max(wide, along_px)))
    y, x = np.mgrid[-far : far + 1, -far : far + 1].astype(np.float64)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    mark = np.exp(-((u / along_px) ** 2 + (v / across_px) ** 2) / 2)
    ground = np.exp(-((u / (wide if both else along_px)) ** 2 + (v / wide) ** 2) / 2)
    return np.asarray(mark / mark.sum() - ground / ground.sum(), np.float32)


def _peak(window: _Window, kernel: F32) -> tuple[float, int, int]:
    """The signed response that is strongest at the place, over its noise; its row and column.

    The noise is as modelled or as scattered beside the place, whichever is more, and where the file
    has the same shape itself, a share of that. What the file's own detail explains does not count.
    """
    far = kernel.shape[0] // 2
    reach = 2 * int(far / _CUT) + 1
    beside = window.usable & ~(
        cv2.dilate(as_u8(window.inner), np.ones((reach, reach), np.uint8)) > 0
    )
    if beside.sum() < _LEAST_BESIDE:
        return 0.0, 0, 0
    band = cv2.filter2D(window.residual, -1, kernel, borderType=cv2.BORDER_REFLECT)
    own = cv2.filter2D(window.due, -1, kernel, borderType=cv2.BORDER_REFLECT)
    scatter = 1.4826 * float(np.median(np.abs(band[beside])))
    gain = float(np.sqrt(np.square(kernel).sum()))
    flat = np.maximum(window.sigma * gain, np.float32(max(scatter, 1e-5)))
    # the residual's error lies beside an edge as well as on it
    own = gaussian(np.abs(own), window.blur_px)
    # what edges add to the noise does not average out along them
    edges = cv2.filter2D(window.coherent, -1, np.maximum(kernel, 0), borderType=cv2.BORDER_REFLECT)
    snr = band / np.sqrt(flat**2 + (_RENDERED * own) ** 2 + (_COHERENT * edges) ** 2)
    row, column = divmod(int(np.where(window.inner, np.abs(snr), 0).argmax()), snr.shape[1])
    peak = float(snr[row, column])
    if abs(peak) >= _WORTH and _of_picture(window, kernel, row, column) > _PICTURE:
        return 0.0, row, column
    return peak, row, column


def _opposite_lobe(window: _Window, row: int, column: int, wide_px: float, *, pale: bool) -> float:
    """Depth of the strongest side of the other sign near a spot, over the spot's own height."""
    # a wide dent's sides lie further apart, and less of the noise is left at their width
    smooth = gaussian(window.residual, max(window.blur_px, _LOBE_SMOOTH * wide_px))
    smooth = smooth if pale else -smooth
    reach = int(np.ceil(max(_LOBE * window.blur_px, _LOBE_WIDE * wide_px)))
    part = smooth[
        max(row - reach, 0) : row + reach + 1, max(column - reach, 0) : column + reach + 1
    ]
    # a spot's middle is where its filter answers most, its height is next to it
    top = max(float(part.max()), 1e-6)
    return max(-float(part.min()), 0.0) / top


def _of_picture(window: _Window, kernel: F32, row: int, column: int) -> float:
    """Share of what is left under a kernel that the file's own detail there would explain."""
    far = kernel.shape[0] // 2
    padded = np.zeros((window.due.shape[0] + 2 * far, window.due.shape[1] + 2 * far), np.bool_)
    padded[row : row + 2 * far + 1, column : column + 2 * far + 1] = np.abs(kernel) > (
        _UNDER * float(np.abs(kernel).max())
    )
    near = padded[far : padded.shape[0] - far, far : padded.shape[1] - far] & window.usable
    if near.sum() < _LEAST_UNDER:
        return 0.0
    return picture_share(window.residual, window.due, window.sigma, near)
