"""What the station takes, how much, how often and for how long. Our own choices, no source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds on what comes in.

    `slow_*`: an upload must bring `slow_bytes` every `slow_seconds`, and end within
    `upload_seconds`. A `*_burst` may come at once, and `*_per_minute` after that, for each device.
    """

    photo_bytes: int = 40 * 2**20
    photo_px: int = 50_000_000
    text_bytes: int = 16 * 2**10
    upload_seconds: float = 180.0
    slow_seconds: float = 15.0
    slow_bytes: int = 32 * 2**10
    head_seconds: float = 15.0
    photos_per_minute: float = 20.0
    photos_burst: int = 12
    requests_per_minute: float = 900.0
    requests_burst: int = 240
    wrong_codes: int = 5
    code_seconds: float = 600.0
    code_rest_seconds: float = 20.0
    session_idle_seconds: float = 12 * 3600.0
    session_seconds: float = 72 * 3600.0
    sessions: int = 64
    uploads_at_once: int = 16
    checks_waiting: int = 64
    connections: int = 256
    connections_of_one: int = 64
    first_look_seconds: float = 15.0
    check_seconds: float = 120.0
    look_memory_bytes: int = 4 * 2**30
    check_memory_bytes: int = 10 * 2**30


class Buckets:
    """Token buckets, one for each name; names that are full again are forgotten."""

    _MOST = 4096

    def __init__(self, per_minute: float, burst: int) -> None:
        self._rate = per_minute / 60.0
        self._burst = float(burst)
        self._state: dict[str, tuple[float, float]] = {}

    def take(self, name: str, now: float) -> float:
        """Take one token; 0 where there was one, else the seconds until there is."""
        if len(self._state) >= self._MOST:
            self._state = {
                known: (left, at)
                for known, (left, at) in self._state.items()
                if left + (now - at) * self._rate < self._burst
            }
            if len(self._state) >= self._MOST and name not in self._state:
                return 60.0
        left, at = self._state.get(name, (self._burst, now))
        left = min(self._burst, left + (now - at) * self._rate)
        if left < 1.0:
            self._state[name] = (left, now)
            return (1.0 - left) / self._rate
        self._state[name] = (left - 1.0, now)
        return 0.0
