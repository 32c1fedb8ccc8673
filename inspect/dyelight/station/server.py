"""Serve the station: its socket, its patience with slow senders, what the terminal shows."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import logging
import socket
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from ..errors import OutputError, SettingsError
from ..report.outputs import make_folder, refuse_unwritable
from ..runs.store import hold_lock
from .guard import host_names
from .limits import Limits

DEFAULT_PORT = 8437
_LOCK = ".station"
_GRACE_SECONDS = 3
_HEAD_BYTES = 32 * 2**10


@dataclass(frozen=True, slots=True)
class Address:
    """Where the station listens. `loopback`: only this machine can reach it."""

    host: str
    port: int

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return ipaddress.ip_address(self.host).is_loopback

    @property
    def everywhere(self) -> bool:
        """Whether it listens on all addresses of the machine."""
        return ipaddress.ip_address(self.host).is_unspecified


def parse_listen(text: str | None, port: int) -> Address:
    """An address as `--listen` takes it; None is the loopback. SettingsError for a name."""
    if text is None:
        return Address("127.0.0.1", port)
    bare = text.strip().removeprefix("[").removesuffix("]")
    try:
        return Address(str(ipaddress.ip_address(bare)), port)
    except ValueError:
        raise SettingsError(
            f"{text!r} is no address.",
            place="--listen",
            remedy="Give one of this machine's own, as 192.168.1.20, or 0.0.0.0 for all.",
        ) from None


def names_of_machine(given: list[str]) -> frozenset[str]:
    """The host names that requests may use besides addresses."""
    own = socket.gethostname()
    return host_names(["localhost", own, f"{own.partition('.')[0]}.local", *given])


def addresses_to_show(address: Address, scheme: str) -> list[str]:
    """What to type into a browser."""
    hosts = [address.host]
    if address.everywhere:
        hosts = [own] if (own := _own_address()) else [socket.gethostname()]
    return [f"{scheme}://{f'[{host}]' if ':' in host else host}:{address.port}/" for host in hosts]


def _own_address() -> str | None:
    """This machine's address on the net; nothing is sent to find it out."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked, contextlib.suppress(OSError):
        # an address for examples (RFC 5737): connecting a datagram socket only chooses a route
        asked.connect(("192.0.2.1", 9))
        return str(asked.getsockname()[0])
    return None


def bound_socket(address: Address) -> socket.socket:
    """A socket that listens there; SettingsError where that cannot be."""
    family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
    opened = socket.socket(family, socket.SOCK_STREAM)
    try:
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind((address.host, address.port))
        opened.listen(128)
    except (OSError, OverflowError) as trouble:
        opened.close()
        reason = getattr(trouble, "strerror", None) or trouble
        raise SettingsError(
            f"nothing can be served at {address.host}, port {address.port} ({reason}).",
            remedy="Give another --port, or one of this machine's own addresses.",
        ) from trouble
    return opened


@contextlib.contextmanager
def station_folder(folder: Path) -> Iterator[None]:
    """Make the station's folder and hold it for this process alone; OutputError where not."""
    refuse_unwritable(folder)
    make_folder(folder)
    with (folder / _LOCK).open("a+b") as file:
        hold_lock(file, folder, "another station keeps its checks in this folder.")
        yield


class PatientProtocol(H11Protocol):
    """HTTP that waits for a request's head only so long, and holds so many lines of one device."""

    limits = Limits()
    _of_device: ClassVar[Counter[str]] = Counter()
    _timer: asyncio.TimerHandle | None = None
    _device = ""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first head."""
        super().connection_made(transport)
        self._device = self.client[0] if self.client else ""
        self._of_device[self._device] += 1
        if self._of_device[self._device] > self.limits.connections_of_one:
            transport.abort()
            return
        self._wait_for_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        self._stop_waiting()
        self._of_device[self._device] -= 1
        if self._of_device[self._device] <= 0:
            del self._of_device[self._device]
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take bytes; a head that is not whole yet keeps its first deadline."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()
        elif self._timer is None:
            self._wait_for_head()

    def _wait_for_head(self) -> None:
        self._timer = self.loop.call_later(self.limits.head_seconds, self._too_slow)

    def _stop_waiting(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _too_slow(self) -> None:
        self._timer = None
        if self.cycle is None or self.cycle.response_complete:
            self.transport.abort()


def server_config(
    app: Any, limits: Limits, *, tls_cert: Path | None = None, tls_key: Path | None = None
) -> uvicorn.Config:
    """How the application is served."""
    protocol = type("Protocol", (PatientProtocol,), {"limits": limits, "_of_device": Counter()})
    return uvicorn.Config(
        app,
        http=protocol,
        ws="none",
        loop="asyncio",
        lifespan="on",
        log_config=None,
        access_log=False,
        server_header=False,
        # whoever sends X-Forwarded-For would else be somebody else
        proxy_headers=False,
        limit_concurrency=limits.connections,
        timeout_keep_alive=20,
        timeout_graceful_shutdown=_GRACE_SECONDS,
        h11_max_incomplete_event_size=_HEAD_BYTES,
        ssl_certfile=None if tls_cert is None else str(tls_cert),
        ssl_keyfile=None if tls_key is None else str(tls_key),
    )


def serve(config: uvicorn.Config, listening: socket.socket) -> None:
    """Serve until interrupted. OutputError where the station could not start."""
    log = logging.getLogger("uvicorn.error")
    handler = logging.StreamHandler(sys.stderr)
    # requests that are no HTTP are not worth a line, and could fill a disk with them
    log.setLevel(logging.ERROR)
    log.addHandler(handler)
    server = uvicorn.Server(config)
    try:
        server.run(sockets=[listening])
    finally:
        log.removeHandler(handler)
        listening.close()
    if not server.started:
        raise OutputError("the station could not start.", remedy="Its terminal shows why.")


def check_tls(cert: Path | None, key: Path | None) -> None:
    """SettingsError where certificate and key cannot be used."""
    if cert is None and key is None:
        return
    import ssl

    if cert is None:
        raise SettingsError("--tls-key needs --tls-cert beside it.")
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(cert, key)
    except (OSError, ssl.SSLError) as trouble:
        raise SettingsError(
            f"certificate and key cannot be used ({trouble.strerror or trouble}).",
            file=cert,
            remedy="Give a PEM file, and the key's with --tls-key where it is another.",
        ) from trouble
