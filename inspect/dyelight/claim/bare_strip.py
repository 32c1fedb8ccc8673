"""Whether the print stops short of the edge that a place lies at.

Bare base is as white as paper, so that such a strip shows only where the file has colour: on a
printed text between letters there is nothing of it. A search asks for a long run; at one place what
shows along some mm of the edge is taken together, depth by depth.
"""

from __future__ import annotations

import numpy as np

from ..detect.borders import metal_edge
from ..detect.edge_strips import EdgeLight, Strip, read_side
from ..look import Difference
from ..records import F64, Mask

_SIDES = (3, 0, 1, 2)  # left, top, right, bottom, as strips are numbered
_ALONG_MM = 12.0  # to either side of the place
_RIM_MM = 0.3  # nearer to the outline the rounded rim and the outline's own error decide
_BEGINS_MM = 0.8  # a strip begins within this of the outline
_BARE, _PRINTED = 0.6, 0.3  # of the way from the picture to the base
_CONTRAST = 0.15  # root light between picture and base that some cell must have
_CUT_MM = 1.2  # a cut falls within this, a reflection does not


def bare_strip_mm(difference: Difference, edge: int, along_mm: float) -> float:
    """Width in mm of the strip without print at `along_mm` of an edge, in panel mm.

    `edge` is 0 left, 1 top, 2 right, 3 bottom. 0 where the print reaches the edge or where the
    photo cannot tell.
    """
    look, side = EdgeLight.of(difference), _SIDES[edge]
    edge_mm, least_mm = metal_edge(difference, look, side)
    strip = read_side(difference, look, side, edge_mm)
    if strip is None:
        return 0.0
    width_mm = _width_mm(strip, np.abs(strip.along_mm - along_mm) <= _ALONG_MM)
    return width_mm if width_mm >= least_mm else 0.0


def _width_mm(strip: Strip, near: Mask) -> float:
    """Depth at which the cells `near` (U,) go over from base to print; 0 where they do not."""
    depth, level = _profile(strip, near)
    printed = np.flatnonzero(level <= _PRINTED)
    bare = np.flatnonzero(level >= _BARE)
    printed = printed[printed > bare[0]] if bare.size else printed
    if not bare.size or not printed.size or depth[bare[0]] > _BEGINS_MM:
        return 0.0
    end = int(printed[0])
    last = int(bare[bare < end][-1])
    # a cut ends the strip at once, light thrown back fades out
    if depth[end] - depth[last] > _CUT_MM or (level[bare[0] : last] < _PRINTED).any():
        return 0.0
    return float((depth[end] + depth[last]) / 2)


def _profile(strip: Strip, near: Mask) -> tuple[F64, F64]:
    """Depths (V,) in mm that tell, and how bare the strip is at each: the least squares' fit over
    the cells, in which dark print counts for much and paper white for next to nothing."""
    room = np.square(strip.base[near] - strip.due[near], dtype=np.float64).sum(axis=2)
    bareness = strip.bareness[near]
    room = np.where(np.isfinite(bareness), room, 0.0)
    told = room.max(axis=0, initial=0.0) >= _CONTRAST**2
    told &= strip.depth_mm >= _RIM_MM
    level = (room * np.nan_to_num(bareness))[:, told].sum(axis=0) / room[:, told].sum(axis=0)
    return strip.depth_mm[told], np.asarray(level, np.float64)
