"""Where text goes: data on standard output, progress and warnings on standard error."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console

from .exits import visible


def data_console() -> Console:
    """A console for standard output that takes file names literally."""
    return Console(markup=False, highlight=False, emoji=False)


def say(text: str, end: str = "\n") -> None:
    """Print data on standard output as it is."""
    sys.stdout.write(text + end)


def warn(text: str) -> None:
    """Print a warning on standard error."""
    print(f"dyelight: {visible(text)}", file=sys.stderr)


@contextmanager
def progress(text: str) -> Iterator[None]:
    """Show on a terminal's standard error that work is going on; nothing elsewhere."""
    console = Console(stderr=True, markup=False, highlight=False, emoji=False)
    if not console.is_terminal:
        yield
        return
    with console.status(text):
        yield
