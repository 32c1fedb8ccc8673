"""The two frames in which photo and expectation are held against each other.

`PanelFrame`: the panel squared up at about a megapixel, three channels. Large, soft things are seen
here: patches, double images, borders, the whole panel. `PhotoFrame`: the photo's own pixels, light
channel. Small, sharp things are seen here, where the photo's noise is still white.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import from_cells
from ..records import F32, F64, Artwork, Mask, PictureMap
from .colour_light import ColourLight
from .light_field import lift, light_added
from .render import photo_light
from .sharpness import Sharpness

BLOCK_PX = 24  # side of the cells that local light and residual nuisances stand in


@dataclass(frozen=True, slots=True)
class PanelFrame:
    """The squared-up panel. Root light float32 (H, W, 3); pixel (i, j) centre lies at artwork mm
    ((j + 0.5) / px_per_mm - margin_mm, (i + 0.5) / px_per_mm - margin_mm).

    `inside` is the panel's metal (outline, holes) as far as the photo shows it, `printed` where the
    artwork reaches, `opaque` where the artwork is not cut out, `in_photo` where the photo reaches,
    `blown` where the photo is clipped (grown by the blur), `edge_mm` (H, W) float32 the
    distance to the panel's outline in mm, negative outside.
    """

    px_per_mm: float
    margin_mm: float
    observed: F32
    artwork: F32
    expected: F32
    inside: Mask
    printed: Mask
    blown: Mask
    opaque: Mask
    in_photo: Mask
    edge_mm: F32

    def to_mm(self, points_px: F64) -> F64:
        """Artwork mm (N, 2) of frame points (N, 2) in px, (0, 0) the centre of the first pixel."""
        return np.asarray((points_px + 0.5) / self.px_per_mm - self.margin_mm)

    def to_px(self, points_mm: F64) -> F64:
        """Frame px (N, 2) of artwork points (N, 2) in mm."""
        return np.asarray((points_mm + self.margin_mm) * self.px_per_mm - 0.5)


@dataclass(frozen=True, slots=True)
class PhotoFrame:
    """A window of the photo in the pixels that it is worked with, `scale` of them to a photo px;
    its first pixel's centre is at (x0, y0) of those.

    All arrays are (H, W) float32 unless said otherwise. `observed`, `expected` (H, W, 3) are root
    light. `residual` is the light channel's difference with local place, gain and blur errors
    projected out, `sigma` its standard deviation as modelled, both root light, `coherent` the part
    of it that edges cause and that does not average out along them. `usable` (H, W) bool: inside
    the panel, not widely clipped, artwork opaque. `local` is each neighbourhood's gain and veil,
    (h, w) each, in cells of BLOCK_PX; `residual` is taken with them, `expected` is without.
    """

    x0: float
    y0: float
    observed: F32
    expected: F32
    residual: F32
    sigma: F32
    coherent: F32
    usable: Mask
    px_per_mm: float
    blur_px: float
    sharpness: Sharpness
    local: tuple[F32, F32] | None = None
    scale: float = 1.0

    def lit(self, rows: slice, columns: slice) -> F32:
        """Expected root light (h, w, 3) of a part, under its own neighbourhood's light."""
        return self._under_local(self.expected[rows, columns], rows, columns)

    def lit_light(self, rows: slice, columns: slice) -> F32:
        """The light channel (h, w) of a part under its own neighbourhood's light, which is added to
        it by itself: colours differ in how light adds up by far less than noise."""
        return self._under_local(photo_light(self.expected[rows, columns]), rows, columns)

    def _under_local(self, expected: F32, rows: slice, columns: slice) -> F32:
        if self.local is None:
            return expected
        top, left = (part.start // BLOCK_PX * BLOCK_PX for part in (rows, columns))
        cut = slice(rows.start - top, None), slice(columns.start - left, None)
        factor, more = (
            from_cells(cell, BLOCK_PX, slice(top, rows.stop), slice(left, columns.stop))[cut]
            for cell in lift(*self.local)
        )
        return expected + light_added(expected, factor, more)

    def to_worked_px(self, points_px: F64) -> F64:
        """Points (N, 2) of the photo as it is worked with, of frame points (N, 2)."""
        return np.asarray(points_px + np.array([self.x0, self.y0]))


@dataclass(frozen=True, slots=True)
class Difference:
    """Photo against expectation, in both frames, with what is needed to measure on the panel.

    `picture` takes artwork mm to the photo as it is worked with. `outline_seen` says whether the
    metal's own outline was found, or the print's stands for it. `under_veil` (H, W, 3) float32:
    `panel.expected` under the light of each place's wider neighbourhood, for patches. `hidden`
    (H, W) bool on the panel frame: clipped places and strong glare; `skirt` (H, W) bool where glare
    fades out, expected under its own neighbourhood's light there; `past_end` (H, W) bool where a
    second image shows what lies past the file's end, hidden too. `white` (H, W, 3) float32: root
    light that the bare white base has there. `contrast` (H, W) float32: what the neighbourhood's
    own light does to the print's contrast there, root light. `due` (H, W) float32: the light
    channel as it should be under that light, as sharp as the photo is elsewhere; in
    `panel.expected` the contrast and sharpness of every place were matched to the photo's.
    `left_over` (H, W) float32: what is left of the light channel once place, light, contrast and
    sharpness were forgiven, summed over noise so that pure noise has unit scatter.
    """

    artwork: Artwork
    picture: PictureMap
    outline_seen: bool
    panel: PanelFrame
    photo: PhotoFrame
    look: ColourLight
    panel_from_artwork: F64
    under_veil: F32
    hidden: Mask
    past_end: Mask
    skirt: Mask
    white: F32
    contrast: F32
    due: F32
    left_over: F32

    def to_photo_px(self, points_mm: F64) -> F64:
        """Px (N, 2) of the photo as it was taken, of artwork points (N, 2) in mm."""
        return (self.picture.to_photo(points_mm) + 0.5) / self.photo.scale - 0.5

    def to_panel_mm(self, points_mm: F64) -> F64:
        """Panel mm (N, 2) of artwork points (N, 2) in mm: the print may sit off the metal."""
        out = points_mm @ self.panel_from_artwork[:, :2].T + self.panel_from_artwork[:, 2]
        return np.asarray(out[:, :2] / out[:, 2:])

    def to_artwork_mm(self, points_mm: F64) -> F64:
        """Artwork mm (N, 2) of panel points (N, 2) in mm."""
        back = np.linalg.inv(self.panel_from_artwork)
        return np.asarray(cv2.perspectiveTransform(points_mm.reshape(1, -1, 2), back)[0])
