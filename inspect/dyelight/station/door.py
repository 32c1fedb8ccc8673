"""Who may come in: one-time codes that the terminal shows, and the sessions that they open.

A session is a random token in a cookie; only its hash is kept, in a file that this account alone
may read, so that a restart does not lock the phones out. Times are seconds since the epoch.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path

from .limits import Limits

COOKIE = "dyelight_station"
_CODE_DIGITS = 8
_SAVE_EVERY_SECONDS = 60.0

Clock = Callable[[], float]


@dataclass(slots=True)
class Session:
    """One device that was let in. `token` goes back with every change it asks for."""

    id: str
    token: str
    began: float
    seen: float
    press: str = ""
    by: str = ""


@dataclass(slots=True)
class _Code:
    digits: str
    made: float
    wrong: int = 0
    used: bool = False


@dataclass(slots=True)
class Door:
    """Codes and sessions. `tell` shows a new code to whoever sits at the terminal.

    `open_to_all`: on the loopback every browser gets a session without a code.
    """

    limits: Limits
    open_to_all: bool
    file: Path | None = None
    tell: Callable[[str], None] = lambda code: None
    clock: Clock = time.time
    _sessions: dict[str, Session] = field(default_factory=dict)
    _code: _Code | None = None
    _rest_until: float = 0.0
    _saved: float = 0.0

    def __post_init__(self) -> None:
        """Take up the sessions that were open before a restart."""
        self._load()

    # codes

    def new_code(self) -> str:
        """Make a code, in the place of the old one, and show it."""
        digits = "".join(secrets.choice("0123456789") for _ in range(_CODE_DIGITS))
        self._code = _Code(digits, self.clock())
        self.tell(f"{digits[:4]} {digits[4:]}")
        return digits

    def ask_for_code(self) -> bool:
        """Somebody stands before the door: show a fresh code unless one still holds.

        False where one was shown so lately that the terminal must not be flooded.
        """
        now = self.clock()
        code = self._code
        if code is not None and not code.used and now - code.made < self.limits.code_seconds:
            return True
        if now < self._rest_until:
            return False
        self._rest_until = now + self.limits.code_rest_seconds
        self.new_code()
        return True

    def enter(self, typed: str) -> tuple[str, Session] | None:
        """Cookie and session for the right code, which is then used up; None for a wrong one."""
        code, now = self._code, self.clock()
        digits = "".join(letter for letter in typed if letter.isdigit())
        if code is None or code.used or now - code.made >= self.limits.code_seconds:
            return None
        if not hmac.compare_digest(digits.encode(), code.digits.encode()):
            code.wrong += 1
            # after some wrong tries the code is worthless, even to whoever reads it off
            code.used = code.wrong >= self.limits.wrong_codes
            return None
        code.used = True
        return self.open_session()

    # sessions

    def open_session(self) -> tuple[str, Session]:
        """Open a session; the cookie's value and the session. The oldest gives way where full."""
        now = self.clock()
        self._drop_old(now)
        while len(self._sessions) >= self.limits.sessions:
            del self._sessions[min(self._sessions, key=lambda key: self._sessions[key].seen)]
        cookie = secrets.token_urlsafe(32)
        session = Session(_digest(cookie), secrets.token_urlsafe(24), now, now)
        self._sessions[session.id] = session
        self.save()
        return cookie, session

    def session_of(self, cookie: str | None) -> Session | None:
        """The session of a cookie's value; None where there is none or it ended."""
        session = self._sessions.get(_digest(cookie)) if cookie else None
        if session is None:
            return None
        now = self.clock()
        if self._over(session, now):
            del self._sessions[session.id]
            self.save()
            return None
        session.seen = now
        if now - self._saved > _SAVE_EVERY_SECONDS:
            self.save()
        return session

    def close_session(self, session: Session) -> None:
        """End a session."""
        self._sessions.pop(session.id, None)
        self.save()

    def _over(self, session: Session, now: float) -> bool:
        idle = now - session.seen > self.limits.session_idle_seconds
        return idle or now - session.began > self.limits.session_seconds

    def _drop_old(self, now: float) -> None:
        for key in [key for key, item in self._sessions.items() if self._over(item, now)]:
            del self._sessions[key]

    # the file

    def save(self) -> None:
        """Write the sessions down; a disk that refuses costs no more than new codes later."""
        self._saved = self.clock()
        if self.file is None:
            return
        text = json.dumps([asdict(item) for item in self._sessions.values()])
        beside = self.file.with_suffix(".part")
        try:
            handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as out:
                out.write(text)
            beside.replace(self.file)
        except OSError:
            beside.unlink(missing_ok=True)

    def _load(self) -> None:
        if self.file is None:
            return
        try:
            held = json.loads(self.file.read_text(encoding="utf-8"))
            found = [Session(**item) for item in held]
        except (OSError, ValueError, TypeError):
            return
        self._sessions = {item.id: item for item in found}
        self._drop_old(self.clock())


def _digest(cookie: str) -> str:
    return hashlib.sha256(cookie.encode("utf-8", "surrogatepass")).hexdigest()
