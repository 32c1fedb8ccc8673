"""Spreading work over processes: killed workers, errors, and stopping.

The work is `eval`, as functions of tests cannot be sent to a spawned process.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dyelight.errors import OutputError
from dyelight.runs.schedule import processors, spread

KILL = "__import__('os').kill(__import__('os').getpid(), 9)"


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # a dead child that nobody has waited for still has its number
    status = Path(f"/proc/{pid}/stat")
    return not status.exists() or status.read_text().split()[2] != "Z"


def test_all_tasks_are_done_once() -> None:
    """Each result comes once, in whatever order."""
    tasks = [f"{number} * 2" for number in range(20)]
    assert sorted(spread(eval, tasks, 2, lambda task: -1)) == [2 * n for n in range(20)]


def test_workers_have_one_thread_and_are_other_processes() -> None:
    """The environment tells linear algebra so before it loads, and is put back here."""
    name = "OMP_NUM_THREADS"
    before = os.environ.get(name)
    tasks = [f"(__import__('os').environ['{name}'], __import__('os').getpid())"] * 4
    seen = list(spread(eval, tasks, 2, lambda task: ("", 0)))
    assert {threads for threads, _ in seen} == {"1"}
    assert os.getpid() not in {pid for _, pid in seen}
    assert os.environ.get(name) == before
    assert processors() >= 1


def test_one_that_ends_its_worker_is_lost_alone() -> None:
    """Tasks beside a killer are done again; the killer becomes its own result."""
    tasks = ["1", "2", KILL, "4", "5", "6", KILL + " or 7"]
    found = list(spread(eval, tasks, 2, lambda task: f"lost {tasks.index(task)}"))
    assert sorted(map(str, found)) == ["1", "2", "4", "5", "6", "lost 2", "lost 6"]


def test_a_worker_killed_once_costs_nothing(tmp_path: Path) -> None:
    """A task that dies the first time only gives its result on the second try."""
    flag = tmp_path / "was-here"
    once = (
        f"(open({str(flag)!r}).read() and 5) if __import__('os').path.exists({str(flag)!r}) "
        f"else (open({str(flag)!r}, 'w').write('x'), {KILL})"
    )
    assert sorted(spread(eval, ["1", once, "3"], 2, lambda task: -1)) == [1, 3, 5]


def test_what_a_task_raises_is_raised_here_whole() -> None:
    """An error of ours keeps its class, file and remedy over the process border."""
    code = (
        "(_ for _ in ()).throw(__import__('dyelight.errors', fromlist=['x'])"
        ".OutputError('full.', file='here', remedy='Free some.'))"
    )
    with pytest.raises(OutputError) as caught:
        list(spread(eval, ["1", code, "3"], 1, lambda task: -1))
    assert (caught.value.trouble, caught.value.file) == ("full.", "here")
    assert caught.value.remedy == "Free some."


def test_closing_stops_workers_in_mid_work() -> None:
    """Nobody waits for what is under way."""
    work = "(__import__('os').getpid(), __import__('time').sleep({}))[0]"
    stream = spread(eval, [work.format(0), work.format(300)], 1, lambda task: -1)
    pid = next(stream)
    stream.close()
    assert not alive(pid)


def test_workers_end_with_a_parent_that_was_killed(tmp_path: Path) -> None:
    """A killed run leaves no process behind."""
    code = (
        "from dyelight.runs.schedule import spread\n"
        "if __name__ == '__main__':\n"
        "    work = \"(print(__import__('os').getpid(), flush=True), "
        "__import__('time').sleep(300))\"\n"
        "    list(spread(eval, [work, work], 2, lambda task: 0))\n"
    )
    script = tmp_path / "parent.py"
    script.write_text(code)
    parent = subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    assert parent.stdout is not None
    pids = [int(parent.stdout.readline()) for _ in range(2)]
    parent.send_signal(signal.SIGKILL)
    parent.wait(timeout=60)
    parent.stdout.close()
    # the watching thread wakes as soon as the system tells it; nothing is timed but hanging
    while any(alive(pid) for pid in pids):
        time.sleep(0.05)
