"""Where the panel lies in the photo."""

from .picture_map import FittedMap
from .locate import place

__all__ = ["FittedMap", "place"]
