"""What a photo could show, where the panel lies, and the record: rows for people."""

from __future__ import annotations

import platform
import sys

from ..records import Inspection
from .words import file_name, length, length_unit

Fact = tuple[str, str, str]
Row = tuple[str, str]


def capture_facts(inspection: Inspection) -> list[Fact]:
    """Name, value and meaning of each figure about the photo; what was not measured is left out."""
    capture = inspection.capture
    known = inspection.panel.size_known
    facts: list[Fact] = []
    if capture.px_per_mm is not None:
        unit = "px/mm" if known else "px per % of width"
        meaning = "Photo pixels on the panel. More shows smaller things."
        facts.append(("Resolution", f"{capture.px_per_mm:.1f} {unit}", meaning))
    if capture.blur_px is not None:
        facts.append(
            ("Blur", f"{capture.blur_px:.1f} px", "Standard deviation of what softens an edge.")
        )
    if capture.smallest_speck_mm is not None:
        facts.append(
            (
                "Smallest speck",
                length(capture.smallest_speck_mm, known),
                "At a colour difference of ΔE00 6; smaller ones would go unseen.",
            )
        )
    if capture.faintest_spot_de00 is not None:
        facts.append(
            (
                "Faintest spot",
                f"ΔE00 {capture.faintest_spot_de00:.1f}",
                f"At {length(5, known)} across; fainter ones would go unseen.",
            )
        )
    if inspection.placement is not None:
        meaning = "Share of the panel under reflections, clipped or out of the frame."
        facts.append(("Not seen", f"{100 * capture.hidden_fraction:.1f} %", meaning))
    return facts


def placement_facts(inspection: Inspection) -> list[Row] | None:
    """Rows about where picture and panel lie, or None where the panel was not placed."""
    placement = inspection.placement
    if placement is None:
        return None
    known = inspection.panel.size_known
    turns = {0: "upright", 1: "a quarter turn", 2: "half a turn", 3: "three quarter turns"}
    lies = turns[placement.quarter_turns % 4] + (", mirrored" if placement.mirrored else "")
    rows = [
        ("Picture in the photo", lies),
        ("Found by", "picture details" if placement.method == "features" else "outline and colour"),
        ("Uncertainty of a picture point", f"{placement.uncertainty_px:.2f} photo px"),
        (
            "Panel's outline",
            "seen" if placement.outline_seen else "not seen; taken from the picture",
        ),
    ]
    if placement.drift_mm is not None:
        dx, dy = placement.drift_mm
        rows.append(("Print off the panel's centre", f"{dx:+.2f}, {dy:+.2f} {length_unit(known)}"))
    if placement.stretch_pct is not None:
        x, y = placement.stretch_pct
        rows.append(("Print larger than the panel", f"{x:+.2f} % across, {y:+.2f} % down"))
    return rows


def record_facts(inspection: Inspection) -> list[Row]:
    """Rows that say what exactly was compared, with what, and how long it took."""
    rows = [("Artwork", f"{file_name(inspection.panel.file)}, sha256 {inspection.panel.sha256}")]
    for photo in inspection.photos:
        size = f"{photo.width_px} x {photo.height_px} px"
        rows.append(("Photo", f"{file_name(photo.file)}, {size}, sha256 {photo.sha256}"))
    rows += [
        ("Rules", f"sha256 {inspection.rules_sha256}"),
        ("Made by", f"dyelight {inspection.tool_version}, Python {platform.python_version()}"),
        ("System", sys.platform),
        ("Time taken", f"{inspection.seconds:.1f} s"),
    ]
    return rows
