"""What the photo should show, and how the photo differs from it."""

from .compare import compare
from .frames import Difference, PanelFrame, PhotoFrame
from .second_image import SecondImage, look_beside

__all__ = [
    "Difference",
    "PanelFrame",
    "PhotoFrame",
    "SecondImage",
    "compare",
    "look_beside",
]
