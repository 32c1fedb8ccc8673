"""The watched folder: photos that a fixed camera's program lays down are checked by themselves."""

from __future__ import annotations

import asyncio
import hashlib
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from ..runs.pairing import PICTURES
from .desk import Arrival, Desk
from .refusals import Refusal

_STILL_SECONDS = 0.4
_GIVE_UP_SECONDS = 60.0


@dataclass(slots=True)
class Watched:
    """Watches `folder`. Photos stay there untouched; only copies are worked on.

    What lay there at the start is left alone. `tell` says in the terminal what was not taken.
    """

    folder: Path
    desk: Desk
    tell: Callable[[str], None]
    _seen: set[str] = field(default_factory=set)

    async def run(self) -> None:
        """Watch until cancelled."""
        from watchfiles import Change, awatch

        self._seen = {self._mark(path) for path in self._pictures()}
        async for changes in awatch(self.folder, recursive=False, step=100, debounce=400):
            paths = {Path(name) for change, name in changes if change != Change.deleted}
            for path in sorted(paths):
                if self._is_picture(path):
                    await self._take(path)

    def _pictures(self) -> list[Path]:
        return [path for path in self.folder.iterdir() if self._is_picture(path)]

    @staticmethod
    def _is_picture(path: Path) -> bool:
        fits = path.suffix.lower() in PICTURES and path.name[:1] not in (".", "_", "~")
        # a link could lead out of the folder
        return fits and path.is_file() and not path.is_symlink()

    @staticmethod
    def _mark(path: Path) -> str:
        facts = path.stat()
        return f"{path.name}\n{facts.st_size}\n{facts.st_mtime_ns}"

    async def _take(self, path: Path) -> None:
        if not await self._is_whole(path):
            return
        mark = self._mark(path)
        if mark in self._seen:
            return
        self._seen.add(mark)
        job = self.desk.jobs.by_id(self.desk.camera_job) if self.desk.camera_job else None
        if job is None:
            self.desk.unclaimed += 1
            self.tell(f"{path.name}: no job is chosen for the fixed camera; left aside.")
            return
        if path.stat().st_size > self.desk.limits.photo_bytes:
            self.tell(f"{path.name}: it holds too many bytes; left aside.")
            return
        # the same file seen twice is one photo
        key = hashlib.sha256(mark.encode("utf-8", "surrogatepass")).hexdigest()[:32]
        copy = self.desk.checks.incoming / f"{key}.part"
        try:
            self.desk.refuse_when_full()
            await asyncio.to_thread(shutil.copyfile, path, copy)
            await self.desk.take(Arrival(key, job, source="camera"), copy)
        except (OSError, Refusal) as trouble:
            self._seen.discard(mark)
            self.tell(f"{path.name}: {trouble}")

    async def _is_whole(self, path: Path) -> bool:
        """Wait until nobody writes to the file any more; False where it went away or never ends."""
        until = time.monotonic() + _GIVE_UP_SECONDS
        try:
            size = -1
            while time.monotonic() < until:
                now = path.stat().st_size
                if now == size and now > 0:
                    return True
                size = now
                await asyncio.sleep(_STILL_SECONDS)
        except OSError:
            return False
        return False
