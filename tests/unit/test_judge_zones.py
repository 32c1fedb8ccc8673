"""Zones by distance from the panel's edge, on rectangles and on shapes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from dyelight.judge.zones import EdgeDistance, Zones
from dyelight.records import F64, U8, Artwork


def artwork(alpha: U8 | None = None, bleed_mm: float = 0.0) -> Artwork:
    size = (400, 600) if alpha is None else alpha.shape
    return Artwork(
        file="dunes.png",
        sha256="0" * 64,
        pixels=np.zeros((*size, 3), np.uint8),
        alpha=alpha,
        width_mm=300.0,
        height_mm=200.0,
        bleed_mm=bleed_mm,
    )


def zones(of: Artwork) -> Zones:
    return Zones(EdgeDistance(of), rim_mm=3.0, border_mm=20.0, least_share=0.1, least_mm2=2.0)


def box_outline(box: tuple[float, float, float, float]) -> F64:
    x0, y0, x1, y1 = box
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], np.float64)


@pytest.mark.parametrize(
    ("box", "zone"),
    [
        ((140.0, 90.0, 160.0, 110.0), "A"),
        ((8.0, 90.0, 12.0, 94.0), "B"),
        ((0.0, 50.0, 2.0, 150.0), "C"),
        ((298.0, 50.0, 300.0, 60.0), "C"),
        ((0.0, 0.0, 2.5, 2.5), "C"),
        # a fifth of it reaches over the border's inner side
        ((10.0, 90.0, 22.5, 100.0), "A"),
        # a strip that reaches beyond the rim
        ((0.0, 20.0, 4.0, 180.0), "B"),
    ],
)
def test_the_most_demanding_zone_counts(box: tuple[float, float, float, float], zone: str) -> None:
    """A finding lies in the most demanding zone that holds a meaningful part of it."""
    assert zones(artwork()).of(box_outline(box), box) == zone


def test_a_sliver_in_a_better_zone_does_not_count() -> None:
    """A twentieth of a small finding, under 2 mm², does not make it the face's."""
    box = (18.0, 90.0, 20.1, 92.0)
    assert zones(artwork()).of(box_outline(box), box) == "B"


def test_a_large_part_counts_whatever_its_share() -> None:
    """Two per cent of a long strip is several mm², and counts."""
    box = (0.0, 20.0, 3.2, 180.0)
    assert zones(artwork()).of(box_outline(box), box) == "B"


def test_the_outline_counts_and_not_its_box() -> None:
    """An L along two edges has its box's middle on the face and no metal there."""
    outline = np.array(
        [[0, 0], [100, 0], [100, 2], [2, 2], [2, 100], [0, 100]],
        np.float64,
    )
    assert zones(artwork()).of(outline, (0.0, 0.0, 100.0, 100.0)) == "C"


def test_a_point_has_a_zone() -> None:
    """An outline without area is judged by its middle."""
    outline = np.array([[150.0, 100.0]])
    assert zones(artwork()).of(outline, (150.0, 100.0, 150.0, 100.0)) == "A"


def test_distance_on_a_rectangle() -> None:
    """The distance is to the nearest side, 0 outside."""
    points = np.array([[5.0, 100.0], [150.0, 100.0], [150.0, 193.0], [-4.0, 50.0]])
    assert EdgeDistance(artwork())(points) == pytest.approx([5.0, 100.0, 7.0, 0.0])


def test_share_that_lies_near_the_edge() -> None:
    """Counted over the outline's area: a spot that reaches the edge is mostly no part of it."""
    distance = EdgeDistance(artwork())
    wide, thin = (1.0, 50.0, 41.0, 90.0), (1.0, 50.0, 4.0, 90.0)
    assert distance.share_within(6.0, box_outline(wide), wide) == pytest.approx(5 / 40, abs=0.02)
    assert distance.share_within(6.0, box_outline(thin), thin) == 1.0


def test_distance_on_a_round_panel_with_a_hole() -> None:
    """On a disc of 180 mm with a hole of 20 mm the distance is to rim or hole."""
    alpha = np.zeros((400, 600), np.uint8)
    cv2.circle(alpha, (300, 200), 180, 255, -1)
    cv2.circle(alpha, (300, 200), 20, 0, -1)
    points = np.array([[150.0 + 85.0, 100.0], [150.0 + 15.0, 100.0], [150.0, 100.0], [30.0, 100.0]])
    assert EdgeDistance(artwork(alpha))(points) == pytest.approx([5.0, 5.0, 0.0, 0.0], abs=0.6)


def test_bleed_is_no_panel() -> None:
    """Opaque bleed outside the trim adds nothing to the distance."""
    alpha = np.full((440, 640), 255, np.uint8)
    points = np.array([[5.0, 100.0], [150.0, 4.0]])
    distance = EdgeDistance(artwork(alpha, bleed_mm=10.0))(points)
    assert distance == pytest.approx([5.0, 4.0], abs=0.3)
