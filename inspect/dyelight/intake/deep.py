"""16-bit PNG and TIFF, which Pillow would read as 8 bit without a word."""

from __future__ import annotations

import io
import logging
import struct
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from ..records import Note
from .convert import Raster
from .orientation import EXIF_ORIENTATION, orientation_of

_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_LARGEST_PROFILE_BYTES = 16 * 2**20
_MIN_IS_WHITE, _MIN_IS_BLACK, _RGB = 0, 1, 2
_ASSOCIATED_ALPHA, _UNASSOCIATED_ALPHA = 1, 2


class BrokenError(Exception):
    """The file breaks its own format or ends too soon. The text is one plain clause."""


@dataclass(frozen=True, slots=True)
class PngFacts:
    """What the chunks of a PNG say, gathered without decoding a pixel."""

    width: int
    height: int
    bit_depth: int
    colour_type: int
    icc: bytes | None
    exif: bytes | None
    animated: bool
    hidden: bytes | None


def png_facts(data: bytes) -> PngFacts:
    """Walk all chunks; BrokenError where a checksum fails or the end is missing.

    Source: PNG specification, third edition (W3C 2025), clauses 5 and 11.
    """
    found: dict[bytes, bytes] = {}
    position, view = len(_PNG_SIGNATURE), memoryview(data)
    while b"IEND" not in found:
        if position + 12 > len(data):
            raise BrokenError("the file ends too soon")
        length, kind = struct.unpack_from(">I4s", data, position)
        end = position + 12 + length
        if end > len(data):
            raise BrokenError("the file ends too soon")
        (checksum,) = struct.unpack_from(">I", data, end - 4)
        if zlib.crc32(view[position + 4 : end - 4]) != checksum:
            raise BrokenError("a part of the file fails its checksum")
        if kind in (b"IHDR", b"iCCP", b"eXIf", b"acTL", b"tRNS", b"IEND"):
            found[kind] = data[position + 8 : end - 4]
        position = end
    if len(found.get(b"IHDR", b"")) != 13:
        raise BrokenError("the header is missing")
    width, height, bit_depth, colour_type = struct.unpack_from(">IIBB", found[b"IHDR"])
    icc = None
    if b"iCCP" in found:
        _, _, packed = found[b"iCCP"].partition(b"\0")
        try:
            icc = zlib.decompressobj().decompress(packed[1:], _LARGEST_PROFILE_BYTES)
        except zlib.error as error:
            raise BrokenError("the colour profile cannot be unpacked") from error
    return PngFacts(
        width,
        height,
        bit_depth,
        colour_type,
        icc,
        found.get(b"eXIf"),
        b"acTL" in found,
        found.get(b"tRNS"),
    )


def read_png16(data: bytes, facts: PngFacts, notes: tuple[Note, ...]) -> Raster:
    """Decode a PNG of 16 bits a channel."""
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if decoded is None or decoded.dtype != np.uint16:
        raise BrokenError("the picture data cannot be unpacked")
    exif = Image.Exif()
    if facts.exif:
        exif.load(facts.exif)
    colour, alpha = _from_opencv(np.asarray(decoded))
    grey = facts.colour_type in (0, 4)
    if facts.colour_type == 0 and facts.hidden and len(facts.hidden) == 2:
        # OpenCV makes alpha of a transparent colour, but not of a transparent grey level
        hidden = int.from_bytes(facts.hidden, "big")
        alpha = np.where(colour[..., 0] == hidden, 0, 65535).astype(np.uint16)
    return Raster(
        colour=np.ascontiguousarray(colour[..., :1]) if grey else colour,
        space="GRAY" if grey else "RGB ",
        alpha=alpha,
        icc=facts.icc,
        orientation=orientation_of(exif),
        notes=notes,
    )


def _from_opencv(decoded: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any] | None]:
    """Colour (H, W, 1 | 3) and alpha of OpenCV's grey, BGR or BGRA."""
    if decoded.ndim == 2:
        return decoded[..., None], None
    if decoded.shape[2] == 4:
        alpha = decoded[..., 3].copy()
        return np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGRA2RGB), np.uint16), alpha
    return np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB, dst=decoded), np.uint16), None


@contextmanager
def quiet_tifffile() -> Iterator[None]:
    """Keep tifffile from writing about damaged tags to its log: what matters is raised here."""
    log = logging.getLogger("tifffile")
    silence = logging.NullHandler()
    before = log.propagate
    log.addHandler(silence)
    log.propagate = False
    try:
        yield
    finally:
        log.removeHandler(silence)
        log.propagate = before


def tiff_page(data: bytes) -> tuple[tifffile.TiffPage, bool]:
    """The first page's tags, and whether more follow; BrokenError where data are cut short."""
    pages = tifffile.TiffFile(io.BytesIO(data)).pages
    page = pages.first
    parts = zip(page.dataoffsets, page.databytecounts, strict=True)
    ends = (start + count for start, count in parts)
    if max(ends, default=0) > len(data):
        raise BrokenError("the file ends too soon")
    return page, len(pages) > 1


def is_camera_raw(page: tifffile.TiffPage) -> bool:
    """Whether a TIFF is a camera's raw file, whose first page is a small preview or sensor data."""
    cfa, linear_raw, dng_version, sub_ifds = 32803, 34892, 50706, 330
    preview = bool(int(page.subfiletype) & 1) and sub_ifds in page.tags
    return dng_version in page.tags or int(page.photometric) in (cfa, linear_raw) or preview


def is_tiff16(page: tifffile.TiffPage) -> bool:
    """Whether the page holds 16-bit grey or RGB."""
    kinds = (_MIN_IS_WHITE, _MIN_IS_BLACK, _RGB)
    return page.dtype == np.uint16 and page.bitspersample == 16 and int(page.photometric) in kinds


def read_tiff16(data: bytes, page: tifffile.TiffPage, notes: tuple[Note, ...]) -> Raster:
    """Decode a TIFF page of 16-bit grey or RGB, with or without alpha."""
    tag = page.tags.get(EXIF_ORIENTATION)
    orientation = int(tag.value) if tag is not None and 1 <= int(tag.value) <= 8 else 1
    stored = _tiff_samples(data, page, None if tag is None or orientation == 1 else tag.valueoffset)
    grey = int(page.photometric) != _RGB
    count = 1 if grey else 3
    if stored.shape[2] < count:
        raise BrokenError("colour channels are missing")
    colour = np.ascontiguousarray(stored[..., :count])
    if int(page.photometric) == _MIN_IS_WHITE:
        colour = np.uint16(65535) - colour
    extra = int(page.extrasamples[0]) if page.extrasamples else 0
    alpha = None
    if extra in (_ASSOCIATED_ALPHA, _UNASSOCIATED_ALPHA) and stored.shape[2] > count:
        alpha = stored[..., count].copy()
        if extra == _ASSOCIATED_ALPHA:
            # colour was stored multiplied by alpha
            whole = (
                colour * (np.float32(65535) / np.maximum(alpha, 1).astype(np.float32))[..., None]
            )
            colour = (np.minimum(whole, np.float32(65535)) + np.float32(0.5)).astype(np.uint16)
    icc = page.tags.get(34675)
    return Raster(
        colour=colour,
        space="GRAY" if grey else "RGB ",
        alpha=alpha,
        icc=icc.value if icc is not None and isinstance(icc.value, bytes) else None,
        orientation=orientation,
        notes=notes,
    )


def _tiff_samples(data: bytes, page: tifffile.TiffPage, orientation_at: int | None) -> NDArray[Any]:
    """All samples (H, W, C) as stored."""
    height, width, count = page.imagelength, page.imagewidth, page.samplesperpixel
    separate = int(page.planarconfig) == 2 and count > 1
    try:
        stored = np.asarray(page.asarray(), np.uint16)
    except ValueError as error:
        # tifffile unpacks LZW and some others only with a further library; OpenCV brings LZW
        if separate or "imagecodecs" not in str(error):
            raise BrokenError("the picture data cannot be unpacked") from error
        patched = np.frombuffer(data, np.uint8)
        if orientation_at is not None:
            # OpenCV would turn the picture: tell it that the picture is upright
            patched = patched.copy()
            patched[orientation_at : orientation_at + 2] = np.frombuffer(
                struct.pack("<H" if data[:2] == b"II" else ">H", 1), np.uint8
            )
        decoded = cv2.imdecode(patched, cv2.IMREAD_UNCHANGED)
        if decoded is None or decoded.dtype != np.uint16:
            raise BrokenError("the picture data cannot be unpacked") from error
        colour, alpha = _from_opencv(np.asarray(decoded))
        stored = colour if alpha is None else np.dstack([colour, alpha])
        if stored.shape != (height, width, count):
            raise BrokenError("the picture data cannot be unpacked") from error
        return stored
    if separate:
        return np.moveaxis(stored.reshape(count, height, width), 0, 2)
    return stored.reshape(height, width, count)
