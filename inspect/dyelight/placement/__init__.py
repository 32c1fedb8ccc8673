"""Where the panel lies in the photo."""

from .locate import place
from .picture_map import FittedMap

__all__ = ["FittedMap", "place"]
