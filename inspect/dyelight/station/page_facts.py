"""An inspection as the station's pages show it: plain data, with every sentence ready."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..judge import texts
from ..records import F64, Finding, Inspection
from ..report.capture_facts import capture_facts
from ..report.words import (
    all_notes,
    cautions_of,
    finding_name,
    finding_number,
    length,
    length_unit,
    place_of,
    retake_reason,
    shift_of,
    size_of,
    sure,
    verdict_reason,
)

_OUTLINE_POINTS = 60


def page_facts(inspection: Inspection) -> dict[str, Any]:
    """JSON-ready facts for the verdict page and the viewer. Lengths as in the inspection."""
    known = inspection.panel.size_known
    word = inspection.verdict.word
    return {
        "word": word,
        "title": texts.verdict_title(word),
        "meaning": retake_reason(inspection) if word == "retake" else texts.verdict_meaning(word),
        "reasons": [verdict_reason(row, inspection) for row in inspection.verdict.because],
        "findings": [_finding(item, known) for item in inspection.findings],
        "causes": [
            {
                "percent": round(100 * cause.weight),
                "title": cause.title,
                "because": list(cause.because),
                "try_next": cause.try_next,
                "caution": cause.caution,
            }
            for cause in inspection.causes
        ],
        "capture": [list(fact) for fact in capture_facts(inspection)],
        "notes": all_notes(inspection),
        "cautions": list(cautions_of(inspection)),
        "unseen_percent": _percent(inspection),
        "panel": {
            "width": round(inspection.panel.width_mm, 3),
            "height": round(inspection.panel.height_mm, 3),
            "unit": length_unit(known),
        },
        "placed": inspection.pictures is not None,
        "tool_version": inspection.tool_version,
        "seconds": round(inspection.seconds, 2),
    }


def _percent(inspection: Inspection) -> str:
    """How much of a placed panel does not show; "" where that is next to nothing."""
    share = 100 * inspection.capture.hidden_fraction
    return f"{share:.0f}" if inspection.pictures is not None and share >= 0.5 else ""


def _finding(item: Finding, known: bool) -> dict[str, Any]:
    return {
        "id": item.id,
        "number": finding_number(item),
        "kind": item.kind,
        "title": finding_name(item),
        "meaning": texts.kind_meaning(item.kind),
        "severity": item.severity,
        "whole": item.extent == "panel",
        "place": _place(item, known),
        "size": size_of(item, known),
        "shift": shift_of(item, known),
        "sure": sure(item.confidence),
        "doubts": [texts.doubt_text(code) for code in item.doubts],
        "center": [round(value, 2) for value in item.center_mm],
        "box": [round(value, 2) for value in item.box_mm],
        "outline": _points(item.outline_mm),
    }


def _place(item: Finding, known: bool) -> str:
    """Where to look, as somebody with a ruler reads it."""
    if item.extent == "panel":
        return place_of(item, known).capitalize()
    return place_words(item.center_mm, known)


def place_words(place: tuple[float, float], known: bool) -> str:
    """A place on the panel: "84 mm from the left, 12.5 mm from the top"."""
    return f"{length(place[0], known)} from the left, {length(place[1], known)} from the top"


def _points(ring: F64) -> list[list[float]]:
    points = np.asarray(ring, np.float64)
    step = max(1, len(points) // _OUTLINE_POINTS)
    return [[round(float(x), 2), round(float(y), 2)] for x, y in points[::step]]
