"""Who is answered at all: addresses, origins, tokens, sessions, rates."""

from __future__ import annotations

import http.client
import socket
import time
from dataclasses import replace

import pytest

from .conftest import CALM, Device, Running, StartStation, sample


def test_pages_carry_a_policy_that_runs_no_strange_script(device: Device) -> None:
    """Every page forbids all but our own scripts, styles and pictures, and is kept nowhere."""
    answer = device.ask("GET", "/", page=True)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["cache-control"] == "no-store"
    assert b"<script>" not in answer.body
    assert b" style=" not in answer.body
    assert b" onclick" not in answer.body


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:{port}",
        "127.0.0.1",
        "127.0.0.1:1",
        "localhost.evil.example:{port}",
        "10.0.0.9:{port}",
        "[::1]:{port}",
        "127.0.0.1:{port}:80",
        "127.0.0.1:{port}x",
        "",
    ],
)
def test_forged_hosts_are_refused(device: Device, host: str) -> None:
    """A name that somebody points at this machine reaches nothing, not even the scripts."""
    for path in ("/", "/static/station.js", "/pair"):
        line = http.client.HTTPConnection("127.0.0.1", device.port, timeout=20)
        line.putrequest("GET", path, skip_host=True)
        if host:
            line.putheader("Host", host.format(port=device.port))
        line.putheader("Accept", "application/json")
        line.endheaders()
        answer = line.getresponse()
        body = answer.read()
        line.close()
        assert answer.status in (400, 421), host
        assert b"<html" not in body


def test_localhost_is_ours(device: Device) -> None:
    """The loopback's own name is known."""
    answer = device.ask("GET", "/alive", headers={"Host": f"localhost:{device.port}"})
    assert answer.status == 204


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1", "https://127.0.0.1:{port}", ""]
)
def test_forged_origins_change_nothing(device: Device, origin: str) -> None:
    """A change must come from our own page: with our origin, and not without any."""
    headers = {"Origin": origin.format(port=device.port)}
    for method, path, body in (
        ("POST", "/pressing", {"press": "Stolen"}),
        ("PUT", "/photos/" + "0" * 32 + "?job=x", b"\xff\xd8\xff"),
        ("POST", "/pair", {"code": "1"}),
    ):
        answer = device.ask(method, path, body, headers)
        assert answer.status == 403
        assert "another page" in answer.words
    assert b"Stolen" not in device.ask("GET", "/pressing", page=True).body


def test_other_sites_cannot_read_data(device: Device) -> None:
    """What another page's script asks for is not answered, also with the cookie."""
    for mode in ("no-cors", "cors"):
        headers = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": mode}
        assert device.ask("GET", "/checks", headers=headers).status == 403
    # a link that a person follows is their own doing
    headers = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    assert device.ask("GET", "/", headers=headers, page=True).status == 200


def test_changes_need_the_pages_token(device: Device, station: Running) -> None:
    """A cookie alone changes nothing, and neither does another session's token."""
    other = station.device()
    for token in ("wrong", other.token, ""):
        answer = device.ask("POST", "/pressing", {"press": "X"}, {"X-Station-Token": token})
        assert answer.status == 403
        assert "out of date" in answer.words


def test_nothing_but_pages_opens_a_session(station: Running) -> None:
    """Data and changes without a cookie are refused."""
    stranger = station.stranger()
    assert stranger.ask("GET", "/jobs").status == 401
    assert stranger.ask("POST", "/pressing", {"press": "X"}).status == 401
    assert stranger.ask("PUT", "/photos/" + "0" * 32, b"x").status == 401
    assert stranger.cookie == ""


@pytest.mark.parametrize("method", ["DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND"])
def test_other_methods_are_refused(device: Device, method: str) -> None:
    """Only what the pages need is done."""
    assert device.ask(method, "/").status == 405


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/app.py",
        "/static//etc/passwd",
        "/checks/..%2f..%2fsessions.json",
        "/checks/0123456789abcdef/..%2fcheck.jpg",
        "/jobs/%2e%2e%2f%2e%2e/picture.jpg",
        "/photos/..%2f..%2f..%2fetc%2fpasswd",
        "/checks/0123456789abcdef",
        "/nothing",
    ],
)
def test_names_of_paths_lead_nowhere(device: Device, path: str) -> None:
    """No path of a request is looked for on the disk."""
    answer = device.ask("GET", path)
    assert answer.status == 404
    assert answer.words


def test_a_session_can_be_ended(station: Running) -> None:
    """After signing out, the cookie is worth nothing."""
    gone = station.device()
    assert gone.ask("POST", "/leave", {}).status == 204
    assert gone.ask("GET", "/checks").status == 401


def test_too_many_requests_are_slowed(start_station: StartStation) -> None:
    """Beyond the rate the answer says to wait, and how long."""
    running = start_station(
        limits=replace(CALM, requests_per_minute=60, requests_burst=20), workers=1
    )
    device = running.device()
    answers = [device.ask("GET", "/alive") for _ in range(40)]
    refused = [answer for answer in answers if answer.status == 429]
    assert refused
    assert int(refused[0].headers["retry-after"]) >= 1
    assert "Wait a moment" in refused[0].words


def test_slow_and_silent_lines_are_cut(start_station: StartStation) -> None:
    """Whoever does not finish a request's head in time loses the line; others are served."""
    running = start_station(limits=replace(CALM, head_seconds=1.0), workers=1)
    silent = socket.create_connection(("127.0.0.1", running.port), timeout=20)
    dripping = socket.create_connection(("127.0.0.1", running.port), timeout=20)
    dripping.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")
    until = time.monotonic() + 15
    cut = False
    while not cut and time.monotonic() < until:
        time.sleep(0.3)
        try:
            dripping.sendall(b"X-Drip: 1\r\n")
        except OSError:
            cut = True
    assert cut
    try:
        ended = silent.recv(1) == b""
    except ConnectionError:
        ended = True
    assert ended
    silent.close()
    dripping.close()
    assert running.device().ask("GET", "/alive").status == 204


def test_one_device_cannot_take_all_lines(start_station: StartStation) -> None:
    """Lines beyond a device's share are dropped at once."""
    running = start_station(limits=replace(CALM, connections_of_one=5), workers=1)
    lines = [socket.create_connection(("127.0.0.1", running.port), timeout=10) for _ in range(9)]
    dropped = 0
    for line in lines[5:]:
        try:
            dropped += line.recv(1) == b""
        except ConnectionError:
            dropped += 1
    for line in lines:
        line.close()
    assert dropped == 4


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("/pressing", b"not json", 400),
        ("/pressing", b"[]", 400),
        ("/pressing", b'{"press": "A", "unknown": 1}', 400),
        ("/pressing", b'{"press": ""}', 400),
        ("/pressing", b'{"press": "A", "name": "code", "value": "X"}', 400),
        ("/pressing", b'{"press": "A", "name": "set_c", "value": "9999"}', 400),
        ("/pressing", b'{"press": "A", "name": "set_c", "value": "hot"}', 400),
        ("/pressing", b'{"press": "\\u0000"}', 400),
        ("/pressing", b"[" * 5000, 400),
        ("/pressing", b" " * 20000, 413),
    ],
)
def test_odd_changes_are_refused_in_words(
    device: Device, path: str, body: bytes, status: int
) -> None:
    """What is not understood is said, and nothing falls over."""
    answer = device.ask("POST", path, body)
    assert answer.status == status, answer.body
    assert len(answer.words) > 10


def test_changes_are_json_only(device: Device) -> None:
    """What a plain form can send is refused."""
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
        answer = device.ask("POST", "/pressing", b'{"press":"X"}', {"Content-Type": kind})
        assert answer.status == 415
        answer = device.ask(
            "PUT", "/photos/" + "0" * 32 + "?job=x", sample("MF-2042"), {"Content-Type": kind}
        )
        assert answer.status == 415
