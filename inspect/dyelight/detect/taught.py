"""Off colour and uneven press, judged absolutely under a teaching."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import cv2
import numpy as np

from ..imaging import gaussian
from ..look import Difference
from ..records import F64, Candidate, Mask
from .shapes import drawn
from .streaks import is_comb

if TYPE_CHECKING:
    from ..teach.changes import Changes
    from ..teach.use import UnderTaught
    from ..teach.verdicts import Seen

FAMILY = "taught"
_LEAST_DE00, _LEAST_SCATTERS = 0.7, 2.5  # fainter is not worth a rule's look
_LOCAL_SNR, _WIDE, _GROWN_MM = 8.0, 0.2, 1.0
_FADES_CELLS = 2  # beyond the edge of a zone, on the maps' grid
_LEAST_REST = 600  # samples outside a zone that tell the whole panel
_FINE = 8  # steps in a cell that a zone's outline is drawn in
_SAME = 0.3  # of a wide patch that lies in the zone, from which both are one thing


def spoilt_by(difference: Difference, candidates: Sequence[Candidate]) -> Mask:
    """Where local defects lie (H, W) bool on the panel frame; wide ones are the panel's colour."""
    short = min(difference.artwork.width_mm, difference.artwork.height_mm)
    local = [
        c
        for c in candidates
        if c.family not in ("panel", "double")
        and c.snr > _LOCAL_SNR
        and max(c.box_mm[2] - c.box_mm[0], c.box_mm[3] - c.box_mm[1]) < _WIDE * short
    ]
    return drawn(difference, local, _GROWN_MM)


def with_taught(
    difference: Difference, found: Sequence[Candidate], under: UnderTaught
) -> tuple[list[Candidate], bool]:
    """The candidates with what the teaching tells of the whole panel and its zones, and whether
    enough of the panel is flat for it to tell anything.

    It takes the place of what one photo could only suspect: changes of the whole panel where the
    teaching knows colours, zones and wide soft patches in any case. Streaks stay.
    """
    from ..teach.verdicts import whole_change, zone_change

    read = under.changes(difference, spoilt_by(difference, found))
    if read is None:
        return list(found), False
    samples, changes = read
    rest: Changes | None = changes
    kept = [
        c
        for c in found
        if c.family != "panel" or is_comb(c) or (c.extent == "panel" and not under.whole)
    ]
    told: list[Candidate] = []
    zone = zone_change(changes, under.spread, samples.panel_at)
    if zone is not None and _worth_telling(zone):
        one = _candidate(difference, zone, under)
        kept = [c for c in kept if not _same_thing(difference, c, one)]
        told.append(one)
        if under.whole and zone.mask is not None:
            # a strong zone would pull the whole panel's change along
            outside = samples.some(~_in_zone(zone.mask, samples.panel_at))
            rest = None if len(outside.light) < _LEAST_REST else under.changes_of(outside)
    if under.whole and rest is not None:
        seen = whole_change(rest, under.spread)
        if _worth_telling(seen):
            told.append(_candidate(difference, seen, under))
    return [*told, *kept], True


def _worth_telling(seen: Seen) -> bool:
    return seen.delta_e00 >= _LEAST_DE00 and seen.scatters >= _LEAST_SCATTERS


def _in_zone(mask: Mask, panel_at: F64) -> Mask:
    """Which panel places (N, 2) in 0..1 lie in a zone, or where it fades out."""
    kernel = np.ones((2 * _FADES_CELLS + 1,) * 2, np.uint8)
    grown = cv2.dilate(mask.astype(np.uint8), kernel)
    rows, columns = mask.shape
    column = np.clip(panel_at[:, 0] * columns, 0, columns - 1).astype(np.intp)
    row = np.clip(panel_at[:, 1] * rows, 0, rows - 1).astype(np.intp)
    return np.asarray(grown[row, column] > 0)


def _candidate(difference: Difference, seen: Seen, under: UnderTaught) -> Candidate:
    art = difference.artwork
    size = np.array([art.width_mm, art.height_mm])
    outline: F64 = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size
    area = float(size.prod())
    if seen.mask is not None:
        area *= seen.uniformity
        rows, columns = seen.mask.shape
        cells = seen.mask.repeat(_FINE, axis=0).repeat(_FINE, axis=1)
        # the maps' cells are no border of the zone's
        large = gaussian(cells.astype(np.float32), _FINE)
        contours, _ = cv2.findContours(
            (large > 0.5 * min(1.0, float(large.max()))).astype(np.uint8),
            cv2.RETR_EXTERNAL,
            cv2.CHAIN_APPROX_SIMPLE,
        )
        largest = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
        outline = (largest + 0.5) / np.array([columns * _FINE, rows * _FINE]) * size
    low, high = outline.min(0), outline.max(0)
    features = {
        "delta_e00": seen.delta_e00,
        "peak_de00": seen.peak_de00,
        "delta_l": seen.delta_l,
        "delta_c": seen.delta_c,
        "uniformity": seen.uniformity,
        "snr": seen.scatters,
        "taught_scatters": seen.scatters,
        "surroundings_seen": float(under.around is not None),
        "area_mm2": area,
    }
    if seen.light_share is not None:
        features["light_share"] = seen.light_share
    if seen.mask is not None:
        features["reflection_likeness"] = max(0.0, 2 * (seen.light_share or 0.0) - 1)
        features["short_side_fraction"] = float(2 * np.sqrt(area / np.pi) / size.min())
    return Candidate(
        family=FAMILY,
        center_mm=(float((low[0] + high[0]) / 2), float((low[1] + high[1]) / 2)),
        box_mm=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        outline_mm=outline,
        area_mm2=area,
        delta_e00=seen.delta_e00,
        snr=seen.scatters,
        tone="light" if seen.delta_l > 0 else "dark",
        features=features,
        extent="panel" if seen.mask is None else "local",
    )


def _same_thing(difference: Difference, patch: Candidate, zone: Candidate) -> bool:
    """Whether a wide patch is the zone, as the photo alone saw it."""
    short = min(difference.artwork.width_mm, difference.artwork.height_mm)
    if patch.family != "patch" or patch.features["eq_diameter_mm"] < _WIDE * short:
        return False
    if patch.tone != zone.tone:
        return False
    one, other = drawn(difference, [patch]), drawn(difference, [zone])
    return bool((one & other).sum() > _SAME * max(int(one.sum()), 1))
