"""What the coating throws back: which patches are light, and what still shows through it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..look import Difference
from ..records import Candidate, Mask
from .patch_levels import MOST_ENERGY
from .shapes import drawn, is_mark

_REFLECTION = 0.55  # likeness over which a pale patch is light on the coating, not missing dye
_SMOOTH = 0.12  # vapour is mottled, a reflection is not
_DETAIL_KEPT = 0.75
_LIGHT, _PLAIN, _MOTTLED = 0.60, 0.74, 0.2
_ROUND = 0.7  # lamps and windows have plain shapes, and gloss rounds them off
_EDGE_MM = 2.5
_BROAD = 0.22  # share of the short side from which a soft patch may as well be light
_MORE_DYE = 0.44  # share of light under which lost dye draws a patch better than light does
_SOFT_BORDER = 1.6
_DRAWN_OUT, _STRAIGHT, _THIN_MM, _OWN_COLOURS = 8.0, 0.98, 4.0, 0.6
_FILLED, _TAPE_DE00 = 0.88, 2.0
_LIFT_MM = 25.0
_WIDE_MM = 12.0  # coating seldom lifts in larger pieces
_PIECE, _AS_STRONG = 2.0, 0.7
_PANE, _NO_RISE, _BAR_MM = 0.6, 1.3, 8.0  # panes of one window, and the bar between them
_OVER_WHITE = 0.5  # no bare base is brighter than white
_SKIRT = 0.3  # share of a patch in the skirt of glare from which it may be the glare's own
_SKIRT_MM = 2.0
_RESTLESS, _RISE, _SOFTEST_SPOT = 40.0, 4.0, 9.0
_RESTLESS_AMID_CALM, _CALM_RISE, _NO_MORE_LIGHT = 25.0, 20.0, 0.55
_SIDE_MM, _BESIDE_GLARE, _MOST = 3.0, 0.5, 0.5
_WASHED_BY_LIGHT = 0.6
_EVEN = 0.5  # share of light at which light and lost dye draw a patch alike
_RESTLESS_IF_RAGGED, _RAGGED_RISE, _SOFTEST_RAGGED = 8.0, 6.0, 7.0
_VERY_SOFT = 2.5
_SHARP_BORDER = 1.3  # no glare ends so sharply, nor does what it mirrors
_THROUGH_DE00 = 3.0
_THROUGH_SHIFT_PX = 25.0  # no edge of the picture is that far off its place
# or that the picture's own detail explains next to nothing of what stands far out
_FOREIGN, _FOREIGN_SHIFT_PX, _FOREIGN_SNR = 0.1, 4.0, 15.0
_STRONG_MARK_DE00, _STRONG_SHIFT_PX = 10.0, 12.0


def is_reflection(difference: Difference, candidate: Candidate) -> bool:
    """Whether a patch is light that the coating throws back, so that it hides and harms nothing."""
    if candidate.family != "patch" or candidate.tone != "light":
        return False
    features = candidate.features
    wide = features["eq_diameter_mm"] > _WIDE_MM
    if "washed_out" in features or _is_thin_line(candidate) or is_restless(candidate):
        return False
    softness = features.get("edge_blur_ratio", 0.0)
    if 0 < softness < _SHARP_BORDER and (_is_bare(candidate) or _is_straight_sided(candidate)):
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
            and not _is_lost_dye(features)
        )
    )


def is_piece_of_light(
    difference: Difference, candidate: Candidate, mirrored: Sequence[Candidate]
) -> bool:
    """Whether a soft patch goes on where a wider and as strong reflection ends; one without any
    mottle may be as wide itself, a pane of the same window."""
    softness = candidate.features.get("edge_blur_ratio", 0.0)
    if candidate.family != "patch" or candidate.tone != "light" or softness < _VERY_SOFT:
        return False
    if "washed_out" in candidate.features or is_restless(candidate):
        return False
    smooth = (
        candidate.features["mottle"] < _SMOOTH
        and candidate.features.get("left_over_rise", _NO_RISE) < _NO_RISE
    )
    least_mm = (_PANE if smooth else _PIECE) * candidate.features["eq_diameter_mm"]
    wide = [
        one
        for one in mirrored
        if one.features["eq_diameter_mm"] > least_mm
        and one.delta_e00 > _AS_STRONG * candidate.delta_e00
    ]
    if not wide:
        return False
    near = drawn(difference, [candidate], _BAR_MM if smooth else _SKIRT_MM)
    return bool((near & drawn(difference, wide)).any())


def is_lamps_side(difference: Difference, candidate: Candidate) -> bool:
    """Whether a patch is a soft strip along glare: the side of a lamp, too steep for the look to
    follow, so that something is left of it however smooth it is."""
    if candidate.family != "patch" or candidate.tone != "light":
        return False
    features = candidate.features
    wide = features.get("width_mm", 0.0) > _SIDE_MM
    strip = wide and features.get("elongation", 0.0) > _DRAWN_OUT
    if not strip or features.get("edge_blur_ratio", 0.0) < _VERY_SOFT:
        return False
    return _share_in(difference.skirt, drawn(difference, [candidate])) > _BESIDE_GLARE


def is_within(difference: Difference, candidate: Candidate, sides: Sequence[Candidate]) -> bool:
    """Whether most of a patch lies in patches told to be light."""
    if candidate.family != "patch" or candidate.tone != "light" or not sides:
        return False
    return _share_in(drawn(difference, sides), drawn(difference, [candidate])) > _MOST


def is_washed_by_light(
    difference: Difference, candidate: Candidate, mirrored: Sequence[Candidate]
) -> bool:
    """Whether washed-out detail lies mostly in what was told to be light, which washes it out."""
    if "washed_out" not in candidate.features or not mirrored:
        return False
    lit = _share_in(drawn(difference, mirrored), drawn(difference, [candidate]))
    return lit > _WASHED_BY_LIGHT


def _share_in(there: Mask, mask: Mask) -> float:
    """Share of a mask (H, W) that lies in another, 0 of an empty one."""
    return int((there & mask).sum()) / max(int(mask.sum()), 1)


def is_skirt(difference: Difference, candidate: Candidate) -> bool:
    """Whether a patch is what the skirt of glare leaves over its own local light: small, or without
    a border of its own, or up against what is hidden."""
    if candidate.family != "patch" or not difference.skirt.any():
        return False
    if _share_in(difference.skirt, drawn(difference, [candidate])) < _SKIRT:
        return False
    if is_restless(candidate):
        return False
    small = candidate.features["eq_diameter_mm"] < _SKIRT_MM
    softness = candidate.features.get("edge_blur_ratio")
    if small or softness is None:
        return True
    if softness < _SHARP_BORDER:
        return False
    near = drawn(difference, [candidate], _SKIRT_MM)
    return bool((difference.hidden & near).any())


def is_restless(candidate: Candidate) -> bool:
    """Whether a patch is mottled as no light is that is out of focus: what is left of it once its
    neighbourhood's light was forgiven stands far out of the noise and of what lies around."""
    features = candidate.features
    # what was given up as far off may be a lamp as well
    left_over = features.get("left_over", 0.0)
    rise = features.get("left_over_rise", 0.0)
    if candidate.family != "patch" or features["eq_diameter_mm"] <= _SKIRT_MM:
        return False
    if left_over >= MOST_ENERGY:
        return False
    # where all around is calm less of it tells, however softly it ends; but a small steep lamp
    # leaves as much, and is drawn better by light than by lost dye
    dye_draws_it = features.get("light_share", 0.5) < _NO_MORE_LIGHT
    if left_over > _RESTLESS_AMID_CALM and rise > _CALM_RISE and dye_draws_it:
        return True
    softness = features.get("edge_blur_ratio", 0.0)
    # lamps and windows seldom have a ragged outline; one that cannot be seen is none
    ragged = features.get("solidity", 1.0) < _ROUND and 0 < softness < _SOFTEST_RAGGED
    if ragged and left_over > _RESTLESS_IF_RAGGED and rise > _RAGGED_RISE:
        return True
    return bool(
        left_over > _RESTLESS
        and rise > _RISE
        and softness < _SOFTEST_SPOT
        and features.get("mottle", 1.0) > _SMOOTH
    )


def shows_through(candidate: Candidate) -> bool:
    """Whether a mark lies on the panel whatever the coating throws back around it: the camera is
    focused there, and a room in the mirror of the coating is not."""
    features = candidate.features
    softness = features.get("edge_blur_ratio", np.inf)
    shift_px = features.get("edge_shift_px", 0.0)
    if not is_mark(candidate) or candidate.delta_e00 < _THROUGH_DE00:
        return False
    if softness < _SHARP_BORDER and shift_px > _THROUGH_SHIFT_PX:
        return True
    foreign = features.get("picture_share", 1.0) < _FOREIGN and shift_px > _FOREIGN_SHIFT_PX
    if foreign and softness < _SOFT_BORDER and candidate.snr > _FOREIGN_SNR:
        return True
    strong = candidate.family == "point" and candidate.delta_e00 > _STRONG_MARK_DE00
    return strong and softness < _VERY_SOFT and shift_px > _STRONG_SHIFT_PX


def _is_bare(candidate: Candidate) -> bool:
    """Whether a patch is strong enough and not too large for a piece of lifted coating."""
    strong = candidate.delta_e00 > _STRONG_MARK_DE00
    return strong and candidate.features["eq_diameter_mm"] < _LIFT_MM


def _is_straight_sided(candidate: Candidate) -> bool:
    """Whether a patch fills a rectangle, as what tape or film kept dye from does."""
    features = candidate.features
    box_mm2 = features["length_mm"] * features["width_mm"]
    return (
        candidate.area_mm2 > _FILLED * box_mm2
        and features["solidity"] > _FILLED
        and features.get("colour_share", 1.0) < _OWN_COLOURS
        and candidate.delta_e00 >= _TAPE_DE00
    )


def _is_thin_line(candidate: Candidate) -> bool:
    """Whether a patch is a crease: straighter and thinner than a lamp, and no edge of the print."""
    features = candidate.features
    return (
        features["elongation"] > _DRAWN_OUT
        and features["straightness"] > _STRAIGHT
        and features["width_mm"] < _THIN_MM
        and candidate.delta_e00 >= _THROUGH_DE00
        and features["edge_shift_px"] > _STRONG_SHIFT_PX
        and features.get("colour_share", 1.0) < _OWN_COLOURS
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


def _is_lost_dye(features: Mapping[str, float]) -> bool:
    """Whether a patch that reaches the panel's edge is no room that is mirrored there: more of it
    is left than of what lies around, and lost dye draws it better than light."""
    return bool(
        features.get("left_over_rise", 0.0) > _RAGGED_RISE
        and _RESTLESS_IF_RAGGED < features.get("left_over", 0.0) < MOST_ENERGY
        and features.get("light_share", 1.0) < _EVEN
    )


def _at_the_edge(difference: Difference, candidate: Candidate) -> bool:
    """Whether a patch reaches the panel's edge, as a reflection that runs over it does."""
    x0, y0, x1, y1 = candidate.box_mm
    width, height = difference.artwork.width_mm, difference.artwork.height_mm
    return min(x0, y0, width - x1, height - y1) < _EDGE_MM
