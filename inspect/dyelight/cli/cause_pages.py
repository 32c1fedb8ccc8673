"""The cause map as text for people and as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from itertools import groupby

from rich.text import Text

from ..causes import CauseRow
from ..judge import texts
from .console import data_console
from .exits import visible
from .tables import print_hanging


def rows_text(rows: Sequence[CauseRow]) -> str:
    """The rows as indented JSON with a closing newline."""
    return json.dumps([asdict(row) for row in rows], indent=1, ensure_ascii=False) + "\n"


def print_causes(rows: Sequence[CauseRow]) -> None:
    """Print each kind with its causes, the most usual first."""
    console = data_console()
    for index, (kind, group) in enumerate(groupby(rows, key=lambda row: row.kind)):
        if index:
            console.print()
        console.print(Text.assemble((texts.kind_title(kind), "bold"), f"  {kind}"))
        print_hanging(console, texts.kind_meaning(kind), "")
        for row in group:
            console.print()
            console.print(f"{100 * row.share:3.0f} %  {visible(row.title)}", style="bold")
            lines = [row.because]
            lines += [f"{_factor(factor)}: {reason}" for factor, reason in row.conditions]
            lines.append(f"Change next: {row.try_next}")
            if row.caution:
                lines.append(f"Take care: {row.caution}")
            for line in lines:
                print_hanging(console, line, " " * 7)


def _factor(factor: float) -> str:
    return f"{factor:.2g} times as likely"
