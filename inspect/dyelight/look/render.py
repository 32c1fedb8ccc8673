"""Draw the expected photo: the artwork under the fitted look, blurred, warped into the photo.

Nothing is drawn whole: a tile of the photo asks for the piece of artwork under it, which is lit,
blurred and warped while it lies in the processor's cache.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import area, from_cells, gaussian, larger, sample
from ..placement.picture_map import nodes_between
from ..records import F32, F64, Artwork, Pixels, Placement
from .colour_light import ColourLight
from .colour_response import ColourResponse
from .light_field import CELL_PX
from .rootlight import OFFSET, ROOT_OFFSET, TOP, linear_from_root, root_from_pixels

LIGHT = np.array([[0.299, 0.587, 0.114]], np.float32)
_OVERSAMPLE = 1.15
NODE_PX = 16
_EXACT = 4  # every fourth node is computed, the others lie on the cubic through four of those
TILE_PX = 800


def working_pixels(artwork: Artwork, photo_px_per_mm: float) -> Pixels:
    """The artwork's pixels (h, w, 3), no finer than the photo can use."""
    pixels = artwork.pixels
    shrink = photo_px_per_mm * _OVERSAMPLE / min(artwork.px_per_mm)
    if shrink < 0.9:
        # averaged in code values, not far from root light
        pixels = area(pixels, (round(pixels.shape[1] * shrink), round(pixels.shape[0] * shrink)))
    return pixels


@dataclass(frozen=True, slots=True)
class LitArtwork:
    """The artwork as it would look under the photo's light, drawn where it is asked for.

    `pixels` (h, w, 3) cover the panel with its bleed, evenly, `px_per_mm` across and down. `gain`
    (3, R, C) and `veil` (R, C) are the light in cells (see `imaging.from_cells`), `veil` None where
    there is none. Pieces are enlarged by `grow` where the artwork is coarser than the photo.
    """

    pixels: Pixels
    response: ColourResponse
    gain: F32
    veil: F32 | None
    px_per_mm: tuple[float, float]
    bleed_mm: float
    grow: float

    def _lit(self, rows: slice, columns: slice) -> F32:
        """Linear light (h, w, 3) of a part of the artwork, whose slices start at whole cells."""
        # channel by channel, so that the response and the light need no strides
        height, width = rows.stop - rows.start, columns.stop - columns.start
        planes = np.empty((3, height, width), np.float32)
        for plane, pixels in zip(planes, cv2.split(self.pixels[rows, columns]), strict=True):
            root_from_pixels(pixels, plane)
        self.response.apply_to_planes(planes.reshape(3, -1))
        veil = None if self.veil is None else from_cells(self.veil, CELL_PX, rows, columns)
        for plane, gain in zip(planes, self.gain, strict=True):
            plane *= from_cells(gain, CELL_PX, rows, columns)
            cv2.threshold(plane, 0, 0, cv2.THRESH_TOZERO, dst=plane)
            linear_from_root(plane, plane)
            if veil is not None:
                plane += veil
                cv2.threshold(plane, 0, 0, cv2.THRESH_TOZERO, dst=plane)
        return np.asarray(cv2.merge(list(planes)), np.float32)

    def part(self, under: ArtworkUnderPhoto, margin_px: float) -> tuple[slice, slice]:
        """Rows and columns of the artwork under a tile of the photo and `margin_px` around it."""
        height, width = self.pixels.shape[:2]
        low = under.nodes.min((0, 1)) - margin_px - 2
        high = under.nodes.max((0, 1)) + margin_px + 3
        left, top = (
            int(np.clip(at, 0, size - 1)) // CELL_PX * CELL_PX
            for at, size in zip(low, (width, height), strict=True)
        )
        columns = slice(left, int(np.clip(high[0], left + 1, width)))
        return slice(top, int(np.clip(high[1], top + 1, height))), columns

    def piece(self, under: ArtworkUnderPhoto, margin_px: float) -> tuple[F32, ArtworkUnderPhoto]:
        """The piece of artwork under a tile of the photo and `margin_px` around it.

        `under` is in px of this artwork. Returns the piece's linear light (h, w, 3), and the tile's
        place in that piece's own px.
        """
        rows, columns = self.part(under, margin_px)
        linear = self.grown(self._lit(rows, columns))
        here = under.moved(1.0, np.array([-columns.start, -rows.start]))
        if self.grow > 1:
            here = here.moved(self.grow, np.full(2, 0.5 * self.grow - 0.5))
        return linear, here

    def grown(self, image: F32) -> F32:
        """A part's image (h, w) or (h, w, 3), nowhere under zero, no coarser than the photo."""
        if self.grow <= 1:
            return image
        image = larger(image, self.grow)
        return np.asarray(cv2.threshold(image, 0, 0, cv2.THRESH_TOZERO, dst=image)[1], np.float32)


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
        gain=np.ascontiguousarray(np.moveaxis(look.gain.in_cells(height, width, u, v), 2, 0)),
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


@dataclass(frozen=True, slots=True)
class ArtworkUnderPhoto:
    """Where the artwork lies under a window of the photo, in mm or px of it.

    `nodes` (rows, columns, 2) float32 lie NODE_PX photo px apart, as `imaging.from_cells` wants
    them.
    """

    nodes: F32

    @classmethod
    def find(
        cls, placement: Placement, origin_px: tuple[float, float], size: tuple[int, int]
    ) -> ArtworkUnderPhoto:
        """In mm, for the window of `size` (width, height) px whose first pixel is `origin_px`."""
        origin = (origin_px[0] - 0.5 * (NODE_PX + 1), origin_px[1] - 0.5 * (NODE_PX + 1))
        # a node more than tiles of whole cells need
        counts = (-(-size[0] // NODE_PX) + 3, -(-size[1] // NODE_PX) + 3)
        nodes = nodes_between(placement.picture, origin, NODE_PX, counts, _EXACT)
        return cls(np.asarray(nodes, np.float32))

    def moved(self, times: float | F64, offset: F64) -> ArtworkUnderPhoto:
        """The same at `times` the scale and moved by `offset` (2,) then."""
        return ArtworkUnderPhoto(np.asarray(self.nodes * times + offset, np.float32))

    def in_px(self, lit: LitArtwork) -> ArtworkUnderPhoto:
        """The same in px of the lit artwork, if it was in mm."""
        per_mm = np.array(lit.px_per_mm)
        return self.moved(per_mm, lit.bleed_mm * per_mm - 0.5)

    def tile(self, x: int, y: int, width: int, height: int) -> ArtworkUnderPhoto:
        """The same for a tile whose first pixel (x, y) is on multiples of NODE_PX."""
        left, top = x // NODE_PX, y // NODE_PX
        across, down = -(-width // NODE_PX) + 2, -(-height // NODE_PX) + 2
        return ArtworkUnderPhoto(self.nodes[top : top + down, left : left + across])

    def drawn(self, width: int, height: int) -> F32:
        """The place (height, width, 2) of each pixel."""
        return from_cells(self.nodes, NODE_PX, slice(0, height), slice(0, width))


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
        width, height = columns.stop - columns.start, rows.stop - rows.start
        tile = under.tile(columns.start, rows.start, width, height)
        linear, here = lit.piece(tile, 3 * blur_artwork_px)
        root = sample(blurred(linear, blur_artwork_px * lit.grow), here.drawn(width, height))
        # as `root_from_linear`, of light that is nowhere under zero
        root += OFFSET
        np.sqrt(root, out=root)
        root -= ROOT_OFFSET
        cv2.threshold(root, float(TOP), 0, cv2.THRESH_TRUNC, dst=expected[rows, columns])
        cv2.transform(expected[rows, columns], LIGHT, dst=light[rows, columns])
    return expected, light


def photo_light(root: F32) -> F32:
    """Light channel (H, W) float32 of root light (H, W, 3), by the weights of ITU-R BT.601."""
    return np.asarray(cv2.transform(root, LIGHT), np.float32)
