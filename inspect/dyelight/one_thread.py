"""The environment that keeps the libraries of a new process to one thread."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

# linear algebra reads these while it loads, so they must stand before a worker starts
_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")


@contextmanager
def one_thread_environment() -> Iterator[None]:
    """Processes started within get one thread for linear algebra; afterwards all is as before."""
    before = {name: os.environ.get(name) for name in _VARIABLES}
    os.environ.update(dict.fromkeys(_VARIABLES, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
