"""Where text goes: data on standard output, progress and warnings on standard error."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import TextIOBase
from typing import IO, TypeVar, cast

from rich.console import Console

from ..errors import OutputError
from .exits import visible

T = TypeVar("T")


class _DataStream(TextIOBase):
    """Standard output whose failures are output errors, told apart from faults of our own."""

    @property
    def encoding(self) -> str:  # type: ignore[override]  # the base class has a writable one
        return sys.stdout.encoding or "utf-8"

    def isatty(self) -> bool:
        return sys.stdout.isatty()

    def fileno(self) -> int:
        return sys.stdout.fileno()

    def write(self, text: str, /) -> int:
        return _attempt(lambda: sys.stdout.write(text))

    def flush(self) -> None:
        _attempt(sys.stdout.flush)


def _attempt(action: Callable[[], T]) -> T:
    try:
        return action()
    except BrokenPipeError as trouble:
        raise OutputError("nobody reads the output any more.") from trouble
    except OSError as trouble:
        reason = trouble.strerror or str(trouble)
        raise OutputError(f"standard output cannot be written ({reason}).") from trouble


def data_console() -> Console:
    """A console for standard output that takes file names literally.

    Raises `OutputError` where standard output is closed or full.
    """
    return Console(file=cast(IO[str], _DataStream()), markup=False, highlight=False, emoji=False)


def say(text: str, end: str = "\n") -> None:
    """Print data on standard output as it is; `OutputError` where that cannot be done."""
    stream = _DataStream()
    stream.write(text + end)
    stream.flush()


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
