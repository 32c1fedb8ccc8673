"""Look at every file of a run before any work: is it there, is it a picture, does its shape fit."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, UnidentifiedImageError

from ..errors import DyelightError, SettingsError, UnreadableInput
from ..intake.formats import sniff
from ..intake.pictures import ARTWORK_LIMIT_PX, PHOTO_LIMIT_PX
from ..sizes import check_aspect
from .entries import Entry

_FIRST_BYTES = 1024
_TURNED = (5, 6, 7, 8)  # Exif orientations that swap width and height
_EXIF_ORIENTATION = 0x0112


@dataclass(frozen=True, slots=True)
class FileTrouble:
    """What is wrong with a file of one panel."""

    entry: Entry
    error: DyelightError


def troubled_files(entries: Iterable[Entry]) -> list[FileTrouble]:
    """Every trouble that shows without decoding a picture, in the run's order."""
    found: list[FileTrouble] = []
    shapes: dict[Path, tuple[int, int] | DyelightError] = {}
    for entry in entries:
        for path in entry.photos:
            shape = _shape(path, PHOTO_LIMIT_PX)
            if isinstance(shape, DyelightError):
                found.append(FileTrouble(entry, shape))
        if entry.artwork not in shapes:
            shapes[entry.artwork] = _shape(entry.artwork, ARTWORK_LIMIT_PX)
        artwork = shapes[entry.artwork]
        if isinstance(artwork, DyelightError):
            found.append(FileTrouble(entry, artwork))
            continue
        # a format whose header we cannot read here is left to the work itself
        if artwork != (0, 0) and entry.width_mm is not None and entry.height_mm is not None:
            try:
                check_aspect(
                    *artwork,
                    entry.width_mm,
                    entry.height_mm,
                    entry.bleed_mm,
                    file=entry.artwork_name,
                )
            except SettingsError as trouble:
                found.append(FileTrouble(entry, trouble))
    return found


def _shape(path: Path, limit_px: int) -> tuple[int, int] | DyelightError:
    """Upright width and height in px; (0, 0) where the header tells neither a size nor a fault."""
    try:
        with path.open("rb") as file:
            kind = sniff(file.read(_FIRST_BYTES))
            if not kind:
                return UnreadableInput(
                    "this is no picture that can be read.",
                    file=path,
                    remedy="Use JPEG, PNG, TIFF, WebP or HEIC.",
                )
            file.seek(0)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                try:
                    with Image.open(file) as picture:
                        width, height = picture.size
                        turned = picture.getexif().get(_EXIF_ORIENTATION, 1) in _TURNED
                except Image.DecompressionBombError:
                    width, height, turned = limit_px + 1, 1, False
                except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
                    return (0, 0)
    except FileNotFoundError:
        return UnreadableInput(
            "there is no such file.", file=path, remedy="Check the name and the folder."
        )
    except OSError as trouble:
        return UnreadableInput(
            f"the file cannot be read ({trouble.strerror or trouble}).",
            file=path,
            remedy="Check the name and the rights.",
        )
    if width * height > limit_px:
        return UnreadableInput(
            f"the picture has more than {limit_px / 1e6:.0f} MP.",
            file=path,
            remedy="Export it smaller.",
        )
    return (height, width) if turned else (width, height)
