"""`dyelight demo`: the sample panels of an invented lab, checked one after another."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where the reports go.")] = Path(
        "dyelight-demo"
    ),
) -> int:
    """Check the sample panels that ship with dyelight, and say where to look.

    Exits 0 where every panel could be checked, whatever its verdict.
    """
    from .demo_run import run_demo

    return run_demo(out)
