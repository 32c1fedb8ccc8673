"""The accuracy bench's tables: from rows to plain text."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from intervals import Estimate, bootstrap, wilson
from matching import WIDE_KINDS, Visibility
from rows import PEER_LIMITS, DefectRow, OurRow, PhotoRow

WRONG_PX = 2.0
_STOPPED = ("remake", "review")
_ASKED: tuple[Visibility, ...] = ("visible", "faint")
_CONFIDENCE_EDGES = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0001)


@dataclass(frozen=True, slots=True)
class Target:
    """What the program must reach in one capture."""

    median_px: float
    recall: float
    right_kind: float
    stopped: float


TARGETS = {
    "station": Target(0.3, 0.95, 0.90, 0.05),
    "handheld": Target(0.5, 0.92, 0.88, 0.10),
    "customer": Target(0.8, 0.85, 0.80, 0.10),
}


def rate(estimate: Estimate) -> str:
    """A rate with its interval and count, as `0.930 [0.88 0.96] of 120`."""
    if not estimate.n:
        return "none"
    return f"{estimate.value:.3f} [{estimate.low:.2f} {estimate.high:.2f}] of {estimate.n}"


def number(estimate: Estimate, unit: str = "") -> str:
    """A number with its interval."""
    if not estimate.n:
        return "none"
    return f"{estimate.value:.3f}{unit} [{estimate.low:.3f} {estimate.high:.3f}]"


def usable(row: PhotoRow) -> bool:
    """Whether the photo got a verdict on its panel."""
    return row.ours is not None and row.ours.verdict != "retake"


def wrongly_placed(ours: OurRow) -> bool:
    """Whether a verdict stands on a placement with half of its picture points over 2 px off."""
    error = ours.grid_error_px
    return (
        ours.verdict != "retake" and error is not None and not float(np.median(error)) <= WRONG_PX
    )


def asked(rows: Iterable[PhotoRow], visibility: Visibility) -> list[DefectRow]:
    """Planted defects of a class in photos that got a verdict."""
    return [
        d
        for row in rows
        if row.ours is not None and usable(row)
        for d in row.ours.defects
        if d.planted.visibility == visibility
    ]


def recall(defects: Sequence[DefectRow]) -> Estimate:
    """The share that was found."""
    return wilson(sum(d.found for d in defects), len(defects))


def right_kind(defects: Sequence[DefectRow]) -> Estimate:
    """The share of those found that bear their kind."""
    found = [d for d in defects if d.found]
    return wilson(sum(d.named == d.planted.kind for d in found), len(found))


def false_findings(rows: Iterable[PhotoRow]) -> list[float]:
    """False findings on each panel that got a verdict."""
    return [
        float(sum(f.about is None for f in row.ours.findings))
        for row in rows
        if row.ours is not None and usable(row)
    ]


def print_capture(capture: str, rows: Sequence[PhotoRow]) -> None:
    """Everything about one capture."""
    target = TARGETS[capture]
    ours = [row.ours for row in rows if row.ours is not None]
    judged = [one for one in ours if one.verdict != "retake"]
    print(f"\n=== {capture}: {len(rows)} simulated photos ===")
    words = Counter(one.verdict for one in ours)
    _say("verdicts", ", ".join(f"{w} {n}" for w, n in sorted(words.items())))
    _say("failed", str(sum(bool(row.trouble.keys() - {"peers"}) for row in rows)))
    _say("retaken", rate(wilson(len(ours) - len(judged), len(ours))))
    _say("wrongly placed", rate(wilson(sum(map(wrongly_placed, ours)), len(ours))))
    placed = [e for one in judged if (e := one.grid_error_px) is not None]
    medians = bootstrap([float(np.median(error)) for error in placed])
    _say("picture points, median", number(medians, " px"), f"at most {target.median_px:g}")
    if placed:
        points = np.concatenate(placed)
        near = f"{np.quantile(points, 0.95):.3f} px; {np.mean(points <= WRONG_PX):.4f} within 2 px"
        _say("picture points, p95", near)
        corners = [
            float(np.median(one.corner_error_px))
            for one in judged
            if one.corner_error_px is not None and one.outline_seen
        ]
        seen = f"; outline seen in {len(corners)} of {len(judged)}"
        _say("panel corners, median", number(bootstrap(corners), " px") + seen)
    visible, faint = asked(rows, "visible"), asked(rows, "faint")
    _say("recall, visible", rate(recall(visible)), f"at least {target.recall:g}")
    _say("recall, faint", rate(recall(faint)))
    planted = [p.visibility for row in rows if row.ours for p in row.planted]
    with_retaken = wilson(sum(d.found for d in visible), planted.count("visible"))
    _say("  visible, retaken missed", rate(with_retaken))
    _say("  hidden, left out", str(planted.count("hidden")))
    named = right_kind(visible + faint)
    _say("right kind of those found", rate(named), f"at least {target.right_kind:g}")
    _say("false findings a panel", number(bootstrap(false_findings(rows), None)))
    clean = [row for row in rows if row.task.faultless and row.ours is not None]
    fine = [row for row in clean if usable(row)]
    _say("  on faultless panels", number(bootstrap(false_findings(fine), None)))
    _say("faultless stopped", rate(_stopped(clean)), f"at most {target.stopped:g}")
    _say("faultless retaken", rate(wilson(len(clean) - len(fine), len(clean))))
    errors = [d.shift_error_mm for d in visible + faint if d.shift_error_mm is not None]
    _say("ghost vector error", f"{number(bootstrap(errors), ' mm')} ({len(errors)})")


def _say(name: str, text: str, target: str = "") -> None:
    print(f"{name:27}{text}" + (f"   (to reach: {target})" if target else ""))


def _stopped(clean: Sequence[PhotoRow]) -> Estimate:
    words = [row.ours.verdict for row in clean if row.ours is not None]
    return wilson(sum(word in _STOPPED for word in words), len(words))


def print_kinds(rows: Sequence[PhotoRow]) -> None:
    """Recall by kind and visibility, and what was named what."""
    kinds = sorted({p.kind for row in rows for p in row.planted})
    both = {v: asked(rows, v) for v in _ASKED}
    print("\n--- by kind, all captures: recall visible, recall faint, right kind ---")
    for kind in kinds:
        of_kind = {v: [d for d in both[v] if d.planted.kind == kind] for v in _ASKED}
        cells = [rate(recall(of_kind[v])) for v in _ASKED]
        cells.append(rate(right_kind([d for v in _ASKED for d in of_kind[v]])))
        print(f"{kind:14}" + "".join(f"{cell:30}" for cell in cells).rstrip())
    print("\n--- planted (rows) named (columns), visible and faint ---")
    every = [d for v in _ASKED for d in both[v]]
    false = Counter(
        f.kind
        for row in rows
        if row.ours and usable(row)
        for f in row.ours.findings
        if f.about is None
    )
    names = sorted({d.named for d in every if d.named} | set(false))
    print(" " * 14 + "".join(f"{name[:11]:>12}" for name in ["missed", *names]))
    for kind in kinds:
        some = [d for d in every if d.planted.kind == kind]
        counts = [sum(not d.found for d in some)]
        counts += [sum(d.named == name for d in some) for name in names]
        print(f"{kind:14}" + "".join(f"{count or '.':>12}" for count in counts))
    print(f"{'(false)':26}" + "".join(f"{false[name] or '.':>12}" for name in names))


def print_confidence(rows: Sequence[PhotoRow]) -> None:
    """How often findings of a stated confidence are true."""
    findings = [
        f
        for row in rows
        if row.ours and usable(row)
        for f in row.ours.findings
        if f.about is None or f.about.counts
    ]
    print("\n--- confidence: stated mean, share true, share true and rightly named ---")
    for low, high in pairwise(_CONFIDENCE_EDGES):
        some = [f for f in findings if low <= f.confidence < high]
        if not some:
            continue
        true = wilson(sum(f.about is not None for f in some), len(some))
        right = wilson(sum(f.about is not None and f.about.kind == f.kind for f in some), len(some))
        stated = float(np.mean([f.confidence for f in some]))
        print(f"{low:.2f}-{min(high, 1):.2f}   {stated:.3f}   {rate(true):30}{rate(right)}")


def choose_limit(rows: Sequence[PhotoRow], peer: str, budget: float) -> int:
    """The lowest limit at which a peer keeps to a budget of false findings a panel.

    Where no limit keeps to it, the one with the fewest.
    """
    false = np.array([row.peers[peer].false for row in rows if peer in row.peers], np.float64)
    mean = false.mean(axis=0)
    within = np.flatnonzero(mean <= budget)
    return int(within[0]) if within.size else int(np.argmin(mean))


def print_peers(capture: str, rows: Sequence[PhotoRow], set_rows: Sequence[PhotoRow]) -> None:
    """The peers beside the program, on local defects alone."""
    ours = [row.ours for row in rows if row.ours is not None and usable(row)]
    false_ours = false_findings(rows)
    budget = max(float(np.mean(false_ours)) if false_ours else 0.0, 0.1)
    print(
        f"\n--- {capture}: beside plain peers, on local defects; their limits keep to "
        f"{budget:.2f} false a panel on {len(set_rows)} photos of the half set, where they can ---"
    )
    heads = f"{'points, px':30}{'recall, visible':30}{'recall, faint':30}{'false a panel':30}"
    print(f"{'':6}{'limit':>6}  {heads}{'faultless stopped':30}CPU s")
    local = [
        recall([d for d in asked(rows, v) if d.planted.kind not in WIDE_KINDS]) for v in _ASKED
    ]
    medians = [float(np.median(e)) for one in ours if (e := one.grid_error_px) is not None]
    stopped = _stopped([row for row in rows if row.task.faultless])
    seconds = [row.ours.seconds for row in rows if row.ours]
    _peer_line("ours", "", medians, local, false_ours, stopped, seconds)
    for peer in PEER_LIMITS:
        some = [row for row in rows if peer in row.peers]
        if some and any(peer in row.peers for row in set_rows):
            _print_peer(peer, some, choose_limit(set_rows, peer, budget))


def _print_peer(peer: str, rows: Sequence[PhotoRow], at: int) -> None:
    placed = [row for row in rows if row.peers[peer].grid_error_px is not None]
    rates = []
    for visibility in _ASKED:
        hits = [
            bool(row.peers[peer].found[at, i])
            for row in placed
            for i, planted in enumerate(row.planted)
            if planted.visibility == visibility and planted.kind not in WIDE_KINDS
        ]
        rates.append(wilson(sum(hits), len(hits)))
    clean = [row for row in rows if row.task.faultless]
    stopped = wilson(sum(bool(row.peers[peer].any[at]) for row in clean), len(clean))
    points = [row.peers[peer].grid_error_px for row in placed]
    medians = [float(np.median(error)) for error in points if error is not None]
    false = [float(row.peers[peer].false[at]) for row in placed]
    times = [row.peers[peer].seconds for row in rows]
    _peer_line(peer, f"{PEER_LIMITS[peer][at]:g}", medians, rates, false, stopped, times)
    ratios = [row.ours.seconds / row.peers[peer].seconds for row in rows if row.ours]
    lost = f"not placed: {len(rows) - len(placed)} of {len(rows)}"
    print(f"{'':14}our CPU time over its: {number(bootstrap(ratios))}; {lost}")


def _peer_line(
    name: str,
    limit: str,
    medians: Sequence[float],
    rates: Sequence[Estimate],
    false: Sequence[float],
    stopped: Estimate,
    seconds: Sequence[float],
) -> None:
    cpu = float(np.median(seconds)) if seconds else float("nan")
    cells = [number(bootstrap(medians)), *map(rate, rates), number(bootstrap(false, None))]
    cells.append(rate(stopped))
    print(f"{name:6}{limit:>6}  " + "".join(f"{cell:30}" for cell in cells) + f"{cpu:.2f}")
