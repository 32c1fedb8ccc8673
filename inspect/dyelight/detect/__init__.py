"""Find what differs from the expected look, measure it, and say what could not be seen."""

from .capture import capture_facts, nothing_placed, photo_is_usable
from .detection import Detection, detect

__all__ = [
    "Detection",
    "capture_facts",
    "detect",
    "nothing_placed",
    "photo_is_usable",
]
