"""The stages in their order, nothing else."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

from . import __version__
from .causes import CauseMap, rank_causes
from .detect import capture_facts, detect, nothing_placed, photo_is_usable
from .errors import DyelightError, StageFault
from .judge import AcceptanceSpec, Rules, judge_panel, name_candidates, rules_sha256
from .look import compare
from .placement import place
from .records import (
    Artwork,
    ArtworkFacts,
    Inspection,
    NoPlacement,
    Note,
    Photo,
    PhotoFacts,
    Placement,
)
from .report.pictures import squared_up_pictures

if TYPE_CHECKING:
    from .causes.evidence import Evidence

# doubts that one photo leaves must stay while one photo is all that was looked at
_ONLY_FIRST = Note("only_first_photo", "Only the first photo was looked at.")


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
) -> Inspection:
    """Inspect one panel: placement, look, detect, judge, causes.

    `evidence` gives what the press log says of this panel's pressing, and is asked only where
    something was found; None where there is no log.
    Only the first photo is looked at; where there are more, a note says so. Raises StageFault where
    a stage fails; a photo that cannot carry a verdict is a result.
    """
    began = time.perf_counter()
    photo = photos[0]
    with stage("placement", photo.file):
        placed = place(photo, artwork)
    placement = placed if isinstance(placed, Placement) else None
    pictures = None
    if isinstance(placed, NoPlacement):
        capture, candidates, usable = nothing_placed(placed, photo)
    else:
        with stage("look", photo.file):
            difference = compare(photo, artwork, placed)
        with stage("detect", photo.file):
            seen = detect(difference)
            capture = capture_facts(difference, seen, placed, photo)
        candidates, usable = seen.candidates, photo_is_usable(capture)
        with stage("pictures", photo.file):
            pictures = squared_up_pictures(photo, difference)
    if len(photos) > 1:
        capture = replace(capture, notes=(*capture.notes, _ONLY_FIRST))
    with stage("judge", photo.file):
        findings = name_candidates(candidates, artwork, rules, acceptance)
        verdict = judge_panel(findings, artwork, capture, usable, acceptance)
    with stage("causes", photo.file):
        ranked = rank_causes(
            findings, artwork, causes, evidence() if evidence and findings else None
        )
    return Inspection(
        panel=_artwork_facts(artwork),
        photos=tuple(PhotoFacts(p.file, p.sha256, p.width_px, p.height_px) for p in photos),
        usable=usable,
        capture=capture,
        placement=placement,
        findings=findings,
        verdict=verdict,
        causes=ranked,
        rules_sha256=rules_sha256(rules, acceptance, causes),
        tool_version=__version__,
        seconds=time.perf_counter() - began,
        pictures=pictures,
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
