"""`dyelight selfcheck`: whether this installation can do its work, and the remedy if not."""

from __future__ import annotations


def selfcheck() -> int:
    """Check Python, libraries, data and one small inspection end to end.

    Exits 0 where everything needed is there, 70 where something is missing.
    """
    from .selfcheck_run import run_selfcheck

    return run_selfcheck()
