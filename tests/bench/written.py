"""The accuracy bench's rows as CSV, and its failures by example."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from rows import PhotoRow
from tables import usable, wrongly_placed

_COLUMNS = (
    *("index", "seed", "capture", "picture", "faultless", "failed", "verdict"),
    *("median_px", "p95_px", "corner_px", "outline_seen", "hidden_fraction"),
    *("visible", "visible_found", "faint", "faint_found", "right_kind", "findings", "false"),
    *("notes", "our_cpu_s", "lab_cpu_s", "ssim_cpu_s"),
)


def write_csv(rows: Sequence[PhotoRow], path: Path) -> None:
    """One line for each photo."""
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(_COLUMNS)
        for row in rows:
            out.writerow(_line(row))


def _line(row: PhotoRow) -> list[object]:
    task, ours = row.task, row.ours
    head: list[object] = [task.index, task.seed, task.capture, task.picture.name, task.faultless]
    cpu = [f"{row.peers[p].seconds:.3f}" if p in row.peers else "" for p in ("lab", "ssim")]
    failed = " ".join(row.trouble)
    if ours is None:
        return [*head, failed, *[""] * (len(_COLUMNS) - len(head) - 3), *cpu]
    error, corner = ours.grid_error_px, ours.corner_error_px
    counts: list[object] = []
    for visibility in ("visible", "faint"):
        some = [d for d in ours.defects if d.planted.visibility == visibility]
        counts += [len(some), sum(d.found for d in some)]
    right = sum(d.named == d.planted.kind for d in ours.defects if d.planted.counts)
    return [
        *head,
        failed,
        ours.verdict,
        "" if error is None else f"{np.median(error):.3f}",
        "" if error is None else f"{np.quantile(error, 0.95):.3f}",
        "" if corner is None else f"{np.median(corner):.3f}",
        ours.outline_seen,
        f"{row.hidden_fraction:.3f}",
        *counts,
        right,
        len(ours.findings),
        sum(f.about is None for f in ours.findings),
        " ".join(ours.notes),
        f"{ours.seconds:.3f}",
        *cpu,
    ]


def write_examples(rows: Sequence[PhotoRow], most: int) -> None:
    """Print up to `most` failures of each sort, so that they can be looked at one by one."""
    lines: dict[str, list[tuple[float, str]]] = {}
    for row in rows:
        ours = row.ours
        if ours is None:
            continue
        where = f"{row.task.picture.name} {row.task.capture} index {row.task.index}"
        if ours.verdict == "retake":
            lines.setdefault("retaken", []).append((0, f"{where}: {' '.join(ours.notes)}"))
        if wrongly_placed(ours) and ours.grid_error_px is not None:
            off = float(np.median(ours.grid_error_px))
            lines.setdefault("wrongly placed", []).append((off, f"{where}: {off:.1f} px"))
        if not usable(row):
            continue
        false = Counter(f.kind for f in ours.findings if f.about is None)
        if false:
            kinds = ", ".join(f"{kind} {n}" for kind, n in false.most_common())
            lines.setdefault("panels with false findings", []).append(
                (false.total(), f"{where}: {false.total()} ({kinds})")
            )
        for finding in ours.findings:
            if finding.about is None:
                x, y = finding.center_mm
                text = (
                    f"{where}: {finding.kind} at ({x:.1f}, {y:.1f}) mm, "
                    f"{finding.eq_diameter_mm:.2f} mm, dE00 {finding.delta_e00:.1f}, "
                    f"snr {finding.snr:.1f}, confidence {finding.confidence:.2f}"
                )
                lines.setdefault("false", []).append((finding.confidence, text))
        for defect in ours.defects:
            planted = defect.planted
            x, y = planted.center_mm
            text = (
                f"{where}: {planted.kind} at ({x:.1f}, {y:.1f}) mm, "
                f"dE00 {planted.delta_e00:.1f}, ideal d' {planted.snr_ideal:.0f}"
            )
            if planted.visibility == "visible" and not defect.found:
                lines.setdefault("missed, visible", []).append((planted.delta_e00, text))
            elif planted.counts and defect.found and defect.named != planted.kind:
                named = f"{text}, named {defect.named}"
                lines.setdefault("wrong kind", []).append((planted.delta_e00, named))
    for sort, some in lines.items():
        print(f"\n--- {sort}: {len(some)} ---")
        for _, text in sorted(some, reverse=True)[:most]:
            print(text)
