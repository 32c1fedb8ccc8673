"""Read Data Matrix and QR codes in a photo; needs the extra `codes` (zxing-cpp)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..errors import DyelightError, SettingsError
from ..intake import read_photo
from ..records import Photo
from .schedule import spread

# a code that fills a fortieth of the photo's long side still has some pixels a module at this size
_LONG_SIDE_PX = 2400


def load_reader() -> Any:
    """The module zxingcpp; SettingsError with the remedy where it is not installed."""
    try:
        import zxingcpp
    except ImportError as trouble:
        raise SettingsError(
            "reading codes needs zxing-cpp, which is not installed.",
            remedy='Install it with: python -m pip install "dyelight[codes]"',
        ) from trouble
    return zxingcpp


def read_codes(path: Path) -> tuple[str, ...]:
    """The texts of all Data Matrix and QR codes in a photo, sorted; none where it is unreadable."""
    load_reader()
    try:
        photo = read_photo(path)
    except DyelightError:
        return ()
    return codes_in(photo)


def codes_in(photo: Photo) -> tuple[str, ...]:
    """The texts of all Data Matrix and QR codes in a decoded photo, sorted.

    A smaller copy is tried first, as codes on a panel or sheet are seldom fine; then the whole.
    SettingsError where the reader is not installed.
    """
    reader = load_reader()
    pixels = photo.pixels
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    scale = _LONG_SIDE_PX / max(grey.shape)
    sizes = [grey]
    if scale < 1:
        small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        sizes.insert(0, small)
    # a mirrored panel's back or a photo in a mirror is no job code: those are not turned over
    formats = [reader.BarcodeFormat.DataMatrix, reader.BarcodeFormat.QRCode]
    for picture in sizes:
        found = reader.read_barcodes(np.ascontiguousarray(picture), formats=formats)
        texts = sorted({code.text.strip() for code in found if code.text.strip()})
        if texts:
            return tuple(texts)
    return ()


def read_all_codes(paths: Sequence[Path], workers: int) -> dict[Path, tuple[str, ...]]:
    """The codes of many photos, read by worker processes; as `read_codes` for each."""
    load_reader()
    return dict(spread(_with_codes, paths, min(workers, max(1, len(paths))), _without_codes))


def _with_codes(path: Path) -> tuple[Path, tuple[str, ...]]:
    cv2.setNumThreads(1)
    return path, read_codes(path)


def _without_codes(path: Path) -> tuple[Path, tuple[str, ...]]:
    return path, ()
