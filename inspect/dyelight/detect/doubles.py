"""Double images (ghosting): a share of the dye lands once more, shifted by 0.2 to 6 mm.

`doubles_score` holds the shifted picture against what is left, tile by tile, `doubles_field` finds
the one field of shifts that the tiles agree on, `doubles_fit` measures strength and shift on the
photo's pixels, `doubles_pattern` names how the shifts run over the panel.
"""

from __future__ import annotations

import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..look import Difference
from ..look.rootlight import linear_from_root
from ..records import F32, F64, Candidate, Mask
from .doubles_field import ShiftField, best_field
from .doubles_fit import fit_tiles
from .doubles_pattern import ShiftPattern, follow
from .doubles_score import DARK, ShiftScores, fine_scores, panel_scores, sampled

_JOINT_BAR = 4.2  # the tiles decide; this spares them where nothing is there
_SURE_TILES = 3
_LEAST_STRENGTH = 0.015
_PITCH = 3
_SEEN_DE00 = 1.0


def find_doubles(
    difference: Difference, _found: tuple[Candidate, ...] = ()
) -> tuple[Candidate, ...]:
    """At most one candidate of the family `double`.

    `strength` is the second image's density over the artwork's, 0..1 (as a feature: in %).
    `vector_mm` is the shift of the second image against the first: at the panel's middle for a
    slip, at the corner where it is largest for the other patterns. `features`: `snr` (strength over
    its error, from how far the tiles differ), `shift_mm`, `strength`, `growth_mm` and `turn_mm`
    (shift at half the panel's diagonal from growth and from turning), `delta_e00` (mean over the
    tenth of the panel where the second image shows most), `peak_de00`, `delta_l`, `area_mm2` (where
    it changes the colour by 1 or more). A shift under about 3 px of the photo cannot be told from
    blur and is never reported.
    """
    art = difference.artwork
    middle = np.array([art.width_mm / 2, art.height_mm / 2])
    looks: list[tuple[ShiftField, ShiftScores, bool]] = []
    for scores, fine in ((panel_scores(difference), False), (fine_scores(difference), True)):
        if scores is not None:
            looks.append((best_field(scores, middle), scores, fine))
    looks.sort(key=lambda one: -one[0].total)
    for field, scores, fine in looks:
        if field.total < _JOINT_BAR:
            break
        fits = fit_tiles(difference, field, scores.centers_mm, fine)
        pattern = follow(fits, (art.width_mm, art.height_mm))
        if pattern is None or pattern.sure_tiles < _SURE_TILES:
            continue
        if pattern.strength < _LEAST_STRENGTH:
            continue
        return (_candidate(difference, pattern),)
    return ()


def _candidate(difference: Difference, found: ShiftPattern) -> Candidate:
    art = difference.artwork
    w, h = art.width_mm, art.height_mm
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]])
    at_corners = found.at(corners)
    if found.pattern == "slip":
        vector = found.mean_mm
    else:
        vector = at_corners[int(np.argmax(np.linalg.norm(at_corners, axis=1)))]
    rim = 0.5 * float(np.hypot(w, h))
    snr = found.strength / found.strength_error
    delta, shown, due = _visible(difference, found)
    area = float((delta >= _SEEN_DE00).sum()) * (_PITCH / difference.panel.px_per_mm) ** 2
    top = delta >= np.quantile(delta, 0.9) if delta.size else np.zeros(0, bool)
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
    outline = difference.to_panel_mm(corners)
    return Candidate(
        family="double",
        center_mm=(w / 2, h / 2),
        box_mm=(0.0, 0.0, w, h),
        outline_mm=outline,
        area_mm2=area,
        delta_e00=features["delta_e00"],
        snr=snr,
        tone="mixed",
        features=features,
        extent="panel",
        vector_mm=(float(vector[0]), float(vector[1])),
        strength=found.strength,
        pattern=found.pattern,
    )


def _visible(difference: Difference, found: ShiftPattern) -> tuple[F32, F32, F32]:
    """ΔE00 (N,) of the second image over the panel, and Lab (N, 3) with and without it."""
    frame = difference.panel
    sub = (slice(None, None, _PITCH), slice(None, None, _PITCH))
    keep: Mask = (frame.inside & frame.printed & ~frame.blown)[sub]
    expected = np.maximum(frame.expected, DARK)
    rows, columns = keep.shape
    px = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), -1).reshape(-1, 2) * _PITCH
    moved: F64 = px - found.at(frame.to_mm(px.astype(np.float64))) * frame.px_per_mm
    at = moved.reshape(rows, columns, 2).astype(np.float32)
    second = sampled(expected, at)
    first = expected[sub]
    doubled = np.asarray(first * (second / first) ** np.float32(found.strength), np.float32)
    due = lab_from_linear(np.clip(linear_from_root(first[keep]), 0, 1))
    shown = lab_from_linear(np.clip(linear_from_root(doubled[keep]), 0, 1))
    return ciede2000(shown, due), shown, due
