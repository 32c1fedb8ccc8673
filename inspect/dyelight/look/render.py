"""Draw the expected photo: the artwork under the fitted look, blurred, warped into the photo.

Nothing is drawn whole: a tile of the photo asks for the piece of artwork under it, which is lit,
blurred and warped while it lies in the processor's cache.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import area, enlarged, from_cells, gaussian, larger, sample
from ..records import F32, F64, Artwork, Pixels, Placement
from .colour_light import ColourLight, veil_slope
from .colour_response import ColourResponse
from .light_field import CELL_PX
from .rootlight import linear_from_root, root_from_linear, root_from_pixels

LIGHT = np.array([[0.299, 0.587, 0.114]], np.float32)
_OVERSAMPLE = 1.15
_NODE_PX = 16
_EXACT = 4  # every fourth node is computed, the others lie on the cubic through four of those
TILE_PX = 320


def working_pixels(artwork: Artwork, photo_px_per_mm: float) -> Pixels:
    """The artwork's pixels (h, w, 3), no finer than the photo can use."""
    pixels = artwork.pixels
    shrink = photo_px_per_mm * _OVERSAMPLE / min(artwork.px_per_mm)
    if shrink < 0.9:
        # averaged in code values, not far from root light
        pixels = area(pixels, (round(pixels.shape[1] * shrink), round(pixels.shape[0] * shrink)))
    return pixels


def linear_light(pixels: Pixels) -> F32:
    """Linear light (h, w, 3) float32 of sRGB-encoded pixels."""
    root = root_from_pixels(pixels)
    return linear_from_root(root, root)


@dataclass(frozen=True, slots=True)
class LitArtwork:
    """The artwork as it would look under the photo's light, drawn where it is asked for.

    `pixels` (h, w, 3) cover the panel with its bleed, evenly, `px_per_mm` across and down. `gain`
    and `veil` are the light in cells (see `imaging.from_cells`), `veil` None where there is
    none. Pieces are enlarged by `grow` where the artwork is coarser than the photo.
    """

    pixels: Pixels
    response: ColourResponse
    gain: F32
    veil: F32 | None
    px_per_mm: tuple[float, float]
    bleed_mm: float
    grow: float

    def piece(self, at: F32, margin_px: float) -> tuple[F32, F32]:
        """The piece under artwork points `at` (H, W, 2) px and `margin_px` around it.

        Returns its linear light (h, w, 3), and the points in that piece's own px. The map must be
        smooth: only the border of `at` is looked at.
        """
        border = np.concatenate([at[0], at[-1], at[:, 0], at[:, -1]])
        low, high = border.min(0) - margin_px - 2, border.max(0) + margin_px + 3
        height, width = self.pixels.shape[:2]
        left, top = (
            int(np.clip(low[k], 0, size - 1)) // CELL_PX * CELL_PX
            for k, size in enumerate((width, height))
        )
        columns = slice(left, int(np.clip(high[0], left + 1, width)))
        rows = slice(top, int(np.clip(high[1], top + 1, height)))
        root = self.response.apply(root_from_pixels(self.pixels[rows, columns]))
        root *= from_cells(self.gain, CELL_PX, rows, columns)
        if self.veil is not None:
            root += from_cells(self.veil, CELL_PX, rows, columns)[..., None] * veil_slope(root)
        np.maximum(root, 0, out=root)
        linear = linear_from_root(root, root)
        here = at - np.array([left, top], np.float32)
        if self.grow > 1:
            linear = larger(linear, self.grow)
            np.maximum(linear, 0, out=linear)
            here = (here + np.float32(0.5)) * np.float32(self.grow) - np.float32(0.5)
        return linear, here


def light_artwork(
    working: Pixels, artwork: Artwork, look: ColourLight, margin_mm: float, photo_px_per_mm: float
) -> LitArtwork:
    """The working artwork under colour response, gain and veil, no coarser than the photo.

    `margin_mm` is the margin of the panel frame that the light field was fitted on.
    """
    height, width = working.shape[:2]
    full_w = artwork.width_mm + 2 * margin_mm
    full_h = artwork.height_mm + 2 * margin_mm
    ppm_x = width / (artwork.width_mm + 2 * artwork.bleed_mm)
    ppm_y = height / (artwork.height_mm + 2 * artwork.bleed_mm)
    first = (0.5 / ppm_x - artwork.bleed_mm + margin_mm, 0.5 / ppm_y - artwork.bleed_mm + margin_mm)
    u = (first[0] / full_w, (first[0] + (width - 1) / ppm_x) / full_w)
    v = (first[1] / full_h, (first[1] + (height - 1) / ppm_y) / full_h)
    veil = look.veil.in_cells(height, width, u, v)[..., 0]
    grow = photo_px_per_mm * _OVERSAMPLE / min(ppm_x, ppm_y)
    # in whole px per cell, so that every piece is enlarged on one and the same grid
    grow = np.ceil(grow * CELL_PX) / CELL_PX if grow > _OVERSAMPLE / 0.9 else 1.0
    return LitArtwork(
        pixels=working,
        response=look.response,
        gain=look.gain.in_cells(height, width, u, v),
        veil=veil if float(np.abs(veil).max()) > 1e-4 else None,
        px_per_mm=(ppm_x, ppm_y),
        bleed_mm=artwork.bleed_mm,
        grow=float(grow),
    )


def blurred(linear: F32, sigma_px: float) -> F32:
    """Linear light after a Gaussian of this sigma; one too narrow for its pixels does nothing."""
    if sigma_px < 0.2:
        return linear
    return gaussian(linear, sigma_px, 2 * max(1, int(np.ceil(3.0 * sigma_px))) + 1)


def _cubic_between(count: int) -> F64:
    """Weights ((count - 3) * _EXACT + 1, count) of the cubic through four nodes in a row, from the
    second node to the last but one (Catmull and Rom 1974; exact for squares)."""
    position = 1 + np.arange((count - 3) * _EXACT + 1) / _EXACT
    low = np.minimum(position.astype(np.intp), count - 3)
    t = position - low
    four = np.stack(
        [
            -t / 2 + t**2 - t**3 / 2,
            1 - 2.5 * t**2 + 1.5 * t**3,
            t / 2 + 2 * t**2 - 1.5 * t**3,
            -(t**2) / 2 + t**3 / 2,
        ],
        axis=1,
    )
    weights = np.zeros((len(position), count))
    weights[np.arange(len(position))[:, None], low[:, None] + np.arange(-1, 3)] = four
    return weights


@dataclass(frozen=True, slots=True)
class ArtworkUnderPhoto:
    """Where the artwork lies under a window of the photo: nodes (rows, columns, 2) float32 in mm,
    _NODE_PX photo px apart, as `at` draws between them."""

    nodes_mm: F32

    @classmethod
    def find(
        cls, placement: Placement, origin_px: tuple[float, float], size: tuple[int, int]
    ) -> ArtworkUnderPhoto:
        """For the window of `size` (width, height) px whose first pixel is photo px `origin_px`."""
        exact_px = _NODE_PX * _EXACT
        axes = []
        for start, px in zip(origin_px, size, strict=True):
            count = -(-(px + 2 * _NODE_PX) // exact_px) + 3
            # node k stands at pixel (k - 1/2) * _NODE_PX - 1/2 of the window
            first = start - 0.5 * _NODE_PX - 0.5 - exact_px
            axes.append(first + exact_px * np.arange(count))
        grid = np.stack(np.meshgrid(*axes), -1)
        exact = placement.picture.to_artwork(grid.reshape(-1, 2)).reshape(grid.shape)
        across, down = (_cubic_between(len(axis)) for axis in axes)
        nodes = np.matmul(across, np.tensordot(down, exact, axes=(1, 0)))
        return cls(np.asarray(nodes, np.float32))

    def at(self, x: int, y: int, width: int, height: int) -> F32:
        """Artwork mm (height, width, 2) under the window's pixels from (x, y) on.

        `x` and `y` must be multiples of _NODE_PX.
        """
        return from_cells(self.nodes_mm, _NODE_PX, slice(y, y + height), slice(x, x + width))

    def artwork_px(self, lit: LitArtwork) -> ArtworkUnderPhoto:
        """The same in px of the lit artwork."""
        per_mm = np.array(lit.px_per_mm, np.float32)
        return ArtworkUnderPhoto(
            (self.nodes_mm + np.float32(lit.bleed_mm)) * per_mm - np.float32(0.5)
        )


def tiles(height: int, width: int, tile_px: int = TILE_PX) -> Iterator[tuple[slice, slice]]:
    """Rows and columns of the tiles that cover an image."""
    for y in range(0, height, tile_px):
        for x in range(0, width, tile_px):
            yield slice(y, min(y + tile_px, height)), slice(x, min(x + tile_px, width))


def draw_expected(
    lit: LitArtwork, under: ArtworkUnderPhoto, blur_artwork_px: float, size: tuple[int, int]
) -> tuple[F32, F32]:
    """Expected root light (height, width, 3) of the photo's window, and its light channel.

    `under` is in px of the lit artwork, as is the Gaussian's `blur_artwork_px`.
    """
    expected = np.empty((size[1], size[0], 3), np.float32)
    light = np.empty((size[1], size[0]), np.float32)
    for rows, columns in tiles(size[1], size[0]):
        at = under.at(
            columns.start, rows.start, columns.stop - columns.start, rows.stop - rows.start
        )
        linear, here = lit.piece(at, 3 * blur_artwork_px)
        soft = blurred(linear, blur_artwork_px * lit.grow)
        root = sample(soft, here)
        root_from_linear(root, root)
        expected[rows, columns] = root
        light[rows, columns] = photo_light(root)
    return expected, light


def photo_light(root: F32) -> F32:
    """Light channel (H, W) float32 of root light (H, W, 3), by the weights of ITU-R BT.601."""
    return np.asarray(cv2.transform(root, LIGHT), np.float32)
