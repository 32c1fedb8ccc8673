"""A run on the terminal: may it ship, what to pull, what runs through it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from ..judge import texts
from ..runs.decision import TITLES, Sampling
from ..runs.entries import Entry
from ..runs.files_check import FileTrouble
from ..runs.pairing import Pairing
from ..runs.panels import Panel
from ..runs.record import Run, pareto, verdict_counts
from .console import data_console
from .exits import visible
from .tables import print_hanging

_MOST_LISTED = 25
_SIGNS = {"ship": "[ok]", "ship_without": "[ok]", "hold": "[!?]", "reject": "[X]"}


def print_run(run: Run, out: Path, for_buyer: bool) -> None:
    """Print a finished run on standard output."""
    console = data_console()
    decision = run.decision
    about = ", ".join(part for part in (run.buyer, run.source) if part)
    title = f"{_SIGNS[decision.word]} {TITLES[decision.word].upper()}"
    console.print(Text.assemble((title, "bold"), f"  {visible(about)}"))
    print_hanging(console, decision.sentence, "")
    counts = verdict_counts(run.inspected)
    shown = [f"{count} {word}" for word, count in counts.items() if count]
    print_hanging(console, f"{len(run.inspected)} panels: {', '.join(shown)}.", "")
    _print_panels(console, "Press again", decision.press_again)
    _print_panels(console, "Look at, or take a new photo", decision.undecided)
    _print_heading(console, "What runs through it")
    if not run.patterns:
        nothing = (
            "Nothing that chance would not make as well."
            if run.tests_made
            else "Too few panels to compare anything."
        )
        print_hanging(console, nothing, " - ")
    for pattern in run.patterns:
        cause = f" It points to: {pattern.cause_title}." if pattern.cause_title else ""
        print_hanging(console, pattern.sentence + cause, " - ")
        if pattern.try_next:
            print_hanging(console, f"Change next: {pattern.try_next}", "      ")
    shares = pareto(run.inspected)
    if shares:
        _print_heading(console, "Defects by kind")
        for share in shares:
            more = "" if share.findings == 1 else "s"
            line = f"{share.panels} of {share.of} panels, {share.findings} finding{more}"
            print_hanging(console, f"{texts.kind_title(share.kind)}: {line}", " - ")
    _print_sampling(console, run)
    if run.repeats is not None:
        _print_agreement(console, run)
    _print_heading(console, "Files")
    names = ["run.html", *(["buyer.html"] if for_buyer else []), "run.csv", "run.json"]
    for name in names:
        console.print(f"  {visible(str(out / name))}", soft_wrap=True)


def _print_heading(console: Console, title: str) -> None:
    console.print()
    console.print(title, style="bold")


def _print_panels(console: Console, title: str, panels: Sequence[Panel]) -> None:
    if not panels:
        return
    _print_heading(console, f"{title} ({len(panels)})")
    for panel in panels[:_MOST_LISTED]:
        kinds = ", ".join(texts.kind_title(kind) for kind in panel.kinds)
        what = panel.error or (panel.ruling if panel.ruling == "retake" else kinds) or panel.ruling
        print_hanging(console, f"{panel.panel_id}: {what}", " - ")
    if len(panels) > _MOST_LISTED:
        print_hanging(console, f"{len(panels) - _MOST_LISTED} more: see run.html.", " - ")


def _print_sampling(console: Console, run: Run) -> None:
    if run.sampling is None:
        return
    _print_heading(console, "Sampling")
    lot = run.sampling
    print_hanging(
        console,
        f"MIL-STD-105E, lot of {lot.lot}, level {lot.level}, {lot.severity}. {lot.because}",
        " - ",
    )
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for name in ("Class", "AQL", "Sample", "Accept", "Reject", "Found", "Undecided", "Outcome"):
        table.add_column(name, justify="left" if name in ("Class", "Outcome") else "right")
    for result in run.decision.classes:
        plan = result.plan
        cells = (plan.n, plan.accept, plan.reject, result.bad, result.undecided)
        table.add_row(result.kind, f"{plan.aql:g} %", *map(str, cells), result.outcome)
    console.print(table)


def _print_agreement(console: Console, run: Run) -> None:
    _print_heading(console, f"Agreement with {visible(run.repeats or '')}")
    for row in run.agreement:
        about = row.about if row.about == "verdict" else texts.kind_title(row.about)  # type: ignore[arg-type]  # all other rows are kinds
        text = f"{about}: same on {100 * row.share:.0f} % of {row.panels} panels"
        if row.kappa is not None and row.low is not None and row.high is not None:
            text += f", Cohen's kappa {row.kappa:.2f} ({row.low:.2f} to {row.high:.2f})"
        print_hanging(console, text, " - ")


def print_dry_run(
    pairing: Pairing,
    drawn: Sequence[Entry],
    troubles: Sequence[FileTrouble],
    sampling: Sampling | None,
) -> None:
    """Print what a run would do, and all that stands in its way."""
    console = data_console()
    artworks = len({entry.artwork for entry in drawn})
    panels = f"{len(pairing.entries)} panel{'' if len(pairing.entries) == 1 else 's'}"
    pictures = f"{artworks} artwork{'' if artworks == 1 else 's'}"
    console.print(f"{panels}, {len(drawn)} to inspect, {pictures}.", style="bold")
    if sampling is not None:
        plans = ", ".join(
            f"{kind} {plan.n} (accept {plan.accept}, reject {plan.reject})"
            for kind, plan in sampling.plans.items()
        )
        print_hanging(console, f"{sampling.severity.capitalize()} sampling: {plans}.", "")
        _print_heading(console, "Panels to take, in the order they were drawn")
        for place in sampling.drawn.order:
            console.print(f"  {visible(pairing.entries[place].panel_id)}", soft_wrap=True)
    if troubles:
        _print_heading(console, f"What stands in the way ({len(troubles)})")
        for trouble in troubles:
            text = f"line {trouble.entry.line}, {trouble.entry.panel_id}: "
            print_hanging(console, text + trouble.error.sentence(), " - ")
    if pairing.unpaired:
        _print_heading(console, f"Left out ({len(pairing.unpaired)})")
        for item in pairing.unpaired:
            print_hanging(console, f"{item.file}: {item.reason}", " - ")
    if not troubles and not pairing.unpaired:
        console.print("Nothing stands in the way.")
