"""Drive a run: hand its panels to workers, follow them, and say what became of each."""

from __future__ import annotations

import re
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from pathlib import Path

from ..errors import SettingsError
from ..report.outputs import make_folder, write_together
from .cluster import spread_over_cluster
from .entries import Entry, file_stem
from .schedule import processors, spread
from .work import Judging, Row, Task, inspect_task, lost_row

FAULTS = "faults"
# the less is known about a panel, the graver
_GRAVITY = (0, 1, 4, 3, 2, 5, 70)
MOST_WORKERS = 512


def chosen_workers(wanted: int | None) -> int:
    """How many worker processes: what was asked for, else one for each processor."""
    if wanted is None:
        return processors()
    if not 1 <= wanted <= MOST_WORKERS:
        raise SettingsError(f"--workers must be 1 to {MOST_WORKERS}.")
    return wanted


def inspect_all(
    entries: Sequence[Entry],
    judging: Judging,
    out: Path,
    *,
    workers: int,
    cluster: str | None,
    follow: Callable[[Row], None],
) -> dict[int, Row]:
    """Inspect all panels; their rows by index. `follow` is called with each as it comes.

    Raises OutputError where results cannot be written, SettingsError where workers cannot judge for
    this run. What was finished before stays and is taken over by the next run.
    """
    # panels of one artwork after one another, so that each worker decodes it once
    ordered = sorted(entries, key=lambda entry: (str(entry.artwork), entry.index))
    tasks = [Task(entry, judging, str(out.absolute())) for entry in ordered]
    rows: dict[int, Row] = {}
    with closing(_rows(tasks, workers, cluster)) as stream:
        for row in stream:
            rows[row.index] = row
            if row.details is not None:
                _keep_fault(out, row)
            follow(row)
    return rows


def _rows(tasks: Sequence[Task], workers: int, cluster: str | None) -> Generator[Row, None, None]:
    if cluster is not None:
        yield from spread_over_cluster(inspect_task, tasks, cluster, lost_row)
    elif tasks:
        yield from spread(inspect_task, tasks, min(workers, len(tasks)), lost_row)


def _keep_fault(out: Path, row: Row) -> None:
    folder = out / FAULTS
    make_folder(folder)
    text = f"{row.panel_id}\n{row.error}\n\n{row.details}"
    name = f"{file_stem(row.panel_id)}.txt"
    write_together(folder, {name: text.encode("utf-8", "backslashreplace")})


def gravest_code(codes: Sequence[int]) -> int:
    """The gravest of exit codes, 0 for none.

    From light to grave: 0 pass, 1 stopped, 4 retake, 3 unreadable, 2 a size that does not fit, 5
    output, 70 a fault.
    """
    return max(codes, key=_GRAVITY.index, default=0)


def safe_cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula: such a beginning gets an apostrophe before."""
    return f"'{text}" if re.match(r"[=+\-@\t\r\n|%]", text) else text
