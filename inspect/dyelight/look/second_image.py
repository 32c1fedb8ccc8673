"""The artwork as if it had been printed twice, so that other things show beside a second image.

A second image of strength s at shift d makes out of the picture's light a

    a(x + e) (a(x + e - d) / a(x + e)) ** s

since it adds up in density. The first image lies off its place by e, a share of d: lining a photo
up on the picture's edges puts the two images' middle where the artwork says, unevenly, as each
place's edges have it. So the photo is lined up once more, on both images. The second is laid over
the file and not over the expected photo: there it comes before blur and sharpening, and colours
that are nowhere wider than the shift, learnt from both images at once, are learnt anew.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..colour import encode_srgb
from ..imaging import from_cells, sample, strips
from ..placement import placed_again
from ..records import F32, F64, Artwork, Mask, Photo, Pixels, Placement
from .compare import compare
from .frames import Difference
from .outline import fill
from .render import NODE_PX, working_pixels
from .rootlight import linear_from_root, root_from_pixels

_STRIP_PX = 15 * NODE_PX
_END_MM = 0.4  # paper is cut no more exactly, and the photo blurs its edge
_BLACK = np.float32(0.015)  # linear light that the densest print still sends back


@dataclass(frozen=True, slots=True)
class SecondImage:
    """`shift_at` gives shifts (N, 2) in mm at artwork points (N, 2) in mm; `strength` 0..1;
    `place_share` of the shift is how far the first image lies off its own place. `box_mm` is the
    part of the artwork that shows it, None for all of it."""

    shift_at: Callable[[F64], F64]
    strength: float
    place_share: float
    box_mm: tuple[float, float, float, float] | None = None

    def shown_mm(self, points_mm: F64) -> tuple[F64, F64, F64]:
        """Artwork points (N, 2) that first and second image show at artwork points (N, 2), and the
        strength (N,) of the second there."""
        strength = np.full(len(points_mm), self.strength)
        if self.box_mm is not None:
            low, high = np.array(self.box_mm[:2]), np.array(self.box_mm[2:])
            strength *= ((points_mm >= low) & (points_mm <= high)).all(axis=1)
        shift = self.shift_at(points_mm) * (strength > 0)[:, None]
        first = points_mm + self.place_share * shift
        return first, first - shift, strength

    def end_mm(self, artwork: Artwork) -> F64:
        """Outline (4, 2) in artwork mm within which the second image shows what the artwork's file
        holds, wherever it is shown."""
        reach = artwork.bleed_mm - _END_MM
        size = np.array([artwork.width_mm, artwork.height_mm])
        # a sheet's shifts are affine in place, so that its sides stay straight
        corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (size + 2 * reach) - reach
        return np.asarray(corners + (1 - self.place_share) * self.shift_at(corners))


def look_beside(
    photo: Photo,
    artwork: Artwork,
    placement: Placement,
    difference: Difference,
    second: SecondImage,
) -> tuple[Difference, Placement]:
    """The difference of a photo that is known to show a second image, which is expected then, and
    where the first image lies.

    `difference` is the first one, taken without. Of two images the photo is lined up anew; where
    that fails, the first image is drawn as far off its place as `second` says.
    """
    px_per_mm = difference.photo.px_per_mm
    in_place = replace(second, place_share=0.0)
    twice = printed_twice(artwork, in_place, px_per_mm)
    again = placed_again(photo, twice, placement)
    if again is placement:
        twice = printed_twice(artwork, second, px_per_mm)
    else:
        second = in_place
    beside = replace(compare(photo, twice, again), artwork=artwork)
    return _as_far_as_known(beside, second), again


def _as_far_as_known(difference: Difference, second: SecondImage) -> Difference:
    """The difference with those places hidden where the second image would show what lies past the
    file's end: nobody knows what the paper carried there."""
    panel, photo = difference.panel, difference.photo
    end = second.end_mm(difference.artwork)

    def past(to_px: Callable[[F64], F64], shape: tuple[int, ...]) -> Mask:
        unknown = ~fill(to_px(end), shape[0], shape[1])
        if second.box_mm is not None:
            x0, y0, x1, y1 = second.box_mm
            box = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
            unknown &= fill(to_px(box), shape[0], shape[1])
        return unknown

    on_panel = past(panel.to_px, panel.inside.shape) & panel.inside
    origin = np.array([photo.x0, photo.y0])
    in_photo = past(lambda mm: difference.picture.to_photo(mm) - origin, photo.usable.shape)
    return replace(
        difference,
        photo=replace(photo, usable=photo.usable & ~in_photo),
        hidden=difference.hidden | on_panel,
        past_end=on_panel,
    )


def printed_twice(artwork: Artwork, second: SecondImage, photo_px_per_mm: float) -> Artwork:
    """The artwork with a second image over the first, no finer than the photo can use."""
    pixels = working_pixels(artwork, photo_px_per_mm)
    height, width = pixels.shape[:2]
    per_mm = np.array(replace(artwork, pixels=pixels).px_per_mm)
    cells = [(np.arange(-(-size // NODE_PX) + 2) - 0.5) * NODE_PX for size in (width, height)]
    middles = np.stack(np.meshgrid(*cells), axis=-1)
    shown = second.shown_mm(middles.reshape(-1, 2) / per_mm - artwork.bleed_mm)
    first, other = (
        ((mm + artwork.bleed_mm) * per_mm - 0.5).reshape(middles.shape).astype(np.float32)
        for mm in shown[:2]
    )
    strength = shown[2].reshape(middles.shape[:2]).astype(np.float32)
    out = np.empty_like(pixels)
    across = slice(0, width)
    for rows in strips(height, _STRIP_PX):
        here, there = (from_cells(node, NODE_PX, rows, across) for node in (first, other))
        share = from_cells(strength, NODE_PX, rows, across)[..., None]
        out[rows] = _mixed(pixels, here, there, share)
    return replace(artwork, pixels=out)


def _mixed(pixels: Pixels, first: F32, second: F32, share: F32) -> Pixels:
    """Pixels (h, w, 3) whose density is that of two places (h, w, 2) of the picture, mixed by a
    share (h, w, 1)."""
    # no more of the picture than both images lie on
    low = int(min(first[..., 1].min(), second[..., 1].min())) - 2
    high = int(max(first[..., 1].max(), second[..., 1].max())) + 3
    low = int(np.clip(low, 0, len(pixels) - 1))
    part = linear_from_root(root_from_pixels(pixels[low : max(high, low + 1)])) + _BLACK
    here, there = (
        np.log(np.maximum(sample(part, place - np.array([0, low], np.float32)), 1e-6))
        for place in (first, second)
    )
    code = encode_srgb(np.exp(here + share * (there - here)) - _BLACK)
    whole = np.rint(code * np.iinfo(pixels.dtype).max)
    return whole.astype(np.uint8) if pixels.dtype == np.uint8 else whole.astype(np.uint16)
