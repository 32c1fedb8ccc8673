"""Reading a file whole, once: its bytes are hashed and decoded from memory."""

from __future__ import annotations

import hashlib
from pathlib import Path

from ..errors import UnreadableInput

# eight bytes a pixel is the most that any accepted file needs (16-bit RGBA, not compressed)
_BYTES_PER_PIXEL = 8
_BYTES_ASIDE = 64 * 2**20
_CHECK = "Check the name and the folder."


def read_whole(path: Path, limit_px: int) -> tuple[bytes, str]:
    """The file's bytes and their SHA-256 in hexadecimal.

    Raises UnreadableInput where the file is missing, a folder, no regular file, empty, closed to
    us, or larger than any picture of `limit_px` pixels can be.
    """
    try:
        if path.is_dir():
            raise UnreadableInput("this is a folder.", file=path, remedy="Name one picture file.")
        if path.exists() and not path.is_file():
            raise UnreadableInput(
                "this is not a regular file.", file=path, remedy="Name one picture file."
            )
        size = path.stat().st_size
        if size == 0:
            raise UnreadableInput(
                "the file is empty.", file=path, remedy="Copy or export the picture again."
            )
        limit = limit_px * _BYTES_PER_PIXEL + _BYTES_ASIDE
        if size > limit:
            raise UnreadableInput(
                f"the file holds {size / 1e6:.0f} MB; the most is {limit / 1e6:.0f} MB.",
                file=path,
                remedy="Export the picture smaller.",
            )
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise UnreadableInput("there is no such file.", file=path, remedy=_CHECK) from error
    except PermissionError as error:
        raise UnreadableInput(
            "this account may not read the file.",
            file=path,
            remedy="Ask for read permission, or copy the file elsewhere.",
        ) from error
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        raise UnreadableInput(
            f"the file cannot be read ({getattr(error, 'strerror', None) or error}).",
            file=str(path).replace("\0", "\\0"),
            remedy=_CHECK,
        ) from error
    return data, hashlib.sha256(data).hexdigest()
