"""The whole panel's colour: pale, browned, or pale in one zone, as far as one photo can suspect it.

Light multiplies every colour alike, and so does a camera's white balance; lost dye scales density.
So in natural-log light the slope of photo on artwork, taken tile by tile with the light's level and
tilt left free, shows how much of the density came over. A reflection adds light and lowers that
slope too. It is fitted beside it, and where the fit over the whole panel (`press_zone.py`) finds
light added unevenly, or leaves much over, nothing is said of the whole. One zone is that fit's own
matter. Camera curves differ, so only gross losses are reported.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..imaging import highest, roughness
from ..look import Difference
from ..look.rootlight import TOP, linear_from_root
from ..ranks import median, medians, quantile
from ..records import F32, F64, Candidate, Mask
from .press_zone import LossMap, density_lost, far_zone

_COLUMNS, _ROWS = 7, 5
_STEP = 3
_MOST_SAMPLES = 500
_BELOW_TOP = 0.99
_INK_FLOOR = 0.012  # linear light of the densest print against the bare base
_DARK = 0.03
_SHADES, _COLOUR_SHARE, _LEAST_COLOURS = 6, 0.01, 4
_FLAT = 0.1  # root light over three pixels each way
_TRUST = 0.1  # standard error of a slope that is still of use
# one tile's error is not noise but colours that the model draws wrongly, alike over the tile
_TOGETHER = 4.0
_PALE, _PALE_MOST = 0.82, 0.88  # slope at the median and at the upper quartile of the tiles
_PALE_TOO = 0.9
# light on the coating pales too: its scatter (linear), and what no part of the model explains (ln)
_MOST_ADDED, _MOST_SCATTER = 0.012, 0.03
_LEAST_TILES = 18
_SEEN_DE00 = 4.0  # a picture with few tones says little of density, and loses little by it
_ZONE_LEAST = 0.2  # of the short side: what is smaller is a patch
_WARM_RB, _WARM_GB = 0.48, 0.28  # natural log; white balance alone stays well below


def find_whole(difference: Difference, _found: tuple[Candidate, ...] = ()) -> tuple[Candidate, ...]:
    """Candidates of the family `panel`: off colour over the whole panel, or one zone of it paler
    or darker.

    `features`: `delta_e00`, `delta_l`, `delta_c` (of the change that the fitted loss alone makes),
    `uniformity` (share of the panel that changed alike), `snr` (a zone's loss over its error; else
    the change over its scatter), and but for a browned panel `peak_de00` and `slope` (density that
    came over, 1 all of it); for a zone also `short_side_fraction`, `area_mm2`.
    """
    view = _view(difference)
    if view is None:
        return ()
    lost = density_lost(view.seen, view.due, view.art, view.usable & ~view.hidden)
    if lost is None:
        return ()
    found = None
    if float(lost.added.std()) < _MOST_ADDED and lost.scatter < _MOST_SCATTER:
        found = _pale(difference, view)
    found = found or _browned(difference, view) or _zone(difference, view, lost)
    return () if found is None else (found,)


@dataclass(frozen=True, slots=True)
class _View:
    """Every third pixel of the panel frame, averaged: linear light (H, W, 3) of `seen`, of the
    `art`work and as it is `due` under even light; `usable` and `hidden` (H, W) bool."""

    seen: F32
    art: F32
    due: F32
    usable: Mask
    hidden: Mask


def _view(difference: Difference) -> _View | None:
    frame = difference.panel
    usable = frame.inside & frame.printed & ~frame.blown & (frame.edge_mm > 2.0)
    # a channel at its top says nothing of how much light there was
    below = cv2.inRange(frame.observed, (-1.0,) * 3, (float(_BELOW_TOP * TOP),) * 3)
    usable &= below > 0
    height, width = usable.shape
    rows, columns = height // _STEP, width // _STEP
    cut = (slice(0, rows * _STEP), slice(0, columns * _STEP))

    def small(image: F32) -> F32:
        part = np.ascontiguousarray(image[cut])
        out = cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA)
        return np.asarray(out, np.float32)

    keep = small(usable.astype(np.float32)) > 0.99
    if keep.sum() < 2000:
        return None
    art = small(frame.artwork)
    due = np.maximum(difference.look.response.apply(art), 0)
    return _View(
        linear_from_root(np.maximum(small(frame.observed), 0)),
        linear_from_root(np.maximum(art, 0)),
        linear_from_root(due),
        keep,
        small((difference.hidden | difference.skirt).astype(np.float32)) > 0.01,
    )


@dataclass(frozen=True, slots=True)
class _Slopes:
    """Per tile (rows, columns): slope in log light and its error; NaN unfit."""

    slope: F64
    error: F64

    @property
    def trusted(self) -> Mask:
        """Tiles (rows, columns) whose slope is of use."""
        return np.asarray(np.nan_to_num(self.error, nan=1.0) < _TRUST)


def _slopes(view: _View) -> _Slopes:
    """Slopes of the photo's log light on the artwork's, tile by tile.

    Flat colours alone speak: the photo's blur takes contrast from thin lines, and no dye.
    """
    told = view.usable & (roughness(np.sqrt(view.art)) < _FLAT)
    height, width = view.usable.shape
    tall, wide = height / _ROWS, width / _COLUMNS
    out = np.full((2, _ROWS, _COLUMNS), np.nan)
    for row in range(_ROWS):
        for column in range(_COLUMNS):
            y0, y1 = int(max((row - 0.4) * tall, 0)), int(min((row + 1.4) * tall, height))
            x0, x1 = int(max((column - 0.4) * wide, 0)), int(min((column + 1.4) * wide, width))
            cut = (slice(y0, y1), slice(x0, x1))
            index = np.flatnonzero(told[cut])
            if index.size < 200:
                continue
            index = index[:: max(1, index.size // _MOST_SAMPLES)]
            place = np.stack([index % (x1 - x0) / wide, index // (x1 - x0) / tall], axis=1)
            seen = view.seen[cut].reshape(-1, 3)[index].astype(np.float64)
            due = view.art[cut].reshape(-1, 3)[index].astype(np.float64)
            out[:, row, column] = _fit_slope(seen, due, place - place.mean(0))
    return _Slopes(*out)


# prior scatter of: three levels (free), tilt of light (2), slope about 1, added light, the slope's
# own change over the tile (2)
_PRIOR = np.diag([0.0, 0, 0, 1 / 0.3**2, 1 / 0.3**2, 1.0, 1 / 0.02**2, 1 / 0.2**2, 1 / 0.2**2])


def _fit_slope(seen: F64, due: F64, place: F64) -> tuple[float, float]:
    """Slope and its error of one tile's pixels (N, 3), robust."""
    n = len(seen)
    design = np.zeros((3 * n, 9))
    for c in range(3):
        part = slice(c * n, (c + 1) * n)
        design[part, c] = 1
        design[part, 3:5] = place
        design[part, 5] = np.log(due[:, c] + _INK_FLOOR)
        # first order of ln(due + added): what a reflection does, most where it is dark
        design[part, 6] = 1 / (due[:, c] + _DARK)
        design[part, 7:] = place * (design[part, 5] - design[part, 5].mean())[:, None]
    target = np.log(np.maximum(seen, 0.002)).T.ravel()
    base = np.clip(due.T.ravel() / _DARK, 0.1, 1)
    weight, scatter = base**2, 0.05
    solved, normal = np.zeros(9), np.eye(9)
    pull = _PRIOR @ np.array([0, 0, 0, 0, 0, 1.0, 0, 0, 0])
    for _ in range(4):
        weighted = design * weight[:, None]
        normal = weighted.T @ design / scatter**2 + _PRIOR
        solved = np.linalg.solve(normal, weighted.T @ target / scatter**2 + pull)
        off = np.abs((target - design @ solved) * base)
        scatter = max(1.4826 * median(off), 0.015)
        weight = base**2 * np.minimum(1, 2 * scatter / np.maximum(off, 1e-9))
    error = _TOGETHER * float(np.sqrt(np.linalg.inv(normal)[5, 5]))
    return float(solved[5]), error


def _pale(difference: Difference, view: _View) -> Candidate | None:
    """Density lost over the whole panel."""
    slopes = _slopes(view)
    trusted = slopes.trusted
    if trusted.sum() < _LEAST_TILES or _colours(view) < _LEAST_COLOURS:
        return None
    values = slopes.slope[trusted]
    middle, upper = median(values), quantile(values, 0.75)
    if middle > _PALE or upper > _PALE_MOST:
        return None
    features = _change(view, middle, view.usable)
    if features["delta_e00"] < _SEEN_DE00:
        return None
    features |= {
        "uniformity": float((values < _PALE_TOO).mean()),
        "slope": middle,
        "snr": (1 - middle) / max(1.4826 * median(np.abs(values - middle)), 0.03),
    }
    return _candidate(difference, np.ones(view.usable.shape, bool), features)


def _colours(view: _View) -> int:
    """How many colours the picture has, coarsely: of two, a camera's tones alone may take any
    share of the contrast."""
    cells = np.minimum(np.sqrt(view.art[view.usable][::7]) * _SHADES, _SHADES - 1).astype(np.intp)
    codes = np.ravel_multi_index(tuple(cells.T), (_SHADES,) * 3)
    return int((np.bincount(codes) > _COLOUR_SHARE * len(codes)).sum())


def _change(view: _View, slope: float, where: Mask) -> dict[str, float]:
    """Mean change of the artwork's colours where only `slope` of the density came over."""
    art = view.art[where][::7]
    due = (art + np.float32(_INK_FLOOR)) / np.float32(1 + _INK_FLOOR)
    lab_due = lab_from_linear(np.clip(due, 0, 1))
    lab_left = lab_from_linear(np.clip(due ** np.float32(slope), 0, 1))
    chroma = np.hypot(*lab_left[:, 1:].T) - np.hypot(*lab_due[:, 1:].T)
    delta = ciede2000(lab_left, lab_due)
    return {
        "delta_e00": float(delta.mean()),
        "peak_de00": quantile(delta, 0.98),
        "delta_l": float((lab_left - lab_due)[:, 0].mean()),
        "delta_c": float(chroma.mean()),
    }


def _browned(difference: Difference, view: _View) -> Candidate | None:
    """Whites far warmer than white balance leaves them."""
    white = view.usable & (-highest(-view.art) > 0.75)
    if white.sum() < 0.003 * view.usable.sum() or white.sum() < 200:
        return None
    seen = view.seen[white] / np.maximum(view.seen[white].max(axis=1, keepdims=True), 1e-4)
    r, g, b = (np.log(np.maximum(seen[:, c], 1e-3)) for c in range(3))
    warm = (r - b > _WARM_RB) & (g - b > _WARM_GB)
    if median(r - b) < _WARM_RB or median(g - b) < _WARM_GB:
        return None
    lab = lab_from_linear(np.clip(medians(seen)[None], 0, 1))
    neutral = np.array([[100.0, 0, 0]], np.float32)
    spread = 1.4826 * median(np.abs(r - b - median(r - b)))
    features = {
        "delta_e00": float(ciede2000(lab, neutral)[0]),
        "delta_l": float(lab[0, 0] - 100),
        "delta_c": float(np.hypot(lab[0, 1], lab[0, 2])),
        "uniformity": float(warm.mean()),
        "snr": median(r - b) / max(spread, 0.05),
    }
    return _candidate(difference, np.ones(view.usable.shape, bool), features)


def _zone(difference: Difference, view: _View, lost: LossMap) -> Candidate | None:
    """One part of the panel where more or less density came over than on the rest."""
    zone = far_zone(lost)
    if zone is None:
        return None
    height, width = view.usable.shape
    where = cv2.resize(zone.mask.astype(np.float32), (width, height))
    mask: Mask = np.asarray(where > 0.5) & view.usable
    art = difference.artwork
    area = float(mask.sum()) * (_STEP / difference.panel.px_per_mm) ** 2
    short_side_fraction = float(2 * np.sqrt(area / np.pi) / min(art.width_mm, art.height_mm))
    if not short_side_fraction > _ZONE_LEAST:
        return None
    features = _change(view, 1 - zone.share, mask) | {
        "uniformity": float(mask.sum()) / float(view.usable.sum()),
        "slope": 1 - zone.share,
        "snr": zone.z,
        "area_mm2": area,
        "short_side_fraction": short_side_fraction,
    }
    return _candidate(difference, mask, features)


def _candidate(difference: Difference, mask: Mask, features: dict[str, float]) -> Candidate:
    art, frame = difference.artwork, difference.panel
    if mask.all():
        outline = np.array(
            [[0, 0], [art.width_mm, 0], [art.width_mm, art.height_mm], [0, art.height_mm]]
        )
    else:
        contours, _ = cv2.findContours(
            mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
        )
        largest = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
        px = (largest + 0.5) * _STEP - 0.5
        outline = difference.to_panel_mm(frame.to_mm(px))
    low, high = outline.min(0), outline.max(0)
    area = features.setdefault("area_mm2", art.width_mm * art.height_mm)
    return Candidate(
        family="panel",
        center_mm=(float((low[0] + high[0]) / 2), float((low[1] + high[1]) / 2)),
        box_mm=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        outline_mm=np.asarray(outline, np.float64),
        area_mm2=area,
        delta_e00=features["delta_e00"],
        snr=features["snr"],
        tone="light" if features["delta_l"] > 0 else "dark",
        features=features,
        extent="panel" if mask.all() else "local",
    )
