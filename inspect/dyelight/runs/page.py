"""run.html: the record of a run for people, one file that needs no network.

For the shop it says what to pull, what to press again and what pattern runs through the run; for
the buyer it leaves out everything about the shop: pressing facts, causes, patterns, file names of
photos and who looked.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from PIL import Image

from .. import __version__
from ..judge import texts
from ..report.crops import jpeg_uri
from .agreement import Agreement
from .charts import Chart
from .decision import TITLES, gravest_class
from .drawings import control_drawing, curve_drawing, pareto_drawing, place_drawing
from .entries import file_stem
from .panels import Panel
from .record import Run, pareto, verdict_counts
from .sampling import quality_at
from .work import MARKED

Reader = Literal["shop", "buyer"]
# more thumbnails would make a file that is slow to open and to mail
MOST_THUMBNAILS = 60
_THUMBNAIL_PX = 300
_WORDS = {"ship": "pass", "ship_without": "pass", "hold": "review", "reject": "remake"}
_CHART_NAMES = {
    "c": "c chart",
    "u": "u chart",
    "p": "p chart",
    "u'": "u' chart, with Laney's correction",
    "p'": "p' chart, with Laney's correction",
}


def run_html(run: Run, out: Path, reader: Reader = "shop") -> str:
    """The page as one HTML text; thumbnails are made from the marked pictures in `out`."""
    shop = reader == "shop"
    inspected = run.inspected
    counts = verdict_counts(inspected)
    shares = pareto(inspected)
    kinds = {mark.kind for panel in inspected for mark in panel.marks}
    return _template().render(
        shop=shop,
        word=_WORDS[run.decision.word],
        title=TITLES[run.decision.word],
        sentence=run.decision.sentence,
        buyer=run.buyer,
        source=run.source if shop else "",
        made_at=_day_and_time(run),
        total=len(run.panels),
        inspected=len(inspected),
        counts=[
            {
                "word": word,
                "title": "Failed" if word == "failed" else texts.verdict_title(word),  # type: ignore[arg-type]  # the rest are verdicts
                "count": counts[word],
                "percent": round(100 * counts[word] / max(1, len(inspected)), 2),
            }
            for word in ("pass", "review", "remake", "retake", "failed")
            if counts[word]
        ],
        again=_cards(run.decision.press_again, out) if shop else [],
        undecided=_cards(run.decision.undecided, out) if shop else [],
        patterns=run.patterns if shop else (),
        tests_made=run.tests_made,
        least_panels_seen=sum(panel.usable for panel in inspected),
        sampling=_sampling(run),
        curve=None if run.sampling is None else curve_drawing(run.sampling),
        pareto=pareto_drawing(shares, [texts.kind_title(share.kind) for share in shares])
        if shop
        else [],
        charts=_charts(run) if shop else [],
        places=place_drawing(inspected, run.patterns) if shop else None,
        agreement=[_agreement(row) for row in run.agreement] if shop else [],
        repeats=run.repeats,
        looked=[panel for panel in inspected if panel.look is not None] if shop else [],
        unpaired=run.unpaired if shop else (),
        facts=_facts(run.panels) if shop else [],
        panels=[_row(panel, shop) for panel in run.panels],
        cautions=texts.cautions_for(sorted(kinds)),
        record=_record(run, shop),
    )


@cache
def _template() -> Template:
    # StrictUndefined: a name that template and code disagree on fails instead of printing nothing
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("run.html.j2")


def _cards(panels: Sequence[Panel], out: Path) -> list[dict[str, Any]]:
    return [
        {
            "panel_id": panel.panel_id,
            "word": panel.ruling or "failed",
            "title": "Failed" if panel.ruling is None else texts.verdict_title(panel.ruling),
            "text": _what(panel),
            "picture": _thumbnail(panel, out) if place < MOST_THUMBNAILS else None,
            "href": _href(panel),
        }
        for place, panel in enumerate(panels)
    ]


def _what(panel: Panel) -> str:
    """What stands against a panel, in a line."""
    if panel.error is not None:
        return panel.error
    if panel.ruling == "retake":
        return " ".join(panel.notes[:1]) or "The photo cannot carry a verdict."
    parts = [
        texts.kind_title(kind) + (f" ({count})" if count > 1 else "")
        for kind, count in panel.kinds.items()
    ]
    if panel.look is not None:
        parts.append(f"{panel.look.by}: {panel.look.note or panel.look.verdict}")
    if not parts and panel.hidden_fraction > 0:
        return f"{100 * panel.hidden_fraction:.0f} % of the panel is not seen."
    return ", ".join(parts)


def _thumbnail(panel: Panel, out: Path) -> str | None:
    path = out / MARKED / f"{file_stem(panel.panel_id)}.jpg"
    try:
        with Image.open(io.BytesIO(path.read_bytes())) as picture:
            picture.draft("RGB", (2 * _THUMBNAIL_PX, 2 * _THUMBNAIL_PX))
            picture.thumbnail((_THUMBNAIL_PX, _THUMBNAIL_PX), Image.Resampling.LANCZOS)
            return str(jpeg_uri(np.asarray(picture.convert("RGB")), quality=72))
    except OSError:
        return None


def _href(panel: Panel) -> str | None:
    if panel.verdict is None:
        return None
    # a percent sign of the file's name must not be taken for an escape in a link
    return f"{MARKED}/{file_stem(panel.panel_id)}.jpg".replace("%", "%25")


def _row(panel: Panel, shop: bool) -> dict[str, Any]:
    word = panel.ruling if panel.drawn else None
    title = "Not taken" if not panel.drawn else "Failed"
    return {
        "panel_id": panel.panel_id,
        "word": word or ("none" if not panel.drawn else "failed"),
        "title": title if word is None else texts.verdict_title(word),
        "class": gravest_class(panel) or "",
        "what": _what(panel) if shop else _kinds(panel),
        "findings": len(panel.marks),
        "artwork": panel.artwork,
        "photo": panel.photo if shop else "",
        "looked": panel.look.by if shop and panel.look is not None else "",
        "facts": panel.facts if shop else {},
        "href": _href(panel) if shop else None,
    }


def _kinds(panel: Panel) -> str:
    return ", ".join(texts.kind_title(kind) for kind in panel.kinds)


def _facts(panels: Sequence[Panel]) -> list[str]:
    """The facts worth a column: those that differ from panel to panel."""
    names = dict.fromkeys(name for panel in panels for name in panel.facts)
    shown = [name for name in names if len({panel.facts.get(name, "") for panel in panels}) > 1]
    return shown[:6]


def _charts(run: Run) -> list[dict[str, Any]]:
    labels = [group.label for group in run.groups]
    found = []
    for chart, title, percent in (
        (run.stopped_chart, "Share of panels that do not pass", True),
        (run.findings_chart, "Findings", False),
    ):
        if chart is not None:
            found.append(
                {
                    "title": title,
                    "about": _about(chart, percent),
                    "drawing": control_drawing(chart, labels, percent=percent),
                    "out": [labels[place] for place in chart.out],
                }
            )
    return found


def _about(chart: Chart, percent: bool) -> str:
    unit = {"c": "a group", "p": "", "p'": ""}.get(chart.kind, "a dm²")
    centre = f"{100 * chart.centre:.1f} %" if percent else f"{chart.centre:.3g} {unit}".strip()
    text = f"{_CHART_NAMES[chart.kind]}; centre {centre}, limits at three standard deviations"
    if chart.sigma_z is not None:
        text += f"; the points spread {chart.sigma_z:.1f} times as wide as chance lets expect"
    return text + "."


def _sampling(run: Run) -> dict[str, Any] | None:
    sampling = run.sampling
    if sampling is None:
        return None
    return {
        "lot": sampling.lot,
        "level": sampling.level,
        "severity": sampling.severity,
        "because": sampling.because,
        "seed": sampling.drawn.seed,
        "classes": [
            {
                "kind": result.kind,
                "aql": f"{result.plan.aql:g} %",
                "code": result.plan.code,
                "n": result.plan.n,
                "accept": result.plan.accept,
                "reject": result.plan.reject,
                "bad": result.bad,
                "undecided": result.undecided,
                "outcome": result.outcome,
                "good": f"{100 * quality_at(result.plan, 0.95):.2g} %",
                "poor": f"{100 * quality_at(result.plan, 0.10):.2g} %",
            }
            for result in run.decision.classes
        ],
    }


def _agreement(row: Agreement) -> dict[str, str]:
    about = row.about if row.about == "verdict" else texts.kind_title(row.about)  # type: ignore[arg-type]  # all other rows are kinds
    interval = "not defined: all panels were called the same"
    if row.kappa is not None and row.low is not None and row.high is not None:
        interval = f"{row.kappa:.2f} ({row.low:.2f} to {row.high:.2f})"
    return {
        "about": about.capitalize(),
        "panels": str(row.panels),
        "share": f"{100 * row.share:.0f} %",
        "kappa": interval,
    }


def _day_and_time(run: Run) -> str:
    return run.made_at[:16].replace("T", " ")


def _record(run: Run, shop: bool) -> list[tuple[str, str]]:
    rows = [
        ("Made on", _day_and_time(run)),
        ("Panels", f"{len(run.panels)}, of which {len(run.inspected)} were inspected"),
        ("Acceptance spec", run.acceptance),
        ("Rules, spec and cause map", f"sha256 {run.rules_sha256}"),
        ("Made with", f"dyelight {__version__}"),
    ]
    if shop:
        rows.insert(1, ("Source", run.source))
    return rows
