"""`dyelight station`: what it refuses before it serves, and one that serves and ends."""

from __future__ import annotations

import importlib.util
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from dyelight.cli.app import run

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("uvicorn") is None, reason="not run: the extra station is not here"
)


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """What the command says where it refuses with exit code 2."""
    assert run(["station", *arguments]) == 2
    return capsys.readouterr().err


def test_it_asks_for_jobs(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Either a folder or the demo, and not both."""
    assert "--jobs" in refused(capsys, "--folder", str(tmp_path))
    assert "--demo" in refused(capsys, "--demo", "--jobs", ".", "--folder", str(tmp_path))


@pytest.mark.parametrize(
    ("flags", "words"),
    [
        (["--listen", "everywhere"], "no address"),
        (["--listen", "192.0.2.77"], "nothing can be served at 192.0.2.77"),
        (["--tls-key", "key.pem"], "needs --tls-cert"),
        (["--tls-cert", "missing.pem"], "cannot be used"),
        (["--watch", "no-such-folder"], "not there"),
        (["--acceptance", "no-such-spec"], "no-such-spec"),
    ],
)
def test_what_cannot_be_used_is_told_first(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, flags: list[str], words: str
) -> None:
    """Each wrong flag has its sentence, before anything is served."""
    assert words in refused(capsys, "--demo", "--folder", str(tmp_path), *flags)


def test_a_port_in_use_is_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Somebody else's port is not taken, and the command does not crash."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        held.listen()
        port = str(held.getsockname()[1])
        said = refused(capsys, "--demo", "--folder", str(tmp_path), "--port", port)
    assert "Give another --port" in said


def test_it_serves_on_the_loopback_and_ends_when_interrupted(tmp_path: Path) -> None:
    """It says where it is, answers there, holds its folder, and Ctrl-C ends it with 130."""
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        port = str(asked.getsockname()[1])
    command = [sys.executable, "-m", "dyelight.cli", "station", "--demo", "--port", port]
    command += ["--folder", str(tmp_path / "kept"), "--workers", "1"]
    environment = os.environ | {"NO_COLOR": "1"}
    served = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
    try:
        assert served.stdout is not None
        assert served.stdout.readline() == f"The station is at http://127.0.0.1:{port}/\n"
        until = time.monotonic() + 60
        answer = b""
        while not answer and time.monotonic() < until:
            try:
                url = f"http://127.0.0.1:{port}/static/station.css"
                with urllib.request.urlopen(url, timeout=5) as got:
                    answer = got.read()
            except OSError:
                time.sleep(0.1)
        assert b"--ground" in answer
        second = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert second.returncode == 5
        assert "another station keeps its checks" in second.stderr
        served.send_signal(signal.SIGINT)
        assert served.wait(30) == 130
    finally:
        served.kill()
        served.wait(10)
        assert served.stdout is not None
        served.stdout.close()
