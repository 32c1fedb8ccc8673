"""The panel's true outline in the photo, measured on its edges and not taken from the picture."""

from __future__ import annotations

from itertools import product

import numpy as np

from ..records import F64, Artwork, Mask, Photo, Pixels
from .outline_record import EdgePoints, Outline, described
from .picture_map import FittedMap
from .profiles import (
    BorderPoints,
    Index,
    Profiles,
    border_profiles,
    rectangle_points,
    shape_points,
)
from .shaped import shaped_outline
from .sides import Line, steepest, sub_pixel

_PER_SIDE = 160
_SLOPES = np.linspace(-1.0, 1.0, 25)
# mm over a side by which the edge may run askew to the picture, as a share of the side's length;
# to a rough start further
_SKEW_SHARE = 0.006
_ROUGH_SKEW_SHARE = 0.015
_TOP_LINES = 4
_BLUR_SAMPLES = 4
# prior spreads of print against panel
_DRIFT_SD_MM = 0.8
_STRETCH_SD = 0.002
_SKEW_SD = 0.0012
# weight of these priors against the evidence of the sides
_PRIOR_WEIGHT = 0.6
_ROUGH_WEIGHT = 0.01
_LEAST_SCORE = 0.30
# window, in blurs, in which a side's points are sought for the lens
_BENT_WINDOW = 4.0


def find_outline(
    photo: Photo,
    artwork: Artwork,
    artwork_rgb: Pixels,
    picture: FittedMap,
    blur_px: float,
    *,
    rough: bool = False,
) -> Outline | None:
    """The outline near the picture's trim, or None where its edges do not show.

    Lines are straight in the frame of homography and lens; the paper's own warp is left out. Where
    the picture's place is only `rough`, the clearest lines are taken, however askew they lie to it.
    """
    base = picture.without_spline()
    if artwork.alpha is not None:
        shape = shape_points(artwork, 4 * _PER_SIDE)
        if shape is None:
            return None
        return shaped_outline(photo, artwork, artwork_rgb, base, shape, blur_px)
    border = rectangle_points(artwork, _PER_SIDE)
    profiles = border_profiles(photo, artwork_rgb, artwork, base, border, blur_px)
    along = _along(artwork, border)
    lengths = (artwork.width_mm, artwork.height_mm, artwork.width_mm, artwork.height_mm)
    choices: list[list[Line | None]] = []
    for side in range(4):
        rows = border.side == side
        skew_mm = (_ROUGH_SKEW_SHARE if rough else _SKEW_SHARE) * lengths[side]
        lines = _candidate_lines(profiles, rows & profiles.valid, rows, along, skew_mm)
        choices.append([*lines, None])
    best = _consistent(choices, artwork, _ROUGH_WEIGHT if rough else _PRIOR_WEIGHT)
    if best is None:
        return None
    fitted: list[Line | None] = []
    points: list[EdgePoints] = []
    for side, line in enumerate(best):
        if line is None:
            fitted.append(None)
            continue
        rows = np.flatnonzero((border.side == side) & profiles.valid)
        fine = sub_pixel(profiles, rows, along[rows], line, blur_px)
        fitted.append(fine)
        if fine is not None:
            points.append(_edge_points(border, profiles, rows, along[rows], fine, blur_px))
    outline = _from_lines(fitted, artwork)
    if outline is None:
        return None
    return outline.with_edges(
        EdgePoints(*(np.concatenate([getattr(p, n) for p in points]) for n in EdgePoints.__slots__))
    )


def _edge_points(
    border: BorderPoints,
    profiles: Profiles,
    rows: Index,
    along: F64,
    line: Line,
    blur_px: float,
) -> EdgePoints:
    """The points of one side, sought further from its line: a lens bends what is straight."""
    found = steepest(profiles, rows, along, line, blur_px, _BENT_WINDOW)
    rows = rows[found.ok]
    keep = found.weight > 0
    rows = rows[keep]
    nominal, normals = border.points_mm[rows], border.normals[rows]
    seen = nominal + normals * found.offsets_mm[keep, None]
    return EdgePoints(nominal, seen, normals, found.weight[keep])


def _along(artwork: Artwork, border: BorderPoints) -> F64:
    """Position along each side, clockwise, -1/2 at its start and 1/2 at its end."""
    w, h = artwork.width_mm, artwork.height_mm
    x, y = border.points_mm[:, 0] / w, border.points_mm[:, 1] / h
    out = np.choose(border.side, [x, y, 1 - x, 1 - y]) - 0.5
    return np.asarray(out, dtype=np.float64)


def _candidate_lines(
    profiles: Profiles, rows: Mask, all_rows: Mask, along: F64, skew_mm: float
) -> list[Line]:
    """The strongest lines of one side, at most a few, best first."""
    if rows.sum() < 0.5 * all_rows.sum():
        return []
    evidence = profiles.evidence[rows]
    t = along[rows]
    count = evidence.shape[1]
    index = np.arange(count)
    scores = np.empty((_SLOPES.size, count))
    for k, slope in enumerate(_SLOPES * skew_mm):
        at = index[None, :] + np.round(slope * t / profiles.pitch_mm).astype(np.intp)[:, None]
        value = np.take_along_axis(evidence, np.clip(at, 0, count - 1), axis=1)
        value = np.where((at >= 0) & (at < count), value, 0.0)
        scores[k] = value.mean(axis=0)
    lines: list[Line] = []
    left = scores.copy()
    # one border's blur is clear for some samples to either side of it
    width = max(_BLUR_SAMPLES, round(0.25 / profiles.pitch_mm))
    for _ in range(_TOP_LINES):
        tilt, at_px = divmod(int(left.argmax()), count)
        score = float(left[tilt, at_px])
        if score < _LEAST_SCORE:
            break
        slope = float(_SLOPES[tilt]) * skew_mm
        lines.append(Line(float(profiles.offsets_mm[at_px]), slope, score))
        left[:, max(0, at_px - width) : at_px + width + 1] = 0.0
    return lines


def _consistent(
    choices: list[list[Line | None]], artwork: Artwork, prior_weight: float
) -> tuple[Line | None, ...] | None:
    """One line per side, together most likely the panel; None below 3 sides."""
    w, h = artwork.width_mm, artwork.height_mm
    lengths = np.array([w, h, w, h])
    best, best_score = None, -np.inf
    for combo in product(*choices):
        lines = [line for line in combo if line is not None]
        if len(lines) < 3:
            continue
        score = 4.0 * sum(line.score for line in lines)
        skews = [
            line.slope / length
            for line, length in zip(combo, lengths, strict=True)
            if line is not None
        ]
        turn = float(np.median(skews))
        score -= 0.5 * sum(min(((s - turn) / _SKEW_SD) ** 2, 25.0) for s in skews) * prior_weight
        top, right, bottom, left = combo
        for one, two, span in ((top, bottom, h), (left, right, w)):
            if one is None or two is None:
                lone = one or two
                if lone is not None:
                    spread_mm = np.hypot(_DRIFT_SD_MM, 0.5 * _STRETCH_SD * span)
                    score -= 0.5 * (lone.middle / spread_mm) ** 2 * prior_weight
                continue
            spread = np.hypot(_STRETCH_SD, 0.15 / span)
            score -= 0.5 * (((one.middle + two.middle) / span) / spread) ** 2 * prior_weight
            score -= 0.5 * (((two.middle - one.middle) / 2) / _DRIFT_SD_MM) ** 2 * prior_weight
        if score > best_score:
            best, best_score = combo, score
    return best


def _from_lines(lines: list[Line | None], artwork: Artwork) -> Outline | None:
    """The outline from its lines; a missing one is put where the size wants it."""
    w, h = artwork.width_mm, artwork.height_mm
    seen = tuple(line is not None for line in lines)
    if sum(seen) < 3:
        return None
    filled = list(lines)
    spans = (h, w, h, w)
    for side in range(4):
        opposite = lines[(side + 2) % 4]
        if lines[side] is not None or opposite is None:
            continue
        near, far = lines[(side + 1) % 4], lines[(side + 3) % 4]
        if near is None or far is None:
            return None
        # the other pair tells how much larger the panel is than the print, per mm
        growth = (near.middle + far.middle) / spans[(side + 1) % 4]
        length = spans[(side + 1) % 4]
        turn = opposite.slope / length
        filled[side] = Line(growth * spans[side] - opposite.middle, turn * length, 0.0)
    top, right, bottom, left = (line for line in filled if line is not None)
    # each side as a*x + b*y = c in artwork mm
    rows = np.array(
        [
            [top.slope / w, 1.0, -top.middle + top.slope * 0.5],
            [1.0, -right.slope / h, w + right.middle - right.slope * 0.5],
            [bottom.slope / w, 1.0, h + bottom.middle + bottom.slope * 0.5],
            [1.0, -left.slope / h, -left.middle - left.slope * 0.5],
        ]
    )
    corners = np.array(
        [
            np.linalg.solve(rows[[i, j], :2], rows[[i, j], 2])
            for i, j in ((0, 3), (0, 1), (2, 1), (2, 3))
        ]
    )
    return described(corners, artwork, (seen[0], seen[1], seen[2], seen[3]))
