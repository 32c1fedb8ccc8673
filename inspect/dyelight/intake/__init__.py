"""Intake: from files to a Photo and an Artwork, upright, in sRGB, with nothing else of the file."""

from ..sizes import check_aspect, parse_size
from .pictures import ARTWORK_LIMIT_PX, PHOTO_LIMIT_PX, clipped_mask, read_artwork, read_photo

__all__ = [
    "ARTWORK_LIMIT_PX",
    "PHOTO_LIMIT_PX",
    "check_aspect",
    "clipped_mask",
    "parse_size",
    "read_artwork",
    "read_photo",
]
