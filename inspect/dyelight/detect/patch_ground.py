"""What the expected look errs by around a patch, carried on across it.

A reflection's skirt and uneven light slope and bend: the middle of a ring around a patch is no
ground for either of its sides. A membrane held along the ring is (the harmonic function with the
ring's values; Perez, Gangnet and Blake, ACM Trans. Graph. 22, 2003, fill holes in pictures so).
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from ..imaging import area, enlarged, reduced, some_of
from ..ranks import median
from ..records import F32, Mask

_CELLS = (6, 12, 24)  # along the window's longer side, coarse to fine
_ROUNDS = 12
_PLENTY_PX = 48
_SAMPLE_PX = 2500  # that tell a median
_FAR = 3.0  # scatters beyond which the ring shows something else
_HELD = 0.25  # share of a cell that must be ring


def ground(apart: Sequence[F32], ring: Mask, mask: Mask) -> list[F32]:
    """The differences (H, W), each of them, that a ring (H, W) around a mask (H, W) lets expect
    within it.

    On the ring itself it is the ring's middle, so that what lies there still shows.
    """
    height, width = ring.shape
    places = some_of(np.arange(ring.size).reshape(ring.shape), ring)
    # no more of a wide ring than a median needs
    places = places[:: max(1, len(places) // _SAMPLE_PX)]
    held = (ring & ~mask).astype(np.float32)
    # of a wide window every cell of the finest grid holds many pixels
    step = max(1, min(height, width) // _PLENTY_PX)
    middles, parts = [], []
    for one in apart:
        sample = one.ravel()[places]
        middle = median(sample)
        reach = max(_FAR * 1.4826 * median(np.abs(sample - middle)), 1e-6)
        middles.append(middle)
        parts.append(reduced(np.clip(one, middle - reach, middle + reach) * held, step))
    sums, share = np.dstack(parts), reduced(held, step)[..., None]
    out = np.broadcast_to(middles, sums.shape).astype(np.float32)
    longer = max(sums.shape[:2])
    for cells in _CELLS:
        if cells > longer:
            break
        size = tuple(max(2, round(cells * side / longer)) for side in sums.shape[1::-1])
        out = _relaxed(_resized(out, size), _resized(sums, size), _resized(share, size))
    carried = []
    for middle, sheet in zip(middles, cv2.split(out), strict=True):
        carried.append(enlarged(np.asarray(sheet, np.float32), (width, height)))
        np.copyto(carried[-1], middle, where=ring)
    return carried


def _resized(image: F32, size: tuple[int, ...]) -> F32:
    out = np.asarray(area(image, (size[0], size[1])), np.float32)
    return out.reshape(size[1], size[0], -1)


def _relaxed(sheet: F32, sums: F32, share: F32) -> F32:
    """A sheet (h, w, C) drawn flat between the cells that are held at `sums` over `share`."""
    known = np.broadcast_to(share > _HELD, sheet.shape).copy()
    values = sums / np.maximum(share, np.float32(1e-3))
    for _ in range(_ROUNDS):
        np.copyto(sheet, values, where=known)
        soft = cv2.blur(sheet, (3, 3), borderType=cv2.BORDER_REPLICATE)
        sheet = np.asarray(soft, np.float32).reshape(sheet.shape)
    np.copyto(sheet, values, where=known)
    return sheet
