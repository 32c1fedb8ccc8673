"""From file names and settings to one inspection, with its files written: what commands share."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from ..causes import Chain, explain_causes, load_causes
from ..intake import read_artwork, read_photo
from ..judge import load_acceptance, load_rules
from ..pipeline import inspect_panel
from ..records import Inspection, VerdictWord
from ..report.outputs import OutputPaths, refuse_unwritable, write_outputs
from ..settings import Settings
from ..teach import load_teaching
from .exits import PASS, RETAKE, STOPPED

if TYPE_CHECKING:
    from .logged_pressing import LoggedPressing

_CODES: dict[VerdictWord, int] = {
    "pass": PASS,
    "review": STOPPED,
    "remake": STOPPED,
    "retake": RETAKE,
}


@dataclass(frozen=True, slots=True)
class Job:
    """The files of one panel. `explain` asks for every number behind the causes' weights."""

    photos: tuple[Path, ...]
    artwork: Path
    panel_id: str = ""
    explain: bool = False


@dataclass(frozen=True, slots=True)
class Done:
    """An inspection, where its files lie (None: none were asked for), and what its causes rest on.

    `chains` is empty where no explanation was asked for.
    """

    inspection: Inspection
    paths: OutputPaths | None
    chains: tuple[Chain, ...] = ()


def run_job(job: Job, settings: Settings, pressing: LoggedPressing | None = None) -> Done:
    """Read rules, then files, inspect, and write what was asked for.

    `pressing` is the panel's pressing in the press log, None where there is none.
    Raises the errors of all of these: what costs least to find out is found out first.
    """
    rules = load_rules(settings.rules)
    acceptance = load_acceptance(settings.acceptance, rules)
    causes = load_causes(settings.causes, rules)
    taught = None if settings.taught is None else load_teaching(settings.taught)
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
    evidence = None if pressing is None else cache(partial(pressing.evidence, causes))
    inspection = inspect_panel(
        photos,
        artwork,
        rules=rules,
        acceptance=acceptance,
        causes=causes,
        evidence=evidence,
        taught=taught,
    )
    paths = None
    if settings.out is not None:
        # a first photo that could not be placed gives way to one that could
        shown = next(p for p in photos if p.sha256 == inspection.photos[0].sha256)
        paths = write_outputs(inspection, settings.out, shown)
    chains: tuple[Chain, ...] = ()
    if job.explain and inspection.findings:
        known = None if evidence is None else evidence()
        chains = explain_causes(inspection.findings, artwork, causes, known)
    return Done(inspection, paths, chains)


def exit_code(inspection: Inspection) -> int:
    """The exit code that a verdict asks for."""
    return _CODES[inspection.verdict.word]
