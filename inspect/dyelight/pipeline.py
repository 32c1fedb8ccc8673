"""The stages in their order, nothing else."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from . import __version__
from .causes import CauseMap, rank_causes
from .detect import Sight, detect, keep_sight, merged
from .errors import DyelightError, StageFault
from .heap import keep_freed_memory
from .judge import AcceptanceSpec, Rules, judge_panel, name_candidates, rules_sha256
from .look import compare, look_beside
from .placement import place
from .records import (
    Artwork,
    ArtworkFacts,
    Inspection,
    NoPlacement,
    Note,
    Photo,
    PhotoFacts,
    Pictures,
    Placement,
)
from .report.pictures import squared_up_pictures
from .teach.use import UnderTaught, hold_against, note_of

if TYPE_CHECKING:
    from .causes.evidence import Evidence
    from .teach import Teaching


@contextmanager
def stage(name: str, file: str) -> Iterator[None]:
    """Turn whatever a stage did not foresee into a fault that names the stage."""
    try:
        yield
    except (DyelightError, KeyboardInterrupt):
        raise
    except Exception as fault:
        raise StageFault(
            f"dyelight failed while working on this photo ({type(fault).__name__}: {fault}).",
            file=file,
            place=name,
            remedy="This is a fault of dyelight, not of the photo. "
            "Please keep the photo and report it.",
        ) from fault


def inspect_panel(
    photos: Sequence[Photo],
    artwork: Artwork,
    *,
    rules: Rules,
    acceptance: AcceptanceSpec,
    causes: CauseMap,
    evidence: Callable[[], Evidence] | None = None,
    taught: Teaching | None = None,
) -> Inspection:
    """Inspect one panel: placement, look, detect, judge, causes.

    `evidence` gives what the press log says of this panel's pressing, and is asked only where
    something was found; None where there is no log. `taught` is what the fixed camera learnt that
    took them; a photo that it does not fit says so in a note and is looked at without.
    Each photo is looked at by itself, one after the other, and what they saw is merged. Placement
    and pictures are those of the first photo that could be placed, which `photos` names first.
    Raises StageFault where a stage fails; a photo that cannot carry a verdict is a result. The
    whole process keeps the memory that it frees from then on (`heap.py`).
    """
    began = time.perf_counter()
    keep_freed_memory()
    sights: list[Sight] = []
    unplaced: list[tuple[Photo, NoPlacement]] = []
    first: tuple[Photo, Placement, Pictures] | None = None
    for photo in photos:
        with stage("placement", photo.file):
            placed = place(photo, artwork)
        if isinstance(placed, NoPlacement):
            unplaced.append((photo, placed))
            continue
        with stage("look", photo.file):
            difference = compare(photo, artwork, placed)
        held: UnderTaught | Note | None = None
        if taught is not None:
            with stage("taught", photo.file):
                held = hold_against(taught, photo, difference, placed)
        with stage("detect", photo.file):
            seen = detect(
                difference,
                partial(look_beside, photo, artwork, placed),
                held if isinstance(held, UnderTaught) else None,
            )
            noted = photo
            if taught is not None and held is not None:
                note = held if isinstance(held, Note) else note_of(taught, judged=seen.taught)
                noted = replace(photo, notes=(*photo.notes, note))
            seen_in, placed = seen.beside or (difference, placed)
            sights.append(keep_sight(seen_in, seen, placed, noted, alone=len(photos) == 1))
        if first is None:
            with stage("pictures", photo.file):
                # of two images a person is shown the look without the second, which is not due
                first = photo, placed, squared_up_pictures(photo, difference)
        # the largest things of all, and the next photo needs their room
        del difference, seen, seen_in
    shown = photos[0] if first is None else first[0]
    with stage("merge", shown.file):
        panel = merged(sights, unplaced, artwork)
    with stage("judge", shown.file):
        findings = name_candidates(panel.candidates, artwork, rules, acceptance, panel.views)
        verdict = judge_panel(findings, artwork, panel.capture, panel.usable, acceptance)
    with stage("causes", shown.file):
        ranked = rank_causes(
            findings, artwork, causes, evidence() if evidence and findings else None
        )
    return Inspection(
        panel=_artwork_facts(artwork),
        photos=tuple(
            PhotoFacts(p.file, p.sha256, p.width_px, p.height_px)
            for p in sorted(photos, key=lambda p: p is not shown)
        ),
        usable=panel.usable,
        capture=panel.capture,
        placement=None if first is None else first[1],
        findings=findings,
        verdict=verdict,
        causes=ranked,
        rules_sha256=rules_sha256(rules, acceptance, causes),
        tool_version=__version__,
        seconds=time.perf_counter() - began,
        pictures=None if first is None else first[2],
    )


def _artwork_facts(artwork: Artwork) -> ArtworkFacts:
    return ArtworkFacts(
        file=artwork.file,
        sha256=artwork.sha256,
        width_mm=artwork.width_mm,
        height_mm=artwork.height_mm,
        bleed_mm=artwork.bleed_mm,
        base=artwork.base,
        finish=artwork.finish,
        size_known=artwork.size_known,
        panel_id=artwork.panel_id,
    )
