"""The report for people: one HTML file that needs no network, with the pictures inside it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template

from ..judge import texts
from ..records import U8, Finding, Inspection, Reading
from .capture_facts import capture_facts, placement_facts, record_facts
from .crops import crop_of, jpeg_uri
from .marked import numbered_picture
from .words import (
    all_notes,
    cautions_of,
    file_name,
    finding_name,
    finding_number,
    length,
    limit_text,
    panel_size,
    place_of,
    rule_name,
    shift_of,
    size_of,
    sure,
    value_unit,
    verdict_reason,
    verdict_sentence,
)

# pictures of more findings than this would make a file that is slow to open and to mail
MOST_PICTURED = 40
_PHOTO_PX = 900


def report_html(inspection: Inspection, photo: U8 | None = None) -> str:
    """The whole report as one HTML text.

    `photo` (H, W, 3) uint8 sRGB is the first photo as it was taken; None leaves it out.
    """
    findings = inspection.findings
    known = inspection.panel.size_known
    because = inspection.verdict.because
    return _template().render(
        verdict={
            "word": inspection.verdict.word,
            "title": texts.verdict_title(inspection.verdict.word),
            "sentence": verdict_sentence(inspection, reasons=len(because) < 2),
            "reasons": [verdict_reason(row, inspection) for row in because if len(because) > 1],
        },
        heading=inspection.panel.panel_id or file_name(inspection.panel.file),
        job=_job(inspection),
        size=panel_size(inspection.panel),
        panel=inspection.panel,
        marked=jpeg_uri(np.asarray(numbered_picture(inspection, photo)), quality=84),
        marked_alt=_marked_alt(inspection),
        count_text=_count_text(findings) if inspection.usable else "not judged",
        nothing_text=_nothing_text(inspection),
        findings=[_pictured(item, inspection) for item in findings[:MOST_PICTURED]],
        more=[_line(item, known) for item in findings[MOST_PICTURED:]],
        causes=[
            {
                "percent": round(100 * cause.weight),
                "title": cause.title,
                "because": cause.because,
                "try_next": cause.try_next,
                "caution": cause.caution,
            }
            for cause in inspection.causes
        ],
        capture=capture_facts(inspection),
        notes=all_notes(inspection),
        placement=placement_facts(inspection),
        photo=_photo(inspection, photo),
        cautions=cautions_of(inspection),
        record=record_facts(inspection),
    )


@cache
def _template() -> Template:
    # StrictUndefined: a name that template and code disagree on fails instead of printing nothing
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("report.html.j2")


def _job(inspection: Inspection) -> str:
    parts = [inspection.panel.panel_id, file_name(inspection.panel.file)]
    parts += [file_name(photo.file) for photo in inspection.photos]
    return ", ".join(part for part in parts if part)


def _count_text(findings: Sequence[Finding]) -> str:
    if not findings:
        return "nothing"
    grades = [
        (word, sum(item.severity == word for item in findings))
        for word in ("critical", "major", "minor")
    ]
    return ", ".join(f"{count} {word}" for word, count in grades if count)


def _nothing_text(inspection: Inspection) -> str:
    if not inspection.usable:
        return "The photo cannot carry a verdict, so nothing was looked for."
    return "Nothing that this photo can show differs from the artwork."


def _marked_alt(inspection: Inspection) -> str:
    if inspection.pictures is None:
        return "The photo as taken, with the verdict"
    return "The panel squared up, with every finding outlined and numbered as in the list below"


def _readings(rows: Sequence[Reading]) -> list[dict[str, str]]:
    return [
        {
            "rule": rule_name(row.rule),
            "value": value_unit(row.value, row.unit),
            "limit": limit_text(row),
        }
        for row in rows
    ]


def _line(item: Finding, size_known: bool) -> dict[str, Any]:
    return {
        "number": finding_number(item),
        "title": finding_name(item),
        "severity": item.severity,
        "place": place_of(item, size_known),
        "size": size_of(item, size_known),
        "delta": f"{item.delta_e00:.1f}",
        "sure": sure(item.confidence),
    }


def _pictured(item: Finding, inspection: Inspection) -> dict[str, Any]:
    known = inspection.panel.size_known
    facts = [("Size", size_of(item, known)), ("Colour difference", f"ΔE00 {item.delta_e00:.1f}")]
    shift = shift_of(item, known)
    if shift is not None:
        facts.append(("Second image", shift))
    if item.strength is not None:
        facts.append(("Its strength", f"{100 * item.strength:.0f} % of the first"))
    if item.pattern is not None:
        facts.append(("Pattern", texts.pattern_meaning(item.pattern)))
    facts.append(("Zone", f"{item.zone}, {texts.zone_title(item.zone)}"))
    facts.append(("Against the noise", f"{item.snr:.0f} times"))
    crop = None
    if inspection.pictures is not None:
        shown = (inspection.panel.width_mm, inspection.panel.height_mm)
        made = crop_of(item, inspection.pictures, shown)
        crop = {
            "observed": made.observed,
            "expected": made.expected,
            "difference": made.difference,
            "gain": f"{made.gain:.2g}",
            "span": length(made.width_mm, known),
            "mark": None if made.mark is None else [round(edge, 2) for edge in made.mark],
        }
    return _line(item, known) | {
        "meaning": texts.kind_meaning(item.kind),
        "facts": facts,
        "percent": round(100 * item.confidence),
        "readings": _readings(item.because),
        "doubts": [texts.doubt_text(code) for code in item.doubts],
        "crop": crop,
    }


def _photo(inspection: Inspection, photo: U8 | None) -> dict[str, Any] | None:
    """The first photo with the panel's outline, where both are at hand."""
    if photo is None or inspection.placement is None or not inspection.photos:
        return None
    scale = _PHOTO_PX / max(photo.shape[:2])
    small = photo
    if scale < 1:
        size = (round(photo.shape[1] * scale), round(photo.shape[0] * scale))
        small = np.asarray(cv2.resize(photo, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    corners = inspection.placement.corners_px
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in corners) + "Z"
    facts = inspection.photos[0]
    return {
        "uri": jpeg_uri(small, quality=80),
        "width": facts.width_px,
        "height": facts.height_px,
        "path": path,
    }
