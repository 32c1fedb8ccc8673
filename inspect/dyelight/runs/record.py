"""The record of a run: what run.json and run.csv hold."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, get_args

import numpy as np

from .. import __version__
from ..records import Kind
from .agreement import Agreement
from .charts import Chart
from .decision import Decision, Sampling, gravest_class
from .drive import safe_cell
from .entries import PRESSING_FACTS, file_stem
from .pairing import Unpaired
from .panels import VERDICTS, Panel
from .patterns import Pattern
from .sampling import acceptance_probability, quality_at
from .work import MARKED, RESULTS

SCHEMA_VERSION = 1
_CURVE_POINTS = 61
_CSV_COLUMNS = (
    "panel_id",
    "drawn",
    "ruling",
    "verdict",
    "looked_by",
    "look_note",
    "class",
    "exit_code",
    "error",
    "photo",
    "artwork",
    "width_mm",
    "height_mm",
    "hidden_pct",
)


@dataclass(frozen=True, slots=True)
class Group:
    """Panels that stand as one point on the charts: by batch, or so many after one another."""

    label: str
    panels: tuple[Panel, ...]


@dataclass(frozen=True, slots=True)
class Run:
    """Everything that is known about a run once its panels are inspected."""

    source: str
    buyer: str
    acceptance: str
    rules_sha256: str
    made_at: str
    seconds: float
    panels: tuple[Panel, ...]
    decision: Decision
    sampling: Sampling | None
    patterns: tuple[Pattern, ...]
    tests_made: int
    groups: tuple[Group, ...]
    stopped_chart: Chart | None
    findings_chart: Chart | None
    agreement: tuple[Agreement, ...] = ()
    repeats: str | None = None
    unpaired: tuple[Unpaired, ...] = ()

    @property
    def inspected(self) -> tuple[Panel, ...]:
        """The panels that were drawn."""
        return tuple(panel for panel in self.panels if panel.drawn)


@dataclass(frozen=True, slots=True)
class Share:
    """One kind of defect in a run: panels that have it, findings, panels stopped by it or not."""

    kind: Kind
    panels: int
    findings: int
    of: int


def pareto(panels: Sequence[Panel]) -> list[Share]:
    """Kinds by the number of panels that have them, most first."""
    seen = [panel for panel in panels if panel.usable]
    shares = [
        Share(
            kind,
            sum(kind in panel.kinds for panel in seen),
            sum(panel.kinds.get(kind, 0) for panel in seen),
            len(seen),
        )
        for kind in get_args(Kind)
    ]
    return sorted((share for share in shares if share.panels), key=lambda s: (-s.panels, s.kind))


def verdict_counts(panels: Sequence[Panel]) -> dict[str, int]:
    """How many of the drawn panels have each ruling; `failed` are those without any."""
    counts: dict[str, int] = {
        word: sum(panel.ruling == word for panel in panels) for word in VERDICTS
    }
    counts["failed"] = sum(panel.drawn and panel.ruling is None for panel in panels)
    return counts


def run_dict(run: Run) -> dict[str, Any]:
    """The whole record as JSON-ready data."""
    return {
        "schema_version": SCHEMA_VERSION,
        "tool_version": __version__,
        "rules_sha256": run.rules_sha256,
        "acceptance": run.acceptance,
        "made_at": run.made_at,
        "seconds": round(run.seconds, 3),
        "source": run.source,
        "buyer": run.buyer,
        "decision": _decision(run.decision),
        "counts": {"panels": len(run.panels), **verdict_counts(run.inspected)},
        "sampling": None if run.sampling is None else _sampling(run.sampling, run.decision),
        "pareto": [asdict(share) for share in pareto(run.inspected)],
        "patterns": [asdict(pattern) for pattern in run.patterns],
        "tests_made": run.tests_made,
        "charts": {
            "groups": [
                {"label": group.label, "panels": [panel.panel_id for panel in group.panels]}
                for group in run.groups
            ],
            "stopped": None if run.stopped_chart is None else _chart(run.stopped_chart),
            "findings": None if run.findings_chart is None else _chart(run.findings_chart),
        },
        "agreement": {
            "with": run.repeats,
            "kappa": "Cohen 1960; interval by Fleiss, Cohen, Everitt 1969",
            "rows": [asdict(row) for row in run.agreement],
        }
        if run.repeats is not None
        else None,
        "unpaired": [asdict(item) for item in run.unpaired],
        "panels": [panel_dict(panel) for panel in run.panels],
    }


def run_text(run: Run) -> str:
    """`run_dict` as indented JSON with a closing newline."""
    return json.dumps(run_dict(run), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def panel_dict(panel: Panel) -> dict[str, Any]:
    """One panel of the record."""
    stem = file_stem(panel.panel_id)
    finished = panel.verdict is not None
    known = panel.size_known
    return {
        "panel_id": panel.panel_id,
        "drawn": panel.drawn,
        "verdict": panel.verdict,
        "ruling": panel.ruling,
        "class": gravest_class(panel),
        "looked": None if panel.look is None else asdict(panel.look),
        "kinds": dict(panel.kinds),
        "hidden_fraction": round(panel.hidden_fraction, 5),
        "code": panel.code,
        "error": panel.error,
        "photo": panel.photo,
        "artwork": panel.artwork,
        "width_mm": panel.width_mm if known else None,
        "height_mm": panel.height_mm if known else None,
        "facts": dict(panel.facts),
        "result": f"{RESULTS}/{stem}.json" if finished else None,
        "marked": f"{MARKED}/{stem}.jpg" if finished else None,
    }


def _decision(decision: Decision) -> dict[str, Any]:
    return {
        "word": decision.word,
        "sentence": decision.sentence,
        "pull": [panel.panel_id for panel in decision.pull],
        "press_again": [panel.panel_id for panel in decision.press_again],
        "undecided": [panel.panel_id for panel in decision.undecided],
    }


def curve_fractions(plans: Mapping[Any, Any]) -> list[float]:
    """Fractions of bad panels, 0 to where even the mildest plan seldom accepts, even spaced."""
    top = max(quality_at(plan, 0.02) for plan in plans.values())
    return [round(float(value), 6) for value in np.linspace(0, min(1.0, top), _CURVE_POINTS)]


def _sampling(sampling: Sampling, decision: Decision) -> dict[str, Any]:
    fractions = curve_fractions(sampling.plans)
    return {
        "standard": "MIL-STD-105E, single sampling",
        "lot": sampling.lot,
        "level": sampling.level,
        "severity": sampling.severity,
        "because": sampling.because,
        "seed": sampling.drawn.seed,
        "classes": [
            {
                **asdict(result.plan),
                "class": result.kind,
                "bad": result.bad,
                "undecided": result.undecided,
                "outcome": result.outcome,
                "accepted_95_pct_at": round(quality_at(result.plan, 0.95), 6),
                "accepted_10_pct_at": round(quality_at(result.plan, 0.10), 6),
            }
            for result in decision.classes
        ],
        "curve": {
            "fraction": fractions,
            **{
                kind: [round(float(p), 6) for p in acceptance_probability(plan, fractions)]
                for kind, plan in sampling.plans.items()
            },
        },
        "drawn": list(sampling.drawn.order),
    }


def _chart(chart: Chart) -> dict[str, Any]:
    return {
        "kind": chart.kind,
        "centre": round(chart.centre, 6),
        "values": [round(float(value), 6) for value in chart.values],
        "lower": [round(float(value), 6) for value in chart.lower],
        "upper": [round(float(value), 6) for value in chart.upper],
        "out": list(chart.out),
        "sigma_z": None if chart.sigma_z is None else round(chart.sigma_z, 4),
    }


def run_csv(run: Run) -> str:
    """One row for each panel; text that a spreadsheet might take for a formula is escaped."""
    facts = [name for name in PRESSING_FACTS if any(name in p.facts for p in run.panels)]
    kinds = [kind for kind in get_args(Kind) if any(kind in p.kinds for p in run.panels)]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([*_CSV_COLUMNS, *kinds, *facts])
    for panel in run.panels:
        known = panel.size_known
        look = panel.look
        cells: list[str | int | float] = [
            panel.panel_id,
            "yes" if panel.drawn else "no",
            panel.ruling or "",
            panel.verdict or "",
            look.by if look else "",
            look.note if look else "",
            gravest_class(panel) or "",
            panel.code,
            panel.error or "",
            panel.photo,
            panel.artwork,
            panel.width_mm if known else "",
            panel.height_mm if known else "",
            round(100 * panel.hidden_fraction, 2) if panel.verdict else "",
        ]
        counts = [panel.kinds.get(kind, 0) if panel.usable else "" for kind in kinds]
        values = [panel.facts.get(name, "") for name in facts]
        cells += [*counts, *values]
        writer.writerow([safe_cell(cell) if isinstance(cell, str) else cell for cell in cells])
    return out.getvalue()
