"""Spread panels over a Dask cluster with the same function; needs the extra `cluster`.

The cluster's workers must see photos, artwork and the run's folder under the same paths, and run
the same version. Dask carries code in its messages: use loopback, or a trusted network with TLS
(`tls://`, with the certificates that Dask's own settings name).
"""

from __future__ import annotations

import ipaddress
import logging
import warnings
from collections import deque
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import CancelledError
from typing import Any, TypeVar
from urllib.parse import urlsplit

from ..errors import OutputError, SettingsError

T = TypeVar("T")
R = TypeVar("R")

_QUEUE_PER_THREAD = 2
_SECONDS_TO_CONNECT = 6


def exposed(address: str) -> bool:
    """Whether a scheduler's address is neither loopback nor under TLS."""
    parts = urlsplit(address)
    if parts.scheme == "tls":
        return False
    host = parts.hostname or ""
    try:
        return not ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host != "localhost"


def spread_over_cluster(
    function: Callable[[T], R], tasks: Sequence[T], address: str, lost: Callable[[T], R]
) -> Generator[R, None, None]:
    """As `schedule.spread`, over the Dask scheduler at `address`.

    A panel whose worker dies is given to another by the scheduler; one that ends as many workers as
    Dask allows becomes the result of `lost`. Raises SettingsError where Dask is not installed or
    the scheduler cannot be reached, OutputError where the cluster is gone.
    """
    client_class, completed, killed = _dask()
    queue = deque(tasks)
    # what goes wrong with the cluster is told by our own messages
    for name in ("distributed", *logging.root.manager.loggerDict):
        if name.partition(".")[0] in ("distributed", "tornado"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
    with warnings.catch_warnings():
        # unlike versions of helpers are the cluster's own matter; ours is checked in each worker
        warnings.simplefilter("ignore")
        try:
            client = client_class(address, timeout=_SECONDS_TO_CONNECT, set_as_default=False)
        except (OSError, ValueError) as trouble:
            raise SettingsError(
                f"no Dask scheduler answers at {address} ({trouble}).",
                remedy="Start one with `dask scheduler`, and workers with `dask worker "
                f"{address} --nthreads 1 --nworkers N`.",
            ) from trouble
        waiting: dict[Any, T] = {}
        try:
            stream = completed(loop=client.loop)
            while queue or waiting:
                # workers may join and leave while the run goes on
                room = max(1, sum(client.nthreads().values())) * _QUEUE_PER_THREAD
                while queue and len(waiting) < room:
                    task = queue.popleft()
                    # pure: False, as what a task does lies in files that Dask does not see
                    future = client.submit(function, task, pure=False)
                    waiting[future] = task
                    stream.add(future)
                future = next(stream)
                task = waiting.pop(future)
                try:
                    result = future.result()
                except killed:
                    result = lost(task)
                future.release()
                yield result
        except (OSError, CancelledError) as trouble:
            raise OutputError(
                f"the cluster at {address} does not answer any more.",
                remedy="What is finished stays: the same command goes on.",
            ) from trouble
        finally:
            for future in waiting:
                future.cancel(force=True)
            client.close(timeout=5)


def _dask() -> tuple[Any, Any, type[Exception]]:
    try:
        from dask.distributed import Client, as_completed
        from distributed import KilledWorker
    except ImportError as trouble:
        raise SettingsError(
            "a cluster needs Dask, which is not installed.",
            remedy='Install it with: python -m pip install "dyelight[cluster]"',
        ) from trouble
    return Client, as_completed, KilledWorker
