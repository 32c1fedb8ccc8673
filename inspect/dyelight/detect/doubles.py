"""Double images (ghosting): a share of the dye lands once more, shifted by 0.2 to 6 mm.

`doubles_score` holds the shifted picture against what is left, tile by tile, `doubles_field` finds
the one field of shifts that the tiles agree on, `doubles_fit` measures strength and shift on the
photo's pixels, `doubles_pattern` names how the shifts run over the panel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..look import Difference, SecondImage
from ..look.rootlight import linear_from_root
from ..ranks import quantile
from ..records import F32, F64, Candidate, Mask
from .doubles_field import ShiftField, best_fields, evidence, loud_slips
from .doubles_fit import STRONGEST, fit_tiles
from .doubles_pattern import ShiftPattern, follow
from .doubles_score import DARK, ShiftScores, fine_scores, panel_scores, sampled, tile_counts

Box = tuple[float, float, float, float]

_JOINT_BAR = 3.8  # the tiles decide; this spares them where nothing is there
_SURE_TILES, _SURE_ALONE = 3, 5  # tiles that show it; where the fits alone speak for it
_LEAST_SNR = 6.0
_LEAST_SNR_LOUD, _LOUD, _MANY = 4.5, 7.0, 6
_TELLING = 4.0  # due score from which a tile without the second image says that it is not there
_THERE, _GONE, _GONE_SHARE = 0.5, 0.25, 0.3
_MOST_PART, _FILLED = 0.7, 0.65
_LEAST_TOLD = 6  # tiles from which on a part of the panel can be told
_SHOWN = 0.2  # share of the due score that the tiles must give
_SHOWN_ALL_OVER, _ALL_OVER = 0.06, 0.85  # and where they give less, the share of them that must
_LEAST_STRENGTH = 0.015
_PITCH = 3
_SEEN_DE00, _SEEN_SHARE = 1.0, 0.005


@dataclass(frozen=True, slots=True)
class Double:
    """A second image: the candidate of the family `double`, and what draws it."""

    candidate: Candidate
    image: SecondImage


@dataclass(frozen=True, slots=True)
class _Look:
    """A field of shifts to hold against the photo.

    `joint` is the tiles' joint score of unit scatter, 0 where only the fits can say.
    """

    field: ShiftField
    scores: ShiftScores
    fine: bool
    joint: float


def find_double(difference: Difference) -> Double | None:
    """The second image over the panel or a part of it, if there is one.

    `strength` is the second image's density over the artwork's, 0..1 (as a feature: in %).
    `vector_mm` is the shift of the second image against the first: at the panel's middle for a
    slip, at the corner where it is largest for the other patterns. `features`: `snr` (strength over
    its error, from how far the tiles differ, or the tiles' joint score), `shift_mm`, `strength`,
    `growth_mm` and `turn_mm` (shift at half the panel's diagonal from growth and from turning),
    `delta_e00` (mean over the tenth of the panel where the second image shows most, or over what of
    it changes by 1 or more), `peak_de00`, `delta_l`, `area_mm2` (where the colour changes by 1 or
    more). `extent` is local where tiles that would show it do not. A shift under about 3 px of the
    photo cannot be told from blur and is never reported.
    """
    art = difference.artwork
    middle = np.array([art.width_mm / 2, art.height_mm / 2])
    looks: list[_Look] = []
    loud: list[_Look] = []
    for scores, fine in ((panel_scores(difference), False), (fine_scores(difference), True)):
        if scores is not None:
            fields = [f for f in best_fields(scores, middle) if f.total >= _JOINT_BAR]
            looks += [_Look(field, scores, fine, field.total) for field in fields]
            slips = loud_slips(scores, middle)
            loud += [_Look(field, scores, fine, 0.0) for field in slips]
    # several fields may fit some tiles; the one whose tiles agree best is the one
    seen = [held for look in looks if (held := _held_against(difference, look)) is not None]
    best = max(seen, key=lambda held: held[2], default=None)
    for look in loud if best is None else ():
        best = best or _held_against(difference, look)
    if best is None:
        return None
    look, pattern, sure, part = best
    return Double(
        _candidate(difference, pattern, max(sure, look.joint), part),
        SecondImage(pattern.at, pattern.strength, pattern.place_share, part),
    )


def _held_against(
    difference: Difference, look: _Look
) -> tuple[_Look, ShiftPattern, float, Box | None] | None:
    """A field of shifts with the pattern that its tiles follow in the photo's pixels, the
    pattern's strength over its error and the part that it covers; None where they show none."""
    art, scores = difference.artwork, look.scores
    size_mm = (art.width_mm, art.height_mm)
    if not _may_show(scores, look.field):
        return None
    pattern = follow(fit_tiles(difference, look.field, scores.centers_mm, look.fine), size_mm)
    if pattern is None or pattern.sure_tiles < (_SURE_TILES if look.joint else _SURE_ALONE):
        return None
    if _farthest_mm(pattern, size_mm) < scores.near_mm:
        return None
    sure = pattern.strength / pattern.strength_error
    # a short shift's strength trades with blur from tile to tile; their joint voice may do, or
    # that many show one and the same shift
    many = look.joint >= _LOUD or pattern.sure_tiles >= _MANY
    if pattern.strength < _LEAST_STRENGTH or sure < (_LEAST_SNR_LOUD if many else _LEAST_SNR):
        return None
    shows, part = _cover(scores, pattern, size_mm)
    return (look, pattern, sure, part) if shows else None


def _may_show(scores: ShiftScores, field: ShiftField) -> bool:
    """Whether the tiles would show the faintest second image that is told, as `_cover` asks.

    It spares the fits: woven cloth is like itself at many shifts, and what the look misses of it
    speaks for each of them.
    """
    score, power = evidence(scores, field.at(scores.centers_mm))
    told = np.isfinite(score) & (STRONGEST * power > _TELLING)
    if not told.any():
        return True
    return _do_show(score[told], _LEAST_STRENGTH * power[told])


def _do_show(score: F64, due: F64) -> bool:
    """Whether tiles with these scores (N,) show the second image that would give them `due`."""
    shown = float(score.sum() / due.sum())
    # of stars, whose differences are held back most, each tile still gives a little
    all_over = shown > _SHOWN_ALL_OVER and float(np.mean(score > 0)) >= _ALL_OVER
    return shown > _SHOWN or all_over


def _farthest_mm(pattern: ShiftPattern, size_mm: tuple[float, float]) -> float:
    """The largest shift over the panel, which some corner has."""
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * np.array(size_mm)
    return float(np.linalg.norm(pattern.at(corners), axis=1).max())


def _cover(
    scores: ShiftScores, found: ShiftPattern, size_mm: tuple[float, float]
) -> tuple[bool, Box | None]:
    """Whether the tiles that would show the second image do, and the part that they do it on.

    A tile is asked where the second image would stand out of its noise if it were there. The part
    is a box in artwork mm, None for the whole panel.
    """
    score, power = evidence(scores, found.at(scores.centers_mm))
    due = found.strength * power
    told = np.isfinite(score) & (due > _TELLING)
    if not told.any():
        return True, None
    if told.sum() < _LEAST_TOLD:
        return float(score[told].sum() / due[told].sum()) > _SHOWN, None
    shows = _do_show(score[told], due[told])
    ratio = score[told] / due[told]
    # scores fall short of what the strength foretells, as the strongest differences are held back
    ratio = ratio / max(quantile(ratio, 0.8), 0.1)
    there = ratio > _THERE
    if (ratio < _GONE).sum() < _GONE_SHARE * told.sum() or there.sum() < 3:
        return shows, None
    columns, rows = tile_counts(*size_mm)
    cell = np.array([size_mm[0] / columns, size_mm[1] / rows])
    places = scores.centers_mm[told]
    low = np.clip(places[there].min(0) - cell / 2, 0, size_mm)
    high = np.clip(places[there].max(0) + cell / 2, 0, size_mm)
    inside = ((places >= low) & (places <= high)).all(axis=1)
    if np.prod(high - low) > _MOST_PART * np.prod(size_mm) or there[inside].mean() < _FILLED:
        return shows, None
    return True, (float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def _candidate(
    difference: Difference, found: ShiftPattern, snr: float, part: Box | None
) -> Candidate:
    art = difference.artwork
    w, h = art.width_mm, art.height_mm
    x0, y0, x1, y1 = part or (0.0, 0.0, w, h)
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    at_corners = found.at(corners)
    if found.pattern == "slip":
        vector = found.at(corners.mean(0, keepdims=True))[0]
    else:
        vector = at_corners[int(np.argmax(np.linalg.norm(at_corners, axis=1)))]
    rim = 0.5 * float(np.hypot(w, h))
    delta, shown, due = _visible(difference, found, (x0, y0, x1, y1))
    area = float((delta >= _SEEN_DE00).sum()) * (_PITCH / difference.panel.px_per_mm) ** 2
    top = _where_most(delta)
    features = {
        "snr": snr,
        "shift_mm": float(np.linalg.norm(vector)),
        "strength": 100 * found.strength,
        "growth_mm": 0.5 * abs(float(found.slope[0, 0] + found.slope[1, 1])) * rim,
        "turn_mm": 0.5 * abs(float(found.slope[1, 0] - found.slope[0, 1])) * rim,
        "delta_e00": float(delta[top].mean()) if delta.size else 0.0,
        "peak_de00": float(delta.max()) if delta.size else 0.0,
        "delta_l": float((shown - due)[top, 0].mean()) if delta.size else 0.0,
        "area_mm2": area,
    }
    outline = corners.astype(np.float64)
    if part is not None:
        outline = difference.to_panel_mm(outline)
    return Candidate(
        family="double",
        center_mm=((x0 + x1) / 2, (y0 + y1) / 2),
        box_mm=(x0, y0, x1, y1),
        outline_mm=outline,
        area_mm2=area,
        delta_e00=features["delta_e00"],
        snr=snr,
        tone="mixed",
        features=features,
        extent="panel" if part is None else "local",
        vector_mm=(float(vector[0]), float(vector[1])),
        strength=found.strength,
        pattern=found.pattern,
    )


def _where_most(delta: F32) -> Mask:
    """Which of the differences (N,) tell how strong a second image looks: the largest tenth, and of
    those only what can be seen, as a picture may be plain nearly everywhere."""
    if not delta.size:
        return np.zeros(0, bool)
    tenth = delta >= quantile(delta, 0.9)
    seen = tenth & (delta >= _SEEN_DE00)
    return np.asarray(seen if seen.mean() >= _SEEN_SHARE else tenth)


def _visible(difference: Difference, found: ShiftPattern, box_mm: Box) -> tuple[F32, F32, F32]:
    """ΔE00 (N,) of the second image within a box, and Lab (N, 3) with and without it."""
    frame = difference.panel
    sub = (slice(None, None, _PITCH), slice(None, None, _PITCH))
    keep: Mask = (frame.inside & frame.printed & ~frame.blown)[sub]
    expected = np.maximum(frame.expected, DARK)
    rows, columns = keep.shape
    px = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), -1).reshape(-1, 2) * _PITCH
    mm = frame.to_mm(px.astype(np.float64))
    within = ((mm >= box_mm[:2]) & (mm <= box_mm[2:])).all(axis=1)
    keep &= within.reshape(rows, columns)
    moved: F64 = px - found.at(mm) * frame.px_per_mm
    at = moved.reshape(rows, columns, 2).astype(np.float32)
    second = sampled(expected, at)
    first = expected[sub]
    doubled = np.asarray(first * (second / first) ** np.float32(found.strength), np.float32)
    due = lab_from_linear(np.clip(linear_from_root(first[keep]), 0, 1))
    shown = lab_from_linear(np.clip(linear_from_root(doubled[keep]), 0, 1))
    return ciede2000(shown, due), shown, due
