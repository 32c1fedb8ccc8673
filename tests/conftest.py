"""Inspections built by hand, for whoever tests what is made of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from dyelight.records import (
    F64,
    ArtworkFacts,
    Capture,
    Cause,
    Finding,
    Inspection,
    Note,
    PhotoFacts,
    Pictures,
    Placement,
    Reading,
    Verdict,
    VerdictReading,
)

WIDTH_MM, HEIGHT_MM = 254.0, 203.0


@dataclass(frozen=True)
class ScaledMap:
    """A picture map that only scales and moves."""

    px_per_mm: float = 12.0
    left_px: float = 300.0
    top_px: float = 250.0

    def to_photo(self, points_mm: F64) -> F64:
        return points_mm * self.px_per_mm + np.array([self.left_px, self.top_px])

    def to_artwork(self, points_px: F64) -> F64:
        return (points_px - np.array([self.left_px, self.top_px])) / self.px_per_mm


def ring_mm(center: tuple[float, float], radius_x: float, radius_y: float) -> F64:
    """A closed ellipse of 24 points."""
    turn = np.linspace(0.0, 2 * np.pi, 24, endpoint=False)
    return np.stack(
        [center[0] + radius_x * np.cos(turn), center[1] + radius_y * np.sin(turn)], axis=1
    )


def finding(
    number: int,
    kind: str,
    center: tuple[float, float],
    radius: tuple[float, float],
    **fields: Any,
) -> Finding:
    """A finding with an elliptical outline."""
    outline = ring_mm(center, *radius)
    area = float(np.pi * radius[0] * radius[1])
    values: dict[str, Any] = {
        "id": f"f{number}",
        "kind": kind,
        "extent": "local",
        "center_mm": center,
        "box_mm": (
            center[0] - radius[0],
            center[1] - radius[1],
            center[0] + radius[0],
            center[1] + radius[1],
        ),
        "outline_mm": outline,
        "area_mm2": area,
        "eq_diameter_mm": float(2 * np.sqrt(area / np.pi)),
        "delta_e00": 3.4,
        "snr": 14.0,
        "tone": "light",
        "zone": "A",
        "vector_mm": None,
        "strength": None,
        "pattern": None,
        "confidence": 0.93,
        "severity": "major",
        "because": (Reading("measured_rule", 3.4, 2.0, "dE00"),),
        "doubts": (),
    }
    return Finding(**(values | fields))


def panel_pictures(findings: tuple[Finding, ...], px_per_mm: float = 4.0) -> Pictures:
    """A drawn picture as expected, and the same with a pale patch at each local finding."""
    height, width = round(HEIGHT_MM * px_per_mm), round(WIDTH_MM * px_per_mm)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    expected = np.stack(
        [
            90 + 80 * np.sin(x / 90.0) * np.cos(y / 70.0),
            110 + 70 * np.sin(x / 130.0 + 1.0),
            120 + 60 * np.cos(y / 110.0 + 0.5),
        ],
        axis=2,
    )
    observed = expected.copy()
    for item in findings:
        if item.extent == "panel":
            continue
        x0, y0, x1, y1 = (edge * px_per_mm for edge in item.box_mm)
        inside = ((x - (x0 + x1) / 2) / max((x1 - x0) / 2, 0.5)) ** 2 + (
            (y - (y0 + y1) / 2) / max((y1 - y0) / 2, 0.5)
        ) ** 2 <= 1
        observed[inside] += 35
    noise = np.random.default_rng(5).normal(0, 1.5, observed.shape)
    return Pictures(
        observed=np.clip(observed + noise, 0, 255).astype(np.uint8),
        expected=np.clip(expected, 0, 255).astype(np.uint8),
        difference=np.clip(128 + observed - expected, 0, 255).astype(np.uint8),
        px_per_mm=px_per_mm,
    )


def usual_findings() -> tuple[Finding, ...]:
    """One of nearly everything: tiny, large, long, at the edge and over the whole panel."""
    return (
        finding(1, "vapour_spot", (70.0, 60.0), (9.0, 7.0), severity="critical"),
        finding(2, "dust_speck", (150.0, 90.0), (0.1, 0.1), severity="minor", confidence=0.71),
        finding(3, "fibre", (180.0, 140.0), (4.0, 0.15), tone="dark"),
        finding(4, "coating_lift", (3.0, 199.0), (2.5, 2.5), zone="C", severity="critical"),
        finding(
            5,
            "ghosting",
            (127.0, 101.5),
            (127.0, 101.5),
            extent="panel",
            vector_mm=(0.8, -0.3),
            strength=0.06,
            pattern="slip",
        ),
    )


def build_inspection(
    findings: tuple[Finding, ...] | None = None,
    *,
    word: str = "remake",
    size_known: bool = True,
    placed: bool = True,
    pictures: bool = True,
    **fields: Any,
) -> Inspection:
    """A whole inspection; every argument replaces what it names."""
    items = usual_findings() if findings is None else findings
    scale = 1.0 if size_known else 100.0 / WIDTH_MM
    values: dict[str, Any] = {
        "panel": ArtworkFacts(
            file="heron.png",
            sha256="a" * 64,
            width_mm=WIDTH_MM * scale,
            height_mm=HEIGHT_MM * scale,
            bleed_mm=3.0,
            base="white",
            finish="gloss",
            size_known=size_known,
            panel_id="K-0142",
        ),
        "photos": (PhotoFacts("panel.jpg", "b" * 64, 4032, 3024),),
        "usable": word != "retake",
        "capture": Capture(
            px_per_mm=12.0,
            blur_px=1.1,
            hidden_fraction=0.021,
            hidden_mm=(ring_mm((210.0, 40.0), 14.0, 9.0),),
            smallest_speck_mm=0.22,
            faintest_spot_de00=1.3,
            notes=(
                Note("light_or_stain", "A stain wider than 40 mm would look like uneven light."),
            ),
        ),
        "placement": Placement(
            picture=ScaledMap(),
            corners_px=np.array(
                [[300.0, 250.0], [3348.0, 250.0], [3348.0, 2686.0], [300.0, 2686.0]]
            ),
            outline_seen=True,
            uncertainty_px=0.06,
            drift_mm=(0.4, -0.2),
            stretch_pct=(0.11, 0.05),
            mirrored=False,
            quarter_turns=0,
            method="features",
        )
        if placed
        else None,
        "findings": items,
        "verdict": Verdict(
            word,  # type: ignore[arg-type]  # tests hand over the word as plain text
            (VerdictReading("A.vapour_spot.delta_e00", 3.4, 2.0, "dE00", ("f1",)),)
            if items and word in ("remake", "review")
            else (),
        ),
        "causes": (
            Cause(
                "damp_transfer",
                "The transfer was not dry",
                0.62,
                ("Soft pale patches in the middle of the panel.",),
                "Hold the next transfer under the open press before closing it.",
                "Hot press: keep hands clear.",
            ),
        )
        if items
        else (),
        "rules_sha256": "c" * 64,
        "tool_version": "0.1.0",
        "seconds": 3.21,
        "pictures": panel_pictures(items) if pictures and placed else None,
    }
    return Inspection(**(values | fields))


@pytest.fixture
def make_inspection() -> Callable[..., Inspection]:
    """`build_inspection`, for tests that need an inspection of their own."""
    return build_inspection


@pytest.fixture
def make_finding() -> Callable[..., Finding]:
    """`finding`, for tests that need a finding of their own."""
    return finding
