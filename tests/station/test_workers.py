"""Worker processes: late ones, lost ones, greedy ones."""

from __future__ import annotations

import asyncio
import io
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from dyelight.data import samples_folder
from dyelight.station.workers import WorkerLostError, Workers

MB = 2**20
JOB = {
    "artwork": str(samples_folder() / "artwork/fig.jpg"),
    "artwork_name": "fig.jpg",
    "width_mm": 254.0,
    "height_mm": 203.0,
    "bleed_mm": 3.0,
    "base": "white",
    "finish": "gloss",
}


@pytest.fixture(scope="module")
def workers() -> Iterator[Workers]:
    made = Workers(1, memory_bytes=1800 * MB)
    made.start()
    yield made
    made.stop()


def ask(workers: Workers, seconds: float = 60, **task: Any) -> dict[str, Any]:
    """One task's answer."""
    return asyncio.run(workers.ask(task, seconds=seconds))


def first_look(workers: Workers, path: Path, seconds: float = 60) -> dict[str, Any]:
    """A first look at a file."""
    return ask(workers, seconds, do="first_look", photo=str(path), job=JOB, most_px=120_000_000)


def test_a_task_that_takes_too_long_is_ended(workers: Workers) -> None:
    """The process is gone, the caller hears that it was late, and the next task is done."""
    photo = samples_folder() / "photos/MF-2043.jpg"
    assert first_look(workers, photo)["ok"]
    (before,) = workers.pids()
    with pytest.raises(WorkerLostError) as lost:
        first_look(workers, photo, seconds=0.02)
    assert lost.value.late
    assert first_look(workers, photo)["hints"] == []
    assert before not in workers.pids()


def test_a_worker_killed_while_idle_is_not_asked(workers: Workers) -> None:
    """Nobody notices."""
    assert ask(workers, do="warm")["ok"]
    for pid in workers.pids():
        os.kill(pid, signal.SIGKILL)
    try:
        answer = ask(workers, do="warm")
    except WorkerLostError:
        # it had not been buried yet: the one after it serves
        answer = ask(workers, do="warm")
    assert answer["ok"]


def test_a_greedy_picture_hits_the_bound_and_says_so(workers: Workers, tmp_path: Path) -> None:
    """More memory than a worker may have is told in words or loses the worker, never ours."""
    photo = samples_folder() / "photos/MF-2043.jpg"
    assert first_look(workers, photo)["ok"]
    (pid,) = workers.pids()
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    needed = int(status.partition("VmPeak:")[2].split()[0]) * 1024
    data = io.BytesIO()
    Image.new("RGB", (10_500, 10_500), (90, 120, 40)).save(data, "PNG", compress_level=1)
    path = tmp_path / "large"
    path.write_bytes(data.getvalue())
    # pixels alone take 330 MB, and decoding takes more than once that
    bound = Workers(1, memory_bytes=needed + 200 * MB)
    try:
        outcome = ""
        try:
            outcome = str(first_look(bound, path).get("trouble"))
        except WorkerLostError as lost:
            outcome = str(lost)
        assert "memory" in outcome or outcome == "ended"
        assert first_look(bound, photo)["ok"]
    finally:
        bound.stop()


def test_what_goes_wrong_inside_is_an_answer(workers: Workers) -> None:
    """Neither an unknown task nor a missing file ends the worker."""
    (before,) = workers.pids()
    strange = ask(workers, do="dance")
    assert not strange["ok"]
    assert strange["trouble"] == "This photo could not be worked on (KeyError)."
    missing = first_look(workers, Path("no/such/photo"))
    assert (missing["ok"], missing["trouble"]) == (False, "There is no such file.")
    assert workers.pids() == [before]


def test_no_task_is_taken_after_the_end() -> None:
    """A crew that was stopped says so at once."""
    made = Workers(1, memory_bytes=1800 * MB)
    assert ask(made, do="warm")["ok"]
    pids = made.pids()
    made.stop()
    assert made.pids() == []
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)
    with pytest.raises(RuntimeError):
        ask(made, do="warm")
