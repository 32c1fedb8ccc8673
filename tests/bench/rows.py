"""What a bench writes down about one photo, and the work that fills it in."""

from __future__ import annotations

import sys
import time
import traceback
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import peers
from matching import WIDE_KINDS, Planted, matches, overlap, planted_of, touches
from shots import Shot, Task, shoot

from dyelight.causes import CauseMap, load_causes
from dyelight.judge import AcceptanceSpec, Rules, load_acceptance, load_rules
from dyelight.pipeline import inspect_panel
from dyelight.records import F64, Inspection, Kind, VerdictWord
from dyelight.report.outputs import write_outputs

PEER_LIMITS = {"lab": peers.LAB_LIMITS, "ssim": peers.SSIM_LIMITS}


@dataclass(frozen=True, slots=True)
class DefectRow:
    """One planted defect and what came of it. `named` is None where it was not found."""

    planted: Planted
    found: bool
    named: Kind | None
    shift_error_mm: float | None


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding. `about` is the planted defect that it speaks of, None where there is none."""

    kind: Kind
    confidence: float
    delta_e00: float
    snr: float
    center_mm: tuple[float, float]
    eq_diameter_mm: float
    about: Planted | None


@dataclass(frozen=True, slots=True)
class OurRow:
    """The program's answer. Errors are in px at the 9x9 grid and at the corners; None unplaced."""

    verdict: VerdictWord
    grid_error_px: F64 | None
    corner_error_px: F64 | None
    outline_seen: bool
    uncertainty_px: float | None
    notes: tuple[str, ...]
    defects: tuple[DefectRow, ...]
    findings: tuple[FindingRow, ...]
    seconds: float


@dataclass(frozen=True, slots=True)
class PeerRow:
    """A peer's answer at each of its limits: `found` (limits, local defects), `false` (limits,)."""

    grid_error_px: F64 | None
    found: np.ndarray[tuple[int, int], np.dtype[np.bool_]]
    false: np.ndarray[tuple[int], np.dtype[np.int64]]
    any: np.ndarray[tuple[int], np.dtype[np.bool_]]
    seconds: float


@dataclass(slots=True)
class PhotoRow:
    """One photo. `trouble` holds the traceback of whatever failed, by part."""

    task: Task
    planted: tuple[Planted, ...] = ()
    hidden_fraction: float = 0.0
    ours: OurRow | None = None
    peers: dict[str, PeerRow] = field(default_factory=dict)
    trouble: dict[str, str] = field(default_factory=dict)


@cache
def models() -> tuple[Rules, AcceptanceSpec, CauseMap]:
    """Rules, acceptance spec and cause map as they ship, loaded once."""
    rules = load_rules()
    return rules, load_acceptance(None, rules), load_causes(None, rules)


def start_worker() -> None:
    """One thread for each process, so that seconds of two programs compare."""
    cv2.setNumThreads(1)


def look_at(task: Task, *, ours: bool, with_peers: bool, keep: Path | None = None) -> PhotoRow:
    """Simulate a photo and let everybody look at it; what fails is written into the row.

    `keep` is a folder for the photo, its artwork, the program's reports and the truth.
    """
    row = PhotoRow(task)
    try:
        shot = shoot(task)
        truth = shot.simulated.truth
        row.hidden_fraction = truth.hidden_fraction
        size = (shot.artwork.width_mm, shot.artwork.height_mm)
        row.planted = planted_of(truth, shot.planted, size, from_outline=False)
        if keep is not None:
            _keep(shot, row, keep / f"{task.index:04d}")
    except Exception:  # a bench goes on; the trouble is counted and printed
        row.trouble["simulation"] = traceback.format_exc()
        return row
    if ours:
        try:
            row.ours = _ours(shot, None if keep is None else keep / f"{task.index:04d}")
        except Exception:  # as above
            row.trouble["ours"] = traceback.format_exc()
    if with_peers:
        try:
            row.peers = _peers(shot, row.planted)
        except Exception:  # as above
            row.trouble["peers"] = traceback.format_exc()
    return row


def print_trouble(row: PhotoRow) -> None:
    """Print what failed, with the photo that it failed on, to standard error."""
    for part, text in row.trouble.items():
        where = f"{row.task.picture.name}, {row.task.capture}"
        which = f"seed {row.task.seed}, index {row.task.index}"
        print(f"{part} failed: {where}, {which}\n{text}", file=sys.stderr)


def _keep(shot: Shot, row: PhotoRow, folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "photo.jpg").write_bytes(shot.simulated.jpeg)
    art = cv2.cvtColor(np.asarray(shot.artwork.pixels, np.uint8), cv2.COLOR_RGB2BGR)
    cv2.imwrite(str(folder / "artwork.png"), art)
    work = shot.artwork
    lines = [
        f"{row.task.picture.name} {row.task.capture} seed {row.task.seed} index {row.task.index}",
        f"--size {work.width_mm!r}x{work.height_mm!r} --bleed {work.bleed_mm:g} --base {work.base}",
        *(
            f"{p.kind} {p.visibility} dE00 {p.delta_e00:.1f} ideal d' {p.snr_ideal:.0f} "
            f"box {' '.join(f'{v:.1f}' for v in p.box_mm)}"
            for p in row.planted
        ),
    ]
    (folder / "truth.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _ours(shot: Shot, keep: Path | None) -> OurRow:
    rules, acceptance, causes = models()
    began = time.process_time()
    result = inspect_panel(
        [shot.photo], shot.artwork, rules=rules, acceptance=acceptance, causes=causes
    )
    seconds = time.process_time() - began
    if keep is not None:
        write_outputs(result, keep, shot.photo)
    return assess(shot, result, seconds)


def assess(shot: Shot, result: Inspection, seconds: float) -> OurRow:
    """Hold an inspection against the truth."""
    truth, placement = shot.simulated.truth, result.placement
    size = (shot.artwork.width_mm, shot.artwork.height_mm)
    grid_error = corner_error = None
    if placement is not None:
        grid_error = _distance(placement.picture.to_photo(truth.grid[0]), truth.grid[1])
        corner_error = _distance(placement.corners_px, truth.corners_px)
    seen_outline = placement is not None and placement.outline_seen
    planted = planted_of(truth, shot.planted, size, from_outline=seen_outline)
    boxes = np.array([f.box_mm for f in result.findings], np.float64).reshape(-1, 4)
    kinds = [f.kind for f in result.findings]
    about: list[tuple[float, Planted] | None] = [None] * len(kinds)
    defects = []
    for defect in planted:
        hit = np.flatnonzero(matches(boxes, kinds, defect))
        shared = overlap(boxes, defect)
        named = None
        error = None
        if hit.size:
            best = int(hit[np.argmax(shared[hit])])
            named = kinds[best]
            vector = result.findings[best].vector_mm
            if defect.shift_mm is not None and vector is not None:
                error = float(np.hypot(*(np.array(vector) - defect.shift_mm)))
        for i in hit:
            old = about[int(i)]
            # what can be seen explains a finding better than what cannot
            score = float(shared[i]) + (1.0 if defect.counts else 0.0)
            if old is None or score > old[0]:
                about[int(i)] = (score, defect)
        defects.append(DefectRow(defect, bool(hit.size), named, error))
    findings = tuple(
        FindingRow(
            f.kind,
            f.confidence,
            f.delta_e00,
            f.snr,
            f.center_mm,
            f.eq_diameter_mm,
            None if one is None else one[1],
        )
        for f, one in zip(result.findings, about, strict=True)
    )
    return OurRow(
        result.verdict.word,
        grid_error,
        corner_error,
        seen_outline,
        None if placement is None else placement.uncertainty_px,
        tuple(note.code for note in result.capture.notes),
        tuple(defects),
        findings,
        seconds,
    )


def _distance(a: F64, b: F64) -> F64:
    return np.asarray(np.linalg.norm(a - b, axis=1), np.float64)


def _peers(shot: Shot, planted: tuple[Planted, ...]) -> dict[str, PeerRow]:
    began = time.process_time()
    photo_from_mm = peers.place(shot.photo, shot.artwork)
    pair = None
    if photo_from_mm is not None:
        pair = peers.square_up(shot.photo, shot.artwork, photo_from_mm)
    shared_seconds = time.process_time() - began
    error = None
    if photo_from_mm is not None:
        points, px = shot.simulated.truth.grid
        error = _distance(cv2.perspectiveTransform(points[None], photo_from_mm)[0], px)
    out = {}
    for name, limits in PEER_LIMITS.items():
        began = time.process_time()
        found = np.zeros((len(limits), len(planted)), np.bool_)
        false = np.zeros(len(limits), np.int64)
        several = np.zeros(len(limits), np.bool_)
        seconds = shared_seconds
        if pair is not None:
            measure = peers.lab_difference if name == "lab" else peers.ssim_difference
            difference = measure(pair)
            seconds += time.process_time() - began
            for i, limit in enumerate(limits):
                boxes = peers.boxes(difference, pair.px_per_mm, limit)
                # what covers the panel has no place that a box could match
                hits = np.array(
                    [touches(boxes, d) & (d.kind not in WIDE_KINDS) for d in planted], np.bool_
                ).reshape(len(planted), len(boxes))
                found[i] = hits.any(axis=1)
                false[i] = int((~hits.any(axis=0)).sum())
                several[i] = len(boxes) > 0
        out[name] = PeerRow(error, found, false, several, seconds)
    return out
