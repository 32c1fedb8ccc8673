"""A station that really serves, on the loopback, and a browser's part in talking to it."""

from __future__ import annotations

import asyncio
import http.client
import json
import re
import secrets
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from dyelight.data import samples_folder
from dyelight.press_log.units import Units
from dyelight.settings import Settings
from dyelight.station.app import Setup, make_app
from dyelight.station.jobs import DemoJobs, JobSource, job_id
from dyelight.station.limits import Limits
from dyelight.station.server import Address, bound_socket, names_of_machine, server_config

PHOTOS = samples_folder() / "photos"
# tests come in crowds that no shop has
CALM = Limits(
    photos_per_minute=1e6,
    photos_burst=10**6,
    requests_per_minute=1e6,
    requests_burst=10**6,
    connections_of_one=200,
)


def sample(name: str) -> bytes:
    """The bytes of a demo photo (simulated)."""
    return (PHOTOS / f"{name}.jpg").read_bytes()


def files_with(folder: Path, needle: bytes) -> list[str]:
    """Names of files beneath a folder that hold these bytes, read by another process.

    Were the press log opened and closed in this one, SQLite would lose its locks on it.
    """
    script = (
        "import sys, pathlib\n"
        "for path in pathlib.Path(sys.argv[1]).rglob('*'):\n"
        "    if path.is_file() and bytes.fromhex(sys.argv[2]) in path.read_bytes():\n"
        "        print(path)\n"
    )
    command = [sys.executable, "-c", script, str(folder), needle.hex()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    return done.stdout.splitlines()


@dataclass
class Answer:
    """What the station answered."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def data(self) -> Any:
        """The body as JSON."""
        return json.loads(self.body)

    @property
    def words(self) -> str:
        """What a refusal says."""
        return f"{self.data['trouble']} {self.data['remedy']}".strip()


@dataclass
class Device:
    """One browser: its cookie and token, and the headers that browsers send by themselves."""

    port: int
    cookie: str = ""
    token: str = ""

    @property
    def origin(self) -> str:
        """The page's own origin."""
        return f"http://127.0.0.1:{self.port}"

    def ask(
        self,
        method: str,
        path: str,
        body: Any = None,
        headers: dict[str, str] | None = None,
        page: bool = False,
    ) -> Answer:
        """One request over a line of its own; headers given here win."""
        sent = {"Cookie": self.cookie} if self.cookie else {}
        sent["Accept"] = "text/html" if page else "application/json"
        if method in ("POST", "PUT"):
            sent |= {"Origin": self.origin, "X-Station-Token": self.token}
            sent["Content-Type"] = (
                "application/json" if method == "POST" else "application/octet-stream"
            )
        sent |= headers or {}
        sent = {name: value for name, value in sent.items() if value != ""}
        if method == "POST" and not isinstance(body, bytes):
            body = json.dumps(body).encode()
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            line.request(method, path, body=body, headers=sent)
            got = line.getresponse()
            answer = Answer(
                got.status, {key.lower(): value for key, value in got.getheaders()}, got.read()
            )
        finally:
            line.close()
        if "set-cookie" in answer.headers:
            self.cookie = answer.headers["set-cookie"].partition(";")[0]
        return answer

    def enter(self) -> Device:
        """Load the first page, as a browser does, for cookie and token."""
        answer = self.ask("GET", "/", page=True)
        assert answer.status == 200, answer.body
        found = re.search(rb'name="token" content="([^"]+)"', answer.body)
        assert found is not None
        self.token = found.group(1).decode()
        return self

    def send(
        self, data: bytes, job: str = "MF-2042", key: str | None = None, **more: str
    ) -> Answer:
        """Send a photo."""
        asked = "&".join(f"{name}={value}" for name, value in {"job": job_id(job), **more}.items())
        return self.ask("PUT", f"/photos/{key or secrets.token_hex(16)}?{asked}", data)

    def verdict(self, check: str, seconds: float = 90) -> dict[str, Any]:
        """Wait until a check is done, and return its news."""
        until = time.monotonic() + seconds
        news: dict[str, Any] = {"version": 0, "state": "received"}
        while news["state"] == "received" and time.monotonic() < until:
            news = self.ask("GET", f"/checks/{check}/news?version={news['version']}").data
        return news


@dataclass
class Running:
    """A station that serves."""

    port: int
    setup: Setup
    folder: Path
    app: Any
    codes: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    def device(self) -> Device:
        """A new browser that has the first page open."""
        return Device(self.port).enter()

    def stranger(self) -> Device:
        """A browser that nobody let in."""
        return Device(self.port)

    @property
    def desk(self) -> Any:
        """The desk inside."""
        return self.app._app.state.desk

    def kept_photos(self) -> list[Path]:
        """Files of photos as they were sent that still lie about."""
        return [*self.folder.glob("incoming/*"), *self.folder.glob("checks/*/photo")]


StartStation = Callable[..., Running]


@pytest.fixture(scope="session")
def start_station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StartStation]:
    """Starts stations on free ports of the loopback; all end with the test run."""
    ends: list[Callable[[], None]] = []

    def start(
        *,
        folder: Path | None = None,
        limits: Limits = CALM,
        open_to_all: bool = True,
        jobs: JobSource | None = None,
        watch: Path | None = None,
        workers: int = 2,
    ) -> Running:
        folder = folder or tmp_path_factory.mktemp("station")
        running: Running
        setup = Setup(
            jobs=jobs or DemoJobs(),
            folder=folder,
            settings=Settings(),
            log=str(folder / "log.sqlite"),
            units=Units(),
            open_to_all=open_to_all,
            names=names_of_machine([]),
            workers=workers,
            watch=watch,
            limits=limits,
        )
        codes: list[str] = []
        told: list[str] = []
        setup = replace(setup, tell=told.append, show_code=codes.append)
        app = make_app(setup)
        listening = bound_socket(Address("127.0.0.1", 0))
        server = uvicorn.Server(server_config(app, limits))
        thread = threading.Thread(
            target=lambda: asyncio.run(server.serve(sockets=[listening])), daemon=True
        )
        thread.start()
        until = time.monotonic() + 60
        while not server.started and time.monotonic() < until:
            time.sleep(0.02)
        assert server.started

        def end() -> None:
            server.should_exit = True
            thread.join(30)
            listening.close()

        running = Running(listening.getsockname()[1], setup, folder, app, codes, told)
        running.end = end  # type: ignore[attr-defined]  # for tests that stop one early
        ends.append(end)
        return running

    yield start
    for end in ends:
        end()


@pytest.fixture(scope="session")
def station(start_station: StartStation) -> Running:
    """One station for the many tests that leave it as it was."""
    running = start_station()
    device = running.device()
    # a press is chosen, so that checks go into the log
    done = device.ask("POST", "/pressing", {"press": "Anvil"})
    assert done.status == 200
    return running


@pytest.fixture
def device(station: Running) -> Device:
    """A browser of its own."""
    made = station.device()
    assert made.ask("POST", "/pressing", {"press": "Anvil"}).status == 200
    return made
