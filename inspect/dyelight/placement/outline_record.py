"""The panel's outline as it was measured."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..records import F64, Artwork


@dataclass(frozen=True, slots=True)
class EdgePoints:
    """Single points of the panel's straight sides, as the photo shows them.

    `nominal_mm` (N, 2) points on the panel's own border, `seen_mm` (N, 2) where the edge lies at
    them in the frame that the outline was sought in, `normals` (N, 2) outward, `weight` (N,) 0..8,
    how clearly each stands out.
    """

    nominal_mm: F64
    seen_mm: F64
    normals: F64
    weight: F64


@dataclass(frozen=True, slots=True)
class Outline:
    """The panel's outline.

    `corners_mm` (4, 2) TL, TR, BR, BL of the panel in artwork mm, as if not rounded; `seen` (4,)
    which sides were measured; `drift_mm`, `stretch_pct` of
    the print against the panel; `edges` the points behind the sides, None for a shaped panel.
    """

    corners_mm: F64
    seen: tuple[bool, bool, bool, bool]
    drift_mm: tuple[float, float]
    stretch_pct: tuple[float, float]
    edges: EdgePoints | None = None

    def with_edges(self, edges: EdgePoints) -> Outline:
        """The same outline with its points."""
        return replace(self, edges=edges)


def described(corners: F64, artwork: Artwork, seen: tuple[bool, bool, bool, bool]) -> Outline:
    """The outline with drift and stretch of the print, from corners (4, 2) in artwork mm."""
    w, h = artwork.width_mm, artwork.height_mm
    tl, tr, br, bl = corners
    width = (np.linalg.norm(tr - tl) + np.linalg.norm(br - bl)) / 2
    height = (np.linalg.norm(bl - tl) + np.linalg.norm(br - tr)) / 2
    stretch = (w / width - 1, h / height - 1)
    off = np.array([w / 2, h / 2]) - corners.mean(axis=0)
    return Outline(
        corners_mm=corners,
        seen=seen,
        drift_mm=(float(off[0] * (1 + stretch[0])), float(off[1] * (1 + stretch[1]))),
        stretch_pct=(float(100 * stretch[0]), float(100 * stretch[1])),
    )
