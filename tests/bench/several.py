"""What a second photo of the same panel is worth, on simulated photos of pictures kept apart.

    python tests/bench several --pictures CACHE --panels 60 --seed 1 --long-side 1600

Each panel is pressed once and photographed twice, from two places under two lights. It is inspected
from the first photo alone and from both. Shown for each capture: faultless panels stopped, panels
that got a verdict, recall by how well the first photo shows a defect, and false findings.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
import traceback
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from intervals import wilson
from matching import Visibility
from one_thread import keep_to_one_thread
from pictures import Half
from rows import OurRow, assess, models, start_worker
from shots import Shot, Task, plan, shoot
from tables import rate

from dyelight.pipeline import inspect_panel

_SHOWN: tuple[Visibility, ...] = ("visible", "faint", "hidden")


@dataclass(frozen=True, slots=True)
class PanelRow:
    """One panel from its first photo and from both; None where something failed."""

    task: Task
    one: OurRow | None = None
    two: OurRow | None = None
    trouble: str = ""


def look_twice(task: Task) -> PanelRow:
    """Press a panel, photograph it twice, inspect it from one photo and from both."""
    try:
        shots = [shoot(task, again) for again in (0, 1)]
        return PanelRow(task, _inspected(shots[:1]), _inspected(shots))
    except Exception:  # a bench goes on; the trouble is counted and printed
        return PanelRow(task, trouble=traceback.format_exc())


def _inspected(shots: Sequence[Shot]) -> OurRow:
    rules, acceptance, causes = models()
    began = time.process_time()
    result = inspect_panel(
        [shot.photo for shot in shots],
        shots[0].artwork,
        rules=rules,
        acceptance=acceptance,
        causes=causes,
    )
    seconds = time.process_time() - began
    placed = next(shot for shot in shots if shot.photo.file == result.photos[0].file)
    return assess(placed, result, seconds)


def print_rows(capture: str, rows: Sequence[PanelRow]) -> None:
    """One capture's table: what is asked, with one photo and with two."""
    print(f"\n=== {capture}: {len(rows)} panels, two simulated photos each ===")
    ones = [row.one for row in rows if row.one is not None]
    twos = [row.two for row in rows if row.two is not None]
    _say("", "one photo", "two photos")
    _say("failed", *[str(sum(bool(row.trouble) for row in rows))] * 2)
    _say("retaken", *(rate(wilson(_count(some, "retake"), len(some))) for some in (ones, twos)))
    good = (
        [row.one for row in rows if row.task.faultless and row.one is not None],
        [row.two for row in rows if row.task.faultless and row.two is not None],
    )
    stopped = [_count(some, "remake") + _count(some, "review") for some in good]
    judged = [len(some) - _count(some, "retake") for some in good]
    _say("faultless stopped", *(rate(wilson(s, n)) for s, n in zip(stopped, judged, strict=True)))
    for shown in _SHOWN:
        _say(f"recall, {shown} in the first", *(_recall(rows, shown, which) for which in (0, 1)))
    for some in (ones, twos):
        some[:] = [one for one in some if one.verdict != "retake"]
    false = [sum(f.about is None for one in some for f in one.findings) for some in (ones, twos)]
    counts = [max(len(some), 1) for some in (ones, twos)]
    _say("false findings a panel", *(f"{f / n:.2f}" for f, n in zip(false, counts, strict=True)))
    spent = [sum(one.seconds for one in some) for some in (ones, twos)]
    _say("CPU s a panel", *(f"{s / n:.2f}" for s, n in zip(spent, counts, strict=True)))


def _count(rows: Sequence[OurRow], verdict: str) -> int:
    return sum(row.verdict == verdict for row in rows)


def _recall(rows: Sequence[PanelRow], shown: Visibility, which: int) -> str:
    """Recall of the defects that the first photo shows so, where both ways gave a verdict."""
    hits = []
    for row in rows:
        if row.one is None or row.two is None or "retake" in (row.one.verdict, row.two.verdict):
            continue
        pairs = zip(row.one.defects, row.two.defects, strict=True)
        hits += [pair[which].found for pair in pairs if pair[0].planted.visibility == shown]
    return rate(wilson(sum(hits), len(hits)))


def _say(what: str, one: str, two: str) -> None:
    print(f"{what:28}{one:34}{two}")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench; 0 where no panel failed."""
    parser = argparse.ArgumentParser(description="One photo against two, on simulated photos.")
    parser.add_argument("--panels", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--captures", default="handheld,customer")
    parser.add_argument("--pictures", type=Path, help="the cache that pictures.py filled")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--long-side", type=int, default=1600, help="in px; 0: full size")
    parser.add_argument("--split", choices=("test", "set"), default="test")
    parser.add_argument("--only", help="look at these indices alone, as 3,17")
    parser.add_argument("--tell", action="store_true", help="print every panel's findings")
    chosen = parser.parse_args(arguments)
    keep_to_one_thread()
    half: Half = chosen.split
    captures = chosen.captures.split(",")
    tasks = plan(chosen.panels, chosen.seed, captures, chosen.pictures, half, chosen.long_side)
    if chosen.only:
        wanted = {int(word) for word in chosen.only.split(",")}
        tasks = tuple(task for task in tasks if task.index in wanted)
    with ProcessPoolExecutor(
        chosen.jobs, multiprocessing.get_context("spawn"), start_worker
    ) as pool:
        rows = list(pool.map(look_twice, tasks))
    for row in rows:
        if row.trouble:
            where = f"{row.task.picture.name}, index {row.task.index}"
            print(f"{where}\n{row.trouble}", file=sys.stderr)
        if chosen.tell:
            _tell(row)
    for capture in captures:
        print_rows(capture, [row for row in rows if row.task.capture == capture])
    return 1 if any(row.trouble for row in rows) else 0


def _tell(row: PanelRow) -> None:
    print(f"{row.task.index} {row.task.picture.name} {row.task.capture}")
    for name, ours in (("one", row.one), ("two", row.two)):
        if ours is None:
            continue
        print(f"  {name}: {ours.verdict} {', '.join(ours.notes)}")
        for f in ours.findings:
            about = "false" if f.about is None else f.about.kind
            x, y = f.center_mm
            print(
                f"    {f.kind} at {x:.0f}, {y:.0f} d {f.eq_diameter_mm:.1f} dE {f.delta_e00:.1f} "
                f"snr {f.snr:.0f} conf {f.confidence:.2f}: {about}"
            )
        missed = [d.planted for d in ours.defects if not d.found and d.planted.counts]
        for p in missed:
            x, y = p.center_mm
            print(f"    missed {p.kind} {p.visibility} at {x:.0f}, {y:.0f} dE {p.delta_e00:.1f}")


if __name__ == "__main__":
    sys.exit(main())
