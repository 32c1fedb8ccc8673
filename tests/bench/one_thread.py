"""One thread for each process, so that CPU seconds of two programs compare."""

from __future__ import annotations

import os
import sys

import cv2

_NAMES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def keep_to_one_thread() -> None:
    """Start this process again with one thread for linear algebra, unless it has that already.

    NumPy's libraries read these names while they load, so setting them now would come too late.
    """
    cv2.setNumThreads(1)
    if all(os.environ.get(name) == "1" for name in _NAMES):
        return
    os.environ.update(dict.fromkeys(_NAMES, "1"))
    sys.stdout.flush()
    os.execv(sys.executable, [sys.executable, *sys.orig_argv[1:]])
