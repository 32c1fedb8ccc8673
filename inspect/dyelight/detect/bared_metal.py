"""What is darker than the print at the panel's edge: metal that shows, a shadow, or what lies
behind.

On pale print metal is the darker of the two. It still throws back a good part of the light, keeps
nothing of the print's colour or picture, and looks otherwise than what begins past the edge.
"""

from __future__ import annotations

import numpy as np

from ..imaging import distance_inside
from ..look import Difference
from ..look.render import photo_light
from ..look.rootlight import linear_from_root
from ..ranks import median, medians, quantile
from ..records import F32, Mask
from .places import Place

# share of the lit white's light that metal throws back at the least, but for where it mirrors a
# dark room
_LEAST_LIGHT = 0.2
_SHADED = 0.6  # what shaded print leaves unexplained over what metal does, under which it is shade
_BESIDE_MM = 2.0
_PAST_MM, _PAST_BLURS = 0.4, 1.5  # nearer to the outline the rim's side and the blur mix in
_LEAST_PX = 8
_CORE = 0.5  # depth of the core over the deepest
_OUTER = 0.3  # share of a place that lies nearest to the edge
# of the way from the print's colour, and of that of what lies no deeper than blur reaches
_AS_BEHIND, _AS_BEHIND_SHALLOW = 0.4, 0.7


def could_be_metal(difference: Difference, place: Place) -> bool:
    """Whether a place of the panel frame at its edge, darker than print, could be bare metal."""
    core = _core(place)
    seen = difference.panel.observed[place.window][core]
    due = difference.under_veil[place.window][core]
    white = difference.white[place.window][core]
    light = photo_light(linear_from_root(np.maximum(seen, 0))[None])[0]
    lit = photo_light(linear_from_root(np.maximum(white, np.float32(1e-3)))[None])[0]
    if median(light / np.maximum(lit, np.float32(1e-3))) < _LEAST_LIGHT:
        return False
    return _unlike(seen, due) >= _SHADED * _unlike(seen, white)


def _core(place: Place) -> Mask:
    """The inner part of a place's mask, where neither its border's blur nor its shade reaches."""
    inside = distance_inside(np.pad(place.mask, 1))[1:-1, 1:-1]
    return np.asarray(inside > _CORE * float(inside.max()))


def _unlike(seen: F32, lit: F32) -> float:
    """What one factor on the root light `lit` (N, 3) leaves of `seen` (N, 3), in the middle."""
    factor = float((seen * lit).sum()) / max(float((lit * lit).sum()), 1e-6)
    return median(np.abs(seen - np.float32(factor) * lit).sum(axis=1))


def begins_past_the_edge(difference: Difference, place: Place, *, shallow: bool) -> bool:
    """Whether a place, where it is nearest to the edge, is as what lies past the edge there.

    Where the outline reaches over the metal, or a corner is rounder than was read, the photo goes
    over from the print to that within the place; what broke away goes on to the edge and ends.
    So it is too where the photo is soft and what lies behind shines in over the rim.
    """
    frame = difference.panel
    depth_mm = frame.edge_mm[place.window]
    outer = place.mask & (depth_mm <= quantile(depth_mm[place.mask], _OUTER))
    blur_mm = difference.photo.blur_px / difference.photo.px_per_mm
    wide = place.grown(int(np.ceil(_BESIDE_MM * frame.px_per_mm)), frame.inside.shape)
    past = frame.edge_mm[wide.window] < -(_PAST_MM + _PAST_BLURS * blur_mm)
    past &= frame.in_photo[wide.window]
    if np.count_nonzero(past) < _LEAST_PX:
        return False
    behind = medians(frame.observed[wide.window][past])
    seen = medians(frame.observed[place.window][outer])
    due = medians(difference.under_veil[place.window][outer])
    most = _AS_BEHIND_SHALLOW if shallow else _AS_BEHIND
    return float(np.linalg.norm(seen - behind)) < most * float(np.linalg.norm(seen - due))
