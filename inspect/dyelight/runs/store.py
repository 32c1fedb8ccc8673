"""The folder of a run: made, locked against a second run, cleared of what a killed one left."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ..errors import OutputError
from ..report.outputs import make_folder, refuse_unwritable
from .work import MARKED, RESULTS

LOCK = ".running"


@contextmanager
def run_folder(out: Path) -> Iterator[None]:
    """Make the folder and hold it for this run alone.

    The lock belongs to the process, so that a killed run leaves none behind. Raises OutputError
    where the folder cannot be written or another run holds it.
    """
    refuse_unwritable(out)
    for folder in (out, out / RESULTS, out / MARKED):
        make_folder(folder)
    path = out / LOCK
    try:
        with path.open("a+b") as file:
            hold_lock(file, out, "another run writes to this folder.")
            # files that a killed run was about to move into their places
            for folder in (out, out / RESULTS, out / MARKED):
                for left in folder.glob(".*.part"):
                    left.unlink(missing_ok=True)
            yield
    except OSError as trouble:
        raise OutputError(
            f"the run's folder cannot be used ({trouble.strerror or trouble}).",
            file=out,
            remedy="Free some space, or name a folder that you may write with --out.",
        ) from trouble


def hold_lock(file: Any, out: Path, held: str) -> None:
    """Lock an open file for this process; OutputError that says `held` where another has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as trouble:
        raise OutputError(
            held, file=out, remedy="Wait for it, or name another folder."
        ) from trouble


def read_run(out: Path) -> dict[str, Any]:
    """The run.json of an earlier run; empty where there is none that can be read."""
    try:
        data = json.loads((out / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return data if isinstance(data, dict) else {}
