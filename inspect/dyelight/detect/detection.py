"""The detect stage: every detector family in its order, then one record for each thing seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from ..look import Difference
from ..records import F64, Candidate, Mask
from .capability import faintest_spot_de00, smallest_speck_mm
from .marks import find_marks
from .patches import find_patches
from .same import without_doubles

Detector = Callable[[Difference], tuple[Candidate, ...]]

DETECTORS: tuple[Detector, ...] = (find_patches, find_marks)

_REFLECTION = 0.7  # likeness over which a pale patch is light on the coating, not missing dye
_MIN_HIDDEN_MM2 = 4.0


@dataclass(frozen=True, slots=True)
class Detection:
    """What was seen, what could not be seen, and how small a thing could have been seen.

    `hidden_mm` are polygons (N, 2) in panel mm; `hidden_fraction` is their share of the panel.
    """

    candidates: tuple[Candidate, ...]
    hidden_fraction: float
    hidden_mm: tuple[F64, ...]
    smallest_speck_mm: float | None
    faintest_spot_de00: float | None


def detect(difference: Difference) -> Detection:
    """Run every detector and settle what each of them saw of the same thing."""
    found = [candidate for detector in DETECTORS for candidate in detector(difference)]
    reflections = [c for c in found if is_reflection(c)]
    hidden = difference.hidden.copy()
    for candidate in reflections:
        hidden |= _drawn(difference, candidate)
    candidates = without_doubles([c for c in found if not is_reflection(c)])
    polygons, fraction = _polygons(difference, hidden)
    return Detection(
        candidates=tuple(candidates),
        hidden_fraction=fraction,
        hidden_mm=polygons,
        smallest_speck_mm=smallest_speck_mm(difference),
        faintest_spot_de00=faintest_spot_de00(difference),
    )


def is_reflection(candidate: Candidate) -> bool:
    """Whether a patch is light that the coating throws back, so that it hides and harms nothing."""
    return (
        candidate.family == "patch"
        and candidate.tone == "light"
        and candidate.features.get("reflection_likeness", 0.0) >= _REFLECTION
    )


def _drawn(difference: Difference, candidate: Candidate) -> Mask:
    """A candidate's outline filled on the panel frame."""
    mask = np.zeros(difference.panel.inside.shape, np.uint8)
    back = np.linalg.inv(difference.panel_from_artwork)
    mm = cv2.perspectiveTransform(candidate.outline_mm.reshape(1, -1, 2), back)[0]
    cv2.fillPoly(mask, [np.rint(difference.panel.to_px(mm)).astype(np.int32)], 1)
    return mask > 0


def _polygons(difference: Difference, hidden: Mask) -> tuple[tuple[F64, ...], float]:
    frame = difference.panel
    cut_off = frame.opaque & ~frame.in_photo & (frame.edge_mm > 0)
    hidden = (hidden & frame.inside) | cut_off
    metal = float((frame.inside | cut_off).sum())
    smooth = cv2.morphologyEx(hidden.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    contours, _ = cv2.findContours(smooth, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    polygons = []
    for contour in contours:
        if cv2.contourArea(contour) < _MIN_HIDDEN_MM2 * frame.px_per_mm**2:
            continue
        simple = cv2.approxPolyDP(contour, 0.3 * frame.px_per_mm, True).reshape(-1, 2)
        if len(simple) >= 3:
            polygons.append(difference.to_panel_mm(frame.to_mm(simple.astype(np.float64))))
    return tuple(polygons), float(hidden.sum()) / max(metal, 1.0)
