"""How often the tool was right, in words."""

from __future__ import annotations

from typing import Any

from ..causes.statistics import wilson
from ..judge import texts
from ..press_log.agreement import Agreement


def agreement_facts(agreement: Agreement) -> dict[str, Any]:
    """How often the tool was right, as sentences, and what it was wrong about, row by row."""
    sentences = []
    if agreement.decided:
        stood = _of(agreement.decided_right, agreement.decided, "verdict", "stood")
        sentences.append(f"Of pass and remake, {stood}.")
    if agreement.handed_over:
        asked = "1 panel" if agreement.handed_over == 1 else f"{agreement.handed_over} panels"
        sentences.append(f"It asked a person about {asked}, who decided.")
    if agreement.ruled_findings:
        stood = _of(agreement.right_findings, agreement.ruled_findings, "finding", "stood")
        sentences.append(f"{stood[0].upper()}{stood[1:]}; {agreement.empty_findings} were nothing.")
    if agreement.missed:
        count = sum(agreement.missed.values())
        sentences.append(f"People added {count} that it had missed.")
    rows = [
        (texts.verdict_title(said), texts.verdict_title(ruled), count)  # type: ignore[arg-type]  # text in the log
        for (said, ruled), count in agreement.verdicts.items()
        if said != ruled
    ]
    rows += [
        (_kind(said), "nothing" if ruled == "nothing" else _kind(ruled), count)
        for (said, ruled), count in agreement.findings.items()
        if said != ruled
    ]
    rows += [("missed", _kind(kind), count) for kind, count in agreement.missed.items()]
    return {"sentences": sentences, "rows": sorted(rows, key=lambda row: -row[2])}


def _of(count: int, of: int, what: str, did: str) -> str:
    share = wilson(count, of)
    plural = what if of == 1 else f"{what}s"
    return (
        f"{count} of {of} {plural} {did} ({100 * share.value:.0f} %, 95 % interval "
        f"{100 * share.low:.0f} to {100 * share.high:.0f} %)"
    )


def _kind(kind: str) -> str:
    return texts.kind_title(kind)  # type: ignore[arg-type]  # the log keeps kinds as text
