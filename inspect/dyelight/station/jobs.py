"""The jobs that the shop presses: code, artwork and size, read again when their files change."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, cast

from ..errors import DyelightError
from ..records import Base
from ..runs.manifest import Defaults, number
from ..runs.pairing import ARTWORK_FOLDER, JOBS_FILE, natural_key, read_jobs
from ..samples import checked_path, load_manifest


@dataclass(frozen=True, slots=True)
class StationJob:
    """One job. `id` names it in addresses; `artwork` is a path that no request ever gave.

    `width_mm` and `height_mm` are None where nobody gave a size.
    """

    id: str
    code: str
    artwork: Path
    artwork_name: str
    width_mm: float | None
    height_mm: float | None
    bleed_mm: float
    base: Base
    finish: str

    def as_task(self) -> dict[str, Any]:
        """What a worker needs to know of it, as JSON."""
        return {
            "artwork": str(self.artwork),
            "artwork_name": self.artwork_name,
            "width_mm": self.width_mm,
            "height_mm": self.height_mm,
            "bleed_mm": self.bleed_mm,
            "base": self.base,
            "finish": self.finish,
        }

    def size_text(self) -> str:
        """The size as a person writes it."""
        if self.width_mm is None or self.height_mm is None:
            return "size not given"
        return f"{self.width_mm:g} x {self.height_mm:g} mm"


def job_id(code: str) -> str:
    """A job's name in addresses: letters and digits that say nothing about any file."""
    return hashlib.sha256(code.casefold().encode("utf-8", "surrogatepass")).hexdigest()[:16]


class JobSource(Protocol):
    """Where jobs come from."""

    def all(self) -> Sequence[StationJob]:
        """Every job, in the order of their codes; raises DyelightError where they are unusable."""
        ...


class FolderJobs:
    """The jobs of a folder: its `jobs.csv`, or the pictures in its `artwork/`, by their names."""

    def __init__(self, folder: Path, defaults: Defaults) -> None:
        self._folder = folder.absolute()
        self._defaults = defaults
        self._lock = threading.Lock()
        self._stamp: tuple[Any, ...] | None = None
        self._jobs: tuple[StationJob, ...] = ()

    def all(self) -> Sequence[StationJob]:
        """As JobSource; the files are read again only where they changed."""
        with self._lock:
            stamp = self._state()
            if stamp != self._stamp:
                found, _ = read_jobs(self._folder, self._folder / ARTWORK_FOLDER)
                jobs = [self._job(job.name, job.artwork, job.row) for job in found.values()]
                self._jobs = tuple(sorted(jobs, key=lambda job: natural_key(job.code)))
                self._stamp = stamp
            return self._jobs

    def _state(self) -> tuple[Any, ...]:
        state: list[Any] = []
        for path in (self._folder / JOBS_FILE, self._folder / ARTWORK_FOLDER):
            try:
                facts = path.stat()
            except OSError:
                state.append(None)
            else:
                state.append((facts.st_mtime_ns, facts.st_size))
        return tuple(state)

    def _job(self, code: str, artwork: Path, row: Any) -> StationJob:
        width_mm, height_mm = self._defaults.size_mm or (None, None)
        if row.get("width_mm") and row.get("height_mm"):
            width_mm, height_mm = number(row["width_mm"]), number(row["height_mm"])
        bleed_mm = number(row["bleed_mm"]) if row.get("bleed_mm") else None
        return StationJob(
            id=job_id(code),
            code=code,
            artwork=artwork,
            artwork_name=artwork.name,
            width_mm=width_mm,
            height_mm=height_mm,
            bleed_mm=self._defaults.bleed_mm if bleed_mm is None else bleed_mm,
            base=cast(Base, row["base"]) if row.get("base") else self._defaults.base,
            finish=row.get("finish") or self._defaults.finish,
        )


class DemoJobs:
    """The demo panels as jobs, for trying the station."""

    def __init__(self) -> None:
        manifest = load_manifest()
        artworks = {item.path: item for item in manifest.file if item.role == "artwork"}
        self._jobs = tuple(
            StationJob(
                id=job_id(item.panel_id),
                code=item.panel_id,
                artwork=checked_path(artworks[str(item.artwork)]),
                artwork_name=Path(str(item.artwork)).name,
                width_mm=item.size_mm[0],
                height_mm=item.size_mm[1],
                bleed_mm=item.bleed_mm,
                base=item.base,
                finish=item.finish,
            )
            for item in manifest.photos
            if item.size_mm is not None
        )

    def all(self) -> Sequence[StationJob]:
        """As JobSource."""
        return self._jobs


class JobBook:
    """The jobs as pages ask for them."""

    def __init__(self, source: JobSource) -> None:
        self._source = source
        # told on the first page: a list that was just saved half must not take the station down
        self.trouble: str | None = None

    def all(self) -> Sequence[StationJob]:
        """Every job; none, and `trouble` says why, where the list cannot be used just now."""
        try:
            jobs = self._source.all()
        except DyelightError as trouble:
            self.trouble = trouble.trouble
            return ()
        self.trouble = None
        return jobs

    def by_id(self, wanted: str) -> StationJob | None:
        """The job with this id."""
        return next((job for job in self.all() if job.id == wanted), None)

    def by_code(self, text: str) -> StationJob | None:
        """The job with this code, whatever its capitals."""
        return self.by_id(job_id(text.strip()))

    def search(self, text: str, most: int) -> list[StationJob]:
        """Jobs whose code or artwork name holds every word of the text, at most so many."""
        words = text.casefold().split()
        found = [
            job
            for job in self.all()
            if all(word in f"{job.code} {job.artwork_name}".casefold() for word in words)
        ]
        return found[:most]
