"""Freed memory is kept: the next array of that size needs no new pages."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

_PAGES = """
import resource
import numpy as np
from dyelight.heap import keep_freed_memory

if {keep}:
    keep_freed_memory()

def pages():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt

np.empty(64 << 20, np.uint8).fill(1)
before = pages()
np.empty(64 << 20, np.uint8).fill(1)
print(pages() - before)
"""


def _new_pages(*, keep: bool) -> int:
    words = [sys.executable, "-c", _PAGES.format(keep=keep)]
    return int(subprocess.run(words, check=True, capture_output=True, text=True).stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="a setting of glibc's")
def test_the_next_array_lies_on_memory_that_the_last_one_left() -> None:
    usual, kept = _new_pages(keep=False), _new_pages(keep=True)
    # huge pages count as one each
    assert kept < 5 < usual
