"""The files of cases: photos in the folder beside the log, and pages written elsewhere."""

from __future__ import annotations

import hashlib
import os
import platform
import secrets
from pathlib import Path

from ..errors import OutputError
from .case_records import Case


def new_photo(folder: Path) -> Path:
    """A place for a photo. Its name says nothing: no name of a customer or case reaches a path."""
    return folder / f"{secrets.token_hex(16)}.png"


def write_photo(path: Path, data: bytes) -> None:
    """Write a photo that this account alone may read; OutputError where that cannot be done."""
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle = os.open(
            path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600
        )
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except OSError as trouble:
        raise OutputError(
            f"the photos of the case cannot be kept ({trouble.strerror or trouble}).",
            file=path.parent,
            remedy="Nothing of this answer was kept. Free some space, or give this account the "
            "right to write there, and run it again.",
        ) from trouble


def lies_there(path: Path) -> bool:
    """Whether there is a file; OutputError where this account may not find that out."""
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as trouble:
        raise _refused(path, trouble) from trouble
    return True


def remove_files(case: Case, removed: list[Path], left: list[tuple[Path, str]]) -> None:
    """Remove photos, and pages as they were written; add each to `removed`, or why it is `left`.

    Raises OutputError for the first file that should be removed and cannot be.
    """
    for answer in case.answers:
        for photo in answer.photos:
            if photo.kept is None:
                continue
            if lies_there(photo.kept):
                _unlink(photo.kept)
                removed.append(photo.kept)
            else:
                left.append((photo.kept, "is not there"))
    # a later answer may have been written over an earlier one's files
    machines: dict[Path, str] = {}
    hashes: dict[Path, set[str]] = {}
    for answer in case.answers:
        for output in answer.outputs:
            machines[output.path] = answer.machine
            hashes.setdefault(output.path, set()).add(output.sha256)
    for path, machine in machines.items():
        if not lies_there(path):
            if machine != platform.node():
                left.append((path, f"was written on the machine {machine!r}"))
        elif _sha256(path) in hashes[path]:
            _unlink(path)
            removed.append(path)
        else:
            left.append((path, "was changed since it was written"))


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except IsADirectoryError:
        return ""
    except OSError as trouble:
        raise _refused(path, trouble) from trouble


def _unlink(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError as trouble:
        raise _refused(path, trouble) from trouble


def _refused(path: Path, trouble: OSError) -> OutputError:
    return OutputError(
        f"a file of the case cannot be read or removed ({trouble.strerror or trouble}).",
        file=path,
        remedy="The case is still in the log. Give this account the right to read and remove the "
        "file and run the same command again.",
    )
