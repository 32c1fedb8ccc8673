"""What is said, and with which exit code the command ends, when something went wrong."""

from __future__ import annotations

import os
import platform
import re
import secrets
import sys
import tempfile
import time
import traceback
from pathlib import Path

from .. import __version__
from ..errors import DyelightError, StageFault

PASS, STOPPED, USAGE, UNREADABLE, RETAKE, OUTPUT, FAULT, INTERRUPTED = 0, 1, 2, 3, 4, 5, 70, 130
OPENCV_REMEDY = (
    "OpenCV needs libGL: on Debian install libgl1 and libglib2.0-0, or put opencv-python-headless "
    "in the place of opencv-python."
)

_PASSWORD = re.compile(r"(://[^\s/:@]+:)[^\s/@]+@")


def visible(text: str) -> str:
    """Text without control characters, so that a file name cannot steer the terminal."""
    return "".join(letter if letter.isprintable() or letter == "\n" else "?" for letter in text)


def report_error(trouble: DyelightError) -> int:
    """Say what is wrong on stderr; the exit code that belongs to it."""
    if isinstance(trouble, StageFault):
        return report_fault(trouble)
    print(f"dyelight: {visible(trouble.sentence())}", file=sys.stderr)
    return trouble.exit_code


def report_fault(trouble: BaseException) -> int:
    """Write a fault report and say where it lies; always exit code 70."""
    if isinstance(trouble, ImportError) and "libGL" in str(trouble):
        print(f"dyelight: OpenCV cannot be loaded ({trouble}). {OPENCV_REMEDY}", file=sys.stderr)
        return FAULT
    said = trouble.sentence() if isinstance(trouble, DyelightError) else type(trouble).__name__
    print(f"dyelight: a fault of dyelight's own: {visible(said)}", file=sys.stderr)
    path = write_fault_report(trouble)
    if path is None:
        traceback.print_exception(trouble)
    else:
        print(
            f"Its report lies at {path}. It names files and holds no pictures; nothing was sent.",
            file=sys.stderr,
        )
    return FAULT


def write_fault_report(trouble: BaseException) -> Path | None:
    """Write the traceback and the versions to a new file; None where no folder takes it."""
    text = "\n".join(
        [
            f"dyelight {__version__}, Python {platform.python_version()}, {platform.platform()}",
            f"time: {time.strftime('%Y-%m-%d %H:%M:%S %z')}",
            f"command: {sys.argv[1:]}",
            "",
            "".join(traceback.format_exception(trouble)),
        ]
    )
    # the report is meant to be passed on: a password in a log's address is not
    text = _PASSWORD.sub(r"\1***@", text)
    name = f"fault-{time.strftime('%Y%m%d-%H%M%S')}-{secrets.token_hex(3)}.txt"
    for folder in (state_folder() / "faults", Path(tempfile.gettempdir())):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            path = folder / name
            path.write_text(text, encoding="utf-8", errors="backslashreplace")
        except OSError:
            continue
        return path
    return None


def state_folder() -> Path:
    """Where dyelight keeps what it writes about itself on this platform."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Logs"
    else:
        base = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    return base / "dyelight"
