"""`dyelight log factors`, `trial`, `report`: what the log shows."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

_LOG = typer.Option("--log", metavar="FILE|URL", help="The press log, instead of the usual one.")
_FORMAT = typer.Option(metavar="table|json", help="What to print on standard output.")


def factors(
    kind: Annotated[
        str | None,
        typer.Argument(metavar="[KIND]", help="A kind of defect, as vapour_spot. All without it."),
    ] = None,
    log: Annotated[str | None, _LOG] = None,
    format: Annotated[str | None, _FORMAT] = None,
) -> int:
    """Show which factors go with which defect: rates with intervals, tests, odds ratios."""
    from .log_learn_work import show_factors
    from .log_work import open_log

    with open_log(log, create=False, format=format) as opened:
        return show_factors(opened, kind)


def trial(
    cause: Annotated[
        str | None,
        typer.Argument(metavar="[CAUSE]", help="The cause to act on; trials are shown without it."),
    ] = None,
    change: Annotated[
        str | None,
        typer.Argument(
            metavar="[NAME=VALUE]", help="The one change, as drying=10 or humidity=..50."
        ),
    ] = None,
    kind: Annotated[
        str | None,
        typer.Option(metavar="KIND", help="The defect to count, where there are several."),
    ] = None,
    name: Annotated[str | None, typer.Option(metavar="NAME", help="A name for the trial.")] = None,
    free: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Do not hold this setting. May be given several times."),
    ] = None,
    like: Annotated[
        str, typer.Option(metavar="last|NUMBER", help="The pressing whose settings are held.")
    ] = "last",
    end: Annotated[
        str | None, typer.Option(metavar="NAME", help="End this trial: count nothing more to it.")
    ] = None,
    by: Annotated[str, typer.Option(metavar="NAME", help="Who runs it.")] = "",
    log: Annotated[str | None, _LOG] = None,
    format: Annotated[str | None, _FORMAT] = None,
) -> int:
    """Try one change with everything else held, and see whether it helped."""
    from .log_learn_work import show_trials, start_or_end
    from .log_work import open_log

    with open_log(log, create=False, format=format) as opened:
        if cause is None and end is None:
            return show_trials(opened)
        return start_or_end(opened, cause, change, kind, name, free or [], like, end, by)


def report(
    out: Annotated[Path, typer.Option(metavar="FILE", help="Where the page goes.")] = Path(
        "press-log.html"
    ),
    log: Annotated[str | None, _LOG] = None,
) -> int:
    """Write the history as one HTML page: yield, defects, factors, fabrics, trials, questions."""
    from .log_learn_work import write_report
    from .log_work import open_log

    with open_log(log, create=False) as opened:
        return write_report(opened, out)
