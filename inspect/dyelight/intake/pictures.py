"""Reading a photo or an artwork, upright and in sRGB. Only pixels leave: Exif stays behind."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import SettingsError, UnreadableInput
from ..records import U8, Artwork, Base, Mask, Note, Photo, Pixels
from ..sizes import check_aspect, check_bleed, check_size
from .convert import NeedsProfileError, Raster, bands, to_srgb
from .files import read_whole
from .formats import decode
from .orientation import upright

PHOTO_LIMIT_PX = 120_000_000
ARTWORK_LIMIT_PX = 300_000_000


def _srgb(raster: Raster, file: str) -> tuple[Pixels, str, tuple[Note, ...]]:
    try:
        return to_srgb(raster)
    except NeedsProfileError as error:
        raise UnreadableInput(
            "the picture is CMYK without a colour profile that can be read.",
            file=file,
            remedy="Convert it to sRGB, or embed the profile that it was made for.",
        ) from error


def _over_white(pixels: NDArray[Any], alpha: NDArray[Any]) -> None:
    """Lay the picture on white, in place, in encoded values, as print drivers do."""
    top = np.float32(np.iinfo(pixels.dtype).max)
    for rows in bands(*alpha.shape):
        opacity = (alpha[rows].astype(np.float32) / np.float32(np.iinfo(alpha.dtype).max))[
            ..., None
        ]
        laid = pixels[rows] * opacity + top * (1 - opacity)
        pixels[rows] = (laid + np.float32(0.5)).astype(pixels.dtype)


def _eight_bit(alpha: NDArray[Any]) -> U8:
    if alpha.dtype == np.uint8:
        return np.asarray(alpha, np.uint8)
    return ((alpha.astype(np.uint32) + 128) // 257).astype(np.uint8)


def read_photo(
    path: str | Path, *, limit_px: int = PHOTO_LIMIT_PX, least_px: int | None = None
) -> Photo:
    """Decode a photo of at most `limit_px` pixels; transparent parts are laid on white.

    With `least_px` a quick look will do: a JPEG comes out smaller by 2, 4 or 8 where no side gets
    shorter than that. Raises UnreadableInput where the file cannot be opened or decoded.
    """
    file = str(path)
    data, sha256 = read_whole(Path(path), limit_px)
    raster = decode(data, limit_px, file, least_px)
    del data
    pixels, space, notes = _srgb(raster, file)
    notes = raster.notes + notes
    if raster.alpha is not None and raster.alpha.min() < np.iinfo(raster.alpha.dtype).max:
        _over_white(pixels, raster.alpha)
        notes += (Note("alpha_flattened", "The photo has transparent parts; they became white."),)
    orientation = raster.orientation
    del raster
    return Photo(file, sha256, upright(pixels, orientation), space, notes)


def read_artwork(
    path: str | Path,
    width_mm: float | None = None,
    height_mm: float | None = None,
    *,
    bleed_mm: float = 0.0,
    base: Base = "white",
    finish: str = "gloss",
    size_known: bool = True,
    panel_id: str = "",
) -> Artwork:
    """Decode an artwork of at most 300 MP for a panel of this trimmed size.

    `bleed_mm` is what the file holds beyond the panel on each side. Without a size, or with
    `size_known` False, the width counts as 100 and the height follows the file's aspect. Partly
    transparent pixels are laid on white, as they print; where some are wholly transparent, the
    alpha is kept as the panel's shape.

    Raises SettingsError for a size, bleed or base that cannot be used, and where the file's aspect
    is over 2 % from the panel's; UnreadableInput where the file cannot be opened or decoded.
    """
    if base not in get_args(Base):
        raise SettingsError(
            f"the base {base!r} is unknown.", remedy=f"Use one of {', '.join(get_args(Base))}."
        )
    size_known = size_known and width_mm is not None and height_mm is not None
    if width_mm is None or height_mm is None or not size_known:
        width_mm = height_mm = 100.0
    else:
        check_size(width_mm, height_mm)
        check_bleed(bleed_mm, width_mm, height_mm)
    file = str(path)
    data, sha256 = read_whole(Path(path), ARTWORK_LIMIT_PX)
    raster = decode(data, ARTWORK_LIMIT_PX, file)
    del data
    if raster.alpha is not None and not raster.alpha.any():
        raise UnreadableInput(
            "every pixel of the artwork is transparent.",
            file=file,
            remedy="Export it with the picture's layer visible.",
        )
    pixels, space, notes = _srgb(raster, file)
    notes = raster.notes + notes
    if space != "sRGB":
        notes += (Note("profile_converted", f"The artwork was converted from {space!r} to sRGB."),)
    alpha = None
    if raster.alpha is not None and raster.alpha.min() < np.iinfo(raster.alpha.dtype).max:
        _over_white(pixels, raster.alpha)
        if raster.alpha.min() == 0:
            alpha = np.asarray(upright(_eight_bit(raster.alpha), raster.orientation), np.uint8)
        else:
            text = "The artwork is translucent but nowhere clear: laid on white, and no shape."
            notes += (Note("alpha_flattened", text),)
    orientation = raster.orientation
    del raster
    pixels = upright(pixels, orientation)
    height_px, width_px = pixels.shape[:2]
    if size_known:
        note = check_aspect(width_px, height_px, width_mm, height_mm, bleed_mm, file=file)
        notes += (note,) if note else ()
    else:
        # the larger bleed that would leave no panel cannot be judged before the aspect is known
        height_mm = (width_mm + 2 * bleed_mm) * height_px / width_px - 2 * bleed_mm
        check_bleed(bleed_mm, width_mm, max(height_mm, 0.0))
    return Artwork(
        file=file,
        sha256=sha256,
        pixels=pixels,
        alpha=alpha,
        width_mm=width_mm,
        height_mm=height_mm,
        bleed_mm=bleed_mm,
        base=base,
        finish=finish,
        size_known=size_known,
        panel_id=panel_id,
        notes=notes,
    )


def clipped_mask(pixels: Pixels) -> Mask:
    """Where any channel stands at the top of its range: (H, W) bool of (H, W, 3) uint8 or uint16.

    The top is 254 of 255 or above, at 16 bit 65278 of 65535: sensors and converters that clip often
    stop one level short.
    """
    top = 254 if pixels.dtype == np.uint8 else 254 * 257
    below = cv2.inRange(pixels, (0, 0, 0), (top - 1,) * 3)
    return np.asarray(below == 0, np.bool_)
