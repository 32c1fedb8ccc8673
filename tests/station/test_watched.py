"""The fixed camera's folder."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

from dyelight.station.jobs import job_id

from .conftest import PHOTOS, StartStation


def wait_for(seen: Callable[[], object], seconds: float = 60) -> None:
    """Wait until something is so."""
    until = time.monotonic() + seconds
    while not seen() and time.monotonic() < until:
        time.sleep(0.05)
    assert seen()


def test_new_photos_of_the_folder_are_checked_for_the_chosen_job(
    start_station: StartStation, tmp_path: Path
) -> None:
    """Old ones and other files are left alone, half-written ones are waited for."""
    shutil.copy(PHOTOS / "MF-2041.jpg", tmp_path / "old.jpg")
    running = start_station(watch=tmp_path, workers=1)
    device = running.device()
    time.sleep(1.0)
    shutil.copy(PHOTOS / "MF-2042.jpg", tmp_path / "early.jpg")
    wait_for(lambda: running.told)
    assert "no job is chosen" in running.told[0]
    page = device.ask("GET", "/checks", page=True).body.decode()
    assert "1 from the fixed camera left aside" in page

    job = job_id("MF-2042")
    assert b'id="camera"' in device.ask("GET", f"/jobs/{job}", page=True).body
    assert device.ask("POST", f"/jobs/{job}/camera", {"on": True}).data == {"on": True}
    (tmp_path / "notes.txt").write_text("no photo", encoding="utf-8")
    (tmp_path / "linked.jpg").symlink_to(PHOTOS / "MF-2043.jpg")
    data = (PHOTOS / "MF-2042.jpg").read_bytes()
    with (tmp_path / "shot-1.jpg").open("wb") as slow:
        for start in range(0, len(data), len(data) // 4 + 1):
            slow.write(data[start : start + len(data) // 4 + 1])
            slow.flush()
            time.sleep(0.2)
    news = device.ask("GET", f"/jobs/{job}/newest?since=0").data
    assert news["check"]
    assert device.verdict(news["check"])["word"] == "remake"
    held = running.desk.checks.latest(10)
    assert [(check.job_code, check.source) for check in held] == [("MF-2042", "camera")]
    # the camera's own files are its owner's
    assert (tmp_path / "shot-1.jpg").read_bytes() == data
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "early.jpg", "linked.jpg", "notes.txt", "old.jpg", "shot-1.jpg",
    ]  # fmt: skip

    (tmp_path / "broken.jpg").write_bytes(data[:5000])
    wait_for(lambda: len(running.told) > 1)
    assert "broken.jpg" in running.told[1]
    assert len(running.desk.checks.latest(10)) == 1
