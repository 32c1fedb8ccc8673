"""`dyelight log import`, `export`, `template`, `backup`, `restore`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

_LOG = typer.Option("--log", metavar="FILE|URL", help="The press log, instead of the usual one.")


def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A CSV or JSON file of pressings.")],
    partial: Annotated[
        bool, typer.Option("--partial", help="Take the good rows and leave the bad ones out.")
    ] = False,
    log: Annotated[str | None, _LOG] = None,
) -> int:
    """Take pressings from a file. Where a row is bad nothing is taken, and each is named."""
    from .log_work import import_file, open_log

    with open_log(log) as opened:
        return import_file(opened, file, partial)


def export(
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write to this .csv or .json file."),
    ] = None,
    format: Annotated[
        str | None, typer.Option(metavar="csv|json", help="What to write; csv where not said.")
    ] = None,
    since: Annotated[
        str | None, typer.Option(metavar="DATE", help="From this day on, as 2026-03-01.")
    ] = None,
    until: Annotated[str | None, typer.Option(metavar="DATE", help="Before this day.")] = None,
    log: Annotated[str | None, _LOG] = None,
) -> int:
    """Write pressings, panels and results to a file that `import` takes back."""
    from .log_work import export_file, open_log

    with open_log(log, create=False) as opened:
        return export_file(opened, out, format, since, until)


def template(
    log: Annotated[str | None, _LOG] = None,
) -> int:
    """Print an empty CSV file in your units, to be filled and imported."""
    from ..press_log.exchange import template_csv
    from .console import say
    from .log_work import settings_and_units

    say(template_csv(settings_and_units(log)[1]), end="")
    return 0


def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where the copy goes.")],
    log: Annotated[str | None, _LOG] = None,
) -> int:
    """Copy the log as it is now, while others go on writing."""
    from ..press_log.copies import backup as copy
    from .console import say
    from .log_work import open_log

    with open_log(log, create=False) as opened:
        copy(opened.log.database, file)
    say(f"Copied to {file}.")
    return 0


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A copy that `backup` made.")],
    log: Annotated[str | None, _LOG] = None,
) -> int:
    """Put a copy in the place of the log. The log as it was is kept beside it."""
    from ..press_log.copies import restore as put_back
    from .console import say
    from .log_work import log_place, settings_and_units

    kept = put_back(log_place(settings_and_units(log)[0]), file)
    say("Restored." if kept is None else f"Restored. The log as it was lies at {kept}.")
    return 0
