"""An inspection on the terminal: verdict first, then what, where, why and what next."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from ..judge import texts
from ..records import Cause, Finding, Inspection, VerdictWord
from ..report.outputs import OutputPaths
from ..report.words import (
    all_notes,
    cautions_of,
    finding_name,
    finding_number,
    length,
    length_unit,
    panel_size,
    reading_short,
    size_of,
    sure_percent,
    verdict_reason,
    verdict_sentence,
)
from .console import data_console
from .exits import visible

MOST_ROWS = 25
MOST_CAUSES = 3
_SIGNS: dict[VerdictWord, str] = {
    "pass": "[ok]",
    "review": "[!?]",
    "remake": "[X]",
    "retake": "[o]",
}


def print_inspection(inspection: Inspection, paths: OutputPaths | None = None) -> None:
    """Print one inspection on standard output."""
    console = data_console()
    print_verdict(console, inspection)
    if inspection.findings:
        console.print(findings_table(inspection.findings, inspection.panel.size_known))
        unit = length_unit(inspection.panel.size_known)
        console.print(f"Where: {unit} from the panel's left and top edge.")
        more = len(inspection.findings) - MOST_ROWS
        if more > 0:
            console.print(f"{more} more: see result.json (--out) or --format json.")
    _print_causes(console, inspection.causes)
    _print_capture(console, inspection)
    if inspection.findings:
        _print_list(console, "Take care", cautions_of(inspection))
    if paths is not None:
        console.print()
        console.print("Files", style="bold")
        for path in (paths.report, paths.marked, paths.result):
            # soft_wrap keeps a long path in one piece, to be clicked or copied
            console.print(f"  {visible(str(path))}", soft_wrap=True)


def print_verdict(console: Console, inspection: Inspection) -> None:
    """The verdict as sign and word, whose panel it is, and why."""
    word = inspection.verdict.word
    title = texts.verdict_title(word).upper()
    panel = inspection.panel
    about = ", ".join(part for part in (panel.panel_id, panel.file, panel_size(panel)) if part)
    console.print(Text.assemble((f"{_SIGNS[word]} {title}", "bold"), f"  {visible(about)}"))
    because = inspection.verdict.because
    print_hanging(console, verdict_sentence(inspection, reasons=len(because) < 2), "")
    if len(because) > 1:
        for reading in because[:6]:
            _print_item(console, verdict_reason(reading, inspection))
        if len(because) > 6:
            _print_item(console, f"{len(because) - 6} more limits stand against it.")


def findings_table(findings: Sequence[Finding], size_known: bool) -> Table:
    """The findings as a table that still reads at 80 columns."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("No", justify="right", no_wrap=True)
    table.add_column("What", min_width=13)
    table.add_column("Where", no_wrap=True)
    table.add_column("Size", no_wrap=True)
    table.add_column("ΔE00", justify="right", no_wrap=True)
    table.add_column("Sure", justify="right", no_wrap=True)
    table.add_column("Why", ratio=1)
    for item in findings[:MOST_ROWS]:
        x, y = item.center_mm
        table.add_row(
            finding_number(item),
            f"{finding_name(item)}, {item.severity}",
            "whole" if item.extent == "panel" else f"{x:.0f}, {y:.0f}",
            _size(item, size_known),
            f"{item.delta_e00:.1f}",
            sure_percent(item.confidence).replace("over ", ">"),
            _why(item),
        )
    return table


def _why(item: Finding) -> str:
    """The tightest rule that named the finding, leaving out what other columns say already."""
    said = ("snr", "delta_e00", "eq_diameter_mm")
    told = [row for row in item.because if not any(name in row.rule for name in said)]
    return "; ".join(reading_short(row) for row in (told or item.because)[:1])


def _size(item: Finding, size_known: bool) -> str:
    if item.vector_mm is not None:
        return f"by {length(math.hypot(*item.vector_mm), size_known)}"
    if item.extent == "panel":
        return "-"
    return size_of(item, size_known).removesuffix(" across")


def _print_causes(console: Console, causes: Sequence[Cause]) -> None:
    if not causes:
        return
    console.print()
    console.print("Likely causes", style="bold")
    for cause in causes[:MOST_CAUSES]:
        _print_item(console, f"{100 * cause.weight:.0f} %  {cause.title}")
        _print_deeper(console, f"Change next: {cause.try_next}")


def _print_capture(console: Console, inspection: Inspection) -> None:
    capture, known = inspection.capture, inspection.panel.size_known
    lines = []
    if capture.smallest_speck_mm is not None:
        size = length(capture.smallest_speck_mm, known)
        lines.append(f"Specks under {size} would go unseen (at ΔE00 6).")
    if capture.faintest_spot_de00 is not None:
        faintest = capture.faintest_spot_de00
        lines.append(
            f"Spots fainter than ΔE00 {faintest:.1f} would go unseen ({length(5, known)} across)."
        )
    if inspection.placement is not None and capture.hidden_fraction > 0:
        lines.append(f"{100 * capture.hidden_fraction:.1f} % of the panel is not seen.")
    lines += all_notes(inspection)
    _print_list(console, "What the photo could not show", lines)


def _print_list(console: Console, title: str, lines: Sequence[str]) -> None:
    if not lines:
        return
    console.print()
    console.print(title, style="bold")
    for line in lines:
        _print_item(console, line)


def _print_item(console: Console, text: str) -> None:
    print_hanging(console, text, " - ")


def _print_deeper(console: Console, text: str) -> None:
    print_hanging(console, text, " " * 6)


def print_hanging(console: Console, text: str, lead: str) -> None:
    """Print one paragraph after `lead`, further lines under its beginning, no trailing blanks."""
    lines = Text(visible(text)).wrap(console, max(20, console.width - len(lead)))
    for index, line in enumerate(lines):
        line.rstrip()
        console.print((lead if index == 0 else " " * len(lead)) + line.plain, soft_wrap=True)
