"""Simulated photos of pressed panels with known truth, made from real or drawn pictures."""

from __future__ import annotations

from .artworks import DRAWN, artwork_size_mm, drawn_artwork
from .captures import CAPTURES, CaptureSpec
from .defects import PLANTABLE, PlantedDefect, plan_defects
from .fixed import FixedStation
from .layers import ghost_shift_mm
from .photo import SimulatedPhoto, simulate_pair, simulate_photo
from .truth import DefectTruth, Truth

__all__ = [
    "CAPTURES",
    "DRAWN",
    "PLANTABLE",
    "CaptureSpec",
    "DefectTruth",
    "FixedStation",
    "PlantedDefect",
    "SimulatedPhoto",
    "Truth",
    "artwork_size_mm",
    "drawn_artwork",
    "ghost_shift_mm",
    "plan_defects",
    "simulate_pair",
    "simulate_photo",
]
