"""From a run's order to its record: pair, check, draw, inspect, look for patterns, write."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import cast

from ..errors import OutputError, SettingsError
from ..report.outputs import refuse_unwritable, write_together
from ..runs.agreement import agreements
from ..runs.cluster import exposed
from ..runs.decision import Sampling, decide
from ..runs.drive import chosen_workers, gravest_code, inspect_all
from ..runs.entries import Entry
from ..runs.files_check import FileTrouble, troubled_files
from ..runs.grouping import findings_chart, grouped, stopped_chart
from ..runs.manifest import Defaults, ManifestError, read_manifest
from ..runs.page import run_html
from ..runs.pairing import Pairing, ReadCodes, pair_folder, pictures_in
from ..runs.panels import Look, Panel, check_looks, panel_of, read_looks, with_looks
from ..runs.pattern_file import load_patterns
from ..runs.patterns import comparisons, find_patterns
from ..runs.progress import Progress
from ..runs.record import Run, run_csv, run_text
from ..runs.sampling import SEVERITIES, Severity, draw, parse_aql, plans_for
from ..runs.store import read_run, run_folder
from ..runs.switching import Standing
from ..runs.work import (
    Judging,
    Knowledge,
    Row,
    load_knowledge,
    read_result,
    result_path,
)
from ..settings import Settings
from .console import say, warn
from .exits import FAULT, INTERRUPTED, PASS, RETAKE, STOPPED
from .run_log import LotLog, open_log, with_log_facts
from .run_pages import print_dry_run, print_run

_CODE_OF_RULING = {"pass": PASS, "review": STOPPED, "remake": STOPPED, "retake": RETAKE}
_READERS = ("shop", "buyer")


@dataclass(frozen=True, slots=True)
class _Given:
    """What else was given: an earlier run's verdicts and kinds, and people's looks, by panel."""

    earlier: Mapping[str, tuple[str, frozenset[str]]]
    looks: Mapping[str, Look]


@dataclass(frozen=True, slots=True)
class RunOrder:
    """What was asked for on the command line beside the settings."""

    source: Path
    artwork_folder: Path | None = None
    pair: str = "name"
    dry_run: bool = False
    workers: int | None = None
    cluster: str | None = None
    sampling: str = "all"
    level: str = "II"
    aql: str = "critical=0.65,major=2.5,minor=4"
    seed: int = 1
    reduced_wanted: bool = False
    buyer: str = ""
    log_asked_for: bool = False
    looked: Path | None = None
    repeat: Path | None = None
    reader: str = "shop"


def run_run(order: RunOrder, settings: Settings) -> int:
    """Do what was asked for; the exit code. Raises the errors of all parts, the cheapest first."""
    _check_words(order)
    workers = chosen_workers(order.workers)
    knowledge = load_knowledge(
        None if settings.rules is None else str(settings.rules),
        settings.acceptance,
        None if settings.causes is None else str(settings.causes),
        None if settings.taught is None else str(settings.taught),
    )
    pairing = _paired(order, settings, workers)
    given = _given(order, pairing.entries)
    create = bool(order.buyer) and not order.dry_run
    with open_log(settings.log, create=create, asked_for=order.log_asked_for) as log:
        with _rows_told(order.source):
            entries = with_log_facts(pairing.entries, log, order.source)
        pairing = replace(pairing, entries=entries)
        lots = LotLog(log, order.buyer)
        sampling = _sampling(order, len(entries), lots)
        drawn = _drawn(entries, sampling)
        if order.dry_run:
            troubles = troubled_files(drawn)
            print_dry_run(pairing, drawn, troubles, sampling)
            return _dry_code(pairing, troubles)
        if settings.out is None:
            raise SettingsError(
                "a run needs a folder for its results.", remedy="Name it with --out."
            )
        for item in pairing.unpaired:
            warn(f"left out: {item.file}: {item.reason}")
        try:
            return _inspected(
                order, settings, given, pairing, drawn, sampling, knowledge, workers, lots
            )
        except KeyboardInterrupt:
            warn("interrupted. What is finished stays: the same command goes on from there.")
            return INTERRUPTED


def _check_words(order: RunOrder) -> None:
    for flag, word, known in (
        ("--pair", order.pair, ("name", "codes")),
        ("--sampling", order.sampling, ("all", "auto", *SEVERITIES)),
        ("--for", order.reader, _READERS),
    ):
        if word not in known:
            raise SettingsError(
                f"{flag} knows no {word!r}.", remedy=f"Use one of {', '.join(known)}."
            )
    if order.cluster is not None and exposed(order.cluster):
        warn(
            f"{order.cluster} is neither this machine nor under TLS: whoever can reach the "
            "scheduler can run code on its workers."
        )


def _paired(order: RunOrder, settings: Settings, workers: int) -> Pairing:
    defaults = Defaults(settings.size_mm, settings.bleed, settings.base, settings.finish)
    if order.source.is_dir():
        reader: ReadCodes | None = None
        if order.pair == "codes":
            from ..runs.codes import read_all_codes

            codes = read_all_codes(pictures_in(order.source), workers)
            reader = codes.__getitem__
        return pair_folder(
            order.source, defaults, artwork_folder=order.artwork_folder, read_codes=reader
        )
    with _rows_told(order.source):
        return Pairing(read_manifest(order.source, defaults), ())


@contextmanager
def _rows_told(source: Path) -> Iterator[None]:
    """Tell every row that cannot be used before the error that stands for them all."""
    try:
        yield
    except ManifestError as trouble:
        for row in trouble.rows:
            warn(f"{source}: {row.sentence()}")
        raise


def _sampling(order: RunOrder, lot: int, lots: LotLog) -> Sampling | None:
    if order.sampling == "all":
        return None
    if order.sampling == "auto":
        standing = lots.standing(reduced_wanted=order.reduced_wanted)
    else:
        standing = Standing(cast(Severity, order.sampling), "It was asked for.")
    if standing.stopped:
        warn(
            f"sampling of this buyer's lots must stop: {standing.because} Take no more lots until "
            "the process is put right; this one is inspected as tightened."
        )
    plans = plans_for(lot, order.level, parse_aql(order.aql), standing.severity)
    most = max(plan.n for plan in plans.values())
    return Sampling(
        lot, order.level, standing.severity, standing.because, plans, draw(lot, most, order.seed)
    )


def _drawn(entries: Sequence[Entry], sampling: Sampling | None) -> list[Entry]:
    if sampling is None:
        return list(entries)
    return [entries[place] for place in sorted(sampling.drawn.order)]


def _dry_code(pairing: Pairing, troubles: Sequence[FileTrouble]) -> int:
    codes = [trouble.error.exit_code for trouble in troubles]
    if pairing.unpaired:
        codes.append(STOPPED)
    return gravest_code(codes)


def _given(order: RunOrder, entries: Sequence[Entry]) -> _Given:
    """Read it before any work, so that a slip in it does not cost a run."""
    looks = {} if order.looked is None else read_looks(order.looked)
    if order.looked is not None:
        check_looks(looks, [entry.panel_id for entry in entries], order.looked)
    return _Given(_earlier_run(order), looks)


def _inspected(
    order: RunOrder,
    settings: Settings,
    given: _Given,
    pairing: Pairing,
    drawn: Sequence[Entry],
    sampling: Sampling | None,
    knowledge: Knowledge,
    workers: int,
    lots: LotLog,
) -> int:
    assert settings.out is not None  # run_run refused a run without a folder
    out = settings.out
    began = time.monotonic()
    refuse_unwritable(out)
    with run_folder(out):
        rows = _followed(order, settings, drawn, knowledge, workers)
        panels = [panel_of(entry, rows.get(entry.index), out) for entry in pairing.entries]
        if knowledge.taught is not None:
            _tell_misfits(drawn, out)
        if order.looked is not None:
            panels = with_looks(panels, given.looks, order.looked)
        run = _record(order, settings, pairing, panels, sampling, knowledge, given.earlier, began)
        contents = {
            "run.json": run_text(run).encode("utf-8", "backslashreplace"),
            "run.csv": run_csv(run).encode("utf-8-sig", "backslashreplace"),
            "run.html": run_html(run, out).encode("utf-8", "replace"),
        }
        # one that was written before must not go on saying what holds no more
        for_buyer = order.reader == "buyer" or (out / "buyer.html").exists()
        if for_buyer:
            contents["buyer.html"] = run_html(run, out, "buyer").encode("utf-8", "replace")
        write_together(out, contents)
    if sampling is not None and run.decision.outcome is not None:
        lots.keep(str(out.absolute()), sampling.severity, run.decision.outcome)
    if settings.format == "json":
        say(run_text(run), end="")
    else:
        print_run(run, out, for_buyer)
    return gravest_code([_code(panel) for panel in run.inspected])


def _code(panel: Panel) -> int:
    """A panel's exit code; a person's look counts in the verdict's place."""
    ruling = panel.ruling
    return (panel.code or FAULT) if ruling is None else _CODE_OF_RULING[ruling]


def _earlier_run(order: RunOrder) -> dict[str, tuple[str, frozenset[str]]]:
    """Verdict and kinds by panel of the run that this one repeats."""
    if order.repeat is None:
        return {}
    panels = read_run(order.repeat).get("panels")
    if not panels:
        raise SettingsError(
            "there is no finished run in this folder.",
            file=order.repeat,
            remedy="Name the --out folder of the run that was done first.",
        )
    return {
        panel["panel_id"]: (panel["verdict"], frozenset(panel["kinds"]))
        for panel in panels
        if panel["verdict"] is not None
    }


def _followed(
    order: RunOrder,
    settings: Settings,
    drawn: Sequence[Entry],
    knowledge: Knowledge,
    workers: int,
) -> Mapping[int, Row]:
    assert settings.out is not None  # see _inspected
    judging = Judging(
        None if settings.rules is None else str(Path(settings.rules).absolute()),
        _absolute_spec(settings.acceptance),
        None if settings.causes is None else str(Path(settings.causes).absolute()),
        knowledge.sha256,
        taught=None if settings.taught is None else str(settings.taught.absolute()),
        taught_sha256="" if knowledge.taught is None else knowledge.taught.sha256,
    )
    progress = Progress(len(drawn), sys.stderr)

    def follow(row: Row) -> None:
        progress.add(reused=row.reused, failed=row.error is not None)

    try:
        return inspect_all(
            drawn,
            judging,
            settings.out,
            workers=workers,
            cluster=order.cluster,
            follow=follow,
        )
    finally:
        # a closed standard error must not hide how the run itself ended
        with suppress(OSError):
            progress.end()


def _tell_misfits(drawn: Sequence[Entry], out: Path) -> None:
    """Say how many panels were judged without the teaching, and why.

    A panel of several photos was judged with it where one of them could be; of the others the
    first photo says why.
    """
    why: dict[str, list[str]] = {}
    for entry in drawn:
        result = read_result(result_path(out, entry))
        notes = [] if result is None else result["capture"]["notes"]
        misfits = [note for note in notes if note["code"].startswith("taught_")]
        if misfits and not any(note["code"] == "taught" for note in notes):
            why.setdefault(misfits[0]["code"], []).append(misfits[0]["text"])
    for texts in why.values():
        count = f"{len(texts)} of {len(drawn)} panels were judged without the teaching"
        warn(f"{count}, the first because: {texts[0]}")


def _absolute_spec(acceptance: str) -> str:
    # workers of a cluster start in folders of their own
    return str(Path(acceptance).absolute()) if acceptance.endswith(".toml") else acceptance


def _record(
    order: RunOrder,
    settings: Settings,
    pairing: Pairing,
    panels: Sequence[Panel],
    sampling: Sampling | None,
    knowledge: Knowledge,
    earlier: Mapping[str, tuple[str, frozenset[str]]],
    began: float,
) -> Run:
    table = load_patterns(knowledge.causes)
    inspected = [panel for panel in panels if panel.drawn]
    groups = grouped(inspected)
    if order.repeat is not None and not any(panel.panel_id in earlier for panel in inspected):
        raise OutputError(
            "no panel of this run is in the run that it repeats.",
            file=order.repeat,
            remedy="Use the same panel ids in both manifests.",
        )
    return Run(
        source=order.source.name,
        buyer=order.buyer,
        acceptance=settings.acceptance,
        rules_sha256=knowledge.sha256,
        made_at=datetime.now().astimezone().isoformat(timespec="minutes"),
        seconds=time.monotonic() - began,
        panels=tuple(panels),
        decision=decide(panels, sampling),
        sampling=sampling,
        patterns=tuple(find_patterns(inspected, table)),
        tests_made=comparisons(inspected, table),
        groups=groups,
        stopped_chart=stopped_chart(groups),
        findings_chart=findings_chart(groups),
        agreement=tuple(agreements(inspected, earlier)),
        repeats=None if order.repeat is None else str(order.repeat),
        unpaired=pairing.unpaired,
    )
