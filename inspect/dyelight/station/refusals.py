"""What the station answers where it refuses: a status, what is wrong, and what to do."""

from __future__ import annotations

import asyncio
import html
import json
import time
from collections.abc import Mapping
from typing import Any

from starlette.types import Receive, Scope, Send

# so much of a refused body is still taken, so that its sender hears the answer before the line ends
_DRAIN_BYTES = 4 * 2**20
_DRAIN_SECONDS = 3.0


class Refusal(Exception):
    """A request that is not served. `text` and `remedy` are plain sentences for its sender."""

    def __init__(
        self, status: int, text: str, remedy: str = "", *, headers: Mapping[str, str] | None = None
    ) -> None:
        super().__init__(text)
        self.status = status
        self.text = text
        self.remedy = remedy
        self.headers = dict(headers or {})


class SenderGoneError(Exception):
    """The sender hung up before all was said; nobody is left to answer."""


def wants_page(scope: Scope) -> bool:
    """Whether a person's browser asks for a page, rather than a script for data."""
    return scope["method"] in ("GET", "HEAD") and "text/html" in header(scope, "accept")


def header(scope: Scope, name: str) -> str:
    """A request header's value; "" where it is missing. Given several times, the values joined."""
    wanted = name.encode("latin-1")
    found = [value for key, value in scope["headers"] if key == wanted]
    return b", ".join(found).decode("latin-1")


async def answer_refusal(refusal: Refusal, scope: Scope, receive: Receive, send: Send) -> None:
    """Send a refusal, and close the line where a body may still be on its way."""
    if wants_page(scope):
        kind, body = b"text/html; charset=utf-8", _page(refusal).encode()
    else:
        kind = b"application/json"
        body = json.dumps({"trouble": refusal.text, "remedy": refusal.remedy}).encode()
    has_body = scope["method"] not in ("GET", "HEAD")
    headers = [
        (b"content-type", kind),
        (b"content-length", str(len(body)).encode()),
        *((key.encode(), value.encode()) for key, value in refusal.headers.items()),
    ]
    if has_body:
        headers.append((b"connection", b"close"))
    await send({"type": "http.response.start", "status": refusal.status, "headers": headers})
    if scope["method"] == "HEAD":
        body = b""
    await send({"type": "http.response.body", "body": body, "more_body": True})
    if has_body and not header(scope, "expect"):
        await _drain(receive)
    await send({"type": "http.response.body", "body": b"", "more_body": False})


async def _drain(receive: Receive) -> None:
    taken, until = 0, time.monotonic() + _DRAIN_SECONDS
    while taken < _DRAIN_BYTES:
        left = until - time.monotonic()
        if left <= 0:
            return
        try:
            message: Any = await asyncio.wait_for(receive(), left)
        except TimeoutError:
            return
        if message["type"] != "http.request" or not message.get("more_body"):
            return
        taken += len(message.get("body", b""))


def _page(refusal: Refusal) -> str:
    text, remedy = html.escape(refusal.text), html.escape(refusal.remedy)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{text}</title>"
        '<link rel="stylesheet" href="/static/station.css"></head>'
        f'<body class="plain"><main><h1>{text}</h1><p>{remedy}</p>'
        '<p><a class="button" href="/">To the jobs</a></p></main></body></html>'
    )
