"""The measured values that rules, acceptance and causes read, with what follows from them."""

from __future__ import annotations

import math

import numpy as np

from ..records import Artwork, Candidate, Finding
from .zones import EdgeDistance

MARGIN = "membership_margin"

_BENT, _STRAIGHT = 0.97, 0.985  # end to end over length: at a bow of a tenth of it, and of a 13th
_RIM_MM = 6.0  # where the metal's own edge, bent light and the wrap of the print are seen


def candidate_values(
    candidate: Candidate, artwork: Artwork, distance: EdgeDistance
) -> dict[str, float]:
    """A candidate's finite features, with those added that its other fields and the panel give.

    What the detector measured stands; added where it did not: snr, delta_e00, area_mm2,
    eq_diameter_mm, short_side_fraction, edge_distance_mm, rim_nearness,
    rim_share, rim_size_mm, lift_size_mm, shift_mm, straight_length_mm.
    """
    values = {
        name: float(value) for name, value in candidate.features.items() if math.isfinite(value)
    }
    given = {
        "snr": candidate.snr,
        "delta_e00": candidate.delta_e00,
        "area_mm2": candidate.area_mm2,
    }
    for name, value in given.items():
        if math.isfinite(value):
            values.setdefault(name, float(value))
    area = values.get("area_mm2")
    if area is not None and area >= 0:
        values.setdefault("eq_diameter_mm", 2.0 * math.sqrt(area / math.pi))
    if "eq_diameter_mm" in values:
        short = min(artwork.width_mm, artwork.height_mm)
        values.setdefault("short_side_fraction", values["eq_diameter_mm"] / short)
    if "edge_distance_mm" not in values:
        x0, y0, x1, y1 = candidate.box_mm
        across, down = (x0 + x1) / 2, (y0 + y1) / 2
        rim = [(x0, y0), (x1, y0), (x0, y1), (x1, y1), (across, y0), (across, y1)]
        rim += [(x0, down), (x1, down)]
        values["edge_distance_mm"] = float(distance(np.array(rim, dtype=np.float64)).min())
    values["rim_nearness"] = 1.0 / (1.0 + max(values["edge_distance_mm"], 0.0))
    values["rim_share"] = distance.share_within(_RIM_MM, candidate.outline_mm, candidate.box_mm)
    if "eq_diameter_mm" in values:
        values["rim_size_mm"] = values["eq_diameter_mm"] * values["rim_nearness"]
        values["lift_size_mm"] = values["eq_diameter_mm"] + values["rim_size_mm"]
    if "length_mm" in values and "straightness" in values:
        straight = (values["straightness"] - _BENT) / (_STRAIGHT - _BENT)
        values["straight_length_mm"] = values["length_mm"] * min(max(straight, 0.0), 1.0)
    if candidate.vector_mm is not None:
        values.setdefault("shift_mm", math.hypot(*candidate.vector_mm))
    return values


def finding_value(finding: Finding, feature: str) -> float | None:
    """The value of one feature of a finding, or None where it was not measured."""
    fields = {
        "snr": finding.snr,
        "delta_e00": finding.delta_e00,
        "area_mm2": finding.area_mm2,
        "eq_diameter_mm": finding.eq_diameter_mm,
    }
    value = finding.features.get(feature, fields.get(feature))
    return value if value is not None and math.isfinite(value) else None


def shown_unit(unit: str, artwork: Artwork) -> str:
    """A unit as people must read it: lengths on a panel of unknown size are not millimetres."""
    if artwork.size_known or not unit.startswith("mm"):
        return unit
    return f"{unit} if the panel were 100 mm wide"


def is_length(unit: str) -> bool:
    """Whether a unit measures length or area, which an unknown panel size makes uncertain."""
    return unit.startswith("mm")
