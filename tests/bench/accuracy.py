"""How well panels are inspected, on simulated photos of pictures kept apart.

    python tests/bench/accuracy.py --pictures CACHE --photos 150 --seed 1 --jobs 2

Pictures come from pictures.py. The half `test` was kept from every threshold; `set` is for setting
them. Two plain peers look at the same photos, each with the limit chosen on photos of the half
`set` so that it keeps to the program's own count of false findings a panel.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

from one_thread import keep_to_one_thread
from pictures import Half
from rows import PhotoRow, look_at, print_trouble, start_worker
from shots import Task, plan
from tables import print_capture, print_confidence, print_kinds, print_peers
from written import write_csv, write_examples

from dyelight.simulate import CAPTURES

_TRIES = 2


def run(
    tasks: Sequence[Task], jobs: int, *, ours: bool, with_peers: bool, keep: Path | None = None
) -> list[PhotoRow]:
    """All rows, in the order of the tasks. A photo whose worker dies twice is counted as failed."""
    rows: dict[int, PhotoRow] = {}
    tries = dict.fromkeys(range(len(tasks)), 0)
    while waiting := [i for i in tries if i not in rows]:
        # workers that die together cannot be told apart: after the first try each goes alone
        alone = any(tries[i] for i in waiting)
        part = waiting[:1] if alone else waiting
        with ProcessPoolExecutor(
            1 if alone else jobs, multiprocessing.get_context("spawn"), start_worker
        ) as pool:
            futures = {
                pool.submit(look_at, tasks[i], ours=ours, with_peers=with_peers, keep=keep): i
                for i in part
            }
            for future in as_completed(futures):
                i = futures[future]
                tries[i] += 1
                try:
                    rows[i] = future.result()
                except BrokenProcessPool:
                    if tries[i] >= _TRIES:
                        rows[i] = PhotoRow(tasks[i], trouble={"ours": "The worker process died."})
                        print_trouble(rows[i])
                    continue
                print_trouble(rows[i])
                if len(rows) % 10 == 0:
                    print(f"{len(rows)} of {len(tasks)}", file=sys.stderr, flush=True)
    return [rows[i] for i in range(len(tasks))]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench; 0 where no photo failed."""
    parser = argparse.ArgumentParser(description="Accuracy on simulated photos.")
    parser.add_argument("--photos", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--captures", default=",".join(CAPTURES))
    parser.add_argument("--pictures", type=Path, help="the cache that pictures.py filled")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--long-side", type=int, default=0, help="in px; 0: full size")
    parser.add_argument("--split", choices=("test", "set"), default="test")
    parser.add_argument("--peer-photos", type=int, help="for the peers' limits; default a third")
    parser.add_argument("--no-peers", action="store_true")
    parser.add_argument("--csv", type=Path, help="write one line for each photo")
    parser.add_argument("--only", help="look at these indices alone, as 3,17")
    parser.add_argument("--keep", type=Path, help="keep photos, artworks, reports and truth here")
    parser.add_argument("--worst", type=int, default=0, help="print so many failures of each sort")
    chosen = parser.parse_args(arguments)
    keep_to_one_thread()
    half: Half = chosen.split
    captures = chosen.captures.split(",")
    began = time.monotonic()
    tasks = plan(chosen.photos, chosen.seed, captures, chosen.pictures, half, chosen.long_side)
    if chosen.only:
        wanted = {int(word) for word in chosen.only.split(",")}
        tasks = tuple(task for task in tasks if task.index in wanted)
    peers = not chosen.no_peers and not chosen.only
    rows = run(tasks, chosen.jobs, ours=True, with_peers=peers, keep=chosen.keep)
    set_rows: list[PhotoRow] = []
    if peers:
        count = chosen.peer_photos or max(chosen.photos // 3, 2 * len(captures))
        others = plan(count, chosen.seed + 1000, captures, chosen.pictures, "set", chosen.long_side)
        set_rows = run(others, chosen.jobs, ours=False, with_peers=True)
    size = f"long side {chosen.long_side} px" if chosen.long_side else "full size"
    pictures = {task.picture.name for task in tasks}
    what = f"{len(tasks)} simulated photos, {size}, of {len(pictures)} pictures of the half {half}"
    print(f"{what}, seed {chosen.seed}, {time.monotonic() - began:.0f} s")
    print("Intervals hold 95 %: Wilson for rates, bootstrap over photos for the rest.")
    for capture in sorted({task.capture for task in tasks}, key=captures.index):
        some = [row for row in rows if row.task.capture == capture]
        print_capture(capture, some)
        if peers:
            print_peers(capture, some, [r for r in set_rows if r.task.capture == capture])
    print_kinds(rows)
    print_confidence(rows)
    if chosen.worst:
        write_examples(rows, chosen.worst)
    if chosen.csv:
        write_csv(rows, chosen.csv)
    return 1 if any(row.trouble for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
