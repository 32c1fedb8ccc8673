"""Colours that live in fine detail alone: thin lines, stars, print.

The look learns colours from flat places. A colour that is nowhere flat is then foretold by others,
often wrongly, and every line drawn in it differs from the photo as a scratch would. What such a
colour is off by is measured where the photo's blur mixes it with its ground: each tile's pixels are
regressed on the share that the colour has in them (the blurred indicator of its pixels), so that a
line counts by its core. Tiles over the whole panel speak for each colour as flat parts do, and a
mark on one line has no say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..imaging import area, sample
from ..records import F32, F64, U8, Mask
from .colour_rest import COLOURS, NO_SAMPLES, ColourSamples, colour_cell
from .render import NODE_PX, ArtworkUnderPhoto, LitArtwork, blurred, photo_light
from .rootlight import root_from_linear, root_from_pixels
from .sharpness import Sharpness

_MOST_COLOURS = 8
_LEAST_SHARE = 1e-4  # of the artwork, that makes a colour one to ask for
_FLAT_PARTS = 3  # of the panel, that have told a colour
_LOOKED_AT = 600  # px along the longer side, of the artwork's pixels that are counted
_NODES = 3  # spans of NODE_PX along a tile
_PARTS = 5  # of the panel each way, each with one tile for a colour
_LEAST_IN_TILE = 0.004
_CORE = 0.3  # share of a colour in a pixel that speaks for it
_ALONE = 5.0  # times as much as all other such colours together
_GROUND = 0.03  # share up to which a pixel is ground
_LEAST_PX = 12
_MOST = 48.0  # flat pixels that a tile is worth: nothing else can outweigh the table's pull to zero
_PX_WORTH = 1.0  # of a flat pixel; neighbours' noise and the blur's error are not independent


def fine_samples(
    flat: ColourSamples,
    lit: LitArtwork,
    under: ArtworkUnderPhoto,
    observed: F32,
    usable: Mask,
    sharp: Sharpness,
    px_per_mm: float,
) -> ColourSamples:
    """What the cubic leaves over of colours that no `flat` sample tells.

    `observed` (H, W, 3) root light and `usable` (H, W) are the photo's window, `under` the place of
    its pixels in px of the artwork as lit by the look with its table so far.
    """
    step = max(1, max(lit.pixels.shape[:2]) // _LOOKED_AT)
    few = root_from_pixels(np.ascontiguousarray(lit.pixels[::step, ::step]))
    cells = colour_cell(few.reshape(-1, 3)).reshape(few.shape[:2])
    label = _untold(flat, cells)
    if not label.any():
        return NO_SAMPLES
    labelled = np.take(label, cells)
    blur = sharp.blur_px * float(np.mean(lit.px_per_mm)) / px_per_mm
    found: list[tuple[F32, F32, float, int]] = []
    for x, y, wanted in _tiles(labelled, step, under, usable):
        tile = _Tile.drawn(lit, under, (x, y), observed, usable, sharp, blur, label)
        if tile is not None:
            found += [(*one, colour) for colour in wanted if (one := tile.left(colour)) is not None]
    if not found:
        return NO_SAMPLES
    artwork = np.stack([one[0] for one in found])
    # what was drawn had the table so far in it, what is asked for is what the cubic leaves
    before = lit.response.table
    left = np.stack([one[1] for one in found])
    if before is not None:
        planes = np.zeros((3, len(found)), np.float32)
        before.add_to(planes, np.ascontiguousarray(artwork.T))
        left += planes.T
    # one cell for each colour, so that its tiles are held against one another
    first = {colour: int(np.flatnonzero(label == colour)[0]) for *_, colour in found}
    colour = np.array([first[one[3]] for one in found], np.intp)
    order = np.argsort(colour, kind="stable")
    weight = np.minimum(np.array([one[2] for one in found]), _MOST)
    return ColourSamples(artwork[order], left[order], weight[order], colour[order])


def _untold(flat: ColourSamples, cells: NDArray[np.intp]) -> U8:
    """Number of the colour to ask for by cell (COLOURS^3,), from 1 on; 0 where flat parts of the
    panel tell the cell or one beside it, or where the artwork hardly has it."""
    shape = (COLOURS,) * 3
    told = np.bincount(flat.colour, minlength=COLOURS**3) >= _FLAT_PARTS
    near = np.pad(told.reshape(shape), 1)
    for axis in range(3):
        near = near | np.roll(near, 1, axis) | np.roll(near, -1, axis)
    count = np.bincount(cells.ravel(), minlength=COLOURS**3)
    count[near[1:-1, 1:-1, 1:-1].ravel()] = 0
    cube = count.reshape(shape)
    label = np.zeros(shape, np.uint8)
    for number in range(1, _MOST_COLOURS + 1):
        at = np.unravel_index(int(np.argmax(cube)), shape)
        around = tuple(slice(max(one - 1, 0), one + 2) for one in at)
        if cube[around].sum() < _LEAST_SHARE * cells.size:
            break
        part = label[around]
        part[(cube[around] > 0) & (part == 0)] = number
        cube[around] = 0
    return label.ravel()


def _tiles(
    labelled: U8, step: int, under: ArtworkUnderPhoto, usable: Mask
) -> list[tuple[int, int, list[int]]]:
    """Top left (x, y) of the tiles of the photo that hold most of a colour in their part of the
    panel, with the colours that each was chosen for."""
    span = _NODES * NODE_PX
    rows, columns = usable.shape[0] // span, usable.shape[1] // span
    if not rows or not columns:
        return []
    cut = usable[: rows * span, : columns * span]
    whole = area(cut.astype(np.uint8) * np.uint8(100), (columns, rows)) > 90
    first = 1 + _NODES // 2
    middle = under.nodes[first::_NODES, first::_NODES][:rows, :columns]
    at = np.ascontiguousarray((middle + 0.5) / step - 0.5, np.float32)
    # how wide a tile is on the labelled artwork
    reach = float(np.median(np.linalg.norm(np.diff(at[: rows // 2 + 1], axis=1), axis=-1)))
    wanted: dict[tuple[int, int], list[int]] = {}
    for colour in range(1, int(labelled.max()) + 1):
        share = sample(blurred((labelled == colour).astype(np.float32), max(reach / 2, 0.5)), at)
        share = np.where(whole, share, 0)
        for down in np.array_split(np.arange(rows), _PARTS):
            for across in np.array_split(np.arange(columns), _PARTS):
                if not len(down) or not len(across):
                    continue
                part = share[down[0] : down[-1] + 1, across[0] : across[-1] + 1]
                row, column = np.unravel_index(int(np.argmax(part)), part.shape)
                if part[row, column] > _LEAST_IN_TILE:
                    place = (int(across[column]) * span, int(down[row]) * span)
                    wanted.setdefault(place, []).append(colour)
    return [(x, y, colours) for (x, y), colours in wanted.items()]


@dataclass(frozen=True, slots=True)
class _Tile:
    """Pixels (N, 3) that are left over, the share (N, K) that each colour has in them, and the
    colours' own artwork root light (K, 3)."""

    over: F32
    share: F32
    artwork: F64

    @classmethod
    def drawn(
        cls,
        lit: LitArtwork,
        under: ArtworkUnderPhoto,
        at: tuple[int, int],
        observed: F32,
        usable: Mask,
        sharp: Sharpness,
        blur_artwork_px: float,
        label: U8,
    ) -> _Tile | None:
        """The tile whose top left is `at`; None where it has too little ground."""
        side = _NODES * NODE_PX
        cut = (slice(at[1], at[1] + side), slice(at[0], at[0] + side))
        here = under.tile(at[0], at[1], side, side)
        margin = 3 * blur_artwork_px
        linear, place = lit.piece(here, margin)
        pixels = root_from_pixels(np.ascontiguousarray(lit.pixels[lit.part(here, margin)]))
        labels = np.take(label, colour_cell(pixels.reshape(-1, 3))).reshape(pixels.shape[:2])
        spots = place.drawn(side, side)
        own = photo_light(root_from_linear(linear))
        soft = root_from_linear(sample(blurred(linear, blur_artwork_px * lit.grow), spots))
        light = np.maximum(photo_light(soft), 0.02)
        over = observed[cut] - sharp.apply(soft)
        shares, colours = [], []
        for colour in range(1, int(label.max()) + 1):
            there = labels == colour
            alone = lit.grown(there.astype(np.float32)) * own
            # blur mixes linear light, whose change with root light goes as the root
            mixed = sample(blurred(alone, blur_artwork_px * lit.grow), spots) / light
            shares.append(sharp.filtered(np.asarray(mixed, np.float32))[usable[cut]])
            colours.append(pixels[there].mean(axis=0) if there.any() else np.zeros(3))
        share = np.stack(shares, axis=1)
        left = over[usable[cut]]
        ground = np.abs(share).sum(axis=1) < _GROUND
        if ground.sum() < _LEAST_PX:
            return None
        left = left - np.median(left[ground], axis=0)
        return cls(np.asarray(left, np.float32), share, np.asarray(colours, np.float64))

    def left(self, colour: int) -> tuple[F32, F32, float] | None:
        """Artwork root light (3,), what is left over of it (3,) and the flat pixels that this is
        worth; None where the colour has too few pixels to itself."""
        own = self.share[:, colour - 1]
        others = np.abs(self.share).sum(axis=1) - np.abs(own)
        core = (own > _CORE) & (own > _ALONE * others)
        if core.sum() < _LEAST_PX:
            return None
        weight = own[core, None]
        worth = float((weight**2).sum())
        off = (weight * self.over[core]).sum(axis=0) / worth
        return self.artwork[colour - 1].astype(np.float32), off, _PX_WORTH * worth
