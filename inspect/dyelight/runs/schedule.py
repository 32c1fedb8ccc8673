"""Spread panels over processes of this machine.

Processes are spawned, not forked, so that nothing of this process's threads comes along, and each
works with one thread. The queue is short: memory does not grow with the run. A worker that is
killed breaks its pool; the pool is built anew, the panels that were under way are tried again one
by one, and one that ends its worker twice becomes a row with its error.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import ALL_COMPLETED, FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from multiprocessing.connection import wait as wait_for
from multiprocessing.process import BaseProcess
from typing import TypeVar

from ..one_thread import one_thread_environment

T = TypeVar("T")
R = TypeVar("R")

_QUEUE_PER_WORKER = 2
_MOST_TRIES = 2


def processors() -> int:
    """How many processors this process may use."""
    if sys.platform == "linux":
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def spread(
    function: Callable[[T], R], tasks: Sequence[T], workers: int, lost: Callable[[T], R]
) -> Generator[R, None, None]:
    """The results of all tasks, in the order in which they are done.

    `function` and tasks must be picklable. `lost` makes the result of a task that ended its worker
    twice. What `function` raises ends the work: workers are stopped and it is raised here. Closing
    the iterator stops the workers at once.
    """
    queue = deque(tasks)
    workers = max(1, min(workers, len(queue)))
    suspects: deque[tuple[T, int]] = deque()
    waiting: dict[Future[R], tuple[T, int]] = {}
    with one_thread_environment():
        pool = _Pool(workers)
        try:
            while queue or suspects or waiting:
                whole = _hand_out(pool, function, queue, suspects, waiting)
                done, _ = wait(waiting, return_when=FIRST_COMPLETED if whole else ALL_COMPLETED)
                broken: list[tuple[T, int]] = []
                for future in done:
                    task = waiting.pop(future)
                    try:
                        result = future.result()
                    except BrokenProcessPool:
                        broken.append(task)
                    else:
                        yield result
                if not broken and whole:
                    continue
                # with the pool all that was under way is lost
                broken += waiting.values()
                waiting.clear()
                pool.stop()
                pool = _Pool(workers)
                # several under way: nobody knows whose fault it was, so nobody is blamed
                blame = 1 if len(broken) == 1 else 0
                for item, tries in broken:
                    if tries + blame >= _MOST_TRIES:
                        yield lost(item)
                    else:
                        suspects.append((item, tries + blame))
        finally:
            pool.stop()


def _hand_out(
    pool: _Pool,
    function: Callable[[T], R],
    queue: deque[T],
    suspects: deque[tuple[T, int]],
    waiting: dict[Future[R], tuple[T, int]],
) -> bool:
    """Give the pool one suspect alone, else as many tasks as its short queue holds.

    False where the pool was found broken; what it refused stands in the queue again.
    """
    while True:
        source: deque[T] | deque[tuple[T, int]]
        if suspects:
            if waiting:
                return True
            task, tries = suspects[0]
            source = suspects
        elif queue and len(waiting) < pool.room:
            task, tries = queue[0], 0
            source = queue
        else:
            return True
        try:
            waiting[pool.submit(function, task)] = (task, tries)
        except BrokenProcessPool:
            return False
        source.popleft()


class _Pool:
    """Worker processes that can be stopped at once."""

    def __init__(self, workers: int) -> None:
        self.room = workers * _QUEUE_PER_WORKER
        self._before = {child.pid for child in multiprocessing.active_children()}
        self._executor = ProcessPoolExecutor(
            workers,
            mp_context=multiprocessing.get_context("spawn"),
            initializer=_begin_worker,
        )
        # all workers start now: one that started while another ended would be put into the
        # executor's table while its own thread reads that
        with suppress(BrokenProcessPool):
            for _ in range(workers):
                self.submit(_nothing, None)

    def submit(self, function: Callable[[T], R], task: T) -> Future[R]:
        """Queue one task; a worker may be started for it."""
        with _deaf_to_interrupts():
            return self._executor.submit(function, task)

    def stop(self) -> None:
        """End all workers, at once where they work, and wait until they are gone."""
        ours: list[BaseProcess] = [
            child for child in multiprocessing.active_children() if child.pid not in self._before
        ]
        for child in ours:
            child.kill()
        self._executor.shutdown(wait=True, cancel_futures=True)


def _nothing(_: None) -> None:
    """A task that makes the executor start one more worker."""


def _begin_worker() -> None:
    # the parent hears the interrupt and stops its workers itself
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End this worker when the process that started it is gone, however it ended."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)


@contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """Processes started meanwhile ignore interrupts from their first moment on."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
