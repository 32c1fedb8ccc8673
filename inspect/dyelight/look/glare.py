"""Where the coating throws light back: clipped places and the glare that runs out from them."""

from __future__ import annotations

import cv2
import numpy as np

from ..records import F32, Mask
from .colour_light import ColourLight
from .frames import PanelFrame
from .render import photo_light
from .rootlight import root_from_linear

_SKIRT = 0.02  # root light: where glare fades into the noise
_CLEARLY = 0.06  # a place clipped in the photo but this much darker in the picture is glare
_SMOOTH_MM = 0.8


def glare(frame: PanelFrame) -> Mask:
    """Places (H, W) bool that cannot be judged: clipped, or in the bright skirt of clipped glare.

    A reflection strong enough to clip fades out over its surroundings; all that is brighter than
    expected and hangs together with the clipped core belongs to it.
    """
    gone = frame.blown.copy()
    brighter = photo_light(frame.observed - frame.expected)
    core = frame.blown & frame.inside & (brighter > _CLEARLY)
    if not core.any():
        return gone
    smooth = cv2.GaussianBlur(brighter, (0, 0), _SMOOTH_MM * frame.px_per_mm)
    skirt = ((smooth > _SKIRT) & frame.inside) | core
    _, labels = cv2.connectedComponents(skirt.astype(np.uint8), connectivity=4)
    touched = np.unique(labels[core])
    near = np.isin(labels, touched[touched > 0])
    size = 2 * int(np.ceil(_SMOOTH_MM * frame.px_per_mm)) + 1
    grown = cv2.dilate(near.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    return np.asarray(gone | grown)


def lit_white(frame: PanelFrame, look: ColourLight) -> F32:
    """Root light (H, W) of the bare white base under the photo's light, light channel."""
    height, width = frame.inside.shape
    white = root_from_linear(np.ones((1, 1, 3), np.float32))
    bare = look.response.apply(white)[0, 0]
    small = (max(2, height // 16), max(2, width // 16))
    gain = look.gain.on_grid(*small, (0, 1), (0, 1)) * bare
    return np.asarray(cv2.resize(photo_light(gain), (width, height)), np.float32)
