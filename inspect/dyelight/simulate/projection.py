"""The panel's texture as an ideal camera sees it: sampled finely, blurred, averaged over pixels."""

from __future__ import annotations

import cv2
import numpy as np

from ..records import F32
from .fields import blur
from .pose import Pose
from .sheet import Sheet, Window

_FINE = 2


def project(
    sheet: Sheet,
    canvas: F32,
    window: Window,
    pose: Pose,
    box_px: tuple[int, int, int, int],
    blur_px: float,
) -> F32:
    """A box (x0, y0, x1, y1) of the photo, (H, W, C) float32, from a canvas over `window`.

    Twice as finely as the photo's pixels, under the lens's blur, then averaged over each pixel.
    """
    x0, y0, x1, y1 = box_px
    halo = int(np.ceil(3.5 * blur_px)) + 1
    mm = pose.mm_grid(x0 - halo, y0 - halo, x1 - x0 + 2 * halo, y1 - y0 + 2 * halo, _FINE)
    origin = sheet.texel(np.zeros((1, 2)))[0] - [window.x0, window.y0]
    mm *= np.float32(sheet.per_mm)
    mm += origin.astype(np.float32)
    fine = cv2.remap(
        canvas, mm[..., 0], mm[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
    )
    soft = blur(np.asarray(fine, np.float32), blur_px * _FINE)
    out = cv2.resize(
        soft, (soft.shape[1] // _FINE, soft.shape[0] // _FINE), interpolation=cv2.INTER_AREA
    )
    return np.asarray(out[halo:-halo, halo:-halo], np.float32)
