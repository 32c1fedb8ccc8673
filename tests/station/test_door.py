"""One-time codes and sessions."""

from __future__ import annotations

import json
import stat
import time
from dataclasses import dataclass, replace
from pathlib import Path

from dyelight.station.door import Door
from dyelight.station.limits import Buckets, Limits

from .conftest import CALM, Device, StartStation


@dataclass
class Clock:
    """A clock that tests wind."""

    now: float = 1_700_000_000.0

    def __call__(self) -> float:
        return self.now


def closed_door(clock: Clock, file: Path | None = None) -> tuple[Door, list[str]]:
    """A door that asks for codes, and the codes that it showed."""
    shown: list[str] = []
    return Door(Limits(), False, file, shown.append, clock), shown


def test_a_code_works_once() -> None:
    """The right code opens one session, and then no other."""
    door, shown = closed_door(Clock())
    assert door.ask_for_code()
    opened = door.enter(shown[0])
    assert opened is not None
    assert door.session_of(opened[0]) is opened[1]
    assert door.enter(shown[0]) is None


def test_a_code_grows_old() -> None:
    """After ten minutes it opens nothing; a new one is shown on asking."""
    clock = Clock()
    door, shown = closed_door(clock)
    door.ask_for_code()
    clock.now += 601
    assert door.enter(shown[0]) is None
    assert door.ask_for_code()
    assert len(shown) == 2
    assert shown[0] != shown[1]


def test_guessing_spoils_the_code() -> None:
    """After five wrong tries the right code is worth nothing either."""
    door, shown = closed_door(Clock())
    door.ask_for_code()
    right = shown[0].replace(" ", "")
    wrong = "".join("1" if digit == "0" else "0" for digit in right)
    for _ in range(5):
        assert door.enter(wrong) is None
    assert door.enter(right) is None


def test_the_terminal_is_not_flooded() -> None:
    """New codes are shown with a pause between them, whoever asks."""
    clock = Clock()
    door, shown = closed_door(clock)
    for _ in range(50):
        door.ask_for_code()
    assert len(shown) == 1
    door.enter(shown[0])
    clock.now += 1
    assert not door.ask_for_code()
    clock.now += 30
    assert door.ask_for_code()
    assert len(shown) == 2


def test_sessions_expire() -> None:
    """After half a day of rest, and in any case after three days."""
    clock = Clock()
    door, _ = closed_door(clock)
    cookie, _ = door.open_session()
    clock.now += 11 * 3600
    assert door.session_of(cookie) is not None
    clock.now += 13 * 3600
    assert door.session_of(cookie) is None
    cookie, _ = door.open_session()
    for _ in range(8):
        clock.now += 10 * 3600
        alive = door.session_of(cookie) is not None
    assert not alive


def test_sessions_outlive_a_restart_but_the_file_opens_nothing(tmp_path: Path) -> None:
    """The file holds hashes, and only this account may read it."""
    clock, file = Clock(), tmp_path / "sessions.json"
    door, _ = closed_door(clock, file)
    cookie, session = door.open_session()
    session.press = "Anvil"
    door.save()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert cookie not in file.read_text(encoding="utf-8")
    again, _ = closed_door(clock, file)
    held = again.session_of(cookie)
    assert held is not None
    assert held.press == "Anvil"
    assert again.session_of(session.id) is None


def test_a_damaged_session_file_costs_only_the_sessions(tmp_path: Path) -> None:
    """Whatever stands in it, the door opens."""
    file = tmp_path / "sessions.json"
    for text in ("", "[", "{}", "[1]", json.dumps([{"id": 1, "strange": 2}])):
        file.write_text(text, encoding="utf-8")
        door, _ = closed_door(Clock(), file)
        assert door.session_of("anything") is None


def test_the_oldest_session_gives_way() -> None:
    """There are only so many at once."""
    clock = Clock()
    door, _ = closed_door(clock)
    cookies = []
    for _ in range(Limits().sessions + 1):
        clock.now += 1
        cookies.append(door.open_session()[0])
    assert door.session_of(cookies[0]) is None
    assert door.session_of(cookies[1]) is not None


def test_buckets_fill_again_and_stay_small() -> None:
    """One token a second after the burst; names that are full again are forgotten."""
    buckets = Buckets(60, 3)
    assert [buckets.take("a", 0.0) for _ in range(4)] == [0, 0, 0, 1.0]
    assert buckets.take("a", 1.01) == 0
    for number in range(20_000):
        buckets.take(str(number), 100.0 + number * 10)
    assert len(buckets._state) <= 4096


def test_a_device_is_let_in_by_the_code_of_the_terminal(start_station: StartStation) -> None:
    """Without a session every page leads to the door; the code opens it, once."""
    running = start_station(open_to_all=False, workers=1)
    device = running.stranger()
    answer = device.ask("GET", "/jobs/0123456789abcdef", page=True)
    assert (answer.status, answer.headers["location"]) == (303, "/pair")
    assert device.cookie == ""
    page = device.ask("GET", "/pair", page=True)
    assert page.status == 200
    assert len(running.codes) == 1
    digits = running.codes[0].replace(" ", "")
    assert digits.encode() not in page.body
    began = time.monotonic()
    wrong = device.ask("POST", "/pair", {"code": "12345678"})
    assert wrong.status == 403
    assert "not the code" in wrong.words
    assert time.monotonic() - began >= 0.9  # each guess costs a second
    right = device.ask("POST", "/pair", {"code": running.codes[0]})
    assert right.status == 204
    flags = right.headers["set-cookie"]
    assert "HttpOnly" in flags
    assert "SameSite=Strict" in flags
    device.enter()
    assert device.ask("GET", "/alive").status == 204
    second = running.stranger()
    assert second.ask("POST", "/pair", {"code": digits}).status == 403


def test_a_session_that_expired_is_told_apart_from_none(start_station: StartStation) -> None:
    """Data of an expired session are refused in words; its pages lead to the door."""
    limits = replace(CALM, session_idle_seconds=0.5)
    running = start_station(open_to_all=False, limits=limits, workers=1)
    device: Device = running.stranger()
    device.ask("GET", "/pair", page=True)
    assert device.ask("POST", "/pair", {"code": running.codes[0]}).status == 204
    device.enter()
    time.sleep(0.8)
    answer = device.ask("GET", "/jobs")
    assert answer.status == 401
    assert "Load the page again" in answer.words
