"""What the panel's bare base looks like under the photo's light."""

from __future__ import annotations

import cv2
import numpy as np

from ..imaging import roughness
from ..records import F32
from .colour_light import ColourLight
from .frames import PanelFrame
from .rootlight import root_from_linear

_NEAR_WHITE = 0.3  # artwork root light short of white in which the response still is near its data
_UNSAID, _SAID = 0.4, 0.8  # nearness to white at which the response says nothing, and all
_LIGHT_SHARE, _TELLING = 0.8, 0.5  # of the most that the artwork holds; root light that tells all
_FLAT = 0.08  # root light over 8 px of the panel frame: fine lines say little of colour
_USUAL = 0.05  # say of the usual exposure


def bare_base(frame: PanelFrame, look: ColourLight) -> tuple[F32, float]:
    """Root light (3,) of the bare base under mean light, and how well it is known, 0..1.

    The base is what white in the artwork comes out as. Where a picture holds none, the fitted
    response runs wild there; light in proportion to the picture's own, read where that is flat and
    lightest, errs by the tone curve alone. No base is darker than dye on it.
    """
    image = np.ascontiguousarray(frame.artwork[::4, ::4])
    keep = (frame.inside & frame.printed)[::4, ::4] & (roughness(image) < _FLAT)
    art = image[keep]
    white = root_from_linear(np.ones((1, 1, 3), np.float32))
    fitted = look.response.apply(white)[0, 0]
    if not art.size:
        return fitted, 0.0
    shown = look.response.apply(art[None])[0]
    whiteness = np.exp(-np.square(np.max(1 - art, axis=1) / _NEAR_WHITE))
    known = float(np.quantile(whiteness, 0.99))
    ratio, trust = np.empty((2, 3))
    for c in range(3):
        reach = float(np.quantile(art[:, c], 0.99))
        light = art[:, c] >= _LIGHT_SHARE * reach
        ratio[c] = np.median(shown[light, c] / np.maximum(art[light, c], 1e-3))
        trust[c] = min(reach / _TELLING, 1.0) ** 4
    # a base is nearly neutral, and an exposure takes it to about 1
    shared = (float((ratio * trust).sum()) + _USUAL) / (float(trust.sum()) + _USUAL)
    guess = trust * ratio + (1 - trust) * shared
    said = np.clip((known - _UNSAID) / (_SAID - _UNSAID), 0, 1)
    out = np.maximum(said * fitted + (1 - said) * guess, np.quantile(shown, 0.995, axis=0))
    return np.asarray(out, np.float32), known


def lit_base(frame: PanelFrame, look: ColourLight) -> F32:
    """Root light (H, W, 3) of the bare base all over the frame, under its light."""
    height, width = frame.inside.shape
    small = (max(2, height // 16), max(2, width // 16))
    gain = look.gain.on_grid(*small, (0, 1), (0, 1)) * bare_base(frame, look)[0]
    return np.asarray(cv2.resize(gain, (width, height)), np.float32)
