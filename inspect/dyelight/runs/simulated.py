"""Runs of simulated findings with a pattern that is known, for tests and benches.

Rates are invented. Factors travel together as in a shop: operators keep to their presses, and
fabrics grow old along the run.
"""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np

from ..records import DefectClass, Kind, Tone
from .panels import Mark, Panel

Planted = Literal["none", "platen_spot", "fabric_wear", "hot_press"]
PLANTED: tuple[Planted, ...] = get_args(Planted)
# what a pattern of a run must be told as: pattern, kinds, cause
EXPECTED: dict[Planted, tuple[str, tuple[Kind, ...], str]] = {
    "platen_spot": ("place", ("dust_speck",), "dirt_on_platen"),
    "fabric_wear": ("trend", ("vapour_spot",), "vent_fabric"),
    "hot_press": ("group", ("off_colour", "coating_lift"), "platen_hotter_than_set"),
}
WIDTH_MM, HEIGHT_MM = 254.0, 203.0
_PRESSES, _OPERATORS = ("one", "two", "three"), ("A", "B", "C", "D")
# findings a panel where nothing is wrong in particular; the spread over panels is uneven
_RATES: dict[Kind, float] = {
    "dust_speck": 0.6,
    "fibre": 0.12,
    "vapour_spot": 0.06,
    "scratch": 0.05,
    "coating_lift": 0.03,
    "dent": 0.02,
    "unexplained": 0.05,
}
_WHOLE: dict[Kind, float] = {"ghosting": 0.04, "off_colour": 0.03}


def simulated_run(
    planted: Planted, seed: int, panels: int = 200, strength: float = 1.0
) -> list[Panel]:
    """A run of panels with simulated findings and at most one planted pattern.

    `platen_spot`: a speck within 1 mm of one place on 15 % of the panels. `fabric_wear`: vapour
    spots grow from 5 % of the panels to 70 % over a fabric's 60 uses. `hot_press`: browned panels
    and lifted coating, each on a quarter of one press's. `strength` scales these shares.
    """
    rng = np.random.default_rng(seed)
    spot = rng.uniform((15, 15), (WIDTH_MM - 15, HEIGHT_MM - 15))
    uses = rng.integers(0, 60, len(_PRESSES))
    fabric = np.zeros(len(_PRESSES), int)
    return [
        _panel(rng, index, planted, strength, (float(spot[0]), float(spot[1])), uses, fabric)
        for index in range(panels)
    ]


def _panel(
    rng: np.random.Generator,
    index: int,
    planted: Planted,
    strength: float,
    spot: tuple[float, float],
    uses: np.ndarray[tuple[int], np.dtype[np.int64]],
    fabric: np.ndarray[tuple[int], np.dtype[np.int64]],
) -> Panel:
    press = int(rng.integers(len(_PRESSES)))
    uses[press] += 1
    if uses[press] > 60:
        uses[press], fabric[press] = 1, fabric[press] + 1
    # an operator mostly keeps to one press
    operator = press if rng.random() < 0.6 else int(rng.integers(len(_OPERATORS)))
    worn = 0.05 + 0.65 * strength * uses[press] / 60
    marks: list[Mark] = []
    for kind, rate in _RATES.items():
        for _ in range(int(rng.poisson(rate * rng.gamma(2.0, 0.5)))):
            marks.append(_mark(rng, kind))
    for kind, share in _WHOLE.items():
        if rng.random() < share:
            marks.append(_mark(rng, kind))
    if planted == "platen_spot" and rng.random() < 0.15 * strength:
        near = (spot[0] + rng.normal(0, 0.5), spot[1] + rng.normal(0, 0.5))
        marks.append(_mark(rng, "dust_speck", at=near))
    if planted == "fabric_wear" and rng.random() < worn:
        marks.append(_mark(rng, "vapour_spot"))
    if planted == "hot_press" and press == 1:
        if rng.random() < 0.25 * strength:
            marks.append(_mark(rng, "off_colour", tone="dark"))
        if rng.random() < 0.25 * strength:
            marks.append(_mark(rng, "coating_lift"))
    facts = {
        "press": _PRESSES[press],
        "operator": _OPERATORS[operator],
        "fabric": f"F{press}{fabric[press]}",
        "fabric_use": str(int(uses[press])),
        "transfer_paper_lot": f"L{index // 70}",
        "room_humidity_pct": f"{45 + 10 * np.sin(index / 40) + rng.normal(0, 2):.1f}",
        "batch": f"B{index // 20:02d}",
    }
    grave = any(mark.severity != "minor" for mark in marks)
    gravest: DefectClass | None = "major" if grave else None
    return Panel(
        index=index,
        panel_id=f"S-{index + 1:04d}",
        verdict="remake" if grave else "pass",
        gravest=gravest,
        marks=tuple(marks),
        code=1 if grave else 0,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        artwork=f"picture-{index % 7}.png",
        photo=f"S-{index + 1:04d}.jpg",
        facts=facts,
    )


def _mark(
    rng: np.random.Generator,
    kind: Kind,
    *,
    at: tuple[float, float] | None = None,
    tone: Tone | None = None,
) -> Mark:
    whole = kind in _WHOLE
    center = (float(rng.uniform(0, WIDTH_MM)), float(rng.uniform(0, HEIGHT_MM)))
    if kind == "coating_lift" and rng.random() < 0.6:
        # lifts gather at edges and corners
        center = (float(rng.choice([4.0, WIDTH_MM - 4.0]) + rng.normal(0, 1.5)), center[1])
        if rng.random() < 0.6:
            center = (center[0], float(rng.choice([4.0, HEIGHT_MM - 4.0]) + rng.normal(0, 1.5)))
    vector = None
    if kind == "ghosting":
        turn = rng.uniform(0, 2 * np.pi)
        vector = (float(0.8 * np.cos(turn)), float(0.8 * np.sin(turn)))
    severity: DefectClass = "minor" if rng.random() < 0.6 else "major"
    drawn: Tone = "light" if rng.random() < 0.5 else "dark"
    return Mark(
        kind=kind,
        tone=drawn if tone is None else tone,
        whole=whole,
        center_mm=(WIDTH_MM / 2, HEIGHT_MM / 2) if whole else center if at is None else at,
        severity=severity,
        confidence=float(rng.uniform(0.55, 1.0)),
        delta_e00=float(rng.uniform(1.5, 8.0)),
        vector_mm=vector,
    )
