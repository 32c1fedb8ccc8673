"""`dyelight claim`: a customer's photos against the file that was printed, and cases."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def claim(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="PHOTO...",
            help="The customer's photos of one panel; --at counts in the first.",
            show_default=False,
        ),
    ] = None,
    artwork: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The picture that was printed.")
    ] = None,
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
        str | None,
        typer.Option(
            metavar="NAME",
            help="Keep the answer in this case, in the press log. Without photos: show the case.",
        ),
    ] = None,
    consent: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT",
            help="How and when the customer agreed that photos are kept. Without it only their "
            "hashes are.",
        ),
    ] = None,
    delete_by: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="The day to delete the case by, as 2027-03-01."),
    ] = None,
    letter: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="With --case and no photos: note the letter as it was sent."
        ),
    ] = None,
    forget: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Remove this case: rows, photos, pages, all of it."),
    ] = None,
    due: Annotated[
        bool, typer.Option("--due", help="List the cases whose day to delete them by has come.")
    ] = False,
    log: Annotated[
        str | None,
        typer.Option(metavar="FILE|URL", help="The press log, instead of the usual one."),
    ] = None,
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

    Exits 0 where there is an answer, 4 where these photos cannot carry one. Without photos it
    shows, lists or forgets cases.
    """
    from ..settings import load_settings
    from .claim_case import CaseFlags, CaseKeeper, case_work, refuse_mixed
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
            "log": log,
        }
    )
    flags = CaseFlags(case, consent, delete_by, letter, forget, due)
    refuse_mixed(flags, photos or [], artwork)
    if not photos:
        return case_work(flags, settings)
    assert artwork is not None  # photos without artwork were refused
    keeper = None if case is None else CaseKeeper.opened(flags, settings)
    if settings.size is None:
        warn("no --size was given: lengths are in per cent of the panel's width.")
    with progress("Looking at the place" if at or box else "Looking at the panel"):
        job = ClaimJob(tuple(photos), artwork, at, box, "" if keeper is None else keeper.name)
        done = run_claim(job, settings)
    paths = written(done, settings.out)
    if keeper is not None:
        # before anything is printed: pages whose reader of standard output went away are known too
        keeper.keep(done, paths)
    if settings.format == "json":
        say(done.text(), end="")
    else:
        print_claim(done, paths)
    return exit_code(done.claim)
