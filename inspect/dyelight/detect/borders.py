"""Bare edges: a strip along one side of the panel that the print does not reach.

Along each side the photo is read across the edge, from the metal's outline inwards. A bare strip
is as light as the bare base under the same light, has no picture in it, and ends on a straight cut.
The panel's own rim, where the coating rounds off and catches light, keeps the print's colour under
more light and fades within a millimetre; a reflection fades without a cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..look import Difference
from ..look.colour_light import veil_slope
from ..look.rootlight import linear_from_root, root_from_linear
from ..records import F32, F64, Candidate, Mask
from .doubles_score import sampled

_ALONG_MM = 2.0  # one cell along the edge
_FINE = 4  # samples along in a cell
_ACROSS_MM = 0.1
_REACH_MM = 9.0
_RIM_MM = 0.3  # nearer to the outline the panel's rounded rim and the outline's own error decide
_LEAST_MM = 0.4
_TELLS = 0.06  # root light between picture and base under which a strip cannot be seen
_LEAST_RUN_MM, _LEAST_RUN = 12.0, 0.12
_SEARCH_MM, _APART_MM = 1.4, 1.4  # print and panel are at most about a millimetre apart
_RIM_REACH_MM = 1.0
_LIGHTEST = 2.4  # the light at the rim is drawn on from the panel's inside, and may be brighter
_CUT_MM = 1.2  # a cut rises within this, a reflection does not
_COARSE = 64
_UNSURE_DE00 = 10.0  # error of the base's colour where the picture holds no white


def find_borders(
    difference: Difference, _found: tuple[Candidate, ...] = ()
) -> tuple[Candidate, ...]:
    """Candidates of the family `border`, at most one a side, the widest first.

    `features`: `width_mm` (median along the strip), `length_mm`, `edge_run` (share of the side),
    `edge_distance_mm`, `base_likeness`, `elongation`, `delta_e00`, `delta_l`, `snr`, `area_mm2`.
    """
    out = []
    # an outline that was not seen is the print's own, and the metal may reach to either side of it
    seen = difference.outline_seen
    look = _Look.of(difference)
    for side in range(4):
        edge_mm, least_mm = (0.0, _LEAST_MM) if seen else _metal_edge(difference, look, side)
        strip = _read_side(difference, look, side, edge_mm)
        if strip is not None:
            candidate = _measure(difference, look, strip, least_mm)
            if candidate is not None:
                out.append(candidate)
    return tuple(sorted(out, key=lambda one: -one.features["width_mm"]))


@dataclass(frozen=True, slots=True)
class _Look:
    """What all sides share: root light (3,) of the bare base, how well it is known, and the light's
    `gain` (N, N, 3) and `veil` (N, N) on a coarse grid over the panel frame."""

    bare: F32
    known: float
    gain: F32
    veil: F32

    @classmethod
    def of(cls, difference: Difference) -> _Look:
        ends = ((0.5 / _COARSE, 1 - 0.5 / _COARSE), (0.5 / _COARSE, 1 - 0.5 / _COARSE))
        look = difference.look
        return cls(
            *bare_base(difference),
            look.gain.on_grid(_COARSE, _COARSE, *ends),
            look.veil.on_grid(_COARSE, _COARSE, *ends),
        )


@dataclass(frozen=True, slots=True)
class _Strip:
    """One side read along (rows, cells of `_ALONG_MM`) and across (columns, `depth_mm`).

    `bareness` (U, V) is 0 where the photo shows the picture, 1 where it shows the base, NaN where
    it cannot be told. `seen`, `due`, `base` (U, V, 3) are root light, `along_mm` (U,) counts from
    the side's start.
    """

    side: int
    along_mm: F64
    depth_mm: F64
    bareness: F64
    seen: F32
    due: F32
    base: F32
    whole_mm: float


def _panel_points(side: int, along: F64, depth: F64, width: float, height: float) -> F64:
    """Panel mm (..., 2) of places along and into a side: 0 top, 1 right, 2 bottom, 3 left."""
    if side == 0:
        return np.stack([along, depth], axis=-1)
    if side == 1:
        return np.stack([width - depth, along], axis=-1)
    if side == 2:
        return np.stack([along, height - depth], axis=-1)
    return np.stack([depth, along], axis=-1)


def _metal_edge(difference: Difference, look: _Look, side: int) -> tuple[float, float]:
    """Depth in mm at which metal begins where no outline was seen, and the least width to report.

    Looks for a strip as light as the base that has an outer border near the nominal one. Without
    such a border only a strip wider than print and panel can be apart is believed.
    """
    strip = _read_side(difference, look, side, -_SEARCH_MM)
    if strip is None:
        return 0.0, _APART_MM
    outer = []
    reach = int(2 * _SEARCH_MM / _ACROSS_MM)
    for row in strip.bareness:
        light = np.where(np.isfinite(row), row, 0) > 0.45
        for k in range(reach, int(0.2 / _ACROSS_MM), -1):
            # from inside outwards: base for half a millimetre, then not
            if not light[k] and light[k + 1 : k + 6].all():
                outer.append(strip.depth_mm[k + 1] - 0.05 - _SEARCH_MM)
                break
    if len(outer) < 0.3 * len(strip.along_mm):
        return 0.0, _APART_MM
    return float(np.median(outer)), _LEAST_MM


def _read_side(difference: Difference, look: _Look, side: int, edge_mm: float) -> _Strip | None:
    """One side, depth counted from `edge_mm` inside the nominal outline."""
    art, frame = difference.artwork, difference.panel
    whole = art.width_mm if side in (0, 2) else art.height_mm
    other = art.height_mm if side in (0, 2) else art.width_mm
    cells = int(whole / _ALONG_MM)
    depth = np.arange(0.05, min(_REACH_MM, 0.3 * other), _ACROSS_MM)
    fine = (np.arange(cells * _FINE) + 0.5) * _ALONG_MM / _FINE + 0.5 * (whole - cells * _ALONG_MM)
    along, into = np.meshgrid(fine, depth, indexing="ij")
    panel_mm = _panel_points(side, along, into + edge_mm, art.width_mm, art.height_mm)
    flat = difference.to_artwork_mm(panel_mm.reshape(-1, 2))
    px = frame.to_px(flat).reshape(*along.shape, 2)
    at = np.asarray(px, np.float32)
    seen = sampled(frame.observed, at)
    due, base = _expected(difference, look, at)
    # a clipped strip is still seen to be light
    good = sampled((frame.in_photo & frame.opaque).astype(np.float32), at) > 0.98
    # where the outline bends away, at rounded corners and shaped panels, depth means nothing
    good &= sampled(frame.edge_mm, at) > into + edge_mm - 0.4
    room = base - due
    part = (cells, _FINE, depth.size)

    def cell(values: F32) -> F64:
        return np.asarray((values * good).reshape(part).mean(1), np.float64)

    top, bottom = cell(((seen - due) * room).sum(2)), cell((room * room).sum(2))
    share = good.reshape(part).mean(1)
    if (share > 0.5).sum() < 20:
        return None
    tells = (bottom > 3 * _TELLS**2 * np.maximum(share, 1e-3)) & (share > 0.5)
    bareness = np.where(tells, top / np.maximum(bottom, 1e-9), np.nan)

    def mean(image: F32) -> F32:
        return np.asarray(image.reshape(*part, 3).mean(1), np.float32)

    middle = fine.reshape(cells, _FINE).mean(1)
    return _Strip(side, middle, depth, bareness, mean(seen), mean(due), mean(base), whole)


def _expected(difference: Difference, look: _Look, at: F32) -> tuple[F32, F32]:
    """Root light (U, V, 3) of the picture and of the bare base under the fitted light."""
    frame = difference.panel
    height, width = frame.inside.shape
    picture = difference.look.response.apply(sampled(frame.artwork, at))
    place = np.asarray((at + 0.5) / np.array([width, height]) * _COARSE - 0.5, np.float32)
    gain, veil = sampled(look.gain, place), sampled(look.veil, place)[..., None]
    due, base = picture * gain, look.bare * gain
    due, base = due + veil * veil_slope(due), base + veil * veil_slope(base)
    return np.maximum(due, 0), np.maximum(base, 0)


def bare_base(difference: Difference) -> tuple[F32, float]:
    """Root light (3,) of the bare base under mean light, and how well it is known, 0..1.

    The base is what white in the artwork comes out as. A picture without white leaves the fitted
    response to guess there: such channels are held to the others, as a base is nearly neutral, and
    to the lightest that the picture shows, as no base is darker than dye on it.
    """
    frame, look = difference.panel, difference.look
    art = frame.artwork[::8, ::8][(frame.inside & frame.printed)[::8, ::8]]
    white = root_from_linear(np.ones((1, 1, 3), np.float32))
    fitted = look.response.apply(white)[0, 0]
    if not art.size:
        return fitted, 0.0
    reach = np.quantile(art, 0.99, axis=0)
    known = np.exp(-(((1 - reach) / 0.3) ** 2))
    shared = float((fitted * (known + 1e-3)).sum() / (known + 1e-3).sum())
    lightest = np.quantile(look.response.apply(art[None])[0], 0.995, axis=0)
    out = np.maximum(known * fitted + (1 - known) * shared, lightest)
    return np.asarray(out, np.float32), float(known.mean())


def _widths(strip: _Strip) -> F64:
    """Width (U,) in mm of the bare strip in each cell, 0 where the print reaches, NaN unknown."""
    b, depth = strip.bareness, strip.depth_mm
    out = np.full(len(b), np.nan)
    first = int(np.searchsorted(depth, _RIM_MM))
    start = slice(first, first + 3)
    for k, row in enumerate(b):
        if not np.isfinite(row[start]).all():
            continue
        level = float(np.median(row[start]))
        if level < 0.45:
            out[k] = 0.0
            continue
        under = np.flatnonzero(~(row[first:] > 0.5 * level))
        if under.size == 0 or not np.isfinite(row[first + under[0]]):
            continue
        if under[0] == 0:
            out[k] = 0.0
            continue
        end = first + int(under[0])
        high, low = row[end - 1], row[end]
        out[k] = depth[end - 1] + _ACROSS_MM * float((high - 0.5 * level) / max(high - low, 1e-6))
    return out


def _run(widths: F64) -> tuple[int, int] | None:
    """First and last cell, inclusive, of the longest run of bare cells; gaps of two are bridged."""
    bare = np.flatnonzero(widths >= _LEAST_MM)
    if not bare.size:
        return None
    known = np.isfinite(widths)
    best = (int(bare[0]), int(bare[0]))
    start = last = int(bare[0])
    for k in bare[1:]:
        between = widths[last + 1 : k]
        printed = int((known[last + 1 : k] & (between < _LEAST_MM)).sum())
        if printed > 2:
            start = int(k)
        last = int(k)
        if last - start > best[1] - best[0]:
            best = (start, last)
    return best


def _measure(
    difference: Difference, look: _Look, strip: _Strip, least_mm: float
) -> Candidate | None:
    widths = _widths(strip)
    run = _run(widths)
    if run is None:
        return None
    cells = slice(run[0], run[1] + 1)
    w, u = widths[cells], strip.along_mm[cells]
    good = np.isfinite(w) & (w >= _LEAST_MM)
    length = float((run[1] - run[0] + 1) * _ALONG_MM)
    if length < max(_LEAST_RUN_MM, _LEAST_RUN * strip.whole_mm) or good.sum() < 4:
        return None
    if good.mean() < 0.3 or float(np.median(w[good])) < least_mm:
        return None
    line = _line(u[good], w[good])
    off = np.abs(w[good] - line[0] - line[1] * u[good])
    straight = float(np.median(off))
    width = float(np.median(w[good]))
    if straight > max(0.2, 0.12 * width):
        return None
    profile = _profile(strip, cells, line)
    if profile is None:
        return None
    outer, inner, rise_mm = profile
    if not (0.5 < outer < _LIGHTEST and abs(inner) < 0.3 and rise_mm < _CUT_MM):
        return None
    if width < _RIM_REACH_MM and _only_lit(strip, cells, line):
        return None
    return _candidate(difference, look, strip, cells, line, width, length, outer - inner)


def _line(u: F64, w: F64) -> tuple[float, float]:
    """Offset and slope of the cut, least squares on the nearer half twice over."""
    keep = np.ones(u.size, bool)
    slope, offset = 0.0, float(np.median(w))
    for _ in range(3):
        if np.ptp(u[keep]) > 30:
            slope, offset = (float(v) for v in np.polyfit(u[keep], w[keep], 1))
        else:
            slope, offset = 0.0, float(np.median(w[keep]))
        off = np.abs(w - offset - slope * u)
        keep = off <= max(float(np.quantile(off, 0.7)), 0.05)
    return offset, slope


def _profile(
    strip: _Strip, cells: slice, line: tuple[float, float]
) -> tuple[float, float, float] | None:
    """Bareness outside and inside of the cut, and the cut's 10-90 % rise in mm."""
    b, u = strip.bareness[cells], strip.along_mm[cells]
    from_cut = strip.depth_mm[None] - (line[0] + line[1] * u)[:, None]
    bins = np.arange(-1.5, 2.01, 0.1)
    index = np.digitize(from_cut, bins)
    values = np.full(bins.size + 1, np.nan)
    for k in range(1, bins.size):
        here = b[(index == k) & np.isfinite(b) & (strip.depth_mm[None] > _RIM_MM)]
        if here.size >= 4:
            values[k] = float(np.median(here))
    centre = bins - 0.05
    got = np.isfinite(values[1:-1])
    x, y = centre[1:][got], values[1:-1][got]
    outside, inside = y[x < -0.05], y[(x > 0.6) & (x < 2.0)]
    if outside.size < 1 or inside.size < 4:
        return None
    high, low = float(np.max(outside[-6:])), float(np.median(inside))
    if high - low < 0.2:
        return None
    share = (y - low) / (high - low)
    after = np.flatnonzero((share < 0.15) & (x > -0.3))
    before = np.flatnonzero((share > 0.85) & (x < 0.5))
    if not after.size or not before.size:
        return None
    return high, low, float(x[after[0]] - x[before[-1]])


def _only_lit(strip: _Strip, cells: slice, line: tuple[float, float]) -> bool:
    """Whether the strip's colour is the print's under more light as much as it is the base's."""
    cut = line[0] + line[1] * strip.along_mm[cells]
    depth = strip.depth_mm[None]
    inside = (depth > 0.25) & (depth < np.maximum(cut - 0.1, 0.45)[:, None])
    inside &= np.isfinite(strip.bareness[cells])
    seen, due, base = (image[cells][inside] for image in (strip.seen, strip.due, strip.base))
    if len(seen) < 3:
        return True
    room = base - due
    bare = (((seen - due) * room).sum(1) / (room * room).sum(1))[:, None] * room + due
    lit = ((seen * due).sum(1) / np.maximum((due * due).sum(1), 1e-6))[:, None] * due
    off_bare, off_lit = (np.abs(seen - model).sum(1) for model in (bare, lit))
    return bool(np.median(off_bare) > 0.7 * np.median(off_lit))


def _candidate(
    difference: Difference,
    look: _Look,
    strip: _Strip,
    cells: slice,
    line: tuple[float, float],
    width: float,
    length: float,
    step: float,
) -> Candidate:
    art = difference.artwork
    u = strip.along_mm[cells]
    cut = np.maximum(line[0] + line[1] * u, 0.1)
    inside: Mask = (strip.depth_mm[None] < cut[:, None]) & (strip.depth_mm[None] > 0.2)
    seen, due, base = (image[cells][inside] for image in (strip.seen, strip.due, strip.base))
    lab_seen, lab_due, lab_base = (
        lab_from_linear(np.clip(linear_from_root(image), 0, 1)) for image in (seen, due, base)
    )
    delta = ciede2000(lab_seen, lab_due)
    to_base, due_to_base = ciede2000(lab_seen, lab_base), ciede2000(lab_due, lab_base)
    unsure = _UNSURE_DE00 * (1 - look.known)
    # how much cells of the strip's own width scatter just inside of it, where the print reaches
    within = (strip.depth_mm[None] > cut[:, None] + 0.6) & (
        strip.depth_mm[None] < 2 * cut[:, None] + 1.1
    )
    inner = np.where(within, strip.bareness[cells], np.nan)
    told = np.isfinite(inner).sum(1) >= 2
    means = np.nanmean(inner[told], axis=1) if told.any() else np.ones(1)
    scatter = max(1.4826 * float(np.median(np.abs(means - np.median(means)))), 0.02)
    snr = step / scatter * float(np.sqrt(min(told.sum(), 4)))
    ends = np.array([u[0] - _ALONG_MM / 2, u[-1] + _ALONG_MM / 2])
    deep = np.maximum(line[0] + line[1] * ends, 0.1)
    along = np.array([ends[0], ends[1], ends[1], ends[0]])
    outline = _panel_points(
        strip.side, along, np.array([0, 0, deep[1], deep[0]]), art.width_mm, art.height_mm
    )
    low, high = outline.min(0), outline.max(0)
    area = length * width
    features = {
        "snr": snr,
        "width_mm": width,
        "length_mm": length,
        "edge_run": min(1.0, length / strip.whole_mm),
        "edge_distance_mm": 0.0,
        "base_likeness": float(
            np.clip(1 - max(to_base.mean() - unsure, 0) / max(float(due_to_base.mean()), 1.0), 0, 1)
        ),
        "elongation": length / width,
        "delta_e00": float(delta.mean()),
        "peak_de00": float(np.quantile(delta, 0.98)),
        "delta_l": float((lab_seen[:, 0] - lab_due[:, 0]).mean()),
        "area_mm2": area,
    }
    return Candidate(
        family="border",
        center_mm=(float((low[0] + high[0]) / 2), float((low[1] + high[1]) / 2)),
        box_mm=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        outline_mm=np.asarray(outline, np.float64),
        area_mm2=area,
        delta_e00=features["delta_e00"],
        snr=snr,
        tone="light" if features["delta_l"] > 0 else "dark",
        features=features,
    )
