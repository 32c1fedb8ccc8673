"""Image operations of OpenCV under plain names, with the types that this package works in."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from .records import F32, U8, Mask

# coordinates stand in one map; the stubs do not know that the other may be left out
_NO_MAP: Any = None
_ALL = np.ones((1, 3), np.float32)
_PLENTY, _FEW = 60_000, 1_000
_FINE_SIGMA = 1.6  # px; a Gaussian twice that wide is worked out on larger pixels
_RIM_PX = 3
_LINE = 16  # floats in a line of the processor's cache


def gaussian(image: F32, sigma: float, size: int = 0) -> F32:
    """An image (H, W) or (H, W, C) under a Gaussian of `sigma` px; `size` is the kernel's odd
    width, 0 for as wide as it takes. The border's pixels go on outside.

    A wide one leaves nothing fine, so it is worked out on a pyramid (Burt and Adelson, IEEE Trans.
    Communications 31(4), 1983): to within a thousandth of the image's range.
    """
    if size == 0 and sigma > 2 * _FINE_SIGMA:
        return _wide_gaussian(image, sigma)
    out = cv2.GaussianBlur(image, (size, size), sigma, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def _wide_gaussian(image: F32, sigma: float) -> F32:
    """As `gaussian`, on pixels twice as large, or four times and so on."""
    height, width = image.shape[:2]
    count = int(np.log2(sigma / _FINE_SIGMA))
    # drawing up again would mirror the image at its border
    rim = _RIM_PX << count
    small = cv2.copyMakeBorder(image, rim, rim, rim, rim, cv2.BORDER_REPLICATE)
    sizes, left = [], sigma**2
    for k in range(count):
        sizes.append((small.shape[1], small.shape[0]))
        small = cv2.pyrDown(small, borderType=cv2.BORDER_REPLICATE)
        # down and up again each are a Gaussian of one px themselves
        left -= 2 * 4**k
    narrow = float(np.sqrt(left)) / 2**count
    wide = cv2.GaussianBlur(small, (0, 0), narrow, borderType=cv2.BORDER_REPLICATE)
    for size in reversed(sizes):
        wide = cv2.pyrUp(wide, dstsize=size)
    return np.asarray(wide[rim : rim + height, rim : rim + width], np.float32)


def area(image: NDArray[Any], size: tuple[int, int]) -> NDArray[Any]:
    """An image averaged down to `size` (width, height), same type."""
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), image.dtype)


def reduced(image: NDArray[Any], by: int) -> NDArray[Any]:
    """Means over `by` by `by` pixels, same type; a ragged last row or column is left off."""
    height, width = image.shape[0] // by, image.shape[1] // by
    part = image[: height * by, : width * by]
    if by == 1:
        return part.copy()  # never the image itself: callers write over what they are given
    # OpenCV halves ten times as quickly as it averages anything else
    while by % 2 == 0 and by > 2 and part.dtype == np.float32:
        part, by = area(part, (part.shape[1] // 2, part.shape[0] // 2)), by // 2
    return area(part, (width, height))


def enlarged(image: F32, size: tuple[int, int]) -> F32:
    """An image drawn at `size` (width, height), linear between its pixels' centres."""
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_LINEAR), np.float32)


def larger(image: F32, times: float) -> F32:
    """An image drawn `times` as large, cubic between its pixels' centres."""
    out = cv2.resize(image, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC)
    return np.asarray(out, np.float32)


def sample(image: NDArray[Any], at: F32, outside: float | None = None) -> NDArray[Any]:
    """An image at px `at` (H, W, 2), linear between pixels, same type.

    Outside it holds `outside`, or goes on as at its border where that is None.
    """
    border = cv2.BORDER_REPLICATE if outside is None else cv2.BORDER_CONSTANT
    if image.dtype == np.float32 and image.shape[2:] == (3,) and 4 * at.size > image.size:
        # OpenCV reads four channels nearly three times as quickly as three
        image = cv2.cvtColor(image, cv2.COLOR_RGB2RGBA)
        out = cv2.remap(image, at, _NO_MAP, cv2.INTER_LINEAR, borderMode=border)
        return np.asarray(cv2.cvtColor(out, cv2.COLOR_RGBA2RGB), image.dtype)
    out = cv2.remap(
        image, at, _NO_MAP, cv2.INTER_LINEAR, borderMode=border, borderValue=outside or 0.0
    )
    return np.asarray(out, image.dtype)


def nearest(mask: Mask, at: F32) -> U8:
    """The nearest pixels of a mask at px `at` (H, W, 2), 0 or 1, 0 outside."""
    return np.asarray(cv2.remap(as_u8(mask), at, _NO_MAP, cv2.INTER_NEAREST), np.uint8)


def warped(image: NDArray[Any], matrix: NDArray[Any], size: tuple[int, int]) -> NDArray[Any]:
    """An image at `size` (width, height) whose pixel (x, y) lies at `matrix` (2, 3) (x, y, 1)."""
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(image, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, image.dtype)


def slopes(image: F32) -> tuple[F32, F32]:
    """d/dx and d/dy (H, W) per px of an image (H, W), by Scharr's kernel."""
    dx = cv2.Scharr(image, cv2.CV_32F, 1, 0, scale=1 / 32)
    dy = cv2.Scharr(image, cv2.CV_32F, 0, 1, scale=1 / 32)
    return np.asarray(dx, np.float32), np.asarray(dy, np.float32)


def length(dx: F32, dy: F32) -> F32:
    """Length of the vectors (dx, dy), both (H, W).

    OpenCV's own rounds some lengths otherwise where an array lies otherwise in memory, so that the
    same photo gave two results; a square root as IEEE 754 has it gives one.
    """
    squared = dx * dx
    squared += dy * dy
    return np.asarray(np.sqrt(squared, out=squared), np.float32)


def steepness(image: F32) -> F32:
    """Gradient magnitude (H, W) per px of an image (H, W)."""
    return length(*slopes(image))


def with_neighbours(image: F32, rows: slice) -> tuple[F32, slice]:
    """The rows of an image with one more on each side where there is one, and where among those the
    rows themselves are: so that a kernel of three sees what it sees on the whole image."""
    above, below = min(rows.start, 1), min(image.shape[0] - rows.stop, 1)
    part = image[rows.start - above : rows.stop + below]
    return part, slice(above, above + rows.stop - rows.start)


def laplacian(image: F32) -> F32:
    """d2/dx2 + d2/dy2 (H, W) per px^2 of an image (H, W)."""
    return np.asarray(cv2.Laplacian(image, cv2.CV_32F), np.float32)


def correlated(image: F32, kernel: F32) -> F32:
    """An image correlated with a small kernel, its border's pixels going on outside."""
    out = cv2.filter2D(image, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def distance_inside(mask: Mask) -> F32:
    """Distance in px (H, W) of every pixel of a mask from what is not the mask."""
    return np.asarray(cv2.distanceTransform(as_u8(mask), cv2.DIST_L2, 5), np.float32)


def wide_parts(mask: Mask, radius_px: float) -> Mask:
    """The parts (H, W) of a mask that hold a disc of this radius, out to where they end."""
    deep = distance_inside(mask) > radius_px
    if not deep.any():
        return np.zeros_like(mask)
    return np.asarray(mask & (distance_inside(~deep) <= 1.5 * radius_px))


def highest(image: F32) -> F32:
    """The largest of three channels (H, W) of an image (H, W, 3)."""
    # numpy takes twenty times as long along an axis of three
    one, two, three = cv2.split(image)
    return np.asarray(cv2.max(cv2.max(one, two), three), np.float32)


def roughness(image: F32) -> F32:
    """How far each pixel's neighbourhood of three by three spreads (H, W), in that of the three
    channels of an image (H, W, 3) that spreads most."""
    around = np.ones((3, 3), np.uint8)
    return highest(np.asarray(cv2.dilate(image, around) - cv2.erode(image, around), np.float32))


def summed(image: F32) -> F32:
    """The sum of three channels (H, W) of an image (H, W, 3)."""
    return np.asarray(cv2.transform(image, _ALL), np.float32)


def spread(shape: tuple[int, ...], least_step: int = 1) -> tuple[slice, slice]:
    """Slices of an image of this shape that leave some 60,000 pixels or more, evenly spread: plenty
    for a median or a quantile, which cost more than a filter."""
    step = max(least_step, int(np.sqrt(shape[0] * shape[1] / _PLENTY)))
    return slice(None, None, step), slice(None, None, step)


def some_of(image: NDArray[Any], mask: Mask) -> NDArray[Any]:
    """Values (N,) or (N, C) of an image where a mask is, no more of them than a median needs."""
    some = spread(mask.shape)
    keep = mask[some]
    return image[some][keep] if np.count_nonzero(keep) > _FEW else image[mask]


def lined_up(shape: tuple[int, ...]) -> F32:
    """A new array of this shape, not filled in, that begins with a line of the processor's cache:
    loops over one that does not fetch two lines at every step, and take half as long again."""
    size = int(np.prod(shape))
    room = np.empty(size + _LINE, np.float32)
    first = -(room.ctypes.data // room.itemsize) % _LINE
    return room[first : first + size].reshape(shape)


def as_u8(mask: Mask) -> U8:
    """A mask as 0 and 1, on the same memory where it lies in one piece."""
    return np.ascontiguousarray(mask).view(np.uint8)


def strips(height: int, rows: int) -> Iterator[slice]:
    """Slices of `rows` rows, the last as many as are left, over an image of this height."""
    for start in range(0, height, rows):
        yield slice(start, min(start + rows, height))


@lru_cache(maxsize=8)
def _down_cells(cell_px: int) -> F32:
    """Shares (cell_px, 3) of the rows of cells above, at and below in each row of px of a cell."""
    half = cell_px // 2
    part_way = ((np.arange(cell_px) + 0.5) / cell_px).astype(np.float32)
    shares = np.zeros((cell_px, 3), np.float32)
    shares[:half, 0], shares[:half, 1] = 1 - part_way[half:], part_way[half:]
    shares[half:, 1], shares[half:, 2] = 1 - part_way[:half], part_way[:half]
    return shares


def from_cells(cells: F32, cell_px: int, rows: slice, columns: slice) -> F32:
    """The part `rows`, `columns` of an image in px, drawn from values at the middles of cells.

    `cells` (R, C) or (R, C, channels) has one cell more on each side than the image; values are
    linear in between. `cell_px` is even; both slices must start at multiples of it.
    """
    height, width = rows.stop - rows.start, columns.stop - columns.start
    top, left = rows.start // cell_px, columns.start // cell_px
    down, across = -(-height // cell_px) + 2, -(-width // cell_px) + 2
    part = cells[top : top + down, left : left + across]
    wide = enlarged(part, (across * cell_px, down))[:, cell_px : cell_px + width]
    wide = wide.reshape(down, -1)
    # downwards as products with three rows: quicker than to let OpenCV plan every strip anew
    step, along = wide.strides
    three = as_strided(wide, (down - 2, 3, wide.shape[1]), (step, step, along), writeable=False)
    full = np.matmul(_down_cells(cell_px), three)
    return np.asarray(full.reshape(-1, width, *cells.shape[2:])[:height], np.float32)
