"""The station's pages, and the data and pictures that they ask for."""

from __future__ import annotations

import asyncio
import re
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, get_args

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from ..errors import DyelightError
from ..judge import texts
from ..records import Kind
from .booking import Facts
from .checks import ID, PICTURES, Check, open_picture
from .desk import Desk
from .guard import session_of
from .hint_file import load_hints
from .jobs import StationJob
from .refusals import Refusal
from .watched import Watched

_MOST_JOBS, _RECENT_JOBS, _LATEST, _MOST_LATEST = 60, 4, 5, 60
_NEWS_SECONDS = 20.0
_LOCAL = re.compile(r"/(?:jobs/[0-9a-f]{16}|checks/[0-9a-f]{16})?")
_STATES = {"received": "Looking", "failed": "No verdict"}


@cache
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(request: Request, template: str, name: str, **facts: Any) -> HTMLResponse:
    """A page from its template; `name` says to the scripts which it is."""
    session = request.scope.get("station.session")
    token = "" if session is None else session.token
    text = _environment().get_template(f"{template}.html.j2")
    return HTMLResponse(text.render(page=name, token=token, **facts))


def part(template: str, **facts: Any) -> HTMLResponse:
    """A part of a page."""
    return HTMLResponse(_environment().get_template(f"{template}.html.j2").render(**facts))


def desk_of(request: Request) -> Desk:
    """The desk of the application that serves a request."""
    desk = request.app.state.desk
    assert isinstance(desk, Desk)
    return desk


def wanted_job(request: Request, name: str = "job") -> StationJob:
    """The job that the address names; raises Refusal where there is none."""
    asked = request.path_params.get(name) or request.query_params.get(name, "")
    job = desk_of(request).jobs.by_id(asked) if ID.fullmatch(asked) else None
    if job is None:
        raise Refusal(404, "There is no such job.", "Choose one from the list.")
    return job


def wanted_check(request: Request, asked: str | None = None) -> Check:
    """The check that the address names; raises Refusal where there is none."""
    asked = request.path_params["check"] if asked is None else asked
    check = desk_of(request).checks.by_id(asked) if ID.fullmatch(asked) else None
    if check is None:
        raise Refusal(
            404, "There is no such check.", "It may be older than the station keeps them."
        )
    return check


def verdict_title(word: str | None, state: str) -> str:
    """What stands in a check's place: its verdict, or how far it is."""
    if word is None:
        return _STATES.get(state, "No verdict")
    return texts.verdict_title(word)  # type: ignore[arg-type]  # the records' words, kept as text


def kind_names() -> list[tuple[str, str]]:
    """All kinds with their names."""
    return [(kind, texts.kind_title(kind)) for kind in get_args(Kind)]


def _row(check: Check) -> dict[str, Any]:
    when = datetime.fromtimestamp(check.at)
    today = when.date() == datetime.now().date()
    return {
        "id": check.id,
        "word": check.word,
        "state": check.state,
        "title": verdict_title(check.word, check.state),
        "panel": check.panel or check.job_code,
        "time": f"{when:%H:%M}" if today else f"{when:%d.%m. %H:%M}",
    }


async def _facts(request: Request) -> tuple[Facts, str | None]:
    """What stands for the next pressing of this device's press, and the log's trouble if any."""
    booking = desk_of(request).booking
    try:
        return await asyncio.to_thread(booking.facts, session_of(request.scope).press), None
    except DyelightError as trouble:
        return Facts("", (), (), "", ""), trouble.sentence()


async def home(request: Request) -> Response:
    """The list of jobs."""
    desk = desk_of(request)
    latest = desk.checks.latest(_MOST_LATEST)
    return page(
        request,
        "home",
        "home",
        **_job_list(desk, ""),
        query="",
        trouble=desk.jobs.trouble,
        codes=request.app.state.codes,
        checks=[_row(check) for check in latest[:_LATEST]],
    )


def _job_list(desk: Desk, query: str) -> dict[str, Any]:
    found = desk.jobs.search(query, 10**6)
    recent: dict[str, StationJob] = {}
    if not query and len(found) > _RECENT_JOBS:
        known = {job.id: job for job in found}
        for check in desk.checks.latest(_MOST_LATEST):
            if check.job in known and len(recent) < _RECENT_JOBS:
                recent[check.job] = known[check.job]
    more = max(0, len(found) - _MOST_JOBS)
    return {"jobs": found[:_MOST_JOBS], "recent": list(recent.values()), "more": more}


async def jobs(request: Request) -> Response:
    """The jobs that a search finds, as a part of the page."""
    return part("job_list", **_job_list(desk_of(request), request.query_params.get("q", "")[:80]))


async def job(request: Request) -> Response:
    """One job: where its panels are photographed."""
    desk, wanted = desk_of(request), wanted_job(request)
    desk.prepare(wanted)
    facts, _ = await _facts(request)
    checks = desk.checks.latest(8, wanted.id)
    # panels of other jobs may have lain in the same pressing
    last = desk.checks.latest(8)
    before = next((check for check in last if check.pressing and check.panel), None)
    return page(
        request,
        "job",
        "job",
        job=wanted,
        facts=facts,
        together=before,
        watching=isinstance(request.app.state.watched, Watched),
        camera_here=desk.camera_job == wanted.id,
        since=checks[0].at if checks else 0,
        checks=[_row(check) for check in checks],
    )


async def job_picture(request: Request) -> Response:
    """A small picture of a job's artwork, drawn once."""
    desk, wanted = desk_of(request), wanted_job(request)
    folder: Path = request.app.state.thumbnails
    try:
        facts = wanted.artwork.stat()
    except OSError:
        raise Refusal(404, "The artwork is not there.") from None
    path = folder / f"{wanted.id}-{facts.st_mtime_ns:x}-{facts.st_size:x}.jpg"
    data = await asyncio.to_thread(open_picture, path)
    if data is None:
        task = {"do": "thumbnail", "job": wanted.as_task(), "out": str(path)}
        await desk.ask(desk.drawers, task, desk.limits.check_seconds)
        data = await asyncio.to_thread(open_picture, path)
    if data is None:
        raise Refusal(404, "The artwork cannot be shown.")
    headers = {"cache-control": "private, max-age=600"}
    return Response(data, media_type="image/jpeg", headers=headers)


async def newest(request: Request) -> Response:
    """Wait for a job's next check, as the fixed camera brings it."""
    try:
        since = float(request.query_params.get("since", "0"))
    except ValueError:
        raise Refusal(400, "This time is no number.") from None
    desk, wanted = desk_of(request), wanted_job(request)
    check = await desk.checks.wait_for_newer(since, wanted.id, _NEWS_SECONDS)
    return JSONResponse({"check": None if check is None else check.id})


async def latest(request: Request) -> Response:
    """The latest checks of all jobs."""
    desk = desk_of(request)
    checks = [_row(check) for check in desk.checks.latest(_MOST_LATEST)]
    return page(request, "latest", "latest", checks=checks, unclaimed=desk.unclaimed)


async def pressing(request: Request) -> Response:
    """What stands for the next pressing."""
    facts, trouble = await _facts(request)
    back = request.query_params.get("back", "/")
    if not _LOCAL.fullmatch(back):
        back = "/"
    return page(request, "pressing", "pressing", facts=facts, trouble=trouble, back=back)


async def check(request: Request) -> Response:
    """One check: first look, then the verdict."""
    desk, wanted = desk_of(request), wanted_check(request)
    facts = await asyncio.to_thread(desk.checks.facts, wanted) if wanted.word else None
    if facts is not None:
        _add_rulings(facts, wanted)
    hints = load_hints().hint
    shown = _shown(wanted)
    if facts is None and wanted.word is not None:
        shown |= {"state": "failed", "word": None, "trouble": "Its result can no longer be read."}
    return page(
        request,
        "check",
        "check",
        check=shown,
        facts=facts,
        hints=[hints[code] for code in wanted.hints if code in hints],
        verdicts=[
            (word, texts.verdict_title(word))
            for word in ("pass", "remake", "review")
            if word != wanted.word
        ],
        kinds=kind_names(),
    )


def _shown(wanted: Check) -> dict[str, Any]:
    ruling = wanted.rulings.get("verdict")
    names = ("job", "job_code", "version", "pictures", "inspection", "pressing", "remedy")
    return (
        _row(wanted)
        | {name: getattr(wanted, name) for name in names}
        | {
            "panel": wanted.panel,
            "trouble": wanted.trouble,
            "log_trouble": wanted.log_trouble,
            "missed": wanted.missed,
            "ruled_text": "" if ruling is None else ruled_text(ruling),
        }
    )


def ruled_text(ruling: dict[str, str]) -> str:
    """A ruling in words."""
    by = f" by {ruling['by']}" if ruling["by"] else ""
    if ruling["agreed"] == "yes":
        return f"Agreed{by}."
    held = ruling["ruled"]
    names = dict(kind_names())
    if held == "nothing":
        what = "nothing is there"
    elif held in names:
        what = names[held].lower()
    else:
        what = verdict_title(held, "done").lower()
    why = f" {ruling['why']}" if ruling["why"] else ""
    return f"Overruled{by}: {what}.{why}"


def _add_rulings(facts: dict[str, Any], wanted: Check) -> None:
    for item in facts["findings"]:
        ruling = wanted.rulings.get(item["id"])
        item["ruled"] = "" if ruling is None else ruling["ruled"]
        item["ruled_text"] = "" if ruling is None else ruled_text(ruling)


async def news(request: Request) -> Response:
    """Wait until a check is past the version that the page shows."""
    wanted = wanted_check(request)
    asked = request.query_params.get("version", "0")
    version = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 9 else 0
    await desk_of(request).checks.wait(wanted, version, _NEWS_SECONDS)
    return JSONResponse({"version": wanted.version, "state": wanted.state, "word": wanted.word})


async def picture(request: Request) -> Response:
    """One picture of a check. Its name is looked up, never made a path of."""
    name, wanted = request.path_params["name"], wanted_check(request)
    known = next((own for own in PICTURES if own == f"{name}.jpg"), None)
    if known is None:
        raise Refusal(404, "There is no such picture.")
    data = await asyncio.to_thread(open_picture, desk_of(request).checks.place(wanted) / known)
    if data is None:
        raise Refusal(404, "There is no such picture.")
    headers = {"cache-control": "private, max-age=3600"}
    return Response(data, media_type="image/jpeg", headers=headers)


async def check_facts(request: Request) -> Response:
    """What the viewer needs to know of a check."""
    desk, wanted = desk_of(request), wanted_check(request)
    facts = await asyncio.to_thread(desk.checks.facts, wanted)
    if facts is None or not facts["placed"]:
        raise Refusal(404, "There is nothing to look closer at.", "The panel was not found.")
    gone = {name for name, ruling in wanted.rulings.items() if ruling["ruled"] == "nothing"}
    findings = [item for item in facts["findings"] if item["id"] not in gone]
    return JSONResponse({"panel": facts["panel"], "findings": findings, "missed": wanted.missed})


async def viewer(request: Request) -> Response:
    """Photo, expected look and difference under one lens."""
    wanted = wanted_check(request)
    if wanted.word is None or not wanted.pictures:
        raise Refusal(404, "The pictures are not there yet.", "Go back and wait a moment.")
    return page(request, "viewer", "viewer", check=_shown(wanted), kinds=kind_names())


async def alive(request: Request) -> Response:
    """Say that the station is here."""
    return Response(status_code=204)
