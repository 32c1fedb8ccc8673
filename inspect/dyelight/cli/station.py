"""`dyelight station`: the page beside the press."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def station(
    jobs: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="The folder with the jobs: a jobs.csv, or pictures in artwork/."
        ),
    ] = None,
    demo: Annotated[
        bool, typer.Option("--demo", help="The demo panels as jobs, with a log of their own.")
    ] = False,
    watch: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="A fixed camera's folder: its new photos are checked."),
    ] = None,
    listen: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="This machine's address for phones, or 0.0.0.0; only this machine without it.",
        ),
    ] = None,
    port: Annotated[int, typer.Option(metavar="N", min=1, max=65535, help="The port.")] = 8437,
    name: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Another host name that phones use for this machine."),
    ] = None,
    tls_cert: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A certificate (PEM): serve by https.")
    ] = None,
    tls_key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Its key, where it is another file.")
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where checks are kept, instead of the usual place."),
    ] = None,
    keep_days: Annotated[
        float, typer.Option(metavar="N", min=0.01, help="Pictures of checks are kept so long.")
    ] = 30.0,
    workers: Annotated[
        int | None,
        typer.Option(
            metavar="N", min=1, max=64, help="Checks at once; one for each processor without it."
        ),
    ] = None,
    size: Annotated[
        str | None, typer.Option(metavar="WxH", help="The size of jobs that give none.")
    ] = None,
    bleed: Annotated[
        float | None, typer.Option(metavar="MM", help="The bleed of jobs that give none.")
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
            metavar="FILE",
            help="What dyelight teach wrote about the fixed camera whose folder is watched.",
        ),
    ] = None,
    log: Annotated[
        str | None,
        typer.Option(metavar="FILE|URL", help="The press log, instead of the usual one."),
    ] = None,
) -> int:
    """Serve a page for phone and tablet beside the press: photo in, verdict out.

    Without --listen only this machine can open it. With it, each device is let in by a one-time
    code that appears here. Ctrl-C ends it.
    """
    from ..settings import load_settings
    from .station_job import StationFlags, run_station

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
            "log": log,
        }
    )
    return run_station(
        StationFlags(
            jobs=jobs,
            demo=demo,
            watch=watch,
            listen=listen,
            port=port,
            names=tuple(name or ()),
            tls_cert=tls_cert,
            tls_key=tls_key,
            folder=folder,
            keep_days=keep_days,
            workers=workers,
            own_log=log is not None,
        ),
        settings,
    )
