"""Say on standard error how far a run is, how fast, and how long it will take."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import TextIO

# on a terminal one line is written over; elsewhere a line now and then, so that logs stay short
_SECONDS_ON_TERMINAL = 0.2
_SECONDS_IN_LOG = 30.0
_WINDOW = 200


def duration(seconds: float) -> str:
    """A duration for people: 8 s, 4 min, 2 h 05 min."""
    seconds = max(0.0, seconds)
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


class Progress:
    """Counts panels and writes lines; rate and time left come from the last 200 that were done."""

    def __init__(
        self, total: int, stream: TextIO, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._total, self._stream, self._clock = total, stream, clock
        self._on_terminal = stream.isatty()
        self._done = self._reused = self._failed = 0
        self._times: deque[float] = deque([clock()], maxlen=_WINDOW)
        self._said = clock()
        self._width = 0

    def add(self, *, reused: bool, failed: bool) -> None:
        """One more panel is finished."""
        self._done += 1
        self._failed += failed
        if reused:
            self._reused += 1
        else:
            self._times.append(self._clock())
        pause = _SECONDS_ON_TERMINAL if self._on_terminal else _SECONDS_IN_LOG
        if self._clock() - self._said >= pause:
            self._say()

    def line(self) -> str:
        """What would be said now."""
        parts = [f"{self._done} of {self._total} panels"]
        if self._reused:
            parts.append(f"{self._reused} from before")
        if self._failed:
            parts.append(f"{self._failed} failed")
        span = self._times[-1] - self._times[0]
        if len(self._times) > 1 and span > 0:
            rate = (len(self._times) - 1) / span
            parts.append(f"{rate:.2g} a second" if rate < 10 else f"{rate:.0f} a second")
            left = self._total - self._done
            if left:
                parts.append(f"{duration(left / rate)} left")
        return ", ".join(parts)

    def end(self) -> None:
        """Say where the run stands, and leave the line."""
        self._say()
        if self._on_terminal:
            print(file=self._stream, flush=True)

    def _say(self) -> None:
        self._said = self._clock()
        text = self.line()
        if self._on_terminal:
            print("\r" + text.ljust(self._width), end="", file=self._stream, flush=True)
            self._width = len(text)
        else:
            print(text, file=self._stream, flush=True)
