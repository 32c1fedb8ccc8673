"""What the colour fit leaves over, colour by colour, as far as places of the panel agree on it.

An ink's curve, a camera's gamut and tone curves bend colours in ways that no cubic draws. What they
do, they do wherever a colour is; a defect is in one place. So the table of what is left over is
fitted again on many pixels, and the pixels of one colour in one part of the panel have together no
more weight than a few: a colour is corrected as far as several parts of the panel ask for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..ranks import medians
from ..records import F32, F64
from .colour_light import BRIGHT, ColourLight, sample_weights
from .colour_table import ColourTable
from .frames import PanelFrame
from .veil import veiled

_STEP = 3
_TILES = 10  # each way
COLOURS = 14  # each way
_MOST = 12.0  # samples that one colour counts for in one tile
_LEAST = 2.0  # samples that tell a colour in a tile
_REACH = 5.0  # scatters off, from which a tile has no say in a colour
_BENT = 0.5
_ALONE = 0.3  # say of the only tile that has a colour
_LEAST_SCATTER = 0.002  # root light
_LEAST_THROUGH = np.float32(0.2)


@dataclass(frozen=True, slots=True)
class ColourSamples:
    """What a cubic leaves over, by colour and part of the panel.

    `artwork`, `left` (G, 3) float32 root light, `weight` (G,) float64 in flat pixels, `colour` (G,)
    cells of artwork root light, rising.
    """

    artwork: F32
    left: F32
    weight: F64
    colour: NDArray[np.intp]

    def table(self) -> ColourTable | None:
        """The table that several parts of the panel ask for; None where there is no sample."""
        if not len(self.weight):
            return None
        trust = self.weight * _agreeing(self.left, self.colour)
        return ColourTable.fit(self.artwork, self.left, trust.astype(np.float32))

    def joined(self, other: ColourSamples) -> ColourSamples:
        """These and others."""
        colour = np.concatenate([self.colour, other.colour])
        order = np.argsort(colour, kind="stable")
        pairs = ((self.artwork, other.artwork), (self.left, other.left))
        artwork, left = (np.concatenate(pair)[order] for pair in pairs)
        weight = np.concatenate([self.weight, other.weight])[order]
        return ColourSamples(artwork, left, weight, colour[order])


NO_SAMPLES = ColourSamples(
    np.zeros((0, 3), np.float32), np.zeros((0, 3), np.float32), np.zeros(0), np.zeros(0, np.intp)
)


def colour_cell(artwork: F32) -> NDArray[np.intp]:
    """Cell (N,) of COLOURS cubed in which artwork root light (N, 3) lies."""
    cells = tuple(np.clip(artwork.T * COLOURS, 0, COLOURS - 1).astype(np.intp))
    return np.asarray(np.ravel_multi_index(cells, (COLOURS,) * 3), np.intp)


def flat_samples(frame: PanelFrame, look: ColourLight, gradient: F32) -> ColourSamples:
    """What the look's cubic leaves over, from every third pixel each way of the frame.

    `gradient` (H, W) is the artwork's, in root light per px: edges say little of colour.
    """
    cut = (slice(None, None, _STEP), slice(None, None, _STEP))
    usable = (frame.inside & frame.printed & ~frame.blown & (frame.edge_mm > 1.0))[cut]
    weight = sample_weights(np.ascontiguousarray(gradient[cut]), usable).ravel()
    flat = np.flatnonzero(weight > 0)
    if flat.size == 0:
        return NO_SAMPLES
    rows, columns = usable.shape
    weight = weight[flat]
    art = np.ascontiguousarray(frame.artwork[cut].reshape(-1, 3)[flat])
    ends = (0.5 / columns, 1 - 0.5 / columns), (0.5 / rows, 1 - 0.5 / rows)
    gain = np.maximum(look.gain.on_grid(rows, columns, *ends).reshape(-1, 3)[flat], 0.2)
    veil = look.veil.on_grid(rows, columns, *ends).reshape(-1, 1)[flat]
    due = look.response.apply(art[None])[0] * gain
    lit, through = veiled(due, veil)
    left = frame.observed[cut].reshape(-1, 3)[flat] - lit
    # under a veil the print's own colour says less of itself
    left /= gain * np.maximum(through, _LEAST_THROUGH)
    weight *= through.mean(axis=1) ** 2
    colour = colour_cell(art)
    row, column = flat // columns * _TILES // rows, flat % columns * _TILES // columns
    codes, groups = np.unique(
        np.ravel_multi_index((colour, row, column), (COLOURS**3, _TILES, _TILES)),
        return_inverse=True,
    )
    total = np.bincount(groups, weight).astype(np.float64)
    seen = total > _LEAST
    art, left = (_means(image, groups, weight, total)[seen] for image in (art, left))
    most = np.minimum(total[seen], _MOST)
    return ColourSamples(art, left, most, np.asarray(codes[seen] // _TILES**2, np.intp))


def _means(image: F32, groups: NDArray[np.intp], weight: F32, total: F64) -> F32:
    """Weighted means (G, 3) of pixels (N, 3) by group."""
    sums = np.stack([np.bincount(groups, weight * channel) for channel in image.T], axis=1)
    return np.asarray(sums / np.maximum(total, 1e-9)[:, None], np.float32)


def _agreeing(left: F32, colour: NDArray[np.intp]) -> F32:
    """Tukey biweights (N,) of tiles: how far what is left over (N, 3) of a colour agrees with the
    middle one of all tiles that have the colour."""
    first = np.flatnonzero(np.diff(colour, prepend=-1))
    count = np.diff(first, append=len(colour))
    middle = np.empty((len(first), left.shape[1]), np.float32)
    for c in range(left.shape[1]):
        order = np.lexsort((left[:, c], colour))
        middle[:, c] = left[order[first + (count - 1) // 2], c]
    usual = np.repeat(middle, count, axis=0)
    off = left - usual
    several = np.repeat(count > 2, count)
    if not several.any():
        return np.full(len(left), _ALONE, np.float32)
    scatter = np.maximum(1.4826 * medians(np.abs(off[several]), axis=0), _LEAST_SCATTER)
    # where a colour is bent far, one nearly the same is bent less or more
    off /= scatter.astype(np.float32) + _BENT * np.abs(usual)
    off[off.mean(axis=1) > 0] *= np.float32(BRIGHT)
    agreed = np.square(np.clip(1 - np.square(off).mean(axis=1) / _REACH**2, 0, None))
    return np.asarray(np.where(np.repeat(count > 1, count), agreed, _ALONE), np.float32)
