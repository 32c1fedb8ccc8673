"""What can be said of the file by itself: how fine it is on the panel, how dark."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..colour import lab_from_encoded
from ..imaging import gaussian, steepness
from ..look.render import photo_light
from ..records import Artwork

_LONG_PX = 1600
_SOFT_PX = 2.0  # the second blur that edge steepness is compared under
_STEEPEST = 99.7


@dataclass(frozen=True, slots=True)
class FileFacts:
    """The file by itself.

    `pixel_mm` is how wide one of its pixels is on the panel, `detail_mm` the width of its
    sharpest edges, never under a pixel's: an enlarged or unsharp file has finer pixels than that.
    `lightness` is the median L* (0..100).
    """

    width_px: int
    height_px: int
    pixel_mm: float
    detail_mm: float
    lightness: float


def file_facts(artwork: Artwork) -> FileFacts:
    """Fineness and lightness of an artwork on its panel."""
    height, width = artwork.pixels.shape[:2]
    pixel_mm = 1 / min(artwork.px_per_mm)
    step = max(1, max(width, height) // 500)
    lab = lab_from_encoded(np.ascontiguousarray(artwork.pixels[::step, ::step]))
    return FileFacts(
        width_px=width,
        height_px=height,
        pixel_mm=pixel_mm,
        detail_mm=pixel_mm * max(1.0, _edge_sigma_px(artwork) / 0.5),
        lightness=float(np.median(lab[..., 0])),
    )


def _edge_sigma_px(artwork: Artwork) -> float:
    """Blur of the file's sharpest edges, as a Gaussian's sigma in px.

    The gradient of a step blurred by s falls as 1 / sqrt(s^2 + t^2) under a further blur t, so the
    ratio at two such blurs gives s. A step between two pixels reads about 0.5.
    """
    pixels = artwork.pixels
    height, width = pixels.shape[:2]
    # the middle in its own pixels: a reduced picture would be as sharp as any
    rows = slice(max(0, (height - _LONG_PX) // 2), (height + _LONG_PX) // 2)
    columns = slice(max(0, (width - _LONG_PX) // 2), (width + _LONG_PX) // 2)
    top = np.float32(np.iinfo(pixels.dtype).max)
    grey = photo_light(np.asarray(pixels[rows, columns].astype(np.float32) / top, np.float32))
    steep = []
    for sigma in (0.0, _SOFT_PX):
        soft = gaussian(grey, sigma) if sigma else grey
        steep.append(float(np.percentile(steepness(soft), _STEEPEST)))
    if steep[0] < 1e-3:
        return 0.5
    ratio2 = (steep[0] / max(steep[1], 1e-9)) ** 2
    return float(np.sqrt(_SOFT_PX**2 / max(ratio2 - 1, 1e-3)))
