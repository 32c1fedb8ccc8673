"""From a file's bytes to a Raster: which format it is, and the decoder for it."""

from __future__ import annotations

import io
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ..errors import UnreadableInput
from ..records import Note
from . import deep
from .convert import Raster, bands
from .icc import DCF_OPTIONAL, DISPLAY_P3, Profile
from .orientation import orientation_of

_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_ACCEPTED = "JPEG, PNG, TIFF, WebP or HEIC"
_EXPORT = f"Export the picture as {_ACCEPTED}."
_FIRST_FRAME = Note("first_frame", "The file holds several pictures; the first was taken.")
# guards settings that belong to the whole process: see _decoders
_decoder_lock = threading.Lock()


def sniff(data: bytes) -> str:
    """The format by its first bytes: JPEG, PNG, TIFF, WEBP, HEIF, PDF, or "" where none fits."""
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return "HEIF"
    if b"%PDF-" in data[:1024]:
        return "PDF"
    return ""


@contextmanager
def _decoders(limit_px: int) -> Iterator[None]:
    """Decoders with our pixel limit and without their warnings; all is put back afterwards."""
    with _decoder_lock, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        before, log_level = Image.MAX_IMAGE_PIXELS, cv2.utils.logging.getLogLevel()
        Image.MAX_IMAGE_PIXELS = limit_px
        cv2.utils.logging.setLogLevel(0)
        try:
            yield
        finally:
            Image.MAX_IMAGE_PIXELS = before
            cv2.utils.logging.setLogLevel(log_level)


def _check_size(width: int, height: int, limit_px: int, file: str) -> None:
    if width < 1 or height < 1:
        raise UnreadableInput("the picture has no pixels.", file=file, remedy=_EXPORT)
    if width * height > limit_px:
        raise UnreadableInput(
            f"the picture has {width} x {height} px, {width * height / 1e6:.0f} MP; "
            f"the most is {limit_px / 1e6:.0f} MP.",
            file=file,
            remedy="Export it smaller.",
        )


def _array(picture: Image.Image, mode: str) -> NDArray[Any]:
    """The pixels (H, W, C) uint8 in `mode`, copied by bands: the whole is held but twice."""
    width, height = picture.size
    pixels = np.empty((height, width, len(mode)), np.uint8)
    for rows in bands(height, width):
        band = picture.crop((0, rows.start, width, rows.stop))
        if band.mode != mode:
            band = band.convert(mode)
        pixels[rows] = np.asarray(band).reshape(-1, width, len(mode))
    return pixels


def _implied_profile(exif: Image.Exif) -> Profile | None:
    """What Exif implies where no profile is embedded: interoperability index R03 (DCF 2.0)."""
    interop = exif.get_ifd(0xA005)
    return DCF_OPTIONAL if str(interop.get(1, "")).startswith("R03") else None


def _profile_bytes(info: dict[Any, Any]) -> bytes | None:
    # in a damaged TIFF the tag may hold a number
    icc = info.get("icc_profile")
    return icc if isinstance(icc, bytes) and icc else None


def _frames(picture: Image.Image, kind: str) -> tuple[Note, ...]:
    # a phone's JPEG often carries a preview or a depth map behind the photo: not worth a note
    several = kind != "JPEG" and getattr(picture, "n_frames", 1) > 1
    return (_FIRST_FRAME,) if several else ()


def _by_pillow(
    data: bytes, kind: str, limit_px: int, file: str, least_px: int | None = None
) -> Raster:
    with _decoders(limit_px):
        picture: Image.Image = Image.open(io.BytesIO(data), formats=[kind])
        _check_size(*picture.size, limit_px, file)
        notes = _frames(picture, kind)
        if least_px is not None:
            # JPEG alone can be decoded smaller; the other formats take no notice
            picture.draft(None, (least_px, least_px))
        # Pillow itself turns a TIFF while it loads, and takes its orientation away
        picture.load()
        orientation, assumed = 1, None
        try:
            exif = picture.getexif()
            orientation, assumed = orientation_of(exif), _implied_profile(exif)
        except Exception:
            # broken Exif does not make a picture unreadable; its parser may raise anything
            orientation = 1
        icc = _profile_bytes(picture.info)
        mode = picture.mode
        alpha = None
        if mode == "CMYK":
            colour = _array(picture, "CMYK")
            return Raster(colour, "CMYK", None, icc, None, orientation, notes)
        if mode in ("I", "F", "LAB", "HSV") or mode.startswith("I;"):
            raise UnreadableInput(
                f"pixels of the kind {mode!r} are not read.",
                file=file,
                remedy="Save it as RGB with 8 or 16 bits a channel.",
            )
        transparent = mode in ("RGBA", "RGBa", "LA", "La", "PA") or "transparency" in picture.info
        grey = mode in ("1", "L", "LA", "La")
        if mode in ("RGBa", "La"):
            picture = picture.convert("RGBA" if mode == "RGBa" else "LA")
        if transparent:
            whole = _array(picture, "RGBA")
            alpha = whole[..., 3].copy()
            colour = np.ascontiguousarray(whole[..., :1] if grey else whole[..., :3])
        elif grey:
            colour = _array(picture, "L")
        else:
            colour = _array(picture, "RGB")
    return Raster(colour, "GRAY" if grey else "RGB ", alpha, icc, assumed, orientation, notes)


def _by_heif(data: bytes, limit_px: int, file: str) -> Raster:
    try:
        import pillow_heif
    except ImportError as error:
        raise UnreadableInput(
            "HEIC pictures need the extra 'heic'.",
            file=file,
            remedy='Install it with: python -m pip install "dyelight[heic]", or export a JPEG.',
        ) from error
    with _decoders(limit_px):
        container: Any = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
        picture = container[container.primary_index]
        _check_size(int(picture.size[0]), int(picture.size[1]), limit_px, file)
        stored = np.asarray(picture)
    mode = str(picture.mode)
    stored = stored.reshape(*stored.shape[:2], -1)
    grey = mode.startswith("L")
    count = 1 if grey else 3
    if stored.dtype not in (np.uint8, np.uint16) or stored.shape[2] < count:
        raise deep.BrokenError(f"pixels of the kind {mode!r} are not read")
    nclx = picture.info.get("nclx_profile") or {}
    wide = nclx.get("color_primaries") == 12  # SMPTE EG 432-1, in ITU-T H.273
    return Raster(
        # the container's own rotation is applied by the decoder; HEIF gives it precedence over Exif
        colour=np.ascontiguousarray(stored[..., :count]),
        space="GRAY" if grey else "RGB ",
        alpha=stored[..., count].copy() if stored.shape[2] > count else None,
        icc=_profile_bytes(picture.info),
        assumed=DISPLAY_P3 if wide else None,
    )


def _by_png(data: bytes, limit_px: int, file: str) -> Raster:
    facts = deep.png_facts(data)
    _check_size(facts.width, facts.height, limit_px, file)
    if facts.bit_depth == 16:
        with _decoders(limit_px):
            return deep.read_png16(data, facts, (_FIRST_FRAME,) if facts.animated else ())
    return _by_pillow(data, "PNG", limit_px, file)


def _by_tiff(data: bytes, limit_px: int, file: str) -> Raster:
    with _decoders(limit_px), deep.quiet_tifffile():
        page, several = deep.tiff_page(data)
        _check_size(page.imagewidth, page.imagelength, limit_px, file)
        if deep.is_camera_raw(page):
            raise UnreadableInput(
                "this is a camera raw file.", file=file, remedy="Develop it to JPEG or TIFF first."
            )
        if deep.is_tiff16(page):
            return deep.read_tiff16(data, page, (_FIRST_FRAME,) if several else ())
    return _by_pillow(data, "TIFF", limit_px, file)


def decode(data: bytes, limit_px: int, file: str, least_px: int | None = None) -> Raster:
    """Decode a picture of at most `limit_px` pixels; UnreadableInput where that cannot be done.

    With `least_px` a JPEG may come out smaller by 2, 4 or 8, no side shorter than that.
    """
    kind = sniff(data)
    if kind == "PDF":
        raise UnreadableInput(
            "PDF is not read.",
            file=file,
            remedy="Export the page as PNG or TIFF at its print resolution.",
        )
    if not kind:
        raise UnreadableInput(f"this is not a {_ACCEPTED} picture.", file=file, remedy=_EXPORT)
    try:
        if kind == "PNG":
            return _by_png(data, limit_px, file)
        if kind == "TIFF":
            return _by_tiff(data, limit_px, file)
        if kind == "HEIF":
            return _by_heif(data, limit_px, file)
        return _by_pillow(data, kind, limit_px, file, least_px)
    except UnreadableInput:
        raise
    except Image.DecompressionBombError as error:
        raise UnreadableInput(
            f"the picture has too many pixels; the most is {limit_px / 1e6:.0f} MP.",
            file=file,
            remedy="Export it smaller.",
        ) from error
    except MemoryError as error:
        raise UnreadableInput(
            "the picture needs more memory than there is.", file=file, remedy="Export it smaller."
        ) from error
    except Exception as error:
        # a damaged file can raise nearly anything inside a decoder; all of it means the same here
        reason = str(error) if isinstance(error, deep.BrokenError) else _plain(error)
        raise UnreadableInput(
            f"the {kind} picture cannot be decoded: {reason}.",
            file=file,
            remedy="Copy or export it again; the file may be damaged or cut short.",
        ) from error


def _plain(error: Exception) -> str:
    text = " ".join(str(error).split()).rstrip(".")
    if "truncated" in text.lower():
        return "the file ends too soon"
    return "its data are damaged, or of a kind that is not read"
