"""Checks as they lie on the disk: one folder each, under a name of our own.

checks/ID/check.json    what is known of it; there as soon as the photo was received
checks/ID/photo         the photo as sent, only until it was looked at
checks/ID/result.json page.json numbered.jpg observed.jpg expected.jpg difference.jpg
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import secrets
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal

from ..errors import OutputError
from ..report.outputs import make_folder, write_together

State = Literal["received", "done", "failed"]
PICTURES = frozenset(("numbered.jpg", "observed.jpg", "expected.jpg", "difference.jpg"))
KEY = re.compile(r"[0-9a-f]{32}")
ID = re.compile(r"[0-9a-f]{16}")
_RECORD, _PHOTO = "check.json", "photo"


@dataclass(slots=True)
class Check:
    """One photo of one panel, from its arrival to what people ruled.

    `key` is the sender's own number for it: the same key is the same photo, sent again. `press` is
    what stood on the sender's page, "" where none was chosen. `panel` is the panel's number, `row`
    and `inspection` are numbers of the press log, None where it has none.
    `rulings` maps "verdict" or a finding's id to what was ruled; `missed` are findings that people
    added. `again` is the check that this one repeats with a new photo.
    """

    id: str
    key: str
    job: str
    job_code: str
    panel: str
    at: float
    source: str = "phone"
    press: str = ""
    state: State = "received"
    word: str | None = None
    pictures: bool = False
    hints: list[str] = field(default_factory=list)
    trouble: str = ""
    remedy: str = ""
    pressing: str = ""
    row: int | None = None
    inspection: int | None = None
    log_trouble: str = ""
    again: str | None = None
    rulings: dict[str, dict[str, str]] = field(default_factory=dict)
    missed: list[dict[str, Any]] = field(default_factory=list)
    seconds: float | None = None
    version: int = 0


class Checks:
    """All checks of the station's folder, and who waits for news of them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "checks"
        self.incoming = folder / "incoming"
        for place in (folder, self.folder, self.incoming):
            make_folder(place)
            with suppress(OSError):
                # photos are the shop's own business, also on a machine that others use
                place.chmod(0o700)
        self._held: dict[str, Check] = {}
        self._keys: dict[str, str] = {}
        self._news = asyncio.Condition()
        self._saving = threading.Lock()
        self._load()

    def _load(self) -> None:
        for left in self.incoming.iterdir():
            left.unlink(missing_ok=True)
        for record in sorted(self.folder.glob(f"*/{_RECORD}")):
            try:
                check = Check(**json.loads(record.read_text(encoding="utf-8")))
            except (OSError, ValueError, TypeError):
                continue
            if check.id == record.parent.name:
                self._hold(check)

    def _hold(self, check: Check) -> None:
        self._held[check.id] = check
        self._keys[check.key] = check.id

    def by_id(self, wanted: str) -> Check | None:
        """The check with this id."""
        return self._held.get(wanted)

    def by_key(self, key: str) -> Check | None:
        """The check that the photo with this key became."""
        return self._held.get(self._keys.get(key, ""))

    def latest(self, most: int, job: str | None = None) -> list[Check]:
        """The latest checks, newest first, of one job or of all."""
        found = [check for check in list(self._held.values()) if job is None or check.job == job]
        return sorted(found, key=lambda check: -check.at)[:most]

    def unfinished(self) -> list[Check]:
        """Checks whose photo was received and not looked at to the end, oldest first."""
        found = [check for check in list(self._held.values()) if check.state == "received"]
        return sorted(found, key=lambda check: check.at)

    def place(self, check: Check) -> Path:
        """The folder of a check."""
        return self.folder / check.id

    def photo(self, check: Check) -> Path:
        """Where the photo lies while it waits."""
        return self.place(check) / _PHOTO

    def facts(self, check: Check) -> dict[str, Any] | None:
        """What the pages show of a finished check; None where it holds nothing that can be read."""
        try:
            held = json.loads((self.place(check) / "page.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return held if isinstance(held, dict) else None

    def receive(self, check: Check, photo: Path) -> None:
        """Take a photo over: once this returns, it outlives a restart. OutputError where it cannot.

        `photo` is a file in `incoming`, which is moved.
        """
        place = self.place(check)
        make_folder(place)
        try:
            photo.replace(self.photo(check))
        except OSError as trouble:
            raise OutputError("the photo cannot be kept.", file=place) from trouble
        self._write(check)
        self._hold(check)

    def save(self, check: Check) -> None:
        """Write what changed and tell those who wait for it."""
        with self._saving:
            # what is written last is also what is newest, whichever thread came first
            check.version += 1
            self._write(check)

    def _write(self, check: Check) -> None:
        text = json.dumps(asdict(check), indent=1)
        write_together(self.place(check), {_RECORD: text.encode("utf-8", "backslashreplace")})

    def drop_photo(self, check: Check) -> None:
        """Throw the photo as sent away: with it goes whatever the camera wrote into it."""
        self.photo(check).unlink(missing_ok=True)

    async def tell(self) -> None:
        """Wake everybody who waits for news."""
        async with self._news:
            self._news.notify_all()

    async def wait(self, check: Check, version: int, seconds: float) -> None:
        """Wait until a check is past a version, or for so long."""
        with suppress(TimeoutError):
            async with asyncio.timeout(seconds), self._news:
                await self._news.wait_for(lambda: check.version > version)

    async def wait_for_newer(self, at: float, job: str, seconds: float) -> Check | None:
        """The newest check of a job that came after `at`; None where none comes for so long."""

        def newest() -> Check | None:
            found = self.latest(1, job)
            return found[0] if found and found[0].at > at else None

        with suppress(TimeoutError):
            async with asyncio.timeout(seconds), self._news:
                await self._news.wait_for(lambda: newest() is not None)
        return newest()

    def forget_older(self, days: float) -> int:
        """Remove checks that are older; how many. The press log keeps their results."""
        before = time.time() - days * 86400
        old = [check for check in list(self._held.values()) if check.at < before]
        for check in old:
            shutil.rmtree(self.place(check), ignore_errors=True)
            self._held.pop(check.id, None)
            self._keys.pop(check.key, None)
        for left in self._strays():
            shutil.rmtree(left, ignore_errors=True)
        return len(old)

    def _strays(self) -> Iterator[Path]:
        """Folders without a record, of a photo whose arrival was cut short."""
        for place in self.folder.iterdir():
            if place.name not in self._held and ID.fullmatch(place.name):
                with suppress(OSError):
                    if time.time() - place.stat().st_mtime > 3600:
                        yield place


def new_id() -> str:
    """A name for a check that nobody can guess."""
    return secrets.token_hex(8)


def open_picture(path: Path) -> bytes | None:
    """A picture's bytes; None where it is not there."""
    try:
        return path.read_bytes()
    except OSError:
        return None


def free_bytes(folder: Path) -> int:
    """How many bytes the folder's disk still takes."""
    return shutil.disk_usage(os.fspath(folder)).free
