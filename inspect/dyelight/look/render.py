"""Draw the expected photo: the artwork under the fitted look, blurred, warped into the photo."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32, Artwork, Placement
from .colour_light import ColourLight, veil_slope
from .rootlight import linear_from_root, root_from_linear, root_from_pixels

LIGHT = np.array([[0.299, 0.587, 0.114]], np.float32)
_OVERSAMPLE = 1.15


@dataclass(frozen=True, slots=True)
class LitArtwork:
    """The artwork as it would look under the photo's light: linear light float32 (h, w, 3).

    Covers the panel with its bleed, evenly; `px_per_mm` across and down.
    """

    linear: F32
    px_per_mm: tuple[float, float]
    bleed_mm: float


def working_artwork(artwork: Artwork, photo_px_per_mm: float) -> F32:
    """The artwork in linear light (h, w, 3) float32, no finer than the photo can use."""
    ppm = min(artwork.px_per_mm)
    pixels = artwork.pixels
    shrink = photo_px_per_mm * _OVERSAMPLE / ppm
    if shrink < 0.9:
        # averaged in root light: halfway between the file's code values and energy, in one pass
        size = (round(pixels.shape[1] * shrink), round(pixels.shape[0] * shrink))
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    return linear_from_root(root_from_pixels(pixels))


def light_artwork(
    working: F32, artwork: Artwork, look: ColourLight, margin_mm: float, photo_px_per_mm: float
) -> LitArtwork:
    """The working artwork under colour response, gain and veil, no coarser than the photo.

    `margin_mm` is the margin of the panel frame that the light field was fitted on.
    """
    root = look.response.apply(root_from_linear(working))
    height, width = root.shape[:2]
    full_w = artwork.width_mm + 2 * margin_mm
    full_h = artwork.height_mm + 2 * margin_mm
    ppm_x = width / (artwork.width_mm + 2 * artwork.bleed_mm)
    ppm_y = height / (artwork.height_mm + 2 * artwork.bleed_mm)
    first = (0.5 / ppm_x - artwork.bleed_mm + margin_mm, 0.5 / ppm_y - artwork.bleed_mm + margin_mm)
    u = (first[0] / full_w, (first[0] + (width - 1) / ppm_x) / full_w)
    v = (first[1] / full_h, (first[1] + (height - 1) / ppm_y) / full_h)
    # the light is smooth: drawn on a coarse grid and spread by the resize
    small = (max(2, height // 16), max(2, width // 16))
    gain = look.gain.on_grid(*small, *_centres(u, v, small, (height, width)))
    veil = look.veil.on_grid(*small, *_centres(u, v, small, (height, width)))
    root *= cv2.resize(gain, (width, height))
    if float(np.abs(veil).max()) > 1e-4:
        root += cv2.resize(veil, (width, height))[..., None] * veil_slope(root)
    linear = linear_from_root(np.maximum(root, 0))
    if min(ppm_x, ppm_y) < 0.9 * photo_px_per_mm:
        grow = photo_px_per_mm * _OVERSAMPLE / min(ppm_x, ppm_y)
        size = (round(width * grow), round(height * grow))
        linear = np.maximum(cv2.resize(linear, size, interpolation=cv2.INTER_CUBIC), 0)
        ppm_x, ppm_y = ppm_x * size[0] / width, ppm_y * size[1] / height
    return LitArtwork(linear, (ppm_x, ppm_y), artwork.bleed_mm)


def _centres(
    u: tuple[float, float], v: tuple[float, float], small: tuple[int, int], big: tuple[int, int]
) -> tuple[tuple[float, float], tuple[float, float]]:
    """u and v of the first and last cell centre when a grid is drawn `small` instead of `big`."""
    out = []
    for (a, b), few, many in ((u, small[1], big[1]), (v, small[0], big[0])):
        per_px = (b - a) / (many - 1)
        half = (many / few - 1) / 2 * per_px
        out.append((a + half, b - half))
    return out[0], out[1]


def blurred(lit: LitArtwork, blur_artwork_px: float) -> F32:
    """Linear light of the lit artwork after a Gaussian of this sigma, in artwork px."""
    if blur_artwork_px < 0.2:
        return lit.linear
    size = 2 * max(1, int(np.ceil(3.0 * blur_artwork_px))) + 1
    return np.asarray(
        cv2.GaussianBlur(lit.linear, (size, size), blur_artwork_px, borderType=cv2.BORDER_REPLICATE)
    )


def warp_to_photo(
    linear: F32,
    lit: LitArtwork,
    placement: Placement,
    x0: float,
    y0: float,
    size: tuple[int, int],
    pitch: float = 1.0,
) -> F32:
    """Expected root light (height, width, 3) at photo px x0 + i * pitch, y0 + j * pitch."""
    mm = placement.picture.artwork_window(x0, y0, size[0], size[1], pitch)
    mm *= np.array(lit.px_per_mm, np.float32)
    offset = np.array(lit.px_per_mm, np.float32) * np.float32(lit.bleed_mm) - np.float32(0.5)
    mm += offset
    warped = cv2.remap(linear, mm, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return root_from_linear(np.asarray(warped, np.float32))


def photo_light(root: F32) -> F32:
    """Light channel (H, W) float32 of root light (H, W, 3), by the weights of ITU-R BT.601."""
    return np.asarray(cv2.transform(root, LIGHT), np.float32)
