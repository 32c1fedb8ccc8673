"""Where defects lie on the platen, and whether one place has more than chance would put there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .panels import Panel

F64 = NDArray[np.float64]
# the ring in which a place's own density is read, in radii of the place
_RING = (2.0, 6.0)
_RING_POINTS = 96
_MOST_PLACES = 3


@dataclass(frozen=True, slots=True)
class Spots:
    """Findings of one kind on many panels, in one frame.

    `points_mm` (N, 2), `panel` (N,) the place of each one's panel in `panels`. `origin_mm` and
    `size_mm` bound where points can lie. `on_platen`: in platen coordinates, else in those of the
    panel.
    """

    points_mm: F64
    panel: NDArray[np.int64]
    panels: int
    origin_mm: tuple[float, float]
    size_mm: tuple[float, float]
    on_platen: bool


@dataclass(frozen=True, slots=True)
class Place:
    """The place where most panels have a finding, and how likely chance would do that.

    `members` are the places in `Spots.panel`'s numbering of the panels that have one there.
    `expected` is the number of panels that chance would give.
    """

    center_mm: tuple[float, float]
    radius_mm: float
    members: tuple[int, ...]
    expected: float
    p: float


def lies_on_platen(panel: Panel) -> bool:
    """Whether it is known where on the platen the panel lay."""
    return "x_mm" in panel.facts and "y_mm" in panel.facts and panel.size_known


def to_platen(points_mm: F64, panel: Panel) -> F64:
    """Panel points (N, 2) in mm as platen points: from its back left corner, y to the operator.

    A panel's place is its centre, its quarter turns count clockwise from the picture's top at the
    back, seen from above; face down it is seen through its back, mirrored.
    """
    local = points_mm - np.array([panel.width_mm / 2, panel.height_mm / 2])
    centre = np.array([_number(panel.facts, "x_mm"), _number(panel.facts, "y_mm")])
    return np.asarray(turned(local, panel.facts) + centre, np.float64)


def turned(vectors: F64, facts: Mapping[str, str]) -> F64:
    """Vectors (N, 2) of the panel in the directions of the platen."""
    x, y = vectors[:, 0], vectors[:, 1]
    if facts.get("face_up", "yes").lower() == "no":
        x = -x
    for _ in range(int(_number(facts, "quarter_turns"))):
        x, y = -y, x
    return np.stack([x, y], axis=1)


def _number(facts: Mapping[str, str], name: str) -> float:
    return float(facts.get(name, "0").replace(",", "."))


def spots_of(panels: Sequence[Panel], points: Sequence[F64]) -> Spots | None:
    """The points of all panels in one frame; None where they have no frame in common.

    Platen coordinates where every panel's place there is known, else panel coordinates where all
    panels are of one size.
    """
    if not panels:
        return None
    on_platen = all(lies_on_platen(panel) for panel in panels)
    sizes = {(round(panel.width_mm, 1), round(panel.height_mm, 1)) for panel in panels}
    if not on_platen and (len(sizes) > 1 or not panels[0].size_known):
        return None
    owner = np.repeat(np.arange(len(panels)), [len(item) for item in points])
    if on_platen:
        moved = [to_platen(item, panel) for item, panel in zip(points, panels, strict=True)]
        corners = np.concatenate(
            [
                to_platen(np.array([[0.0, 0.0], [panel.width_mm, panel.height_mm]]), panel)
                for panel in panels
            ]
        )
        low, high = corners.min(axis=0), corners.max(axis=0)
    else:
        moved = list(points)
        low, high = np.zeros(2), np.array([panels[0].width_mm, panels[0].height_mm])
    return Spots(
        np.concatenate(moved) if moved else np.zeros((0, 2)),
        owner,
        len(panels),
        (float(low[0]), float(low[1])),
        (float(high[0] - low[0]), float(high[1] - low[1])),
        on_platen,
    )


def busiest_places(spots: Spots, radii_mm: Sequence[float], least: int) -> list[Place]:
    """The places with the most panels against chance, the unlikeliest first.

    Every finding is tried as the middle of a place, at each radius. Under chance another panel has
    one there with the probability that the density around tells: the densest of the whole, a ring
    around the place, and its mirror images, where edges and corners gather alike. The number of
    panels is then binomial, and the p value is Bonferroni's over all places and radii tried. Later
    places are looked for without the findings of the earlier ones.
    """
    found: list[Place] = []
    taken = np.zeros(len(spots.points_mm), bool)
    tried = max(1, len(spots.points_mm)) * len(radii_mm)
    for _ in range(_MOST_PLACES):
        best: Place | None = None
        for radius in radii_mm:
            place = _busiest(spots, ~taken, radius, tried)
            if place is not None and (best is None or place.p < best.p):
                best = place
        if best is None or len(best.members) < least:
            break
        found.append(best)
        near = np.hypot(*(spots.points_mm - np.array(best.center_mm)).T) <= 3 * best.radius_mm
        taken |= near
        if best.p > 1e-3:
            break
    return found


def _busiest(spots: Spots, free: NDArray[np.bool_], radius: float, tried: int) -> Place | None:
    from scipy.spatial import cKDTree
    from scipy.stats import binom

    points, owner = spots.points_mm[free], spots.panel[free]
    if len(points) < 2 or spots.panels < 2:
        return None
    tree: Any = cKDTree(points)
    pairs = tree.query_pairs(radius, output_type="ndarray")
    counts = _panels_near(pairs, owner, len(points), spots.panels)
    rate = _rates(spots, points, tree, radius)
    chance = 1 - np.exp(-rate / spots.panels)
    # one panel is there because the place was put on it; the others come by chance
    p = binom.sf(counts - 2, spots.panels - 1, chance) * tried
    best = int(np.argmin(p))
    near = np.array(tree.query_ball_point(points[best], radius))
    middle = points[near].mean(axis=0)
    return Place(
        (float(middle[0]), float(middle[1])),
        radius,
        tuple(int(one) for one in np.unique(owner[near])),
        float(spots.panels * chance[best]),
        float(min(1.0, p[best])),
    )


def _panels_near(
    pairs: NDArray[np.int64], owner: NDArray[np.int64], points: int, panels: int
) -> NDArray[np.int64]:
    """How many panels, its own among them, have a finding near each point."""
    both = np.concatenate([pairs, pairs[:, ::-1]]) if len(pairs) else np.zeros((0, 2), np.int64)
    keys = np.unique(both[:, 0] * np.int64(panels) + owner[both[:, 1]]) if len(both) else both[:, 0]
    middle = keys // panels
    other = keys % panels != owner[middle]
    return 1 + np.bincount(middle[other], minlength=points)


def _rates(spots: Spots, points: F64, tree: Any, radius: float) -> F64:
    """The number of findings (N,) that chance puts within the radius of each point, all panels."""
    low, size = np.array(spots.origin_mm), np.array(spots.size_mm)
    disc = np.pi * radius**2
    even = len(points) * disc / max(float(size.prod()), disc)
    inner, outer = _RING[0] * radius, _RING[1] * radius
    in_ring = tree.query_ball_point(points, outer, return_length=True) - tree.query_ball_point(
        points, inner, return_length=True
    )
    turn = np.linspace(0, 2 * np.pi, _RING_POINTS, endpoint=False)
    reach = np.sqrt(np.linspace(inner**2, outer**2, _RING_POINTS))
    # a sunflower over the ring tells how much of it lies where panels can be
    ring = np.stack([np.cos(turn * 59), np.sin(turn * 59)], axis=1) * reach[:, None]
    inside = np.zeros(len(points))
    for offset in ring:
        at = points + offset - low
        inside += np.all((at >= 0) & (at <= size), axis=1)
    share = np.maximum(inside / _RING_POINTS, 1 / _RING_POINTS)
    around = in_ring * radius**2 / ((outer**2 - inner**2) * share)
    mirrored = low + size - (points - low)
    images = [
        np.stack([mirrored[:, 0], points[:, 1]], axis=1),
        np.stack([points[:, 0], mirrored[:, 1]], axis=1),
        mirrored,
    ]
    reflected = np.mean(
        [tree.query_ball_point(image, radius, return_length=True) for image in images], axis=0
    )
    return np.asarray(np.maximum(np.maximum(around, reflected), even), np.float64)
