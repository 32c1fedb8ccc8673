"""What the photo should show, and how the photo differs from it."""

from .compare import compare
from .frames import Difference, PanelFrame, PhotoFrame

__all__ = ["Difference", "PanelFrame", "PhotoFrame", "compare"]
