"""The detect stage: every detector family in its order, then one record for each thing seen."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from ..look import Difference, with_second_image
from ..records import F64, Candidate, Mask
from .borders import find_borders
from .capability import faintest_spot_de00, smallest_speck_mm
from .doubles import find_double
from .edge_chips import find_chips, is_chip, with_chips_whole
from .known_colours import with_known_colours
from .line_parts import with_lines_whole
from .marks import find_marks
from .patches import find_patches
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

_REFLECTION = 0.55  # likeness over which a pale patch is light on the coating, not missing dye
_SMOOTH = 0.12  # vapour is mottled, a reflection is not
_DETAIL_KEPT = 0.75
_LIGHT, _PLAIN, _MOTTLED = 0.62, 0.8, 0.2
_ROUND = 0.7  # lamps and windows have plain shapes, and gloss rounds them off
_EDGE_MM = 2.5
_RIM_MM = 1.8
_UNSEEN_RIM_MM = 3.2
_ALONG, _ALONG_MM = 5.0, 2.0
_SKIRT = 0.3  # share of a patch in the skirt of glare from which it may be the glare's own
_SKIRT_MM = 2.0
_STRONG_DE00 = 30.0  # under a fainter reflection the picture can still be judged
_BROAD = 0.22  # share of the short side from which a soft patch may as well be light
_VERY_SOFT = 2.5
_MORE_DYE = 0.44  # share of light under which lost dye draws a patch better than light does
_SOFT_BORDER = 1.6
_SHARP_BORDER = 1.3  # no glare ends so sharply, nor does what it mirrors
_THROUGH_DE00 = 3.0
_THROUGH_SHIFT_PX = 25.0  # no edge of the picture is that far off its place
_STRONG_MARK_DE00, _STRONG_SHIFT_PX = 10.0, 12.0
_DRAWN_OUT, _STRAIGHT, _THIN_MM, _OWN_COLOURS = 8.0, 0.98, 4.0, 0.6
_LIFT_MM = 25.0
_WIDE_MM = 12.0  # coating seldom lifts in larger pieces
_OVER_WHITE = 0.5  # no bare base is brighter than white
_MIN_HIDDEN_MM2 = 4.0


@dataclass(frozen=True, slots=True)
class Detection:
    """What was seen, what could not be seen, and how small a thing could have been seen.

    `hidden_mm` are polygons (N, 2) in panel mm; `hidden_fraction` is their share of the panel.
    `taught` says whether the panel's colour was held against a teaching.
    """

    candidates: tuple[Candidate, ...]
    hidden_fraction: float
    hidden_mm: tuple[F64, ...]
    smallest_speck_mm: float | None
    faintest_spot_de00: float | None
    taught: bool = False


def detect(difference: Difference, under: UnderTaught | None = None) -> Detection:
    """Run every detector and settle what each of them saw of the same thing.

    `under` is what a taught camera knows of this photo, None where it was taught nothing.
    A second image over the print is looked for first, and is part of what is expected from then on.
    """
    double = find_double(difference)
    found: tuple[Candidate, ...] = ()
    if double is not None:
        found = (double.candidate,)
        difference = with_second_image(difference, double.image)
    for detector in DETECTORS:
        found += detector(difference, found)
    judged = False
    if under is not None:
        told, judged = with_taught(difference, found, under)
        found = tuple(told)
    found = tuple(with_chips_whole(with_lines_whole(with_dents_whole(found))))
    thrown_back = {id(c) for c in found if is_reflection(difference, c)}
    hidden = difference.hidden.copy()
    strong = [c for c in found if id(c) in thrown_back and c.delta_e00 >= _STRONG_DE00]
    hidden |= drawn(difference, strong)
    # a small mark shows through a soft reflection, a sharp one through any that is not burnt out
    visible = [
        c
        for c in found
        if id(c) not in thrown_back
        and (
            _shows_through(c)
            or is_chip(c)
            or not _is_hidden(difference, difference.hidden if is_mark(c) else hidden, c)
        )
        and not _on_the_rim(difference, c)
        and not _is_skirt(difference, c)
    ]
    candidates = without_traces(difference, without_doubles(visible))
    candidates = with_known_colours(difference, without_streaks(candidates))
    polygons, fraction = _polygons(difference, hidden)
    return Detection(
        candidates=tuple(candidates),
        hidden_fraction=fraction,
        hidden_mm=polygons,
        smallest_speck_mm=smallest_speck_mm(difference),
        faintest_spot_de00=faintest_spot_de00(difference),
        taught=judged,
    )


def is_reflection(difference: Difference, candidate: Candidate) -> bool:
    """Whether a patch is light that the coating throws back, so that it hides and harms nothing."""
    if candidate.family != "patch" or candidate.tone != "light":
        return False
    features = candidate.features
    wide = features["eq_diameter_mm"] > _WIDE_MM
    if "washed_out" in features or _is_thin_line(candidate):
        return False
    softness = features.get("edge_blur_ratio", 0.0)
    if 0 < softness < _SHARP_BORDER and _is_bare(candidate):
        return False
    spreads = wide or softness > _SOFT_BORDER
    art = difference.artwork
    broad = features["eq_diameter_mm"] > _BROAD * min(art.width_mm, art.height_mm)
    if (broad and (softness > _VERY_SOFT or not softness)) and features.get(
        "light_share", 1.0
    ) > _MORE_DYE:
        # in one photo such a patch cannot be told from the room's light
        return True
    return spreads and (
        (features.get("reflection_likeness", 0.0) >= _REFLECTION and features["solidity"] > _ROUND)
        or features["over_white"] >= _OVER_WHITE
        or _drawn_by_light(features)
        or (
            features["mottle"] < _SMOOTH
            and features.get("slope", 1.0) > _DETAIL_KEPT
            and _at_the_edge(difference, candidate)
        )
    )


def _is_bare(candidate: Candidate) -> bool:
    """Whether a patch is strong enough and not too large for a piece of lifted coating."""
    strong = candidate.delta_e00 > _STRONG_MARK_DE00
    return strong and candidate.features["eq_diameter_mm"] < _LIFT_MM


def _is_thin_line(candidate: Candidate) -> bool:
    """Whether a patch is a crease: straighter and thinner than a lamp, and no edge of the print."""
    features = candidate.features
    return (
        features["elongation"] > _DRAWN_OUT
        and features["straightness"] > _STRAIGHT
        and features["width_mm"] < _THIN_MM
        and candidate.delta_e00 >= _THROUGH_DE00
        and features["edge_shift_px"] > _STRONG_SHIFT_PX
        and features["colour_share"] < _OWN_COLOURS
    )


def _drawn_by_light(features: Mapping[str, float]) -> bool:
    """Whether added light draws a soft patch of plain shape better than lost dye does, and detail
    says nothing against it."""
    return (
        features.get("light_share", 0.0) >= _LIGHT
        and features["solidity"] > _PLAIN
        and features["mottle"] < _MOTTLED
        and features.get("slope", 1.0) > _DETAIL_KEPT
        and features.get("edge_blur_ratio", 0.0) > _SOFT_BORDER
    )


def _at_the_edge(difference: Difference, candidate: Candidate) -> bool:
    """Whether a patch reaches the panel's edge, as a reflection that runs over it does."""
    x0, y0, x1, y1 = candidate.box_mm
    width, height = difference.artwork.width_mm, difference.artwork.height_mm
    return min(x0, y0, width - x1, height - y1) < _EDGE_MM


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


def _is_skirt(difference: Difference, candidate: Candidate) -> bool:
    """Whether a patch is what the skirt of glare leaves over its own local light: small, or without
    a border of its own, or up against what is hidden."""
    if candidate.family != "patch" or not difference.skirt.any():
        return False
    mask = drawn(difference, [candidate])
    count = max(int(mask.sum()), 1)
    if (difference.skirt & mask).sum() < _SKIRT * count:
        return False
    small = candidate.features["eq_diameter_mm"] < _SKIRT_MM
    softness = candidate.features.get("edge_blur_ratio")
    if small or softness is None:
        return True
    if softness < _SHARP_BORDER:
        return False
    near = drawn(difference, [candidate], _SKIRT_MM)
    return bool((difference.hidden & near).any())


def _shows_through(candidate: Candidate) -> bool:
    """Whether a mark lies on the panel whatever the coating throws back around it: the camera is
    focused there, and a room in the mirror of the coating is not."""
    features = candidate.features
    softness = features.get("edge_blur_ratio", np.inf)
    shift_px = features.get("edge_shift_px", 0.0)
    if not is_mark(candidate) or candidate.delta_e00 < _THROUGH_DE00:
        return False
    if softness < _SHARP_BORDER and shift_px > _THROUGH_SHIFT_PX:
        return True
    strong = candidate.family == "point" and candidate.delta_e00 > _STRONG_MARK_DE00
    return strong and softness < _VERY_SOFT and shift_px > _STRONG_SHIFT_PX


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
