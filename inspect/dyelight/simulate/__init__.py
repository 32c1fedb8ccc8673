"""Simulated photos of pressed panels with known truth, made from real or drawn pictures."""

from __future__ import annotations

from .captures import CAPTURES, CaptureSpec
from .defects import PLANTABLE, PlantedDefect, plan_defects
from .photo import SimulatedPhoto, simulate_pair, simulate_photo
from .truth import DefectTruth, Truth

__all__ = [
    "CAPTURES",
    "PLANTABLE",
    "CaptureSpec",
    "DefectTruth",
    "PlantedDefect",
    "SimulatedPhoto",
    "Truth",
    "plan_defects",
    "simulate_pair",
    "simulate_photo",
]
