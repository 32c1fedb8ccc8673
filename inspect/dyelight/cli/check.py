"""`dyelight check`: one panel's photos against its artwork."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def check(
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO...", help="Photos of the same panel, taken from different places."
        ),
    ],
    artwork: Annotated[Path, typer.Option(metavar="FILE", help="The picture that was printed.")],
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
    finish: Annotated[
        str | None, typer.Option(metavar="WORD", help="The coating's finish, as gloss or matt.")
    ] = None,
    panel_id: Annotated[
        str, typer.Option(metavar="ID", help="The panel's number, for the report.")
    ] = "",
    acceptance: Annotated[
        str | None,
        typer.Option(metavar="NAME|FILE", help="The acceptance spec to judge by."),
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
            help="What dyelight teach wrote about the fixed camera that took the photo: colour and "
            "evenness are judged absolutely.",
        ),
    ] = None,
    pressing: Annotated[
        str | None,
        typer.Option(
            metavar="NUMBER",
            help="The pressing in the press log that the panel came from: causes draw on the log, "
            "and the result is written into it.",
        ),
    ] = None,
    log: Annotated[
        str | None,
        typer.Option(metavar="FILE|URL", help="The press log, instead of the usual one."),
    ] = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="Show every number behind the causes' weights.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Write result.json, marked.jpg and report.html here."),
    ] = None,
    format: Annotated[
        str | None,
        typer.Option(metavar="table|json", help="What to print on standard output."),
    ] = None,
) -> int:
    """Check a photo of a pressed panel, or several, against its artwork.

    Exits 0 where the panel passes, 1 where it is stopped, 4 where the photo must be taken again.
    """
    from ..errors import SettingsError
    from ..settings import load_settings
    from .console import progress, say, warn
    from .explanation import print_explanation
    from .job import Job, exit_code, run_job
    from .logged_pressing import logged_pressing
    from .tables import print_inspection

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
    if log is not None and pressing is None:
        raise SettingsError(
            "--log says where the log lies, but not which pressing this panel came from.",
            remedy="Name it with --pressing.",
        )
    if explain and settings.format == "json":
        raise SettingsError("--explain is for people.", remedy="Leave --format json out.")
    if settings.size is None:
        warn(
            "no --size was given: lengths are in per cent of the panel's width, and limits in mm "
            "cannot be judged for sure."
        )
    with logged_pressing(settings, pressing, panel_id) as logged:
        with progress("Looking at the panel"):
            done = run_job(Job(tuple(photos), artwork, panel_id, explain), settings, logged)
        if settings.format == "json":
            from ..report.result_json import result_text

            say(result_text(done.inspection), end="")
        else:
            print_inspection(done.inspection, done.paths)
            if explain:
                print_explanation(done.chains, done.inspection.causes)
        if logged is not None:
            # last, so that a log that cannot be written takes no result away
            logged.write(done.inspection)
    return exit_code(done.inspection)
