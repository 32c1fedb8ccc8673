"""What devices change: photos that they send, values of the next pressing, rulings."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any

from pydantic import Field
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from ..errors import DyelightError
from ..judge import texts
from ..records import Kind
from .asked import Body, asked_body
from .checks import KEY, Check
from .desk import Arrival
from .guard import session_of
from .page_facts import place_words
from .pages import desk_of, wanted_check, wanted_job
from .refusals import Refusal
from .uploads import check_head, receive_picture

_MOST_MISSED = 50


class _Camera(Body):
    on: bool


class _Change(Body):
    press: str = Field(min_length=1, max_length=80)
    name: str = Field(default="", max_length=40)
    value: str = Field(default="", max_length=80)


class _Ruling(Body):
    finding: str | None = Field(default=None, max_length=20)
    ruled: str | None = Field(default=None, max_length=40)
    why: str = Field(default="", max_length=400)


_Edge = Annotated[float, Field(allow_inf_nan=False)]


class _Missed(Body):
    key: str = Field(pattern=r"^[0-9a-f]{32}$")
    kind: Kind
    box: tuple[_Edge, _Edge, _Edge, _Edge] = Field(strict=False)
    why: str = Field(default="", max_length=400)


async def _log(work: Any, *arguments: Any) -> Any:
    """Do something in the press log's thread; what the log refuses becomes words."""
    try:
        return await asyncio.to_thread(work, *arguments)
    except DyelightError as trouble:
        status = 400 if trouble.exit_code == 2 else 503
        said = trouble.trouble[:1].upper() + trouble.trouble[1:]
        raise Refusal(status, said, trouble.remedy or "") from trouble


# photos


def _refuse_too_many(request: Request) -> None:
    wait = request.app.state.photos.take(
        session_of(request.scope).id, asyncio.get_running_loop().time()
    )
    if wait:
        raise Refusal(
            429,
            "Too many photos in a short time.",
            "Wait a moment.",
            headers={"retry-after": str(int(wait) + 1)},
        )


async def photo(request: Request) -> Response:
    """Receive a photo. Sent again with the same key, it is the same photo."""
    desk, key = desk_of(request), _key(request)
    known = desk.checks.by_key(key)
    if known is None:
        check_head(request.scope, request.app.state.limits)
        arrival = await _arrival(request, key)
        _refuse_too_many(request)
        desk.refuse_when_full()
        uploads: asyncio.Semaphore = request.app.state.uploads
        async with uploads:
            path = await receive_picture(
                request.scope, request.receive, desk.checks.incoming, request.app.state.limits
            )
        known, new = await desk.take(arrival, path)
        return JSONResponse({"check": known.id, "hints": known.hints}, 201 if new else 200)
    return JSONResponse({"check": known.id, "hints": known.hints})


def _key(request: Request) -> str:
    key: str = request.path_params["key"]
    if not KEY.fullmatch(key):
        raise Refusal(404, "This is no number of a photo.")
    return key


async def _arrival(request: Request, key: str) -> Arrival:
    asked, job = request.query_params, wanted_job(request)
    session = session_of(request.scope)

    def other(name: str) -> Check | None:
        if not asked.get(name):
            return None
        check = wanted_check(request, asked[name])
        if check.job != job.id and name == "again":
            raise Refusal(400, "The photo belongs to another job.")
        return check

    return Arrival(key, job, session.press, other("again"), other("together"))


async def photo_known(request: Request) -> Response:
    """Whether a photo was received, so that it need not be sent again."""
    known = desk_of(request).checks.by_key(_key(request))
    return JSONResponse({"check": None if known is None else known.id})


async def codes(request: Request) -> Response:
    """Find the job by a photo of its code; the photo is not kept."""
    desk = desk_of(request)
    _refuse_too_many(request)
    path = await receive_picture(
        request.scope, request.receive, desk.checks.incoming, request.app.state.limits
    )
    try:
        found = await desk.read_codes(path)
    finally:
        path.unlink(missing_ok=True)
    if not found:
        raise Refusal(
            404, "No code was found in the photo.", "Go closer, so that it fills a third of it."
        )
    jobs = [job for text in found if (job := desk.jobs.by_code(text)) is not None]
    if len(jobs) != 1:
        shown = ", ".join(text[:60] for text in found[:3])
        what = "is no job in the list" if not jobs else "belong to several jobs"
        raise Refusal(404, f"The code {shown} {what}.", "Search for the job by its name.")
    return JSONResponse({"job": jobs[0].id})


async def camera(request: Request) -> Response:
    """Say that the fixed camera's photos are of this job, or no longer."""
    desk, wanted = desk_of(request), wanted_job(request)
    asked = await asked_body(request, _Camera)
    if asked.on:
        desk.camera_job, desk.unclaimed = wanted.id, 0
    elif desk.camera_job == wanted.id:
        desk.camera_job = ""
    return JSONResponse({"on": asked.on})


# the press log


async def pressing(request: Request) -> Response:
    """Choose this device's press, or change one value of its next pressing."""
    asked = await asked_body(request, _Change)
    booking, session = desk_of(request).booking, session_of(request.scope)
    press = await _log(booking.choose, asked.press)
    if asked.name:
        await _log(booking.change, press, asked.name, asked.value)
        if asked.name == "operator":
            session.by = asked.value.strip()
    session.press = press
    request.app.state.door.save()
    facts = await _log(booking.facts, session.press)
    shown = next((tile.shown for tile in facts.tiles if tile.name == asked.name), "")
    return JSONResponse({"press": facts.press, "shown": shown})


def _logged(check: Check) -> int:
    if check.inspection is None:
        raise Refusal(
            409,
            "This check is not in the press log, so nothing can be ruled on it.",
            "Choose the press before the next photo.",
        )
    return check.inspection


async def _ruler(request: Request) -> str:
    """Who rules: the operator who stands for this device's press."""
    desk, session = desk_of(request), session_of(request.scope)
    if session.by:
        return session.by
    facts = await _log(desk.booking.facts, session.press)
    shown = next((tile.shown for tile in facts.tiles if tile.name == "operator"), "-")
    return "" if shown == "-" else str(shown)


async def ruling(request: Request) -> Response:
    """Agree with a verdict or a finding, or overrule it with a reason."""
    desk, check = desk_of(request), wanted_check(request)
    asked = await asked_body(request, _Ruling)
    inspection = _logged(check)
    said = _said(await asyncio.to_thread(desk.checks.facts, check), check, asked.finding)
    agreed = asked.ruled is None or asked.ruled == said
    if not agreed and not asked.why.strip():
        raise Refusal(400, "Say why, in a word or two.")
    by = await _ruler(request)
    await _log(desk.booking.rule, inspection, asked.finding, asked.ruled, asked.why, by)
    check.rulings[asked.finding or "verdict"] = {
        "ruled": said if asked.ruled is None else asked.ruled,
        "agreed": "yes" if agreed else "no",
        "why": asked.why.strip(),
        "by": by,
    }
    await _log(desk.checks.save, check)
    await desk.checks.tell()
    return JSONResponse({"ruled": check.rulings[asked.finding or "verdict"]["ruled"]})


def _said(facts: dict[str, Any] | None, check: Check, finding: str | None) -> str:
    """What the tool said of the verdict or a finding; raises Refusal where it said nothing."""
    if finding is None:
        return check.word or ""
    for item in (facts or {}).get("findings", []):
        if item["id"] == finding:
            return str(item["kind"])
    raise Refusal(404, "There is no such finding.")


async def missed(request: Request) -> Response:
    """Add a finding that the tool missed, drawn on the panel."""
    desk, check = desk_of(request), wanted_check(request)
    asked = await asked_body(request, _Missed)
    inspection = _logged(check)
    facts = await asyncio.to_thread(desk.checks.facts, check)
    if facts is None:
        raise Refusal(404, "Its result can no longer be read.")
    if len(check.missed) >= _MOST_MISSED:
        raise Refusal(409, "So many findings were added already.", "Overrule the verdict instead.")
    if not any(item["key"] == asked.key for item in check.missed):
        panel = facts["panel"]
        box = _on_panel(asked.box, panel["width"], panel["height"])
        center = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
        by = await _ruler(request)
        code = await _log(desk.booking.add_missed, inspection, asked.kind, center, asked.why, by)
        check.missed.append(_drawn(asked, code, box, center, panel["unit"] == "mm"))
        await _log(desk.checks.save, check)
        await desk.checks.tell()
    return JSONResponse({"missed": check.missed})


def _on_panel(
    box: tuple[float, float, float, float], width: float, height: float
) -> tuple[float, float, float, float]:
    """A drawn box cut to the panel; Refusal where nothing of it lies there."""
    x0, x1 = sorted(min(max(edge, 0.0), width) for edge in (box[0], box[2]))
    y0, y1 = sorted(min(max(edge, 0.0), height) for edge in (box[1], box[3]))
    # comparisons with what is no number are false, and so end here too
    if not (x1 - x0 > 0 and y1 - y0 > 0):
        raise Refusal(400, "That lies beside the panel.", "Draw around the mark itself.")
    return x0, y0, x1, y1


def _drawn(
    asked: _Missed,
    code: str,
    box: tuple[float, float, float, float],
    center: tuple[float, float],
    known: bool,
) -> dict[str, Any]:
    x0, y0, x1, y1 = (round(edge, 2) for edge in box)
    return {
        "key": asked.key,
        "id": code,
        "number": code.upper(),
        "kind": asked.kind,
        "title": texts.kind_title(asked.kind),
        "place": place_words(center, known),
        "box": [x0, y0, x1, y1],
        "outline": [[x0, y0], [x1, y0], [x1, y1], [x0, y1]],
        "why": asked.why.strip(),
    }
