"""How a panel differs from the taught look: dye that is missing, colour that was added, and where.

In natural-log light the photo is the taught look, plus what the light flickers by, plus density
times the share of dye that is missing, plus colour that was added to all of it (a browned coating),
plus what the taught look errs by colour by colour. All of it is linear; each part is held by a
prior that the teaching measured (Tikhonov). The share and the added colour are smooth surfaces over
the panel, so that one fit tells the whole panel from a zone of it, with errors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..look.light_field import roughness
from ..look.rootlight import TOP
from ..records import F32, F64, Mask
from .look import TaughtLook, ln_light, surface, trusted
from .samples import PanelSamples

DYE_SPANS, SHADE_SPANS = 3, 2
_DYE, _SHADE = (DYE_SPANS + 3) ** 2, (SHADE_SPANS + 3) ** 2
# prior scatter: bend and level of the dye missing (share), of colour added (ln light), of each
# channel's own dye
_DYE_BEND, _DYE_LEVEL = 0.12, 0.3
_SHADE_BEND, _SHADE_LEVEL = 0.05, 0.2
_OWN_DYE = 0.06
_ALIKE = 0.1  # of the samples speak for themselves
_LEAST_SCATTER = 0.01
_ROUNDS = 4
COLOURS = 7  # cells of artwork colour each way that err alike
_UNTAUGHT = 0.08  # what the look may err by in a colour that no panel had, ln light
_LEAST_OF_COLOUR = 8  # samples
ROWS, COLUMNS = 18, 24


@dataclass(frozen=True, slots=True)
class Doubtful:
    """What is known beforehand of a photo under a taught light, one standard deviation in ln light:
    `level` and `tilt` of its light, and `colour` (4,) of what the look errs by in one colour, from
    the darkest class of ln light to the lightest (see `light_class`). `known` (343,) bool says
    which colours were taught, None: all; of others the look knows little.
    """

    level: float
    tilt: float
    colour: F64
    known: Mask | None = None


@dataclass(frozen=True, slots=True)
class Changes:
    """What one panel's print differs by, in ln light (above 0 lighter) and channel by channel.

    `whole` (3,) is the mean over the panel of what is alike all over, `whole_error` (3, 3) its
    covariance. `apart` (ROWS, COLUMNS, 3) is what each place has beside that, `apart_error` (ROWS,
    COLUMNS, 3, 3). `scatter` is what nothing explains. `seen` (ROWS, COLUMNS) bool: has samples.
    `of_whole` and `of_place` (N, 3) are the same two for each sample, `due` (N, 3) the ln light
    that the sample is due under even light, white at 0. `dye_share` (3,) and `shade` (3,) are the
    share of dye that is missing all over, and colour added all over. `field` (ROWS, COLUMNS) is the
    mean of `apart` over the channels as if the picture were equally dense all over. `beside` (N, 3)
    is all that a sample shows beside `of_whole`, `trust` (N, 3) how far flare and noise let it
    show.
    """

    whole: F64
    whole_error: F64
    apart: F64
    apart_error: F64
    scatter: float
    seen: Mask
    of_whole: F64
    of_place: F64
    due: F64
    dye_share: F64
    shade: F64
    field: F64
    beside: F64
    trust: F64


def density(look: TaughtLook, artwork: F32) -> F64:
    """Dye density (N, 3), natural log against the bare base, of artwork root light (N, 3)."""
    return np.asarray(np.maximum(_white(look) - look.even(artwork), 0), np.float64)


def changes_of(samples: PanelSamples, look: TaughtLook, doubtful: Doubtful) -> Changes:
    """Fit what a panel's places differ by from the taught look."""
    due = look.light(samples.artwork, samples.photo_at)
    trust, dye = trusted(due), density(look, samples.artwork)
    target = (ln_light(samples.light) - due) * trust
    places = surface(samples.panel_at, DYE_SPANS)
    shades = surface(samples.panel_at, SHADE_SPANS)
    colours, colour_error = _colours(samples.artwork, due, doubtful)
    lean = 2 * samples.photo_at - 1
    # common to the channels: dye missing, tilt of light; a channel's own: colour added, its own
    # share of dye, level of light, what its colours err by
    common = [np.hstack([places * dye[:, c, None], lean]) * trust[:, c, None] for c in range(3)]
    own = [
        np.hstack([shades, dye[:, c, None], np.ones((len(due), 1)), colours]) * trust[:, c, None]
        for c in range(3)
    ]
    ends = [common[0].shape[1], *(o.shape[1] for o in own)]
    at = np.concatenate([[0], np.cumsum(ends)]).astype(int)
    prior = _prior(at, doubtful, colour_error)
    weight, scatter = np.ones(len(due)), 0.03
    solved, covariance = np.zeros(at[-1]), np.eye(at[-1])
    for _ in range(_ROUNDS):
        w = weight[:, None] * (_ALIKE / scatter**2)
        normal, right = prior.copy(), np.zeros(at[-1])
        first = slice(at[0], at[1])
        for c in range(3):
            part = slice(at[c + 1], at[c + 2])
            shared, mine = common[c] * w, own[c] * w
            normal[first, first] += shared.T @ common[c]
            normal[part, part] += mine.T @ own[c]
            normal[first, part] += shared.T @ own[c]
            right[first] += shared.T @ target[:, c]
            right[part] += mine.T @ target[:, c]
        lower = np.tril_indices(at[-1], -1)
        normal[lower] = normal.T[lower]
        covariance = np.asarray(np.linalg.inv(normal), np.float64)
        solved = covariance @ right
        off = np.stack(
            [
                target[:, c] - common[c] @ solved[first] - own[c] @ solved[at[c + 1] : at[c + 2]]
                for c in range(3)
            ],
            axis=1,
        )
        size = np.sqrt(np.square(off).mean(axis=1))
        scatter = max(1.4826 * float(np.median(np.abs(off))), _LEAST_SCATTER)
        weight = np.minimum(1.0, 2 * scatter / np.maximum(size, 1e-9))
    shown = (ln_light(samples.light) - due, trust)
    return _read(samples, look, dye, solved, covariance, at, scatter, shown)


def _read(
    samples: PanelSamples,
    look: TaughtLook,
    dye: F64,
    solved: F64,
    covariance: F64,
    at: NDArray[np.int_],
    scatter: float,
    shown: tuple[F64, F64],
) -> Changes:
    v, u = (np.arange(ROWS) + 0.5) / ROWS, (np.arange(COLUMNS) + 0.5) / COLUMNS
    grid = np.stack([np.tile(u, ROWS), np.repeat(v, COLUMNS)], axis=1)
    places, shades = surface(grid, DYE_SPANS), surface(grid, SHADE_SPANS)
    cell = cell_of(samples.panel_at)
    count = np.bincount(cell, minlength=len(grid))
    seen = count > 0
    mean_dye = dye.mean(axis=0)
    cell_dye = np.stack([np.bincount(cell, dye[:, c], len(grid)) for c in range(3)], axis=1)
    cell_dye = np.where(seen[:, None], cell_dye / np.maximum(count, 1)[:, None], mean_dye)
    shared = places @ solved[:_DYE]
    shade = np.stack([shades @ solved[at[c + 1] : at[c + 1] + _SHADE] for c in range(3)], axis=1)
    own = solved[at[1:4] + _SHADE]
    share = float(np.median(shared[seen])) + own
    all_over = np.median(shade[seen], axis=0)
    # medians are told from a zone; their error is taken for the means'
    mean_places, mean_shades = places[seen].mean(axis=0), shades[seen].mean(axis=0)
    whole_design = np.zeros((3, len(solved)))
    apart_design = np.zeros((len(grid), 3, len(solved)))
    for c in range(3):
        part = slice(at[c + 1], at[c + 1] + _SHADE)
        whole_design[c, :_DYE] = mean_dye[c] * mean_places
        whole_design[c, part] = mean_shades
        whole_design[c, at[c + 1] + _SHADE] = mean_dye[c]
        apart_design[:, c, :_DYE] = cell_dye[:, c, None] * (places - mean_places)
        apart_design[:, c, part] = shades - mean_shades
    beside = shared - np.median(shared[seen])
    apart = cell_dye * beside[:, None] + shade - all_over
    field = (mean_dye * beside[:, None] + shade - all_over).mean(axis=1)
    spread = np.einsum("nij,jk,nlk->nil", apart_design, covariance, apart_design, optimize=True)
    of_place = dye * beside[cell, None] + (shade - all_over)[cell]
    of_whole = dye * share + all_over
    return Changes(
        whole=mean_dye * share + all_over,
        whole_error=np.asarray(whole_design @ covariance @ whole_design.T, np.float64),
        apart=apart.reshape(ROWS, COLUMNS, 3),
        apart_error=spread.reshape(ROWS, COLUMNS, 3, 3),
        scatter=scatter,
        seen=seen.reshape(ROWS, COLUMNS),
        of_whole=of_whole,
        of_place=np.asarray(of_place, np.float64),
        due=look.even(samples.artwork) - _white(look),
        dye_share=share,
        shade=all_over,
        field=field.reshape(ROWS, COLUMNS),
        beside=shown[0] - of_whole,
        trust=shown[1],
    )


def cell_of(panel_at: F64) -> NDArray[np.intp]:
    """Flat index (N,) of the maps' cells at panel places (N, 2)."""
    column = np.clip(panel_at[:, 0] * COLUMNS, 0, COLUMNS - 1).astype(np.intp)
    row = np.clip(panel_at[:, 1] * ROWS, 0, ROWS - 1).astype(np.intp)
    return np.asarray(row * COLUMNS + column, np.intp)


def _white(look: TaughtLook) -> F64:
    return look.even(np.full((1, 3), TOP, np.float32))


def _colours(artwork: F32, due: F64, doubtful: Doubtful) -> tuple[F64, F64]:
    """Which of the panel's colours each sample is (N, K), and what the look errs by in it (K,)."""
    codes, index = np.unique(colour_code(artwork), return_inverse=True)
    member = np.zeros((len(artwork), len(codes)))
    member[np.arange(len(artwork)), index] = 1.0
    light = np.bincount(index, due.mean(axis=1)) / np.bincount(index)
    error = doubtful.colour[light_class(light)]
    if doubtful.known is not None:
        error = np.where(doubtful.known[codes], error, np.maximum(error, _UNTAUGHT))
    return member, error


def taught_colours(counts: NDArray[np.intp]) -> Mask:
    """Which colours (343,) a look knows that was taught on so many panels (343,) with each: those
    and the ones next to them."""
    cube = np.pad(counts.reshape((COLOURS,) * 3) > 0, 1)
    near = cube.copy()
    for axis in range(3):
        near |= np.roll(cube, 1, axis) | np.roll(cube, -1, axis)
    return np.asarray(near[1:-1, 1:-1, 1:-1].ravel(), bool)


def colours_of(artwork: F32) -> NDArray[np.intp]:
    """The colours that a panel's places (N, 3) have enough of to teach them."""
    count = np.bincount(colour_code(artwork), minlength=COLOURS**3)
    return np.asarray(np.flatnonzero(count >= _LEAST_OF_COLOUR), np.intp)


def colour_code(artwork: F32) -> NDArray[np.intp]:
    """Which colours (N,) of artwork root light (N, 3) are taken to err alike."""
    at = np.clip(artwork / TOP * COLOURS, 0, COLOURS - 1).astype(np.intp)
    return np.asarray((at[:, 0] * COLOURS + at[:, 1]) * COLOURS + at[:, 2], np.intp)


def light_class(due: F64) -> NDArray[np.intp]:
    """Class 0 (dark) to 3 (light) of expected ln light."""
    return np.asarray(np.searchsorted([-3.5, -2.2, -1.2], due), np.intp)


def _prior(at: NDArray[np.int_], doubtful: Doubtful, colour_error: F64) -> F64:
    out = np.zeros((at[-1], at[-1]))
    out[:_DYE, :_DYE] = _smooth(_DYE, _DYE_BEND, _DYE_LEVEL)
    tilt = np.arange(_DYE, at[1])
    out[tilt, tilt] = 1 / doubtful.tilt**2
    for c in range(3):
        start = int(at[c + 1])
        shade = slice(start, start + _SHADE)
        out[shade, shade] = _smooth(_SHADE, _SHADE_BEND, _SHADE_LEVEL)
        rest = np.concatenate([[_OWN_DYE, doubtful.level], colour_error])
        index = np.arange(start + _SHADE, int(at[c + 2]))
        out[index, index] = 1 / rest**2
    return out


def _smooth(count: int, bend: float, level: float) -> F64:
    side = round(float(np.sqrt(count)))
    return np.asarray(roughness(side) / bend**2 + np.eye(count) / (level**2 * count / 4))
