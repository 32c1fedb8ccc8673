"""From file names and settings to one inspection, with its files written: what commands share."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ..causes import load_causes
from ..intake import read_artwork, read_photo
from ..judge import load_acceptance, load_rules
from ..pipeline import inspect_panel
from ..records import Inspection, VerdictWord
from ..report.outputs import OutputPaths, refuse_unwritable, write_outputs
from ..settings import Settings
from .exits import PASS, RETAKE, STOPPED

_CODES: dict[VerdictWord, int] = {
    "pass": PASS,
    "review": STOPPED,
    "remake": STOPPED,
    "retake": RETAKE,
}


@dataclass(frozen=True, slots=True)
class Job:
    """The files of one panel."""

    photos: tuple[Path, ...]
    artwork: Path
    panel_id: str = ""


@dataclass(frozen=True, slots=True)
class Done:
    """An inspection, and where its files lie; None where none were asked for."""

    inspection: Inspection
    paths: OutputPaths | None


def run_job(job: Job, settings: Settings) -> Done:
    """Read rules, then files, inspect, and write what was asked for.

    Raises the errors of all of these: what costs least to find out is found out first.
    """
    rules = load_rules(settings.rules)
    acceptance = load_acceptance(settings.acceptance, rules)
    causes = load_causes(settings.causes, rules)
    if settings.out is not None:
        refuse_unwritable(settings.out)
    width_mm, height_mm = settings.size_mm or (None, None)
    artwork = read_artwork(
        job.artwork,
        width_mm,
        height_mm,
        bleed_mm=settings.bleed,
        base=settings.base,
        finish=settings.finish,
        panel_id=job.panel_id,
    )
    photos = [read_photo(path) for path in job.photos]
    inspection = inspect_panel(photos, artwork, rules=rules, acceptance=acceptance, causes=causes)
    paths = None
    if settings.out is not None:
        paths = write_outputs(inspection, settings.out, photos[0])
    return Done(inspection, paths)


def exit_code(inspection: Inspection) -> int:
    """The exit code that a verdict asks for."""
    return _CODES[inspection.verdict.word]
