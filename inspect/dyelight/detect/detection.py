"""The detect stage: every detector family in its order, then one record for each thing seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from ..look import Difference, SecondImage
from ..records import F64, Candidate, Mask, Placement
from .borders import find_borders
from .capability import de00_per_root, faintest_spot_de00, smallest_speck_mm
from .company import with_misfit_beside
from .doubles import find_double
from .edge_chips import find_chips, is_chip, with_chips_whole
from .known_colours import with_known_colours
from .line_parts import with_lines_whole
from .mark_rows import with_rows
from .marks import find_marks
from .patches import find_patches
from .reflections import (
    is_lamps_side,
    is_piece_of_light,
    is_reflection,
    is_restless,
    is_skirt,
    is_washed_by_light,
    is_within,
    shows_through,
)
from .same import with_dents_whole, without_doubles
from .shapes import drawn, is_mark
from .streaks import find_streaks, without_streaks
from .taught import with_taught
from .trace import without_traces
from .whole import find_whole

if TYPE_CHECKING:
    from ..teach.use import UnderTaught

# a detector sees the difference and what the detectors before it have found
Detector = Callable[[Difference, tuple[Candidate, ...]], tuple[Candidate, ...]]

DETECTORS: tuple[Detector, ...] = (
    find_borders,
    find_whole,
    find_streaks,
    find_marks,
    find_patches,
    find_chips,
)

_RIM_MM = 1.8
_UNSEEN_RIM_MM = 3.2
_ALONG, _ALONG_MM = 5.0, 2.0
_STRONG_DE00 = 30.0  # under a fainter reflection the picture can still be judged
_MIN_HIDDEN_MM2 = 4.0


@dataclass(frozen=True, slots=True)
class Detection:
    """What was seen, what could not be seen, and how small a thing could have been seen.

    `hidden_mm` are polygons (N, 2) in panel mm; `hidden_fraction` is their share of the panel.
    `taught` says whether the panel's colour was held against a teaching. `beside` is the difference
    in which the candidates were seen and where the picture lies in it, None where that is the one
    handed in, as of all panels without a second image.
    """

    candidates: tuple[Candidate, ...]
    hidden_fraction: float
    hidden_mm: tuple[F64, ...]
    smallest_speck_mm: float | None
    faintest_spot_de00: float | None
    taught: bool = False
    beside: tuple[Difference, Placement] | None = None


def detect(
    difference: Difference,
    look_beside: Callable[[Difference, SecondImage], tuple[Difference, Placement]],
    under: UnderTaught | None = None,
) -> Detection:
    """Run every detector and settle what each of them saw of the same thing.

    `under` is what a taught camera knows of this photo, None where it was taught nothing.
    A second image over the print is looked for first; `look_beside` then holds the photo against
    both images, placed anew, and what else there is shows beside them.
    """
    double = find_double(difference)
    found: tuple[Candidate, ...] = ()
    beside = None
    if double is not None:
        found = (double.candidate,)
        beside = look_beside(difference, double.image)
        difference = beside[0]
    for detector in DETECTORS:
        found += detector(difference, found)
    judged = False
    if under is not None:
        told, judged = with_taught(difference, found, under)
        found = tuple(told)
    found = tuple(with_chips_whole(with_lines_whole(with_dents_whole(found))))
    sides = [c for c in found if is_lamps_side(difference, c)]
    mirrored = [c for c in found if is_reflection(difference, c) or is_within(difference, c, sides)]
    mirrored += [c for c in found if is_piece_of_light(difference, c, mirrored)]
    thrown_back = {id(c) for c in mirrored}
    hidden = difference.hidden.copy()
    strong = [c for c in found if id(c) in thrown_back and c.delta_e00 >= _STRONG_DE00]
    hidden |= drawn(difference, strong)
    # a small mark shows through a soft reflection, a sharp one through any that is not burnt out
    visible = [
        c
        for c in found
        if id(c) not in thrown_back
        and (
            shows_through(c)
            or is_chip(c)
            or is_restless(c)
            or not _is_hidden(difference, difference.hidden if is_mark(c) else hidden, c)
        )
        and not _on_the_rim(difference, c)
        and not is_skirt(difference, c)
        and not is_washed_by_light(difference, c, mirrored)
    ]
    candidates = without_traces(difference, without_doubles(visible))
    candidates = with_known_colours(difference, without_streaks(candidates))
    polygons, fraction = _polygons(difference, hidden)
    per_root = de00_per_root(difference)
    return Detection(
        candidates=tuple(with_rows(with_misfit_beside(candidates))),
        hidden_fraction=fraction,
        hidden_mm=polygons,
        smallest_speck_mm=smallest_speck_mm(difference, per_root),
        faintest_spot_de00=faintest_spot_de00(difference, per_root),
        taught=judged,
        beside=beside,
    )


def _on_the_rim(difference: Difference, candidate: Candidate) -> bool:
    """Whether a mark or patch runs along the panel's edge so near that it is the rim itself."""
    x0, y0, x1, y1 = candidate.box_mm
    width, height = difference.artwork.width_mm, difference.artwork.height_mm
    rim_mm = _RIM_MM if difference.outline_seen else _UNSEEN_RIM_MM
    if not is_mark(candidate) and candidate.family != "patch":
        return False
    across, down = x1 - x0, y1 - y0
    if max(across, down) > _ALONG * min(across, down):
        # what runs along the edge for so long may lie deeper, and lean
        middle = (x0 + x1) / 2 if down > across else (y0 + y1) / 2
        return min(middle, (width if down > across else height) - middle) < rim_mm + _ALONG_MM
    if down > 1.5 * across:
        return x1 < rim_mm or x0 > width - rim_mm
    if across > 1.5 * down:
        return y1 < rim_mm or y0 > height - rim_mm
    return False


def _is_hidden(difference: Difference, hidden: Mask, candidate: Candidate) -> bool:
    """Whether a local candidate's centre lies where nothing can be judged."""
    # a zone under a taught light was read from what of it is not hidden
    if candidate.extent == "panel" or candidate.family in ("border", "taught"):
        return False
    mm = difference.to_artwork_mm(np.array([candidate.center_mm]))
    x, y = np.rint(difference.panel.to_px(mm))[0].astype(int)
    height, width = hidden.shape
    return bool(hidden[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)])


def _polygons(difference: Difference, hidden: Mask) -> tuple[tuple[F64, ...], float]:
    frame = difference.panel
    cut_off = frame.opaque & ~frame.in_photo & (frame.edge_mm > 0)
    hidden = (hidden & frame.inside) | cut_off
    metal = float((frame.inside | cut_off).sum())
    smooth = cv2.morphologyEx(hidden.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    contours, _ = cv2.findContours(smooth, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    polygons = []
    for contour in contours:
        if cv2.contourArea(contour) < _MIN_HIDDEN_MM2 * frame.px_per_mm**2:
            continue
        simple = cv2.approxPolyDP(contour, 0.3 * frame.px_per_mm, True).reshape(-1, 2)
        if len(simple) >= 3:
            polygons.append(difference.to_panel_mm(frame.to_mm(simple.astype(np.float64))))
    return tuple(polygons), float(hidden.sum()) / max(metal, 1.0)
