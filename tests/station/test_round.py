"""An operator's round over the wire: photo, verdict, log, rulings, restarts, lost workers."""

from __future__ import annotations

import io
import json
import os
import secrets
import signal
import sqlite3
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from dyelight.press_log import Filter, PressLog
from dyelight.station.booking import Booking
from dyelight.station.jobs import StationJob, job_id

from .conftest import Device, Running, StartStation, files_with, sample

SECRET = b"Secret street 7, 48.137 N"


def small_photo(name: str = "MF-2042", quality: int = 90, exif: bool = False) -> bytes:
    """A demo photo (simulated) made smaller, so that its check takes less time."""
    with Image.open(io.BytesIO(sample(name))) as picture:
        small = picture.resize((1400, 1050), Image.Resampling.LANCZOS)
    data = io.BytesIO()
    if exif:
        held = Image.Exif()
        held[0x010E] = SECRET.decode()
        held.get_ifd(0x8825)[1] = "N"
        held.get_ifd(0x8825)[2] = (48.0, 8.0, 13.2)
        small.save(data, "JPEG", quality=quality, exif=held, comment=SECRET)
    else:
        small.save(data, "JPEG", quality=quality)
    return data.getvalue()


def rows_of(station: Running) -> list[Any]:
    """The log's rows."""
    with PressLog(station.setup.log, create=False) as log:
        return log.rows()


def _kill_workers(station: Running) -> set[int]:
    pids = set(station.desk.inspectors.pids())
    for pid in pids:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    return pids


@pytest.fixture(scope="module")
def done(station: Running) -> tuple[Device, str]:
    """A finished check of the panel with vapour spots."""
    device = station.device()
    device.ask("POST", "/pressing", {"press": "Anvil"})
    device.ask("POST", "/pressing", {"press": "Anvil", "name": "operator", "value": "Bo"})
    sent = device.send(sample("MF-2042"))
    assert sent.status == 201
    check = sent.data["check"]
    news = device.verdict(check)
    assert (news["state"], news["word"]) == ("done", "remake")
    return device, check


def test_a_photo_becomes_a_verdict_that_says_where_why_and_what_next(
    done: tuple[Device, str],
) -> None:
    """The page names the verdict, the places in mm, the cause and the next change."""
    device, check = done
    page = device.ask("GET", f"/checks/{check}", page=True).body.decode()
    assert ">Remake</h1>" in page
    assert 'class="verdict remake"' in page
    assert "Vapour spot" in page
    assert "mm from the left" in page
    assert "Likely cause" in page
    assert "Next time" in page
    facts = device.ask("GET", f"/checks/{check}/facts.json").data
    spots = [item for item in facts["findings"] if item["kind"] == "vapour_spot"]
    # planted at (224.9, 61.8) on the simulated panel
    assert any(abs(x - 224.9) < 6 and abs(y - 61.8) < 6 for x, y in (s["center"] for s in spots))
    for name in ("numbered", "observed", "expected", "difference"):
        picture = device.ask("GET", f"/checks/{check}/{name}.jpg")
        assert picture.headers["content-type"] == "image/jpeg"
        with Image.open(io.BytesIO(picture.body)) as shown:
            assert min(shown.size) > 500
    assert device.ask("GET", f"/checks/{check}/photo.jpg").status == 404


def test_the_result_is_in_the_log_with_its_pressing(
    station: Running, done: tuple[Device, str]
) -> None:
    """The panel lies in a pressing of the press that stands, with the result of the photo."""
    _, check = done
    held = station.desk.checks.by_id(check)
    row = next(row for row in rows_of(station) if row.panel == held.panel)
    assert (row.press, row.job, row.verdict, row.operator) == ("Anvil", "MF-2042", "remake", "Bo")
    assert (row.width_mm, row.height_mm) == (305, 203)
    assert "vapour_spot" in row.kinds
    assert row.pressing == held.pressing


def test_rulings_go_to_the_log_and_into_its_report(
    station: Running, done: tuple[Device, str]
) -> None:
    """Agreeing, overruling with a reason, and a missed finding; the report counts them."""
    device, check = done
    facts = device.ask("GET", f"/checks/{check}/facts.json").data
    finding = facts["findings"][0]["id"]
    path = f"/checks/{check}/rulings"
    assert device.ask("POST", path, {"finding": None, "ruled": None, "why": ""}).status == 200
    refused = device.ask("POST", path, {"finding": finding, "ruled": "nothing", "why": " "})
    assert (refused.status, refused.words) == (400, "Say why, in a word or two.")
    wrong = device.ask("POST", path, {"finding": finding, "ruled": "gnome", "why": "no"})
    assert wrong.status == 400
    assert (
        device.ask("POST", path, {"finding": "F99", "ruled": "nothing", "why": "no"}).status == 404
    )
    good = device.ask("POST", path, {"finding": finding, "ruled": "nothing", "why": "A cloud."})
    assert good.status == 200
    missed = {"key": secrets.token_hex(16), "kind": "fibre", "box": [10, 20, 14, 22], "why": ""}
    first = device.ask("POST", f"/checks/{check}/missed", missed)
    again = device.ask("POST", f"/checks/{check}/missed", missed)
    assert first.status == again.status == 200
    assert len(again.data["missed"]) == 1
    assert again.data["missed"][0]["place"] == "12.0 mm from the left, 21 mm from the top"
    page = device.ask("GET", f"/checks/{check}", page=True).body.decode()
    assert "Agreed by Bo." in page
    assert "Overruled by Bo: nothing is there. A cloud." in page
    assert "Added by hand: Fibre" in page

    held = station.desk.checks.by_id(check)
    with PressLog(station.setup.log, create=False) as log:
        story = log.story(held.pressing)
        ruled = {(item.finding, item.agreed, item.ruled) for item in story.rulings}
        assert ruled == {
            (None, True, "remake"),
            (finding, False, "nothing"),
            ("m1", False, "fibre"),
        }
        from dyelight.press_log.agreement import read_agreement
        from dyelight.report.history import history_page

        with log.database.reading() as connection:
            agreement = read_agreement(connection)
        assert (agreement.decided, agreement.decided_right) == (1, 1)
        assert (agreement.ruled_findings, agreement.right_findings) == (1, 0)
        assert agreement.missed == {"fibre": 1}
        text = history_page(log, station.setup.units)
    assert "1 of 1 verdict stood (100 %, 95 % interval 21 to 100 %)" in text
    assert "People added 1 that it had missed." in text


@pytest.mark.parametrize(
    "box",
    [
        [-50, -50, -1, -1],
        [400, 10, 500, 20],
        [5, 5, 5, 9],
        [1e999, 0, 1, 1],
        ["x", 0, 1, 1],
        [1, 2],
    ],
)
def test_marks_beside_the_panel_are_refused(done: tuple[Device, str], box: list[Any]) -> None:
    """A drawn mark must lie on the panel and have some size."""
    device, check = done
    body = {"key": secrets.token_hex(16), "kind": "fibre", "box": box, "why": ""}
    assert device.ask("POST", f"/checks/{check}/missed", body).status == 400


def test_a_photo_sent_twice_is_one_check(station: Running, device: Device) -> None:
    """The same key makes one check and one panel, also when both come at once."""
    data, key = small_photo(), secrets.token_hex(16)
    before = len(rows_of(station))
    answers: list[Any] = []
    senders = [
        threading.Thread(target=lambda: answers.append(device.send(data, key=key)))
        for _ in range(4)
    ]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    assert sorted(answer.status for answer in answers) == [200, 200, 200, 201]
    checks = {answer.data["check"] for answer in answers}
    assert len(checks) == 1
    check = checks.pop()
    assert device.ask("GET", f"/photos/{key}").data == {"check": check}
    device.verdict(check)
    assert len(rows_of(station)) == before + 1


def test_eight_phones_at_once_lose_nothing(station: Running) -> None:
    """Each photo becomes one check, one panel and one result, whoever came first."""
    phones = [station.device() for _ in range(8)]
    before = len(rows_of(station))
    data = small_photo()
    checks: dict[int, Any] = {}

    def send(number: int, phone: Device) -> None:
        # a comment behind the picture makes each photo another file
        sent = phone.send(data + bytes([number]))
        checks[number] = (sent.status, sent.data["check"])
        phone.verdict(sent.data["check"], 200)

    senders = [
        threading.Thread(target=send, args=(number, phone)) for number, phone in enumerate(phones)
    ]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    assert [status for status, _ in checks.values()] == [201] * 8
    held = [station.desk.checks.by_id(check) for _, check in checks.values()]
    assert [check.state for check in held] == ["done"] * 8
    assert len({check.panel for check in held}) == len({check.pressing for check in held}) == 8
    assert len({check.inspection for check in held}) == 8
    assert len(rows_of(station)) == before + 8


def test_a_second_photo_of_a_panel_makes_no_second_panel(station: Running, device: Device) -> None:
    """Photographed again, the panel keeps its number, and the log holds both looks."""
    first = device.send(small_photo()).data["check"]
    device.verdict(first)
    second = device.send(small_photo(quality=80), again=first).data["check"]
    device.verdict(second)
    held = station.desk.checks.by_id
    assert held(first).panel == held(second).panel
    with PressLog(station.setup.log, create=False) as log:
        looks = log.story(held(first).pressing).looks
    assert [look.panel for look in looks] == [held(first).panel] * 2
    other = device.send(small_photo("MF-2043"), job="MF-2043", again=first)
    assert other.status == 400


def test_panels_pressed_together_share_a_pressing(station: Running, device: Device) -> None:
    """Said to lie together, the second panel joins the first one's pressing."""
    first = device.send(small_photo()).data["check"]
    device.verdict(first)
    second = device.send(small_photo("MF-2043"), job="MF-2043", together=first).data["check"]
    device.verdict(second)
    held = station.desk.checks.by_id
    assert held(first).pressing == held(second).pressing
    assert held(first).panel != held(second).panel


def test_what_stands_is_taken_over_and_a_change_is_counted_once(
    station: Running, device: Device
) -> None:
    """Values of the last pressing stand; one tap changes one; later pressings keep it."""
    press = {"press": "Anvil"}
    answer = device.ask("POST", "/pressing", {**press, "name": "set_c", "value": "201"})
    assert answer.data == {"press": "Anvil", "shown": "201 °C"}
    device.ask("POST", "/pressing", {**press, "name": "fabric", "value": "F7"})
    for quality in (90, 85):
        check = device.send(small_photo(quality=quality)).data["check"]
        device.verdict(check)
        row = next(
            row for row in rows_of(station) if row.panel == station.desk.checks.by_id(check).panel
        )
        assert (row.set_c, row.fabric) == (201, "F7")
    with PressLog(station.setup.log, create=False) as log:
        uses = [row.fabric_use for row in log.rows(Filter(fabric="F7"))]
    assert uses == [1, 2]


def test_nothing_of_the_photos_file_is_kept(station: Running, device: Device) -> None:
    """Place, time and words that the camera wrote are in nothing that stays."""
    data = small_photo(exif=True)
    assert SECRET in data
    sent = device.send(data)
    check = sent.data["check"]
    device.verdict(check)
    until = time.monotonic() + 20
    while station.kept_photos() and time.monotonic() < until:
        time.sleep(0.05)
    assert station.kept_photos() == []
    assert files_with(station.folder, check.encode())
    assert files_with(station.folder, SECRET) == []
    assert files_with(station.folder, b"Exif\x00\x00") == []


def test_a_lost_worker_is_replaced_and_others_go_on(station: Running, device: Device) -> None:
    """A killed worker costs one check some time; killed again, the check says so."""
    first = device.send(small_photo()).data["check"]
    killed = _kill_workers(station)
    assert device.verdict(first)["state"] == "done"
    assert not killed & set(station.desk.inspectors.pids())
    second = device.send(small_photo(quality=85)).data["check"]
    ended = threading.Event()

    def keep_killing() -> None:
        while not ended.wait(0.1):
            _kill_workers(station)

    killer = threading.Thread(target=keep_killing)
    killer.start()
    news = device.verdict(second)
    ended.set()
    killer.join()
    assert news["state"] == "failed"
    page = device.ask("GET", f"/checks/{second}", page=True).body.decode()
    assert "This photo ended the process that looked at it, twice. Take it again." in page
    third = device.send(small_photo(quality=85), again=second).data["check"]
    assert device.verdict(third)["state"] == "done"
    log = sqlite3.connect(station.setup.log)
    assert log.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    log.close()


def test_a_photo_received_outlives_the_station(start_station: StartStation) -> None:
    """Stopped before its verdict, the station takes the photo up again, and the log has it once."""
    running = start_station(workers=1)
    device = running.device()
    device.ask("POST", "/pressing", {"press": "Anvil"})
    key = secrets.token_hex(16)
    check = device.send(sample("MF-2042"), key=key).data["check"]
    running.end()  # type: ignore[attr-defined]  # set by the fixture
    record = json.loads((running.folder / "checks" / check / "check.json").read_text("utf-8"))
    assert record["state"] == "received"
    again = start_station(folder=running.folder, workers=1)
    # the old cookie still opens the door, and the key is still known
    same = Device(again.port, device.cookie, device.token)
    assert same.send(sample("MF-2042"), key=key).data["check"] == check
    assert same.verdict(check)["word"] == "remake"
    rows = rows_of(again)
    assert [row.job for row in rows] == ["MF-2042"]
    with sqlite3.connect(again.setup.log) as log:
        assert log.execute("SELECT count(*) FROM inspection").fetchone() == (1,)
        assert log.execute("SELECT count(*) FROM pressing").fetchone() == (1,)
    log.close()


def test_a_stop_before_the_panel_is_booked_keeps_the_press(
    start_station: StartStation, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped between its answer and the booking, the station still books for the chosen press."""
    running = start_station(workers=1)
    device = running.device()
    device.ask("POST", "/pressing", {"press": "Anvil"})
    booking, stopped = threading.Event(), threading.Event()
    numbered = Booking.next_panel

    def held_up(self: Booking, job: StationJob) -> str:
        booking.set()
        assert stopped.wait(60)
        return numbered(self, job)

    with monkeypatch.context() as patch:
        patch.setattr(Booking, "next_panel", held_up)
        check = device.send(small_photo()).data["check"]
        assert booking.wait(60)
        ending = threading.Thread(target=running.end)  # type: ignore[attr-defined]  # see above
        ending.start()
        until = time.monotonic() + 30
        while running.desk._running and time.monotonic() < until:
            time.sleep(0.02)
        stopped.set()
        ending.join()
    assert rows_of(running) == []
    again = start_station(folder=running.folder, workers=1)
    same = Device(again.port, device.cookie, device.token)
    assert same.verdict(check)["state"] == "done"
    assert [(row.press, row.job) for row in rows_of(again)] == [("Anvil", "MF-2042")]


def test_without_a_press_there_is_a_verdict_but_no_log(start_station: StartStation) -> None:
    """Nobody is made to fill in anything before the verdict; rulings then say why not."""
    running = start_station(workers=1)
    device = running.device()
    check = device.send(small_photo()).data["check"]
    assert device.verdict(check)["state"] == "done"
    assert not Path(running.setup.log).exists()
    answer = device.ask("POST", f"/checks/{check}/rulings", {"finding": None, "ruled": None})
    assert answer.status == 409
    assert "not in the press log" in answer.words
    page = device.ask("GET", f"/checks/{check}", page=True).body.decode()
    assert "no press was chosen" in page


def test_a_log_in_trouble_takes_no_verdict_away(start_station: StartStation) -> None:
    """A file that is no log is told on the page, beside the verdict."""
    running = start_station(workers=1)
    Path(running.setup.log).write_bytes(b"this is no database" * 100)
    device = running.device()
    assert device.ask("GET", "/pressing", page=True).status == 200
    assert device.ask("POST", "/pressing", {"press": "Anvil"}).status == 503
    check = device.send(small_photo()).data["check"]
    assert device.verdict(check)["state"] == "done"
    page = device.ask("GET", f"/checks/{check}", page=True).body.decode()
    assert "not in the press log" in page


def test_jobs_are_found_by_words_and_by_code(device: Device, station: Running) -> None:
    """Every word of a search must be in a job's code or picture."""
    text = device.ask("GET", "/jobs?q=fig+2044").body.decode()
    assert "MF-2044" in text
    assert "MF-2043" not in text
    assert "No job has that" in device.ask("GET", "/jobs?q=%3Cscript%3E").body.decode()
    zxing = pytest.importorskip("zxingcpp")
    made = zxing.create_barcode("mf-2044", zxing.BarcodeFormat.DataMatrix)
    code = Image.fromarray(zxing.write_barcode_to_image(made, scale=8))
    page = Image.new("L", (900, 700), 200)
    page.paste(code, (250, 200))
    data = io.BytesIO()
    page.save(data, "PNG")
    assert device.ask("PUT", "/codes", data.getvalue()).data == {"job": job_id("MF-2044")}
    blank = io.BytesIO()
    Image.new("L", (900, 700), 200).save(blank, "PNG")
    answer = device.ask("PUT", "/codes", blank.getvalue())
    assert answer.status == 404
    assert "No code was found" in answer.words
    assert station.kept_photos() == []
