"""A log under attack: killed writers, full disks, writers at once, files that may only be read."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dyelight.errors import OutputError
from dyelight.press_log import PanelEntry, PressingEntry, PressLog, database

# writes one pressing of three panels after the other, and says each number once it is committed
WRITER = """
import sys
from dyelight.press_log import PanelEntry, PressingEntry, PressLog

place, first, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
with PressLog(place) as log:
    print("ready", flush=True)
    for number in range(first, first + count):
        panels = tuple(
            PanelEntry(code=f"{number}-{part}", width_mm=254, height_mm=203, result="remake",
                       defects=("vapour_spot", "dust_speck"))
            for part in range(3)
        )
        log.add_pressing(PressingEntry(code=f"P{number}", press="Anvil", panels=panels))
        print(number, flush=True)
"""
KILLS = 20
WRITES = 200


def writer(place: Path, first: int, count: int) -> subprocess.Popen[str]:
    """A program of its own that writes pressings, ready to write."""
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(place), str(first), str(count)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def assert_whole(place: Path, at_least: set[str]) -> set[str]:
    """Nothing that was said to be written is missing, nothing is half there; what is there."""
    with PressLog(place) as log:
        rows = log.rows()
    held: dict[str, int] = {}
    for row in rows:
        assert row.kinds == ("vapour_spot", "dust_speck")
        held[row.pressing] = held.get(row.pressing, 0) + 1
    assert set(held.values()) <= {3}
    assert at_least <= set(held)
    with sqlite3.connect(place) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()
    return set(held)


def test_writers_killed_at_random_moments(tmp_path: Path) -> None:
    """Over 200 writes, killed 20 times at random: all that was committed is there, and whole."""
    chance = random.Random(20)
    place = tmp_path / "log.sqlite"
    PressLog(place).close()
    said: set[str] = set()
    number = kills = 0
    while kills < KILLS or len(said) < WRITES:
        process = writer(place, number, 60)
        if kills < KILLS:
            time.sleep(chance.uniform(0.0, 0.12))
            process.send_signal(signal.SIGKILL)
            kills += 1
        out, _ = process.communicate(timeout=60)
        said |= {f"P{line}" for line in out.split()}
        held = assert_whole(place, said)
        number = 1 + max((int(code[1:]) for code in held), default=-1)
    assert len(said) >= WRITES


def test_a_log_killed_while_it_is_made(tmp_path: Path) -> None:
    """A program killed while it makes the log leaves none or a whole one, and the next goes on."""
    chance = random.Random(3)
    for attempt in range(8):
        place = tmp_path / f"log{attempt}.sqlite"
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(place), "0", "1"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + 30
        while not place.exists() and time.monotonic() < deadline:
            time.sleep(0.001)
        time.sleep(chance.uniform(0.0, 0.08))
        process.send_signal(signal.SIGKILL)
        process.wait(timeout=30)
        assert_whole(place, set())


def test_a_disk_that_fills_up(tmp_path: Path) -> None:
    """With a limit on the file's size the entry is refused in plain words, the rest is whole."""
    place = tmp_path / "log.sqlite"
    PressLog(place).close()
    limited = (
        "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({place.stat().st_size + 60000},) * 2)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", limited + WRITER, str(place), "0", "2000"],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 1
    assert "the disk is full or failing" in done.stderr
    assert "everything before it is safe. Free some space" in done.stderr
    said = {f"P{line}" for line in done.stdout.split()[1:]}
    assert said
    assert assert_whole(place, said) == said


def test_a_full_disk(tmp_path: Path) -> None:
    """On a file system without room the same holds, and there is room again afterwards."""
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(folder)], capture_output=True
    )
    if mounted.returncode:
        pytest.skip("not run: this account may not mount a small file system")  # needs root
    try:
        place = folder / "log.sqlite"
        with PressLog(place) as log:
            count, said = 0, ""
            while not said and count < 5000:
                try:
                    log.add_pressing(pressing(count))
                    count += 1
                except OutputError as trouble:
                    said = str(trouble)
            assert "full or failing" in said
            assert "Free some space" in said
            assert len(log.rows()) == count > 0
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def pressing(number: int) -> PressingEntry:
    """A pressing with one panel."""
    panel = PanelEntry(code=f"K{number}", result="remake", defects=("fibre",))
    return PressingEntry(code=f"P{number}", press="Anvil", panels=(panel,))


def test_two_writers_at_once(tmp_path: Path) -> None:
    """Two programs that write at the same time wait for each other, and both write everything."""
    place = tmp_path / "log.sqlite"
    one, two = writer(place, 0, 60), writer(place, 1000, 60)
    for process in (one, two):
        _, told = process.communicate(timeout=120)
        assert process.returncode == 0, told
    wanted = {f"P{number}" for number in (*range(60), *range(1000, 1060))}
    assert assert_whole(place, wanted) == wanted


def test_two_programs_that_make_the_same_log(tmp_path: Path) -> None:
    """Both find or make the same tables."""
    place = tmp_path / "log.sqlite"
    command = [sys.executable, "-c", WRITER, str(place)]
    both = [
        subprocess.Popen([*command, str(first), "5"], stderr=subprocess.PIPE, text=True)
        for first in (0, 100)
    ]
    for process in both:
        _, told = process.communicate(timeout=60)
        assert process.returncode == 0, told
    assert len(assert_whole(place, set())) == 10


def test_a_writer_that_never_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where another program holds the log too long, that is said; readers are let in."""
    place = tmp_path / "log.sqlite"
    monkeypatch.setattr(database, "BUSY_SECONDS", 0.2)
    with PressLog(place) as log:
        log.add_pressing(pressing(1))
        other = sqlite3.connect(place, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(OutputError, match=r"another program.*Wait until it has finished"):
            log.add_pressing(pressing(2))
        assert len(log.rows()) == 1
        other.close()
        log.add_pressing(pressing(2))
        assert len(log.rows()) == 2


def test_a_file_that_may_only_be_read(tmp_path: Path) -> None:
    """A read-only log can be read; writing to it says what to do."""
    place = tmp_path / "log.sqlite"
    with PressLog(place) as log:
        log.add_pressing(pressing(1))
    place.chmod(0o444)
    tmp_path.chmod(0o555)
    script = (
        "import sys\n"
        "from dyelight.errors import OutputError\n"
        "from dyelight.press_log import PressingEntry, PressLog\n"
        "with PressLog(sys.argv[1]) as log:\n"
        "    print(len(log.rows()))\n"
        "    try:\n"
        "        log.add_pressing(PressingEntry(press='Anvil'))\n"
        "    except OutputError as trouble:\n"
        "        print(trouble)\n"
    )
    as_user = []
    if os.geteuid() == 0:
        # root may write everywhere
        as_user = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
        for parent in tmp_path.parents:
            if parent not in (Path("/"), Path("/tmp")) and parent.stat().st_uid == 0:
                parent.chmod(parent.stat().st_mode | 0o055)
    try:
        done = subprocess.run(
            [*as_user, sys.executable, "-c", script, str(place)],
            capture_output=True,
            text=True,
            timeout=60,
            cwd="/",
        )
    finally:
        tmp_path.chmod(0o755)
    if "Permission denied" in done.stderr or "No module named" in done.stderr:
        pytest.skip("not run: another account may not use this Python")  # as in a private home
    assert done.returncode == 0, done.stderr
    count, said = done.stdout.splitlines()
    assert count == "1"
    assert "the log may only be read" in said
    assert "Give this account the right to write" in said


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """A file in the way of the log's folder is named."""
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match="folder for the press log cannot be made"):
        PressLog(tmp_path / "file" / "log.sqlite")
    with pytest.raises(OutputError, match="cannot be opened"):
        PressLog(tmp_path)
