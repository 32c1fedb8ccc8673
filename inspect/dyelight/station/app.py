"""The station as an ASGI application: its parts, its addresses, its start and its end."""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Receive, Scope, Send

from ..press_log.units import Units
from ..report.outputs import make_folder
from ..settings import Settings
from . import changes, entrance, pages
from .booking import Booking
from .checks import Checks
from .desk import Desk
from .door import Door
from .guard import Guard
from .jobs import JobBook, JobSource
from .limits import Buckets, Limits
from .refusals import Refusal, SenderGoneError, answer_refusal
from .watched import Watched
from .workers import Workers

# checks give way to the pages and to first looks
_NICENESS = 5
_STATIC = Path(__file__).parent / "static"


@dataclass(frozen=True, slots=True)
class Setup:
    """What a station is made of.

    `folder` keeps checks and sessions, `log` is the press log's place, `names` are host names of
    this machine, `watch` the fixed camera's folder. `tell` writes a line to the terminal,
    `show_code` shows a code there.
    """

    jobs: JobSource
    folder: Path
    settings: Settings
    log: str
    units: Units
    open_to_all: bool
    names: frozenset[str]
    workers: int = 1
    keep_days: float = 30.0
    watch: Path | None = None
    limits: Limits = field(default_factory=Limits)
    tell: Callable[[str], None] = lambda line: None
    show_code: Callable[[str], None] = lambda code: None


def make_app(setup: Setup) -> ASGIApp:
    """The application. Its folder is made; worker processes start with it and end with it."""
    checks = Checks(setup.folder)
    thumbnails = setup.folder / "thumbnails"
    make_folder(thumbnails)
    limits = setup.limits
    door = Door(limits, setup.open_to_all, setup.folder / "sessions.json", setup.show_code)
    # two, so that one photo that takes long does not keep all others waiting
    lookers = Workers(min(2, setup.workers), memory_bytes=limits.look_memory_bytes)
    inspectors = Workers(setup.workers, memory_bytes=limits.check_memory_bytes, niceness=_NICENESS)
    # pictures of a long list of jobs must keep neither first looks nor checks waiting
    drawers = Workers(1, memory_bytes=limits.look_memory_bytes, niceness=_NICENESS)
    crews = (lookers, inspectors, drawers)
    desk = Desk(
        checks=checks,
        jobs=JobBook(setup.jobs),
        booking=Booking(setup.log, setup.units),
        settings=setup.settings,
        limits=limits,
        lookers=lookers,
        inspectors=inspectors,
        drawers=drawers,
        keep_days=setup.keep_days,
    )
    watched = None if setup.watch is None else Watched(setup.watch, desk, setup.tell)

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        for workers in crews:
            workers.start()
        desk.start()
        eye = None if watched is None else asyncio.create_task(watched.run())
        try:
            yield
        finally:
            if eye is not None:
                eye.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await eye
            # the desk first, so that no check is called failed because its worker was ended: what
            # is under way is done again at the next start
            await desk.stop()
            await asyncio.gather(*(asyncio.to_thread(workers.stop) for workers in crews))
            desk.booking.close()
            door.save()

    app = Starlette(
        routes=_routes(),
        lifespan=lifespan,
        exception_handlers={
            Refusal: _refused,
            HTTPException: _not_found,
            SenderGoneError: _gone,
            ClientDisconnect: _gone,
            Exception: _fault,
        },
    )
    state = app.state
    state.desk, state.door, state.limits = desk, door, limits
    state.photos = Buckets(limits.photos_per_minute, limits.photos_burst)
    state.uploads = asyncio.Semaphore(limits.uploads_at_once)
    state.thumbnails, state.watched = thumbnails, watched
    state.codes = importlib.util.find_spec("zxingcpp") is not None
    return Guard(app, door=door, limits=limits, names=setup.names)


def _routes() -> list[Route | Mount]:
    return [
        Mount("/static", StaticFiles(directory=_STATIC)),
        Route("/pair", entrance.pair_page),
        Route("/pair", entrance.pair, methods=["POST"]),
        Route("/pair/ask", entrance.pair_ask, methods=["POST"]),
        Route("/leave", entrance.leave, methods=["POST"]),
        Route("/alive", pages.alive),
        Route("/", pages.home),
        Route("/jobs", pages.jobs),
        Route("/jobs/{job}", pages.job),
        Route("/jobs/{job}/picture.jpg", pages.job_picture),
        Route("/jobs/{job}/newest", pages.newest),
        Route("/jobs/{job}/camera", changes.camera, methods=["POST"]),
        Route("/photos/{key}", changes.photo_known),
        Route("/photos/{key}", changes.photo, methods=["PUT"]),
        Route("/codes", changes.codes, methods=["PUT"]),
        Route("/checks", pages.latest),
        Route("/checks/{check}", pages.check),
        Route("/checks/{check}/news", pages.news),
        Route("/checks/{check}/facts.json", pages.check_facts),
        Route("/checks/{check}/viewer", pages.viewer),
        Route("/checks/{check}/rulings", changes.ruling, methods=["POST"]),
        Route("/checks/{check}/missed", changes.missed, methods=["POST"]),
        Route("/checks/{check}/{name}.jpg", pages.picture),
        Route("/pressing", pages.pressing),
        Route("/pressing", changes.pressing, methods=["POST"]),
    ]


class _Answer(Response):
    """A refusal as a response."""

    def __init__(self, refusal: Refusal) -> None:
        super().__init__()
        self._refusal = refusal

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await answer_refusal(self._refusal, scope, receive, send)


async def _refused(request: Request, trouble: Exception) -> Response:
    assert isinstance(trouble, Refusal)
    return _Answer(trouble)


async def _not_found(request: Request, trouble: Exception) -> Response:
    status = trouble.status_code if isinstance(trouble, HTTPException) else 404
    text = "There is nothing here." if status == 404 else "This is not done here."
    return _Answer(Refusal(status, text))


async def _gone(request: Request, trouble: Exception) -> Response:
    return Response(status_code=400)


async def _fault(request: Request, trouble: Exception) -> Response:
    # the traceback goes to the terminal; whoever asked learns nothing of the inside
    return _Answer(Refusal(500, "The station failed at this.", "Its terminal shows why."))
