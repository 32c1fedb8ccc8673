"""Devices come in by a code, and go out again."""

from __future__ import annotations

import asyncio

from pydantic import Field
from starlette.requests import Request
from starlette.responses import Response

from .asked import Body, Nothing, asked_body
from .door import Door
from .guard import cookie_line, session_of
from .pages import page
from .refusals import Refusal


class Code(Body):
    """A code as it was typed."""

    code: str = Field(max_length=20)


async def pair_page(request: Request) -> Response:
    """Where a device shows the code; asking for the page has one shown in the terminal."""
    door: Door = request.app.state.door
    if not door.open_to_all:
        door.ask_for_code()
    return page(request, "pair", "pair")


async def pair(request: Request) -> Response:
    """Let a device in that knows the code."""
    door: Door = request.app.state.door
    asked = await asked_body(request, Code)
    opened = None if door.open_to_all else door.enter(asked.code)
    if opened is None:
        # guessing costs time, whoever guesses
        await asyncio.sleep(1.0)
        raise Refusal(403, "That is not the code.", "Codes work once and for ten minutes.")
    answer = Response(status_code=204)
    answer.raw_headers.append((b"set-cookie", cookie_line(opened[0], request.scope)))
    return answer


async def pair_ask(request: Request) -> Response:
    """Have a code shown in the terminal."""
    await asked_body(request, Nothing)
    door: Door = request.app.state.door
    if door.open_to_all or not door.ask_for_code():
        raise Refusal(429, "A code was shown a moment ago.", "Look at the terminal.")
    return Response(status_code=204)


async def leave(request: Request) -> Response:
    """Sign this device out."""
    await asked_body(request, Nothing)
    door: Door = request.app.state.door
    door.close_session(session_of(request.scope))
    return Response(status_code=204)
