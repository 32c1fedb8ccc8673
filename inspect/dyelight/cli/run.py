"""`dyelight run`: all panels of a wholesale run."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def run(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="MANIFEST|FOLDER", help="A CSV list of panels, or a folder of photos."
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Where results go; the same folder goes on with a run cut short."
        ),
    ] = None,
    size: Annotated[
        str | None, typer.Option(metavar="WxH", help="The size of panels that give none.")
    ] = None,
    bleed: Annotated[
        float | None, typer.Option(metavar="MM", help="The bleed of panels that give none.")
    ] = None,
    base: Annotated[
        str | None, typer.Option(metavar="white|clear|other", help="What lies under the dye.")
    ] = None,
    finish: Annotated[
        str | None, typer.Option(metavar="WORD", help="The coating's finish.")
    ] = None,
    acceptance: Annotated[
        str | None, typer.Option(metavar="NAME|FILE", help="The acceptance spec to judge by.")
    ] = None,
    rules: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Naming rules instead of the usual ones.")
    ] = None,
    causes: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A cause map instead of the usual one.")
    ] = None,
    taught: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="What dyelight teach wrote about the fixed camera of this run."
        ),
    ] = None,
    artwork_folder: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where a folder's artwork lies; else in its artwork/."),
    ] = None,
    pair: Annotated[
        str,
        typer.Option(metavar="name|codes", help="How a folder's photos are paired with artwork."),
    ] = "name",
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check all that can be checked, and inspect nothing.")
    ] = False,
    workers: Annotated[
        int | None,
        typer.Option(metavar="N", help="Worker processes; one for each processor without it."),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="A Dask scheduler, as tcp://127.0.0.1:8786."),
    ] = None,
    sampling: Annotated[
        str,
        typer.Option(
            metavar="all|normal|tightened|reduced|auto",
            help="All panels, or a sample by MIL-STD-105E; auto follows the buyer's lots so far.",
        ),
    ] = "all",
    level: Annotated[
        str, typer.Option(metavar="LEVEL", help="The inspection level: I, II, III or S-1 to S-4.")
    ] = "II",
    aql: Annotated[
        str,
        typer.Option(metavar="CLASS=PERCENT,...", help="The AQL of each class."),
        # start values: common practice, no source
    ] = "critical=0.65,major=2.5,minor=4",
    seed: Annotated[int, typer.Option(metavar="N", help="Draws the sample.")] = 1,
    steady: Annotated[
        bool,
        typer.Option(
            "--reduced-wanted",
            help="Production is steady and reduced inspection is wanted, where auto allows it.",
        ),
    ] = False,
    buyer: Annotated[
        str, typer.Option(metavar="NAME", help="Whose run it is: for the record and for auto.")
    ] = "",
    log: Annotated[
        str | None,
        typer.Option(
            metavar="FILE|ADDRESS",
            help="The press log: pressing facts come from it, the buyer's lots are kept in it.",
        ),
    ] = None,
    looked: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="What people ruled: a CSV with panel_id, verdict, by, note."
        ),
    ] = None,
    repeat: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="An earlier run of the same panels: say how far both agree."
        ),
    ] = None,
    reader: Annotated[
        str,
        typer.Option("--for", metavar="shop|buyer", help="For a buyer, write buyer.html as well."),
    ] = "shop",
    format: Annotated[
        str | None,
        typer.Option(metavar="table|json", help="What to print on standard output."),
    ] = None,
) -> int:
    """Inspect all panels of a run, and say whether it may ship.

    Exits with the gravest of its panels' codes. The same command goes on where it ended.
    """
    from ..settings import load_settings
    from .run_job import RunOrder, run_run

    settings = load_settings(
        {
            "size": size,
            "bleed": bleed,
            "base": base,
            "finish": finish,
            "acceptance": acceptance,
            "rules": rules,
            "causes": causes,
            "taught": taught,
            "out": out,
            "format": format,
            "log": log,
        }
    )
    order = RunOrder(
        source=source,
        artwork_folder=artwork_folder,
        pair=pair,
        dry_run=dry_run,
        workers=workers,
        cluster=cluster,
        sampling=sampling,
        level=level,
        aql=aql,
        seed=seed,
        reduced_wanted=steady,
        buyer=buyer,
        log_asked_for=log is not None,
        looked=looked,
        repeat=repeat,
        reader=reader,
    )
    return run_run(order, settings)
