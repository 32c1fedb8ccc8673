"""The desk where photos come in: first look, booking, check, each once, also over a restart."""

from __future__ import annotations

import asyncio
import time
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ..errors import DyelightError
from ..settings import Settings
from .booking import Booking
from .checks import Check, Checks, free_bytes, new_id
from .jobs import JobBook, StationJob
from .limits import Limits
from .refusals import Refusal
from .workers import WorkerLostError, Workers

_LEAST_FREE_BYTES = 512 * 2**20
_FORGET_EVERY_SECONDS = 3600.0


@dataclass(frozen=True, slots=True)
class Arrival:
    """A photo that was received: whose it is and what was said of its pressing.

    `again` is the check that it repeats; `together` says that the panel lay in the same pressing as
    that of the check `after`.
    """

    key: str
    job: StationJob
    press: str = ""
    again: Check | None = None
    together: Check | None = None
    source: str = "phone"


def _for_phones(answer: dict[str, Any]) -> str:
    """What to do about a photo, said to somebody who holds the camera."""
    remedy = str(answer["remedy"])
    if not answer.get("unreadable") or not remedy.startswith(("Copy", "Export")):
        return remedy
    return "Take it with fewer megapixels." if "smaller" in remedy else "Take it again."


@dataclass(slots=True)
class _Turn:
    """Who sends the same photo at the same time takes turns."""

    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    users: int = 0


@dataclass(slots=True)
class Desk:
    """Everything between a received photo and its verdict. One event loop uses it."""

    checks: Checks
    jobs: JobBook
    booking: Booking
    settings: Settings
    limits: Limits
    lookers: Workers
    inspectors: Workers
    drawers: Workers
    keep_days: float
    camera_job: str = ""
    unclaimed: int = 0
    _running: set[asyncio.Task[None]] = field(default_factory=set)
    _keys: dict[str, _Turn] = field(default_factory=dict)

    def start(self) -> None:
        """Take up what a restart left unfinished, and clean up from time to time."""
        for check in self.checks.unfinished():
            if check.panel:
                self.booking.keep(check.panel)
            self._begin(self._finish(check))
        self._begin(self._forget())

    async def stop(self) -> None:
        """Stop; what is unfinished is taken up at the next start."""
        for task in list(self._running):
            task.cancel()
        for task in list(self._running):
            with suppress(asyncio.CancelledError):
                await task

    def _begin(self, work: Any) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._running.add(task)
        task.add_done_callback(self._running.discard)

    async def _forget(self) -> None:
        while True:
            with suppress(OSError):
                await asyncio.to_thread(self.checks.forget_older, self.keep_days)
            await asyncio.sleep(_FORGET_EVERY_SECONDS)

    # photos

    def refuse_when_full(self) -> None:
        """Refuse a photo before it is sent where there is no room for it; raises Refusal."""
        if len(self.checks.unfinished()) >= self.limits.checks_waiting:
            raise Refusal(
                503,
                "Too many photos are waiting.",
                "It is sent again by itself.",
                headers={"retry-after": "10"},
            )
        if free_bytes(self.checks.folder) < _LEAST_FREE_BYTES:
            raise Refusal(507, "The station's disk is nearly full.", "Free some space on it.")

    async def take(self, arrival: Arrival, photo: Path) -> tuple[Check, bool]:
        """Take a photo in; the check, and whether it is a new one.

        Returns once the photo is safe on the disk and had its first look. The same key never makes
        two checks. Raises Refusal for a photo that cannot be read; it is then thrown away.
        """
        turn = self._keys.setdefault(arrival.key, _Turn())
        turn.users += 1
        try:
            async with turn.lock:
                known = self.checks.by_key(arrival.key)
                if known is not None:
                    return known, False
                hints = await self._first_look(arrival.job, photo)
                check = Check(
                    id=new_id(),
                    key=arrival.key,
                    job=arrival.job.id,
                    job_code=arrival.job.code,
                    panel="" if arrival.again is None else arrival.again.panel,
                    at=time.time(),
                    source=arrival.source,
                    press=arrival.press,
                    hints=hints,
                    again=None if arrival.again is None else arrival.again.id,
                    pressing=self._pressing_of(arrival),
                )
                try:
                    await asyncio.to_thread(self.checks.receive, check, photo)
                except DyelightError as trouble:
                    raise Refusal(507, trouble.sentence()) from trouble
        finally:
            photo.unlink(missing_ok=True)
            turn.users -= 1
            if not turn.users:
                self._keys.pop(arrival.key, None)
        self._begin(self._finish(check))
        await self.checks.tell()
        return check, True

    @staticmethod
    def _pressing_of(arrival: Arrival) -> str:
        earlier = arrival.again or arrival.together
        return "" if earlier is None else earlier.pressing

    async def _first_look(self, job: StationJob, photo: Path) -> list[str]:
        task = {
            "do": "first_look",
            "photo": str(photo),
            "job": job.as_task(),
            "most_px": self.limits.photo_px,
        }
        seen = await self.ask(self.lookers, task, self.limits.first_look_seconds)
        return list(seen["hints"])

    async def read_codes(self, photo: Path) -> list[str]:
        """The codes in a photo; Refusal where it cannot be read."""
        task = {"do": "codes", "photo": str(photo), "most_px": self.limits.photo_px}
        seen = await self.ask(self.lookers, task, self.limits.first_look_seconds)
        return list(seen["codes"])

    async def ask(self, workers: Workers, task: dict[str, Any], seconds: float) -> dict[str, Any]:
        """Have a worker do a task; Refusal with plain words where it cannot or was lost."""
        try:
            answer = await workers.ask(task, seconds=seconds)
        except WorkerLostError as lost:
            what = "took too long to open" if lost.late else "ended the process that opened it"
            raise Refusal(
                422, f"This photo {what}, so it was not kept.", "Take it again."
            ) from lost
        if not answer["ok"]:
            raise Refusal(422, answer["trouble"], _for_phones(answer))
        return answer

    def prepare(self, job: StationJob) -> None:
        """Have a job's artwork ready by the time its photo comes."""
        for workers, looks in ((self.lookers, True), (self.inspectors, False)):
            if workers.waiting < workers.count:
                self._begin(self._prepare(workers, job, looks))

    async def _prepare(self, workers: Workers, job: StationJob, looks: bool) -> None:
        # what is wrong with the artwork is told with the photo
        with suppress(WorkerLostError):
            task = {"do": "prepare", "job": job.as_task(), "looks": looks}
            await workers.ask(task, seconds=self.limits.check_seconds)

    # from received to done

    async def _finish(self, check: Check) -> None:
        """Take a check to its end; what goes wrong is told on its page."""
        job = self.jobs.by_id(check.job)
        if job is None:
            await self._fail(check, "This job is no longer in the list of jobs.", "")
            return
        began = time.perf_counter()
        await self._book(check, job)
        try:
            answer = await self._inspected(check, job, began)
        except WorkerLostError as lost:
            what = "took too long" if lost.late else "ended the process that looked at it, twice"
            await self._fail(check, f"This photo {what}.", "Take it again.")
            return
        if not answer["ok"]:
            await self._fail(check, answer["trouble"], answer["remedy"])
            return
        check.word, check.state, check.pictures = answer["verdict"], "done", True
        check.inspection = answer["inspection"]
        await self._save(check)
        await asyncio.to_thread(self.checks.drop_photo, check)

    async def _inspected(self, check: Check, job: StationJob, began: float) -> dict[str, Any]:
        """The worker's answer. One that died may have been another's fault, so a second tries."""
        for last in (False, True):
            try:
                return await self.inspectors.ask(
                    self._task(check, job),
                    seconds=self.limits.check_seconds,
                    heard=lambda message: self._heard(check, message, began),
                )
            except WorkerLostError as lost:
                if lost.late or last:
                    raise
        raise AssertionError("the loop returns or raises")

    def _heard(self, check: Check, message: dict[str, Any], began: float) -> None:
        check.word = message.get("verdict")
        check.seconds = round(time.perf_counter() - began, 3)
        self._begin(self._save(check))

    async def _book(self, check: Check, job: StationJob) -> None:
        """Write the panel into the press log; without a press, or with a log in trouble, go on."""
        if check.row is not None:
            return
        try:
            press = check.press or await asyncio.to_thread(self.booking.usual_press)
            if not press and not check.pressing:
                return
            if not check.panel:
                check.panel = await asyncio.to_thread(self.booking.next_panel, job)
                await asyncio.to_thread(self.checks.save, check)
            moment = datetime.fromtimestamp(check.at, UTC)
            check.pressing, check.row = await asyncio.to_thread(
                self.booking.book, job, check.panel, press, check.pressing, moment
            )
            check.log_trouble = ""
        except DyelightError as trouble:
            check.log_trouble = trouble.sentence()

    def _task(self, check: Check, job: StationJob) -> dict[str, Any]:
        known = self.settings
        return {
            "do": "check",
            "photo": str(self.checks.photo(check)),
            "name": f"photo {check.id}",
            "job": job.as_task(),
            "panel_id": check.panel or job.code,
            "most_px": self.limits.photo_px,
            "judging": {
                "rules": None if known.rules is None else str(known.rules),
                "acceptance": known.acceptance,
                "causes": None if known.causes is None else str(known.causes),
                # a phone's photos are none of the fixed camera's
                "taught": str(known.taught) if known.taught and check.source == "camera" else None,
            },
            "out": str(self.checks.place(check)),
            "log": None if check.row is None else self.booking.place,
            "row": check.row,
        }

    async def _fail(self, check: Check, trouble: str, remedy: str) -> None:
        check.state, check.trouble, check.remedy = "failed", trouble, remedy
        await self._save(check)
        await asyncio.to_thread(self.checks.drop_photo, check)

    async def _save(self, check: Check) -> None:
        # a disk that is full just now must not hide the verdict from who waits for it
        with suppress(DyelightError):
            await asyncio.to_thread(self.checks.save, check)
        await self.checks.tell()
