"""Decoded pixels of any colour space to sRGB.

Relative colorimetric with black point compensation. Profiles of curves and a matrix are worked in
float32 here, at the file's own depth. Profiles with tables (CMYK, scanners) go
through LittleCMS at 8 bit.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from ..colour import encode_srgb, encode_srgb_u8
from ..records import F32, F64, Note, Pixels
from .icc import SRGB_CURVE, SRGB_MATRIX, BrokenProfileError, Profile, read_profile

# rows are taken in bands of about this many pixels, so that float copies stay small
BAND_PX = 1 << 18


class NeedsProfileError(Exception):
    """CMYK without a profile that says what its inks look like."""


@dataclass(frozen=True, slots=True)
class Raster:
    """What a decoder hands over.

    `colour` is (H, W, 1 grey | 3 RGB | 4 CMYK) uint8 or uint16, as stored. `alpha` is (H, W) of the
    same type, or None. `icc` is the embedded profile, `assumed` the one that the format implies
    where none is embedded. `orientation` is Exif's, still to be applied.
    """

    colour: NDArray[Any]
    space: Literal["GRAY", "RGB ", "CMYK"]
    alpha: NDArray[Any] | None = None
    icc: bytes | None = None
    assumed: Profile | None = None
    orientation: int = 1
    notes: tuple[Note, ...] = ()


def bands(height: int, width: int) -> list[slice]:
    """Row slices of about BAND_PX pixels that cover a picture."""
    rows = max(1, BAND_PX // max(1, width))
    return [slice(start, min(start + rows, height)) for start in range(0, height, rows)]


def _tables(profile: Profile, levels: int) -> tuple[F32, ...]:
    assert profile.curves is not None
    ramp = np.arange(levels) / (levels - 1)
    return tuple(curve(ramp).astype(np.float32) for curve in profile.curves)


def _to_linear_srgb(profile: Profile) -> F64:
    """The affine (3, 4) from a profile's linear RGB to sRGB's, black point compensated."""
    assert profile.curves is not None
    assert profile.matrix is not None
    matrix = np.linalg.solve(SRGB_MATRIX, profile.matrix)
    black = np.array([float(curve(np.zeros(1))[0]) for curve in profile.curves])
    # black is taken as neutral at its luminance, as the usual form of the compensation does; where
    # the curves start at zero, as nearly all do, nothing changes
    level = float(np.clip(profile.matrix[1] @ black, 0, 0.5))
    return np.asarray(np.c_[matrix, np.full(3, -level)] / (1 - level), np.float64)


def _is_srgb(profile: Profile) -> bool:
    """Whether the profile is sRGB's: the conversion moves no colour by two 8-bit levels."""
    # sRGB profiles of different makers round their matrix differently, by up to 4e-4: that alone
    # moves a zero beside a full channel by 1.4 levels. The nearest other space in use, the same
    # primaries with a gamma of 2.2, moves dark colours by 8
    assert profile.curves is not None
    steps = np.arange(0, 256, 15) / 255
    cube = np.stack(np.meshgrid(steps, steps, steps), -1).reshape(-1, 3)
    linear = np.stack([curve(cube[:, i]) for i, curve in enumerate(profile.curves)], -1)
    affine = _to_linear_srgb(profile)
    converted = encode_srgb((linear @ affine[:, :3].T + affine[:, 3]).astype(np.float32))
    return bool(np.abs(converted - cube).max() < 2 / 255)


def _encode(linear: F32, dtype: np.dtype[Any]) -> NDArray[Any]:
    if dtype == np.uint8:
        return encode_srgb_u8(linear)
    levels = encode_srgb(linear) * np.float32(65535) + np.float32(0.5)
    return levels.astype(np.uint16)


def _convert_matrix(pixels: NDArray[Any], profile: Profile) -> None:
    """Convert (H, W, 3) in place, band by band."""
    tables = _tables(profile, 256 if pixels.dtype == np.uint8 else 65536)
    affine = _to_linear_srgb(profile).astype(np.float32)
    for rows in bands(*pixels.shape[:2]):
        band = pixels[rows]
        linear = np.empty(band.shape, np.float32)
        for channel, table in enumerate(tables):
            linear[..., channel] = table[band[..., channel]]
        pixels[rows] = _encode(np.asarray(cv2.transform(linear, affine), np.float32), pixels.dtype)


def _convert_grey(grey: NDArray[Any], profile: Profile) -> NDArray[Any]:
    levels = 256 if grey.dtype == np.uint8 else 65536
    curve = _tables(profile, levels)[0]
    curve = (curve - curve[0]) / np.float32(max(1 - float(curve[0]), 0.5))
    table = np.rint((levels - 1) * encode_srgb(curve)).astype(grey.dtype)
    return np.asarray(table[grey])


def _convert_tables(colour: NDArray[Any], mode: str, icc: bytes) -> NDArray[Any]:
    """Convert 8-bit (H, W, 1 | 3 | 4) through LittleCMS to (H, W, 3)."""
    if colour.dtype != np.uint8:
        colour = ((colour.astype(np.uint32) + 128) // 257).astype(np.uint8)
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(icc)),
        ImageCms.createProfile("sRGB"),
        mode,
        "RGB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
        ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )
    height, width = colour.shape[:2]
    converted = np.empty((height, width, 3), np.uint8)
    for rows in bands(height, width):
        band = np.ascontiguousarray(colour[rows])
        size = (width, band.shape[0])
        picture = Image.frombuffer(mode, size, band.tobytes(), "raw", mode, 0, 1)
        result = ImageCms.applyTransform(picture, transform)
        assert result is not None
        converted[rows] = np.asarray(result)
    return converted


def _as_rgb(raster: Raster) -> NDArray[Any]:
    if raster.space == "GRAY":
        return np.repeat(raster.colour, 3, axis=2)
    return raster.colour


def _depth_note(raster: Raster, name: str) -> tuple[Note, ...]:
    if raster.colour.dtype == np.uint8:
        return ()
    return (
        Note(
            "depth_reduced", f"The profile {name!r} works by tables: 16 bit was reduced to 8 bit."
        ),
    )


def to_srgb(raster: Raster) -> tuple[Pixels, str, tuple[Note, ...]]:
    """The pixels (H, W, 3) in sRGB encoding, the name of the space they came from, and notes.

    May change `raster.colour` in place. Raises NeedsProfileError for CMYK without a CMYK profile.
    """
    profile, trouble = raster.assumed, ""
    if raster.icc:
        try:
            profile = read_profile(raster.icc)
        except BrokenProfileError:
            profile, trouble = None, "The embedded colour profile is broken"
    # a grey file may carry an RGB profile: its grey axis is then the file's
    allowed = ("GRAY", "RGB ") if raster.space == "GRAY" else (raster.space,)
    if profile is not None and profile.space not in allowed:
        trouble = f"The embedded colour profile {profile.name!r} is for another kind of file"
        profile = None
    if raster.space == "CMYK" and profile is None:
        raise NeedsProfileError
    if profile is None:
        notes = (Note("profile_ignored", f"{trouble}; sRGB was taken."),) if trouble else ()
        return _as_rgb(raster), "sRGB", notes

    if profile.curves is None:
        assert raster.icc is not None
        mode = {"GRAY": "L", "RGB ": "RGB", "CMYK": "CMYK"}[profile.space]
        colour = _as_rgb(raster) if mode == "RGB" else raster.colour
        try:
            pixels = _convert_tables(colour, mode, raster.icc)
        except (ImageCms.PyCMSError, OSError, ValueError) as error:
            if raster.space == "CMYK":
                raise NeedsProfileError from error
            note = Note("profile_ignored", "The embedded colour profile is broken; sRGB was taken.")
            return _as_rgb(raster), "sRGB", (note,)
        return pixels, profile.name, _depth_note(raster, profile.name)

    if profile.matrix is None:
        ramp = np.arange(256) / 255
        if np.abs(profile.curves[0](ramp) - SRGB_CURVE(ramp)).max() < 1e-4:
            return _as_rgb(raster), "sRGB", ()
        return np.repeat(_convert_grey(raster.colour, profile), 3, axis=2), profile.name, ()
    pixels = _as_rgb(raster)
    if _is_srgb(profile):
        return pixels, "sRGB", ()
    _convert_matrix(pixels, profile)
    return pixels, profile.name, ()
