"""Write result.json, marked.jpg and report.html, all or none, over what an earlier check left."""

from __future__ import annotations

import io
import os
import secrets
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..errors import OutputError
from ..imaging import area
from ..records import U8, Inspection, Photo
from .html import report_html
from .marked import marked_picture
from .result_json import result_text

_MARKED_QUALITY = 90
_PREVIEW_PX = 1800


@dataclass(frozen=True, slots=True)
class OutputPaths:
    """Where the three files of one check lie."""

    result: Path
    marked: Path
    report: Path


def write_outputs(
    inspection: Inspection, out_dir: str | Path, photo: Photo | None = None
) -> OutputPaths:
    """Write the three files of one check into `out_dir`, which is made where it is missing.

    `photo`, the first photo of the check, is shown in the report as it was taken. Everything is
    made in memory and written beside its place first, so that a failure leaves the files of an
    earlier check as they were. Raises `OutputError` where the folder cannot be made or written.
    """
    folder = Path(out_dir)
    preview = None if photo is None else photo_preview(photo)
    marked = marked_picture(inspection, preview)
    picture = io.BytesIO()
    marked.save(picture, "JPEG", quality=_MARKED_QUALITY)
    contents = {
        # a file name may hold bytes that are no text; as backslash escapes they are still JSON
        "result.json": result_text(inspection).encode("utf-8", "backslashreplace"),
        "marked.jpg": picture.getvalue(),
        "report.html": report_html(inspection, preview).encode("utf-8", "replace"),
    }
    make_folder(folder)
    write_together(folder, contents)
    return OutputPaths(folder / "result.json", folder / "marked.jpg", folder / "report.html")


def photo_preview(photo: Photo) -> U8:
    """A photo as (H, W, 3) uint8 sRGB, at most 1,800 px on its long side."""
    pixels = photo.pixels
    shrink = max(1, max(pixels.shape[:2]) // _PREVIEW_PX)
    # every n-th pixel first, so that a large 16-bit photo is not converted whole
    small = pixels[::shrink, ::shrink]
    eight = small if small.dtype == np.uint8 else (small >> 8).astype(np.uint8)
    height, width = eight.shape[:2]
    share = min(1.0, _PREVIEW_PX / max(height, width))
    size = (max(1, round(width * share)), max(1, round(height * share)))
    return np.asarray(area(np.ascontiguousarray(eight), size), np.uint8)


def make_folder(folder: Path) -> None:
    """Make a folder for results; `OutputError` where something stands in its way."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as trouble:
        raise OutputError(
            "a file stands where the output folder should be.",
            file=folder,
            remedy="Name another folder with --out.",
        ) from trouble
    except OSError as trouble:
        raise _refused(folder, trouble) from trouble


def write_together(folder: Path, contents: dict[str, bytes]) -> None:
    """Write files into `folder`: first all beside their places, then each moved over its place.

    Raises `OutputError`, with the old files whole, where the disk is full or may not be written.
    """
    mark = secrets.token_hex(4)
    waiting: dict[Path, Path] = {}
    try:
        for name, data in contents.items():
            beside = folder / f".{name}.{mark}.part"
            waiting[beside] = folder / name
            with beside.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        for place in waiting.values():
            if place.is_dir():
                raise IsADirectoryError(f"{place.name} is a folder")
        for beside, place in waiting.items():
            beside.replace(place)
    except OSError as trouble:
        raise _refused(folder, trouble) from trouble
    finally:
        for beside in waiting:
            # a folder that may not be written refuses this too, and holds nothing of ours
            with suppress(OSError):
                beside.unlink(missing_ok=True)


def _refused(folder: Path, trouble: OSError) -> OutputError:
    reason = trouble.strerror or str(trouble)
    return OutputError(
        f"the results cannot be written ({reason}).",
        file=folder,
        remedy="Free some space, or name a folder that you may write with --out.",
    )


def refuse_unwritable(folder: str | Path) -> None:
    """Find out before any work whether results could go to `folder`; `OutputError` where not."""
    folder = Path(folder)
    nearest = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    if not nearest.is_dir():
        raise OutputError(
            "a file stands where the output folder should be.",
            file=nearest,
            remedy="Name another folder with --out.",
        )
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise OutputError(
            "this account may not write there.",
            file=nearest,
            remedy="Name a folder that you may write with --out.",
        )
