"""Bare edges: a strip along one side of the panel that the print does not reach.

Along each side the photo is read across the edge, from the metal's outline inwards. A bare strip
is as light as the bare base under the same light, has no picture in it, and ends on a straight cut.
The panel's own rim, where the coating rounds off and catches light, keeps the print's colour under
more light and fades within a millimetre; a reflection fades without a cut.
"""

from __future__ import annotations

import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..look import Difference
from ..look.rootlight import linear_from_root
from ..ranks import median, quantile
from ..records import F64, Candidate, Mask
from .edge_strips import ACROSS_MM, ALONG_MM, EdgeLight, Strip, panel_points, read_side

_RIM_MM = 0.3  # nearer to the outline the panel's rounded rim and the outline's own error decide
_LEAST_MM = 0.4
_LEAST_RUN_MM, _LEAST_RUN = 12.0, 0.12
_SEARCH_MM, _APART_MM = 1.4, 1.4  # print and panel are at most about a millimetre apart
_RIM_REACH_MM = 1.0
_LIGHTEST = 2.4  # the light at the rim is drawn on from the panel's inside, and may be brighter
_CUT_MM = 1.2  # a cut rises within this, a reflection does not
_UNSURE_DE00 = 10.0  # error of the base's colour where the picture holds no white


def find_borders(
    difference: Difference, _found: tuple[Candidate, ...] = ()
) -> tuple[Candidate, ...]:
    """Candidates of the family `border`, at most one a side, the widest first.

    `features`: `width_mm` (median along the strip), `length_mm`, `edge_run` (share of the side),
    `edge_distance_mm`, `base_likeness`, `elongation`, `delta_e00`, `delta_l`, `snr`, `area_mm2`.
    """
    out = []
    look = EdgeLight.of(difference)
    for side in range(4):
        edge_mm, least_mm = metal_edge(difference, look, side)
        strip = read_side(difference, look, side, edge_mm)
        if strip is not None:
            candidate = _measure(difference, look, strip, least_mm)
            if candidate is not None:
                out.append(candidate)
    return tuple(sorted(out, key=lambda one: -one.features["width_mm"]))


def metal_edge(difference: Difference, look: EdgeLight, side: int) -> tuple[float, float]:
    """Depth in mm at which metal begins along a side, and the least width of a strip to believe.

    An outline that was not seen is the print's own, and the metal may reach to either side of it.
    There a strip as light as the base is looked for that has an outer border near the nominal one.
    Without such a border only a strip wider than print and panel can be apart is believed.
    """
    if difference.outline_seen:
        return 0.0, _LEAST_MM
    strip = read_side(difference, look, side, -_SEARCH_MM)
    if strip is None:
        return 0.0, _APART_MM
    outer = []
    reach = int(2 * _SEARCH_MM / ACROSS_MM)
    for row in strip.bareness:
        light = np.where(np.isfinite(row), row, 0) > 0.45
        for k in range(reach, int(0.2 / ACROSS_MM), -1):
            # from inside outwards: base for half a millimetre, then not
            if not light[k] and light[k + 1 : k + 6].all():
                outer.append(strip.depth_mm[k + 1] - 0.05 - _SEARCH_MM)
                break
    if len(outer) < 0.3 * len(strip.along_mm):
        return 0.0, _APART_MM
    return float(np.median(outer)), _LEAST_MM


def _widths(strip: Strip) -> F64:
    """Width (U,) in mm of the bare strip in each cell, 0 where the print reaches, NaN unknown."""
    b, depth = strip.bareness, strip.depth_mm
    out = np.full(len(b), np.nan)
    first = int(np.searchsorted(depth, _RIM_MM))
    levels = np.median(b[:, first : first + 3], axis=1)
    for k, (row, level) in enumerate(zip(b, levels.tolist(), strict=True)):
        if np.isnan(level):
            continue
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
        out[k] = depth[end - 1] + ACROSS_MM * float((high - 0.5 * level) / max(high - low, 1e-6))
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
    difference: Difference, look: EdgeLight, strip: Strip, least_mm: float
) -> Candidate | None:
    widths = _widths(strip)
    run = _run(widths)
    if run is None:
        return None
    cells = slice(run[0], run[1] + 1)
    w, u = widths[cells], strip.along_mm[cells]
    good = np.isfinite(w) & (w >= _LEAST_MM)
    length = float((run[1] - run[0] + 1) * ALONG_MM)
    if length < max(_LEAST_RUN_MM, _LEAST_RUN * strip.whole_mm) or good.sum() < 4:
        return None
    if good.mean() < 0.3 or median(w[good]) < least_mm:
        return None
    line = _line(u[good], w[good])
    off = np.abs(w[good] - line[0] - line[1] * u[good])
    straight = median(off)
    width = median(w[good])
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
    slope, offset = 0.0, median(w)
    for _ in range(3):
        if np.ptp(u[keep]) > 30:
            slope, offset = (float(v) for v in np.polyfit(u[keep], w[keep], 1))
        else:
            slope, offset = 0.0, median(w[keep])
        off = np.abs(w - offset - slope * u)
        keep = off <= max(quantile(off, 0.7), 0.05)
    return offset, slope


def _profile(
    strip: Strip, cells: slice, line: tuple[float, float]
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
            values[k] = median(here)
    centre = bins - 0.05
    got = np.isfinite(values[1:-1])
    x, y = centre[1:][got], values[1:-1][got]
    outside, inside = y[x < -0.05], y[(x > 0.6) & (x < 2.0)]
    if outside.size < 1 or inside.size < 4:
        return None
    high, low = float(np.max(outside[-6:])), median(inside)
    if high - low < 0.2:
        return None
    share = (y - low) / (high - low)
    after = np.flatnonzero((share < 0.15) & (x > -0.3))
    before = np.flatnonzero((share > 0.85) & (x < 0.5))
    if not after.size or not before.size:
        return None
    return high, low, float(x[after[0]] - x[before[-1]])


def _only_lit(strip: Strip, cells: slice, line: tuple[float, float]) -> bool:
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
    return median(off_bare) > 0.7 * median(off_lit)


def _candidate(
    difference: Difference,
    look: EdgeLight,
    strip: Strip,
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
    scatter = max(1.4826 * median(np.abs(means - median(means))), 0.02)
    snr = step / scatter * float(np.sqrt(min(told.sum(), 4)))
    ends = np.array([u[0] - ALONG_MM / 2, u[-1] + ALONG_MM / 2])
    deep = np.maximum(line[0] + line[1] * ends, 0.1)
    along = np.array([ends[0], ends[1], ends[1], ends[0]])
    outline = panel_points(
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
        "peak_de00": quantile(delta, 0.98),
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
