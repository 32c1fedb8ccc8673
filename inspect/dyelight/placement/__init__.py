"""Where the panel lies in the photo."""

from .locate import place, placed_again
from .picture_map import FittedMap

__all__ = ["FittedMap", "place", "placed_again"]
