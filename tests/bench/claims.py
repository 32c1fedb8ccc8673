"""What is answered about places that simulated customer photos point to, held against the truth.

    python tests/bench claims --pictures CACHE --cases 70 --seed 1

Defects, scratches and dents count where an ideal observer sees them, and are pointed to where they
show; reflections where they add 10 L*, small files at an edge of 10 L*. All are pointed to as
nearly as a finger does, and files have a bleed or none. A photo cannot tell, in turns, of a mark
too small for it, a place beside the panel, a place burnt out. Right is the answer's own class;
`mark` is right for scratches and dents, whose class it is. Confident is what the letter calls sure.
Shown: right, wrong and confidently wrong answers of each class, and how often each answer was right
where it was given.
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
from functools import partial
from pathlib import Path

from intervals import wilson
from one_thread import keep_to_one_thread
from pictures import Half
from pointed import REALLY, PointedShot, Really, pointed_shot
from rows import models, start_worker
from tables import rate

from dyelight.claim import answer_claim, load_claim_file
from dyelight.claim.words import SURE

_RIGHT: dict[Really, tuple[str, ...]] = {
    "defect": ("pressing",),
    "handling": ("handling", "mark"),
    "reflection": ("reflection",),
    "in_file": ("in_file",),
    "cut_edge": ("cut_edge",),
    "soft_file": ("soft_file",),
    "cannot_tell": ("cannot_tell",),
}


@dataclass(frozen=True, slots=True)
class ClaimRow:
    """One case: what is there, what was answered, how surely; `trouble` where something failed."""

    index: int
    really: Really
    what: str = ""
    picture: str = ""
    code: str = ""
    reason: str = ""
    kind: str = ""
    sure: float = 0.0
    seconds: float = 0.0
    trouble: str = ""

    @property
    def right(self) -> bool:
        """Whether the answer's class is the truth's."""
        return self.code in _RIGHT[self.really]

    @property
    def wrong(self) -> bool:
        """Whether something else than the truth was told; a mark without a name is none such."""
        marked = self.code == "mark" and self.really in ("defect", "handling")
        return not self.right and self.code != "cannot_tell" and not marked

    @property
    def confidently_wrong(self) -> bool:
        """Whether that was said as if it were sure."""
        return self.wrong and self.sure >= SURE


def look(
    index: int, *, seed: int, folder: Path | None, half: Half, long_side_px: int
) -> ClaimRow | None:
    """Make one case and answer it; None where no such case could be made."""
    really = REALLY[index % len(REALLY)]
    try:
        shot = pointed_shot(index, seed, folder, half, long_side_px)
        return None if shot is None else _answered(index, shot)
    except Exception:  # a bench goes on; the trouble is counted and printed
        return ClaimRow(index, really, trouble=traceback.format_exc())


def _answered(index: int, shot: PointedShot) -> ClaimRow:
    rules, acceptance, causes = models()
    began = time.process_time()
    claim = answer_claim(
        [shot.photo],
        shot.artwork,
        f"{shot.at_px[0]:.1f},{shot.at_px[1]:.1f}",
        None,
        rules=rules,
        acceptance=acceptance,
        causes=causes,
        words=load_claim_file(),
    )
    answer = claim.answer
    return ClaimRow(
        index,
        shot.really,
        shot.what,
        shot.artwork.file,
        answer.code,
        answer.reason or "",
        answer.kind or "",
        answer.sure,
        time.process_time() - began,
    )


def print_rows(rows: Sequence[ClaimRow]) -> None:
    """One line for each class of truth, then one for each answer."""
    print(f"{'really':14}{'right':26}{'told otherwise':26}{'confidently so':26}")
    for really in (*REALLY, None):
        some = [row for row in rows if really in (None, row.really)]
        counts = (
            sum(row.right for row in some),
            sum(row.wrong for row in some),
            sum(row.confidently_wrong for row in some),
        )
        shown = "".join(f"{rate(wilson(count, len(some))):26}" for count in counts)
        print(f"{really or 'all':14}{shown}")
    print(f"\n{'answer':28}{'right where given':26}")
    for said in sorted({(row.code, row.reason) for row in rows}):
        some = [row for row in rows if (row.code, row.reason) == said]
        name = f"{said[0]} {said[1]}".strip()
        print(f"{name:28}{rate(wilson(sum(row.right for row in some), len(some)))}")
    spent = sum(row.seconds for row in rows) / max(len(rows), 1)
    print(f"\nCPU s a claim: {spent:.1f}")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench; 0 where no case failed."""
    parser = argparse.ArgumentParser(description="Answers about places in simulated photos.")
    parser.add_argument("--cases", type=int, default=70)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pictures", type=Path, help="the cache that pictures.py filled")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--long-side", type=int, default=1600, help="in px")
    parser.add_argument("--split", choices=("test", "set"), default="test")
    parser.add_argument("--tell", action="store_true", help="print every case")
    chosen = parser.parse_args(arguments)
    keep_to_one_thread()
    half: Half = chosen.split
    work = partial(
        look,
        seed=chosen.seed,
        folder=chosen.pictures,
        half=half,
        long_side_px=chosen.long_side,
    )
    rows: list[ClaimRow] = []
    with ProcessPoolExecutor(
        chosen.jobs, multiprocessing.get_context("spawn"), start_worker
    ) as pool:
        for row in pool.map(work, range(chosen.first, chosen.first + chosen.cases)):
            if row is None:
                continue
            rows.append(row)
            if row.trouble:
                print(f"{row.index} {row.really}\n{row.trouble}", file=sys.stderr)
            elif chosen.tell:
                print(
                    f"{row.index} {row.really} ({row.what}) {row.picture}: {row.code} {row.reason} "
                    f"{row.kind} {row.sure:.2f}{'' if row.right else '  <--'}",
                    flush=True,
                )
    print_rows([row for row in rows if not row.trouble])
    return 1 if any(row.trouble for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
