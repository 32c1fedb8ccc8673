"""The gate for every request: address, origin, rate, session, token; headers on the way out.

A page elsewhere that a phone's browser has open must not be able to read or change anything here,
also not by a name that it points at this machine.
"""

from __future__ import annotations

import hmac
import ipaddress
import time
from collections.abc import Callable, Iterable
from http.cookies import CookieError, SimpleCookie

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .door import COOKIE, Door, Session
from .limits import Buckets, Limits
from .refusals import Refusal, answer_refusal, header, wants_page

TOKEN_HEADER = "x-station-token"
SESSION = "station.session"
_OPEN = ("/static/", "/pair")
_HEADERS = (
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
        b"connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"geolocation=(), microphone=(), camera=()"),
)


def host_names(names: Iterable[str]) -> frozenset[str]:
    """Names in small letters, without an end dot."""
    return frozenset(name.strip().rstrip(".").casefold() for name in names if name.strip())


class Guard:
    """ASGI middleware. `names` are host names, besides the machine's own addresses, that it has."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        door: Door,
        limits: Limits,
        names: frozenset[str],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._app = app
        self._door = door
        self._names = names
        self._clock = clock
        self._requests = Buckets(limits.requests_per_minute, limits.requests_burst)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or say why not."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        outgoing = _dressed(send, scope)
        try:
            cookie = self._admit(scope)
        except Refusal as refusal:
            await answer_refusal(refusal, scope, receive, outgoing)
            return
        if cookie is not None:
            outgoing = _with_cookie(outgoing, scope, cookie)
        await self._app(scope, receive, outgoing)

    def _admit(self, scope: Scope) -> str | None:
        """Check a request and put its session into the scope; a new cookie where one was given."""
        if scope["method"] not in ("GET", "HEAD", "POST", "PUT"):
            raise Refusal(405, "This is not done here.", headers={"allow": "GET, HEAD, POST, PUT"})
        host = self._checked_host(scope)
        client = scope["client"][0] if scope.get("client") else "unknown"
        wait = self._requests.take(client, self._clock())
        if wait:
            raise _too_often(wait)
        changes = scope["method"] in ("POST", "PUT")
        self._check_origin(scope, host, changes)
        path = str(scope["path"])
        session = self._door.session_of(_cookie(scope))
        scope[SESSION] = session
        if path.startswith(_OPEN):
            return None
        if session is None:
            return self._without_session(scope)
        if changes and not hmac.compare_digest(
            header(scope, TOKEN_HEADER).encode(), session.token.encode()
        ):
            raise Refusal(
                403,
                "This page is out of date, so nothing was changed.",
                "Load the page again.",
            )
        return None

    def _without_session(self, scope: Scope) -> str | None:
        if self._door.open_to_all and scope["method"] == "GET" and wants_page(scope):
            cookie, session = self._door.open_session()
            scope[SESSION] = session
            return cookie
        if wants_page(scope):
            raise Refusal(303, "This device is not let in yet.", headers={"location": "/pair"})
        raise Refusal(
            401,
            "This device is not let in, or was let in too long ago.",
            "Load the page again, and enter the code that the station's terminal shows.",
        )

    def _checked_host(self, scope: Scope) -> str:
        hosts = [value.decode("latin-1") for key, value in scope["headers"] if key == b"host"]
        if len(hosts) == 1 and self._is_ours(hosts[0], scope):
            return str(hosts[0]).casefold()
        raise Refusal(
            421,
            "The station is not reached by this name.",
            "Use the address that its terminal shows. Other names are given with --name.",
        )

    def _is_ours(self, host: str, scope: Scope) -> bool:
        name, port = _split_host(host)
        server = scope.get("server") or ("", None)
        usual = 443 if scope["scheme"] == "https" else 80
        if name is None or (port or usual) != server[1]:
            return False
        # an address that the request came in on cannot be a stranger's name for this machine
        return name in self._names or _same_address(name, str(server[0]))

    def _check_origin(self, scope: Scope, host: str, changes: bool) -> None:
        origin, site = header(scope, "origin"), header(scope, "sec-fetch-site")
        ours = f"{scope['scheme']}://{host}"
        if changes and origin.casefold() != ours:
            raise Refusal(403, "This came from another page, so nothing was changed.")
        strange = site not in ("", "same-origin", "none")
        travels = header(scope, "sec-fetch-mode") == "navigate" and not changes
        if strange and not travels:
            raise Refusal(403, "This came from another page, so it is not answered.")


def _too_often(wait: float) -> Refusal:
    return Refusal(
        429,
        "Too many requests at once.",
        "Wait a moment and try again.",
        headers={"retry-after": str(int(wait) + 1)},
    )


def session_of(scope: Scope) -> Session:
    """The session that the guard found; only where the guard asks for one."""
    session = scope[SESSION]
    assert isinstance(session, Session)
    return session


def _cookie(scope: Scope) -> str | None:
    try:
        jar = SimpleCookie(header(scope, "cookie"))
    except CookieError:
        return None
    return jar[COOKIE].value if COOKIE in jar else None


def _split_host(host: str) -> tuple[str | None, int | None]:
    """Name in small letters and port of a Host header; None for what is none."""
    name, port = host, ""
    if host.startswith("["):
        name, closed, port = host[1:].partition("]")
        if not closed or (port and not port.startswith(":")):
            return None, None
        port = port[1:]
    elif ":" in host:
        name, _, port = host.partition(":")
    if port and not (port.isascii() and port.isdigit() and len(port) <= 5):
        return None, None
    return name.rstrip(".").casefold(), int(port) if port else None


def _same_address(name: str, server: str) -> bool:
    try:
        return ipaddress.ip_address(name) == ipaddress.ip_address(server)
    except ValueError:
        return False


def _dressed(send: Send, scope: Scope) -> Send:
    """Add the headers that every answer carries; nothing of ours is kept by caches but statics."""
    keep = b"no-cache" if scope["path"].startswith("/static/") else b"no-store"

    async def outgoing(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {key.lower() for key, _ in message["headers"]}
            more = [(key, value) for key, value in _HEADERS if key not in given]
            if b"cache-control" not in given:
                more.append((b"cache-control", keep))
            message = {**message, "headers": [*message["headers"], *more]}
        await send(message)

    return outgoing


def _with_cookie(send: Send, scope: Scope, cookie: str) -> Send:
    async def outgoing(message: Message) -> None:
        if message["type"] == "http.response.start":
            line = cookie_line(cookie, scope)
            message = {**message, "headers": [*message["headers"], (b"set-cookie", line)]}
        await send(message)

    return outgoing


def cookie_line(cookie: str, scope: Scope) -> bytes:
    """The Set-Cookie line of a session. Over plain http a Secure cookie would never come back."""
    secure = "; Secure" if scope["scheme"] == "https" else ""
    return f"{COOKIE}={cookie}; Path=/; HttpOnly; SameSite=Strict{secure}".encode()
