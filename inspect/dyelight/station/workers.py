"""Worker processes that decode and inspect, and that can die or be ended without taking us along.

What goes over the pipe is JSON, never pickles: a decoder that a hostile file took over could
otherwise run code here. A worker takes one task at a time and may send messages before its answer.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from multiprocessing.connection import Connection
from multiprocessing.connection import wait as wait_for
from multiprocessing.process import BaseProcess
from typing import Any

from ..one_thread import one_thread_environment

Json = dict[str, Any]
Heard = Callable[[Json], None]
# linear algebra reads these while it loads
_START_SECONDS = 60.0
_LARGEST_MESSAGE_BYTES = 8 * 2**20
_FORK_LOCK = threading.Lock()


class WorkerLostError(Exception):
    """The worker process ended over a task, or was ended because it took too long.

    `late` tells the second.
    """

    def __init__(self, late: bool) -> None:
        super().__init__("took too long" if late else "ended")
        self.late = late


class _Worker:
    """One process and the pipe to it. Used by one thread at a time."""

    def __init__(self, memory_bytes: int, niceness: int) -> None:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        self._pipe: Connection = ours
        self._process: BaseProcess = context.Process(
            target=_serve, args=(theirs, memory_bytes, niceness), daemon=True
        )
        with _FORK_LOCK, one_thread_environment():
            self._process.start()
        theirs.close()
        self.ready = False

    @property
    def pid(self) -> int | None:
        return self._process.pid

    @property
    def alive(self) -> bool:
        return self._process.is_alive()

    def ask(self, task: Json, seconds: float, heard: Heard | None) -> Json:
        """The answer to a task; WorkerLostError where there will be none."""
        if not self.ready:
            self._receive(time.monotonic() + _START_SECONDS)
            self.ready = True
        until = time.monotonic() + seconds
        try:
            self._pipe.send_bytes(json.dumps(task).encode("utf-8"))
        except OSError as trouble:
            raise WorkerLostError(late=False) from trouble
        while True:
            message = self._receive(until)
            if message.get("answer"):
                return message
            if heard is not None:
                heard(message)

    def _receive(self, until: float) -> Json:
        try:
            if not self._pipe.poll(max(0.0, until - time.monotonic())):
                raise WorkerLostError(late=True)
            message = json.loads(self._pipe.recv_bytes(_LARGEST_MESSAGE_BYTES))
        except (EOFError, OSError, ValueError) as trouble:
            raise WorkerLostError(late=False) from trouble
        return message if isinstance(message, dict) else {}

    def end(self) -> None:
        """End the process at once."""
        self._process.kill()
        self._process.join(5)
        self._pipe.close()


class Workers:
    """A fixed number of worker processes, started anew where one is lost."""

    def __init__(self, count: int, *, memory_bytes: int, niceness: int = 0) -> None:
        self.count = count
        self._memory_bytes = memory_bytes
        self._niceness = niceness
        self._threads = ThreadPoolExecutor(count, thread_name_prefix="worker")
        self._idle: list[_Worker] = []
        self._all: set[_Worker] = set()
        self._lock = threading.Lock()
        self._ended = False
        self.waiting = 0

    def start(self) -> None:
        """Start all processes; they load what they need while nobody waits for them."""
        for _ in range(self.count):
            self._threads.submit(self._warm)

    async def ask(
        self, task: Json, *, seconds: float, heard: Callable[[Json], None] | None = None
    ) -> Json:
        """Hand a task to the next free worker and wait for its answer.

        `heard` gets the messages before the answer, in the event loop. The time counts from when
        a worker takes the task. WorkerLostError where the worker died or took too long; it is
        replaced.
        """
        loop = asyncio.get_running_loop()

        def pass_on(message: Json) -> None:
            if heard is not None:
                loop.call_soon_threadsafe(heard, message)

        self.waiting += 1
        try:
            return await loop.run_in_executor(self._threads, self._ask, task, seconds, pass_on)
        finally:
            self.waiting -= 1

    def pids(self) -> list[int]:
        """The process ids of the workers that are running."""
        with self._lock:
            return [worker.pid for worker in self._all if worker.pid is not None]

    def stop(self) -> None:
        """End every worker, also at work."""
        with self._lock:
            self._ended = True
            workers = list(self._all)
            self._all.clear()
            self._idle.clear()
        for worker in workers:
            worker.end()
        self._threads.shutdown(wait=True, cancel_futures=True)

    def _warm(self) -> None:
        # a worker that cannot even start shows with its first task
        with contextlib.suppress(WorkerLostError):
            self._ask({"do": "warm"}, _START_SECONDS, None)

    def _take(self) -> _Worker:
        with self._lock:
            if self._ended:
                raise WorkerLostError(late=False)
            while self._idle:
                worker = self._idle.pop()
                if worker.alive:
                    return worker
                self._all.discard(worker)
        worker = _Worker(self._memory_bytes, self._niceness)
        with self._lock:
            self._all.add(worker)
            if not self._ended:
                return worker
        worker.end()
        raise WorkerLostError(late=False)

    def _ask(self, task: Json, seconds: float, heard: Heard | None) -> Json:
        worker = self._take()
        try:
            answer = worker.ask(task, seconds, heard)
        except BaseException:
            with self._lock:
                self._all.discard(worker)
            worker.end()
            if not self._ended and task.get("do") != "warm":
                # the next task should not wait for a new process to load
                self._threads.submit(self._warm)
            raise
        with self._lock:
            if not self._ended:
                self._idle.append(worker)
        return answer


def _serve(pipe: Connection, memory_bytes: int, niceness: int) -> None:
    """What a worker process does until its parent is gone."""
    # the parent hears the interrupt and ends its workers itself
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _confine(memory_bytes, niceness)
    from .tasks import answer_to

    def send(message: Json) -> None:
        pipe.send_bytes(json.dumps(message, allow_nan=False).encode("utf-8"))

    send({"ready": True})
    while True:
        try:
            task = json.loads(pipe.recv_bytes())
        except (EOFError, OSError):
            return
        send({**answer_to(task, send), "answer": True})


def _confine(memory_bytes: int, niceness: int) -> None:
    """Bound what a decoder may take; checks give way to the pages and to first looks."""
    if sys.platform == "win32":
        return
    import resource

    os.nice(niceness)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    _, most = resource.getrlimit(resource.RLIMIT_AS)
    wanted = memory_bytes if most == resource.RLIM_INFINITY else min(memory_bytes, most)
    resource.setrlimit(resource.RLIMIT_AS, (wanted, most))


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)
