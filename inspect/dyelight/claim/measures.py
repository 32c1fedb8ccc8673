"""What one photo shows at the place that was pointed to, measured against the expected look."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..detect.patches import find_patches
from ..detect.reflections import is_reflection
from ..detect.shapes import drawn
from ..imaging import gaussian
from ..look import Difference
from ..look.panel_frame import expected_here
from ..look.render import photo_light
from ..look.rootlight import linear_from_root
from ..look.veil import under_veil
from ..records import F32, F64, Artwork, Mask, Placement
from .bare_strip import bare_strip_mm
from .left_over import LeftOver, left_over
from .line_course import LineCourse, course_at
from .own_mark import own_mark
from .pointing import Pointed, filled

_ALONG_PX, _PARALLEL, _AT_EDGE_MM = 20.0, 0.2, 2.5  # a line that is the edge's own
_OVER_WHITE = 0.015  # root light; more than the light field errs
_BOX_STEPS = 9
_DARK_PART = 0.33  # of the place, by what the print sends back there
_LEAST_LINE = 5.0  # snr; less is nothing to be followed
_UNEVEN = 0.05  # share of the print's own light by which the room's light may still be uneven
_AS_BRIGHT = 0.97  # of the place's own light, from which another place of the print is as bright


@dataclass(frozen=True, slots=True)
class Lies:
    """Where the place lies on the panel.

    `center_mm` and `core_mm` (N, 2), the point or points all over the box, are in panel mm,
    `outline_mm` (N, 2) in artwork mm. `slack_mm` is how far off the place may be. `inside` is the
    share of the place within the panel's outline, `edge` the nearest edge (left, top, right or
    bottom as the artwork reads) and `edge_mm` how far it is. `past_edges_mm` is how much of the
    file lies beyond each of these edges, in that order: as seen, or as the bleed asks for where the
    outline was not seen (`outline_seen`).
    """

    center_mm: tuple[float, float]
    core_mm: F64
    slack_mm: float
    outline_mm: F64
    inside: float
    edge: int
    edge_mm: float
    past_edges_mm: tuple[float, float, float, float]
    outline_seen: bool


@dataclass(frozen=True, slots=True)
class Look:
    """What the photo shows at the place.

    Shares of the place: `hidden` (clipped, or in the glare around it), `over_white` (brighter than
    the bare white base), `reflected` (in a patch that light thrown back explains). `light_added` is
    light over what the print sends back, in shares of the lit white's. `bright_clipped` is the
    clipped share of all the print that should be as bright as the place: 1 where the exposure does
    it, little where a lamp does. `delta_e00` and `delta_l`
    compare photo and expectation over the place. `likeness` is the correlation of photo and
    expectation around the place (-1..1), `file_snr` the contrast of the expectation there over the
    photo's noise, `unlike` the photo's contrast that the expectation does not explain over that
    noise, `stands_out` how many times the usual contrast of its surroundings the file's
    strongest spot or line at the place has, `mark_snr` its contrast over the noise where both are
    blurred to its own width, and `mark_likeness` the correlation of photo and expectation over it
    at that width, less what noise takes from it. `spot_snr` and `line_snr` are the strongest
    compact and the strongest straight difference at the place over the noise, `opposite_lobe` how
    strong a side of the other sign the spot has, over its own; `line` is that line followed as far
    as it shows (None where it is too short), `line_dark` whether it is dark, `line_at_edge` whether
    it runs along the nearest edge, right at it. `bare_mm` is how wide a strip without print is at
    that edge (0 for none).
    """

    hidden: float
    over_white: float
    reflected: float
    light_added: float
    bright_clipped: float
    delta_e00: float
    delta_l: float
    likeness: float
    file_snr: float
    unlike: float
    stands_out: float
    mark_snr: float
    mark_likeness: float
    spot_snr: float
    opposite_lobe: float
    line_snr: float
    line: LineCourse | None
    line_dark: bool
    line_at_edge: bool
    bare_mm: float


def where_it_lies(placed: Pointed, artwork: Artwork, placement: Placement) -> Lies:
    """Where a place of the photo lies on the panel and in the file."""
    outline_px = placed.outline_px()
    corners = placement.corners_px.astype(np.float32)
    square = np.array(
        [
            [0, 0],
            [artwork.width_mm, 0],
            [artwork.width_mm, artwork.height_mm],
            [0, artwork.height_mm],
        ],
        np.float32,
    )
    to_panel = cv2.getPerspectiveTransform(corners, square)
    x0, y0, x1, y1 = placed.box_px
    steps = 1 if placed.is_point else _BOX_STEPS
    grid = np.meshgrid(np.linspace(x0, x1, steps), np.linspace(y0, y1, steps))
    core_px = np.stack([*grid], axis=-1).reshape(1, -1, 2)
    core = np.asarray(cv2.perspectiveTransform(core_px, to_panel)[0], np.float64)
    x, y = (float(v) for v in core.mean(axis=0))
    gaps = (x, y, artwork.width_mm - x, artwork.height_mm - y)
    edge = int(np.argmin(gaps))
    past = (artwork.bleed_mm,) * 4
    if placement.outline_seen:
        tl, tr, br, bl = placement.picture.to_artwork(placement.corners_px)
        bleed = artwork.bleed_mm
        past = (
            float((tl[0] + bl[0]) / 2) + bleed,
            float((tl[1] + tr[1]) / 2) + bleed,
            artwork.width_mm + bleed - float((tr[0] + br[0]) / 2),
            artwork.height_mm + bleed - float((bl[1] + br[1]) / 2),
        )
    return Lies(
        center_mm=(x, y),
        core_mm=core,
        slack_mm=placed.slack_px / _px_per_mm(placement, artwork),
        outline_mm=placement.picture.to_artwork(outline_px),
        inside=_share_inside(outline_px, placement.corners_px),
        edge=edge,
        edge_mm=float(gaps[edge]),
        past_edges_mm=past,
        outline_seen=placement.outline_seen,
    )


def _px_per_mm(placement: Placement, artwork: Artwork) -> float:
    """Photo px per mm, mean over the panel."""
    metal_px = abs(float(cv2.contourArea(placement.corners_px.astype(np.float32))))
    return float(np.sqrt(max(metal_px, 1.0) / (artwork.width_mm * artwork.height_mm)))


def _share_inside(outline_px: F64, corners_px: F64) -> float:
    """Share of a polygon (N, 2) that lies within the panel's corners (4, 2)."""
    low = np.floor(outline_px.min(0))
    size = np.maximum(np.ceil(outline_px.max(0)) - low, 1)
    # at a fineness of some hundred steps however large the place
    scale = 200 / float(size.max())
    shape = (int(size[1] * scale) + 2, int(size[0] * scale) + 2)
    place, panel = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    cv2.fillPoly(place, [np.rint((outline_px - low) * scale).astype(np.int32)], 1)
    # clipped, so that far corners stay within the integers that OpenCV draws with
    far = np.clip((corners_px - low) * scale, -1e6, 1e6)
    cv2.fillPoly(panel, [np.rint(far).astype(np.int32)], 1)
    return float((place & panel).sum()) / max(float(place.sum()), 1.0)


def look_at(difference: Difference, placed: Pointed, lies: Lies) -> Look | None:
    """Measure the place, which counts in the photo of `difference`; None beside the metal."""
    frame = difference.panel
    mask = filled(frame.to_px(lies.outline_mm), frame.inside.shape) & frame.inside
    if not mask.any():
        return None
    seen, due = frame.observed, np.maximum(frame.expected, 0)
    over = (seen[mask] - difference.white[mask]).min(axis=1)
    thrown_back = [c for c in find_patches(difference) if is_reflection(difference, c)]
    lab_seen, lab_due = _lab(seen, mask), _lab(due, mask)
    own, left = own_mark(difference, placed), left_over(difference, placed)
    return Look(
        hidden=float(difference.hidden[mask].mean()),
        over_white=float((over > _OVER_WHITE).mean()),
        reflected=float(drawn(difference, thrown_back)[mask].mean()),
        light_added=light_added(difference, mask),
        delta_e00=float(np.quantile(ciede2000(lab_seen, lab_due), 0.8)),
        delta_l=float(np.mean(lab_seen[:, 0] - lab_due[:, 0])),
        bright_clipped=_bright_clipped(difference, mask),
        likeness=own.likeness,
        file_snr=own.file_snr,
        unlike=own.unlike,
        stands_out=own.stands_out,
        mark_snr=own.mark_snr,
        mark_likeness=own.mark_likeness,
        spot_snr=left.spot_snr,
        opposite_lobe=left.opposite_lobe,
        line_snr=left.line_snr,
        line=_line(difference, left),
        line_dark=left.line_dark,
        line_at_edge=_at_edge(difference, left, lies),
        bare_mm=bare_strip_mm(difference, lies.edge, lies.center_mm[1 - lies.edge % 2]),
    )


def _lab(root: F32, mask: Mask) -> F32:
    """CIELAB (N, 3) of root light (H, W, 3) within a mask, smoothed over the noise."""
    rows, columns = np.nonzero(mask)
    cut = (
        slice(max(rows.min() - 4, 0), rows.max() + 5),
        slice(max(columns.min() - 4, 0), columns.max() + 5),
    )
    smooth = gaussian(np.ascontiguousarray(root[cut]), 1.0)[mask[cut]]
    linear = np.clip(linear_from_root(smooth), 0, 1).astype(np.float32)
    return np.asarray(lab_from_linear(linear.reshape(1, -1, 3))[0], np.float32)


def light_added(difference: Difference, mask: Mask) -> float:
    """Light at the place's darker parts over what the print sends back, in shares of the white's.

    What the look stage fitted as a veil, or as each neighbourhood's own light under glare, counts
    as added light, since it is none of the print's. The panel's usual level is taken off: room
    light lies over all of it, and so is what uneven light makes of the print's own.
    """
    frame = difference.panel
    height, width = frame.inside.shape
    ends = (0.5 / width, 1 - 0.5 / width), (0.5 / height, 1 - 0.5 / height)
    veil = difference.look.veil.on_grid(height, width, *ends)
    due = expected_here(frame, difference.look)
    bare = np.maximum(under_veil(due, -veil), 0)
    extra = photo_light(linear_from_root(np.maximum(frame.observed, 0)) - linear_from_root(bare))
    white = photo_light(linear_from_root(difference.white.copy()))
    share = gaussian(np.asarray(extra / np.maximum(white, np.float32(0.02)), np.float32), 1.5)
    usual = frame.inside & frame.printed
    # added light shows best where the print is dark: cameras press highlights together
    level = photo_light(bare)[mask]
    dark = level <= np.quantile(level, _DARK_PART)
    added = float(np.median(share[mask][dark]) - np.quantile(share[usual], 0.3))
    # the room's light is never quite as even as it is taken to be, which shows most on bright print
    return added - _UNEVEN * float(np.median(level[dark]))


def _line(difference: Difference, left: LeftOver) -> LineCourse | None:
    """The strongest straight difference at the place, followed."""
    if left.line_snr < _LEAST_LINE:
        return None
    return course_at(difference, left.line_at_px, left.line_turn, dark=left.line_dark)


def _at_edge(difference: Difference, left: LeftOver, lies: Lies) -> bool:
    """Whether the strongest straight difference runs right along the panel's nearest edge."""
    step = _ALONG_PX * np.array([np.cos(left.line_turn), np.sin(left.line_turn)])
    at = np.array(left.line_at_px)
    ends = difference.picture.to_artwork(np.stack([at - step, at + step]))
    x, y = np.abs(ends[1] - ends[0])
    along, across = (y, x) if lies.edge % 2 == 0 else (x, y)
    size = difference.artwork.width_mm, difference.artwork.height_mm
    middle = difference.picture.to_artwork(at[None])[0]
    gap = (middle[0], middle[1], size[0] - middle[0], size[1] - middle[1])[lies.edge]
    shift = lies.past_edges_mm[lies.edge] - difference.artwork.bleed_mm
    return bool(across <= _PARALLEL * along and gap - shift <= _AT_EDGE_MM)


def _bright_clipped(difference: Difference, mask: Mask) -> float:
    """Share of all the print that should be as bright as the place that is clipped."""
    frame = difference.panel
    due = photo_light(np.maximum(frame.artwork, 0))
    printed = frame.inside & frame.printed
    as_bright = printed & (due >= _AS_BRIGHT * float(np.median(due[mask])))
    return float(frame.blown[as_bright].mean()) if as_bright.any() else 0.0
