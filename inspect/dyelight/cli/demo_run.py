"""The demo: every sample photo checked and reported, with what is known to be on the panel."""

from __future__ import annotations

import re
from pathlib import Path

from rich.text import Text

from ..judge import texts
from ..records import Inspection
from ..report.outputs import make_folder
from ..report.words import finding_name, verdict_sentence
from ..samples import Manifest, SampleFile, checked_path, load_manifest
from ..settings import Settings
from .console import data_console, progress
from .exits import PASS, visible
from .job import Job, run_job
from .tables import print_hanging


def run_demo(out: Path) -> int:
    """Check all sample photos, write a folder for each, print verdicts. Returns the exit code.

    Raises `OutputError` for a folder that cannot be written, `UnreadableInput` for a damaged set.
    """
    manifest = load_manifest()
    make_folder(out)
    console = data_console()
    console.print(manifest.lab, style="bold")
    print_hanging(console, manifest.scenario, "")
    for number, item in enumerate(manifest.photos, start=1):
        name = folder_name(item, number)
        with progress(f"Looking at {item.panel_id or item.path}"):
            done = run_job(_job(item, manifest), _settings(item, out / name))
        console.print()
        title = texts.verdict_title(done.inspection.verdict.word).upper()
        label = item.panel_id or item.path
        console.print(Text.assemble((f"{number}. {label}: {title}", "bold")))
        if item.scenario:
            print_hanging(console, item.scenario, "")
        print_hanging(console, verdict_sentence(done.inspection), "")
        print_hanging(console, _found(done.inspection), "")
        console.print(f"Look at {visible(str(out / name / 'report.html'))}", soft_wrap=True)
    console.print()
    console.print("The photos are simulated, and what was planted is listed in the manifest.")
    console.print(f"All reports are in {visible(str(out))}.", soft_wrap=True)
    return PASS


def folder_name(item: SampleFile, number: int) -> str:
    """A folder name that any file system takes, from a panel's number."""
    word = re.sub(r"[^A-Za-z0-9._-]+", "-", item.panel_id or Path(item.path).stem).strip("-.")
    return f"{number:02d}-{word}" if word else f"{number:02d}"


def _job(item: SampleFile, manifest: Manifest) -> Job:
    artwork = next(other for other in manifest.file if other.path == item.artwork)
    return Job((checked_path(item),), checked_path(artwork), item.panel_id)


def _settings(item: SampleFile, out: Path) -> Settings:
    # the demo shows what ships: nobody's own settings change it
    assert item.size_mm is not None  # the manifest's loader refuses photos without a size
    width, height = item.size_mm
    return Settings(
        size=f"{width:g}x{height:g}",
        bleed=item.bleed_mm,
        base=item.base,
        finish=item.finish,
        out=out,
    )


def _found(inspection: Inspection) -> str:
    if not inspection.findings:
        return "Found: nothing."
    counts: dict[str, int] = {}
    for finding in inspection.findings:
        name = finding_name(finding)
        counts[name] = counts.get(name, 0) + 1
    parts = [name if count == 1 else f"{name} ({count})" for name, count in counts.items()]
    return f"Found: {', '.join(parts)}."
