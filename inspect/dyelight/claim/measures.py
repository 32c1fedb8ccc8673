"""What one photo shows at the place that was pointed to, measured against the expected look."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..detect.patches import find_patches
from ..detect.reflections import is_reflection
from ..detect.shapes import drawn
from ..imaging import as_u8, gaussian
from ..look import Difference
from ..look.colour_light import veil_slope
from ..look.panel_frame import expected_here
from ..look.render import photo_light
from ..look.rootlight import linear_from_root
from ..records import F32, F64, Artwork, Mask, Placement
from .pointing import Pointed

_OVER_WHITE = 0.015  # root light; more than the light field errs
_WIDTHS = (1.0, 2.0, 4.0, 8.0)  # filter widths, in blurs, at which the file's own marks are sought
_AROUND = 7.0  # reach of the surroundings, in filter widths
_SPOT_WIDTHS, _SPOT_AROUND = (1.0, 2.0, 4.0), 6.0  # in blurs, in filter widths
_BOX_STEPS = 9
_LEAST_NOISE = 0.002  # root light; about an eight-bit step


@dataclass(frozen=True, slots=True)
class Lies:
    """Where the place lies on the panel.

    `center_mm` and `core_mm` (N, 2), the point or points all over the box, are in panel mm,
    `outline_mm` (N, 2) in artwork mm. `slack_mm` is how far off the place may be. `inside` is the
    share of the place within the panel's outline, `edge` the nearest edge (left, top, right or
    bottom as the artwork reads) and `edge_mm` how far it is. `past_edges_mm` is how much of the
    file lies beyond each of these edges, in that order; None where the outline was not seen.
    """

    center_mm: tuple[float, float]
    core_mm: F64
    slack_mm: float
    outline_mm: F64
    inside: float
    edge: int
    edge_mm: float
    past_edges_mm: tuple[float, float, float, float] | None


@dataclass(frozen=True, slots=True)
class Look:
    """What the photo shows at the place.

    Shares of the place: `hidden` (clipped, or in the glare around it), `over_white` (brighter than
    the bare white base), `reflected` (in a patch that light thrown back explains). `light_added` is
    light over what the print sends back, in shares of the lit white's. `delta_e00` and `delta_l`
    compare photo and expectation over the place. `likeness` is the correlation of photo and
    expectation around the place (-1..1), `file_snr` the contrast of the expectation there over the
    photo's noise, `unlike` the photo's contrast that the expectation does not explain over that
    noise, `stands_out` how many times the usual contrast of its surroundings the file's
    strongest spot or line at the place has, and `mark_likeness` the correlation of photo and
    expectation around the place where both are blurred to that mark's own width. `spot_snr` is the
    strongest compact difference at the place over its noise: as modelled there, or as scattered
    around it, whichever is more. One place is looked at, so that less counts here than in a search
    of the panel.
    """

    hidden: float
    over_white: float
    reflected: float
    light_added: float
    delta_e00: float
    delta_l: float
    likeness: float
    file_snr: float
    unlike: float
    stands_out: float
    mark_likeness: float
    spot_snr: float


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
    past = None
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
    mask = _filled(frame.to_px(lies.outline_mm), frame.inside.shape) & frame.inside
    if not mask.any():
        return None
    seen, due = frame.observed, np.maximum(frame.expected, 0)
    over = (seen[mask] - difference.white[mask]).min(axis=1)
    thrown_back = [c for c in find_patches(difference) if is_reflection(difference, c)]
    lab_seen, lab_due = _lab(seen, mask), _lab(due, mask)
    likeness, file_snr, unlike, stands_out, mark_likeness = _picture_there(difference, placed)
    return Look(
        hidden=float(difference.hidden[mask].mean()),
        over_white=float((over > _OVER_WHITE).mean()),
        reflected=float(drawn(difference, thrown_back)[mask].mean()),
        light_added=_light_added(difference, mask),
        delta_e00=float(np.quantile(ciede2000(lab_seen, lab_due), 0.8)),
        delta_l=float(np.mean(lab_seen[:, 0] - lab_due[:, 0])),
        likeness=likeness,
        file_snr=file_snr,
        unlike=unlike,
        stands_out=stands_out,
        mark_likeness=mark_likeness,
        spot_snr=_spot_snr(difference, placed),
    )


def _filled(points_px: F64, shape: tuple[int, ...]) -> Mask:
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(points_px).astype(np.int32)], 1)
    return np.asarray(mask > 0)


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


def _light_added(difference: Difference, mask: Mask) -> float:
    """Light at the place over what the print sends back there, in shares of the lit white's.

    What the look stage fitted as a veil, or as each neighbourhood's own light under glare, counts
    as added light, since it is none of the print's. The panel's usual level is taken off: room
    light lies over all of it.
    """
    frame = difference.panel
    height, width = frame.inside.shape
    ends = (0.5 / width, 1 - 0.5 / width), (0.5 / height, 1 - 0.5 / height)
    veil = difference.look.veil.on_grid(height, width, *ends)
    due = expected_here(frame, difference.look)
    bare = np.maximum(due - veil * veil_slope(due), 0)
    extra = photo_light(linear_from_root(np.maximum(frame.observed, 0)) - linear_from_root(bare))
    white = photo_light(linear_from_root(difference.white.copy()))
    share = gaussian(np.asarray(extra / np.maximum(white, np.float32(0.02)), np.float32), 1.5)
    usual = frame.inside & frame.printed
    return float(np.median(share[mask]) - np.quantile(share[usual], 0.3))


def _spot_snr(difference: Difference, placed: Pointed) -> float:
    """`spot_snr` of `Look`: Gaussian matched filters of some widths on the photo's residual.

    White noise of sigma keeps sigma / (2 sqrt(pi) s) of itself under a Gaussian mean of width s.
    """
    frame = difference.photo
    blur_px = max(frame.blur_px, 1.0)
    place = placed.moved(-frame.x0, -frame.y0)
    reach = placed.slack_px + _SPOT_AROUND * _SPOT_WIDTHS[-1] * blur_px
    height, width = frame.usable.shape
    x0, y0, x1, y1 = place.box_px
    rows = slice(int(np.clip(y0 - reach, 0, height)), int(np.clip(y1 + reach + 1, 0, height)))
    columns = slice(int(np.clip(x0 - reach, 0, width)), int(np.clip(x1 + reach + 1, 0, width)))
    # a bright speck may be clipped itself
    hole = 2 * int(_SPOT_WIDTHS[-1] * blur_px) + 1
    whole = cv2.morphologyEx(
        as_u8(frame.usable[rows, columns]), cv2.MORPH_CLOSE, np.ones((hole, hole), np.uint8)
    )
    usable = np.asarray(whole > 0)
    here = place.moved(-columns.start, -rows.start)
    # a spot is named by its middle: half of the slack is enough for it
    inner = _filled(here.outline_px(max(0.5 * place.slack_px, blur_px)), usable.shape) & usable
    if not inner.any():
        return 0.0
    residual, sigma = frame.residual[rows, columns] * usable, frame.sigma[rows, columns]
    best = 0.0
    for times in _SPOT_WIDTHS:
        spread = times * blur_px
        band = gaussian(residual, spread) - gaussian(residual, 2.5 * spread)
        size = 2 * int(2.5 * spread) + 1
        beside = usable & ~(cv2.dilate(as_u8(inner), np.ones((size, size), np.uint8)) > 0)
        if beside.sum() < 100:
            continue
        scatter = 1.4826 * float(np.median(np.abs(band[beside])))
        modelled = gaussian(sigma, spread) / np.float32(2 * np.sqrt(np.pi) * spread)
        noise = np.maximum(modelled, np.float32(max(scatter, 1e-5)))
        best = max(best, float((np.abs(band) / noise)[inner].max()))
    return best


def _picture_there(
    difference: Difference, placed: Pointed
) -> tuple[float, float, float, float, float]:
    """`likeness`, `file_snr`, `unlike`, `stands_out` and `mark_likeness` of `Look`."""
    frame = difference.photo
    blur_px = max(frame.blur_px, 1.0)
    height, width = frame.usable.shape
    place = placed.moved(-frame.x0, -frame.y0)
    x0, y0, x1, y1 = place.box_px
    reach = _AROUND * _WIDTHS[-1] * blur_px
    rows = slice(int(np.clip(y0 - reach, 0, height)), int(np.clip(y1 + reach + 1, 0, height)))
    columns = slice(int(np.clip(x0 - reach, 0, width)), int(np.clip(x1 + reach + 1, 0, width)))
    usable = frame.usable[rows, columns]
    if min(usable.shape) < 4 or not usable.any():
        return 0.0, 0.0, 0.0, 0.0, 0.0
    due = photo_light(frame.lit(rows, columns))
    seen = photo_light(frame.observed[rows, columns])
    here = place.moved(-columns.start, -rows.start)
    near = _filled(here.outline_px(place.slack_px + 3 * blur_px), usable.shape) & usable
    if near.sum() < 9:
        return 0.0, 0.0, 0.0, 0.0, 0.0
    noise = max(float(np.median(frame.sigma[rows, columns][near])), _LEAST_NOISE)
    a, b = seen[near] - seen[near].mean(), due[near] - due[near].mean()
    likeness = float(np.sum(a * b) / max(float(np.sqrt(np.sum(a * a) * np.sum(b * b))), 1e-9))
    # a change of contrast alone is the neighbourhood's light
    left = float(np.std(a)) * np.sqrt(max(1 - likeness**2, 0.0)) / noise
    inner = _filled(here.outline_px(), usable.shape) & usable
    stands_out, mark_likeness = _stands_out(seen, due, inner, near, usable, blur_px, noise)
    return likeness, float(due[near].std()) / noise, left, stands_out, mark_likeness


def _stands_out(
    seen: F32, due: F32, inner: Mask, near: Mask, usable: Mask, blur_px: float, noise: float
) -> tuple[float, float]:
    """How many times the usual contrast around it the expectation's strongest mark has, and how
    nearly the photo has it too (-1..1)."""
    if not inner.any():
        return 0.0, 0.0
    best, alike = 0.0, 0.0
    for width in _WIDTHS:
        sigma = width * blur_px
        expected = gaussian(due, sigma) - gaussian(due, 1.6 * sigma)
        band = np.abs(expected)
        size = 2 * int(_AROUND * sigma) + 1
        around = cv2.dilate(as_u8(inner), np.ones((size, size), np.uint8)) > 0
        gap = 2 * int(2 * sigma) + 1
        beside = around & usable & ~(cv2.dilate(as_u8(inner), np.ones((gap, gap), np.uint8)) > 0)
        if beside.sum() < 50:
            continue
        usual = float(np.sqrt(np.mean(np.square(band[beside]))))
        # a mark fainter than the noise of its own width is not seen by anybody
        floor = noise / (2 * np.sqrt(np.pi) * sigma)
        ratio = float(band[inner].max()) / max(usual, 3 * floor)
        if ratio > best:
            best = ratio
            there = (gaussian(seen, sigma) - gaussian(seen, 1.6 * sigma))[near]
            alike = float(np.corrcoef(there, expected[near])[0, 1])
    return best, alike
