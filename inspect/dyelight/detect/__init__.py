"""Find what differs from the expected look, measure it, and say what could not be seen."""

from .capture import capture_facts, nothing_placed, photo_is_usable
from .detection import Detection, detect
from .several import PanelSeen, merged
from .sight import Sight, keep_sight

__all__ = [
    "Detection",
    "PanelSeen",
    "Sight",
    "capture_facts",
    "detect",
    "keep_sight",
    "merged",
    "nothing_placed",
    "photo_is_usable",
]
