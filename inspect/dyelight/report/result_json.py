"""The result as plain data: what `result.json` holds, field by field.

Lengths are millimetres on the panel. Where nobody gave a panel size, every `*_mm` field is null and
a `*_pct` field stands beside it: lengths in per cent of the panel's width, areas in per cent of the
panel's area. Numbers are finite or null, never NaN.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from ..errors import StageFault
from ..records import (
    F64,
    ArtworkFacts,
    Capture,
    Cause,
    Finding,
    Inspection,
    Placement,
    Reading,
    VerdictReading,
)

SCHEMA_VERSION = 1
GRID = 9
_PLACES_PX = 3
_PLACES_MM = 3


def result_dict(inspection: Inspection) -> dict[str, Any]:
    """The whole inspection as JSON-ready dicts, lists, strings, numbers and None.

    The key order is the order of the schema. Raises `StageFault` where a number that must be there
    is not finite, naming the field: a result that lies silently is worse than none.
    """
    panel = inspection.panel
    return {
        "schema_version": SCHEMA_VERSION,
        "tool_version": inspection.tool_version,
        "rules_sha256": inspection.rules_sha256,
        "seconds": _number(inspection.seconds, 3, "seconds"),
        "panel": _panel(panel),
        "artwork": _artwork(panel, inspection.placement),
        "photos": [
            {
                "file": photo.file,
                "sha256": photo.sha256,
                "width_px": int(photo.width_px),
                "height_px": int(photo.height_px),
            }
            for photo in inspection.photos
        ],
        "usable": bool(inspection.usable),
        "capture": _capture(inspection.capture, panel),
        "placement": _placement(inspection.placement, panel),
        "findings": [_finding(finding, panel) for finding in inspection.findings],
        "verdict": inspection.verdict.word,
        "verdict_because": [
            {**_reading(reading), "findings": list(reading.findings)}
            for reading in inspection.verdict.because
        ],
        "causes": [_cause(cause) for cause in inspection.causes],
    }


def result_text(inspection: Inspection) -> str:
    """`result_dict` as indented UTF-8 JSON with a closing newline; raises `StageFault` on NaN."""
    return json.dumps(result_dict(inspection), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _number(value: float, places: int, field: str) -> float:
    value = float(value)
    if not math.isfinite(value):
        raise StageFault(f"the field {field} came out as {value}.", place="report")
    # + 0.0 turns a rounded -0.0 into 0.0
    return round(value, places) + 0.0


def _optional(value: float | None, places: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), places) + 0.0


def _numbers(values: Iterable[float], places: int, field: str) -> list[float]:
    return [_number(value, places, field) for value in values]


def _points(points: F64, places: int, field: str) -> list[list[float]]:
    return [_numbers(point, places, field) for point in np.asarray(points, dtype=np.float64)]


def _lengths(name: str, value: Any, panel: ArtworkFacts) -> dict[str, Any]:
    """`name_mm`, and `name_pct` beside a null `name_mm` where the panel's size is unknown."""
    if panel.size_known:
        return {f"{name}_mm": value}
    # without a size the stages count the panel's width as 100, so their lengths are per cent of it
    return {f"{name}_mm": None, f"{name}_pct": value}


def _area(area_mm2: float, panel: ArtworkFacts) -> dict[str, float | None]:
    if panel.size_known:
        return {"area_mm2": _number(area_mm2, 4, "findings.area_mm2")}
    share = 100.0 * area_mm2 / (panel.width_mm * panel.height_mm)
    return {"area_mm2": None, "area_pct": _number(share, 5, "findings.area_pct")}


def _panel(panel: ArtworkFacts) -> dict[str, Any]:
    return {
        "id": panel.panel_id,
        **_lengths("width", _number(panel.width_mm, _PLACES_MM, "panel.width_mm"), panel),
        **_lengths("height", _number(panel.height_mm, _PLACES_MM, "panel.height_mm"), panel),
        "base": panel.base,
        "finish": panel.finish,
    }


def _artwork(panel: ArtworkFacts, placement: Placement | None) -> dict[str, Any]:
    return {
        "file": panel.file,
        "sha256": panel.sha256,
        # how the artwork lies in the photo is only known once it is found there
        "mirrored": None if placement is None else bool(placement.mirrored),
        "quarter_turns": None if placement is None else int(placement.quarter_turns),
        **_lengths("bleed", _number(panel.bleed_mm, _PLACES_MM, "artwork.bleed_mm"), panel),
    }


def _capture(capture: Capture, panel: ArtworkFacts) -> dict[str, Any]:
    scale = _optional(capture.px_per_mm, _PLACES_PX)
    hidden = [_points(ring, _PLACES_MM, "capture.hidden_mm") for ring in capture.hidden_mm]
    return {
        **({"px_per_mm": scale} if panel.size_known else {"px_per_mm": None, "px_per_pct": scale}),
        "blur_px": _optional(capture.blur_px, _PLACES_PX),
        "hidden_fraction": _number(capture.hidden_fraction, 5, "capture.hidden_fraction"),
        **_lengths("hidden", hidden, panel),
        **_lengths("smallest_speck", _optional(capture.smallest_speck_mm, _PLACES_MM), panel),
        "faintest_spot_de00": _optional(capture.faintest_spot_de00, 2),
        "notes": [{"code": note.code, "text": note.text} for note in capture.notes],
    }


def _placement(placement: Placement | None, panel: ArtworkFacts) -> dict[str, Any] | None:
    if placement is None:
        return None
    drift = placement.drift_mm
    stretch = placement.stretch_pct
    return {
        "corners_px": _points(placement.corners_px, _PLACES_PX, "placement.corners_px"),
        "outline_seen": bool(placement.outline_seen),
        "grid": picture_grid(placement, panel),
        "uncertainty_px": _number(placement.uncertainty_px, 4, "placement.uncertainty_px"),
        **_lengths(
            "drift",
            None if drift is None else _numbers(drift, _PLACES_MM, "placement.drift_mm"),
            panel,
        ),
        "stretch_pct": (None if stretch is None else _numbers(stretch, 4, "placement.stretch_pct")),
    }


def picture_grid(placement: Placement, panel: ArtworkFacts) -> list[list[list[list[float]]]]:
    """The map from picture to photo, sampled: 9 rows of 9 `[[x, y] artwork mm, [x, y] photo px]`.

    Rows run down, entries across, even from edge to edge of the trimmed artwork, corners included.
    """
    across = np.linspace(0.0, panel.width_mm, GRID)
    down = np.linspace(0.0, panel.height_mm, GRID)
    x, y = np.meshgrid(across, down)
    points_mm = np.stack([x.ravel(), y.ravel()], axis=1)
    points_px = np.asarray(placement.picture.to_photo(points_mm), dtype=np.float64)
    pairs = [
        [_numbers(mm, _PLACES_MM, "placement.grid"), _numbers(px, _PLACES_PX, "placement.grid")]
        for mm, px in zip(points_mm, points_px, strict=True)
    ]
    return [pairs[row * GRID : (row + 1) * GRID] for row in range(GRID)]


def _finding(finding: Finding, panel: ArtworkFacts) -> dict[str, Any]:
    vector = finding.vector_mm
    return {
        "id": finding.id,
        "kind": finding.kind,
        "extent": finding.extent,
        **_lengths("center", _numbers(finding.center_mm, _PLACES_MM, "findings.center_mm"), panel),
        **_lengths("box", _numbers(finding.box_mm, _PLACES_MM, "findings.box_mm"), panel),
        **_area(finding.area_mm2, panel),
        **_lengths(
            "eq_diameter",
            _number(finding.eq_diameter_mm, _PLACES_MM, "findings.eq_diameter_mm"),
            panel,
        ),
        "delta_e00": _number(finding.delta_e00, 2, "findings.delta_e00"),
        "snr": _number(finding.snr, 2, "findings.snr"),
        "tone": finding.tone,
        "zone": finding.zone,
        **_lengths(
            "vector",
            None if vector is None else _numbers(vector, _PLACES_MM, "findings.vector_mm"),
            panel,
        ),
        "strength": _optional(finding.strength, 4),
        "pattern": finding.pattern,
        "confidence": _number(finding.confidence, 3, "findings.confidence"),
        "class": finding.severity,
        "because": [_reading(reading) for reading in finding.because],
        "doubts": list(finding.doubts),
    }


def _reading(reading: Reading | VerdictReading) -> dict[str, Any]:
    return {
        "rule": reading.rule,
        "value": _number(reading.value, 4, reading.rule),
        "limit": _number(reading.limit, 4, reading.rule),
        "unit": reading.unit,
    }


def _cause(cause: Cause) -> dict[str, Any]:
    return {
        "cause": cause.cause,
        "title": cause.title,
        "weight": _number(cause.weight, 3, "causes.weight"),
        "because": list(cause.because),
        "try_next": cause.try_next,
        "caution": cause.caution,
    }
