"""`dyelight claim`: a customer's photos against the file that was printed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def claim(
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO...", help="The customer's photos of one panel; --at counts in the first."
        ),
    ],
    artwork: Annotated[Path, typer.Option(metavar="FILE", help="The picture that was printed.")],
    at: Annotated[
        str | None,
        typer.Option(metavar="X,Y", help="The place that the customer points to, in photo pixels."),
    ] = None,
    box: Annotated[
        str | None,
        typer.Option(
            metavar="X0,Y0,X1,Y1", help="The same as a box: two opposite corners, in photo pixels."
        ),
    ] = None,
    size: Annotated[
        str | None,
        typer.Option(
            metavar="WxH",
            help="The panel's size: 254x203 in mm, 10x8in in inches. Without it lengths are in "
            "per cent of the width.",
        ),
    ] = None,
    bleed: Annotated[
        float | None,
        typer.Option(metavar="MM", help="How far the artwork runs over each edge of the panel."),
    ] = None,
    base: Annotated[
        str | None,
        typer.Option(metavar="white|clear|other", help="What lies under the dye; clear is metal."),
    ] = None,
    case: Annotated[
        str, typer.Option(metavar="NAME", help="The case's name, for page and data.")
    ] = "",
    rules: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Naming rules instead of the usual ones.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Write claim.html and claim.json here."),
    ] = None,
    format: Annotated[
        str | None,
        typer.Option(metavar="table|json", help="What to print on standard output."),
    ] = None,
) -> int:
    """Say what is at the place that a customer points to, and how sure that is.

    Exits 0 where there is an answer, 4 where these photos cannot carry one.
    """
    from ..settings import load_settings
    from .claim_job import ClaimJob, exit_code, print_claim, run_claim, written
    from .console import progress, say, warn

    settings = load_settings(
        {
            "size": size,
            "bleed": bleed,
            "base": base,
            "rules": rules,
            "out": out,
            "format": format,
        }
    )
    if settings.size is None:
        warn("no --size was given: lengths are in per cent of the panel's width.")
    with progress("Looking at the place" if at or box else "Looking at the panel"):
        done = run_claim(ClaimJob(tuple(photos), artwork, at, box, case), settings)
    paths = written(done, settings.out)
    if settings.format == "json":
        say(done.text(), end="")
    else:
        print_claim(done, paths)
    return exit_code(done.claim)
