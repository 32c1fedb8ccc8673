"""A photo as it is kept: the pixels that were looked at, and nothing else of the file."""

from __future__ import annotations

import cv2

from ..records import Photo


def plain_png(photo: Photo) -> bytes:
    """The upright sRGB pixels, (H, W, 3) uint8 or uint16, as a PNG file without any metadata.

    A PNG of the decoded pixels rather than the file with parts cut out: place, time, camera,
    thumbnails and whatever else a format can carry cannot come along.
    """
    bgr = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".png", bgr, [cv2.IMWRITE_PNG_COMPRESSION, 3])
    assert done  # a decoded photo's size and depth are ones that PNG has
    return data.tobytes()
