"""`dyelight teach`: what a fixed camera sees of good panels, learnt into one file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def teach(
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO...|LIST",
            help="Photos of good panels by the fixed camera, or a CSV list of them as for "
            "dyelight run.",
        ),
    ],
    out: Annotated[
        Path, typer.Option(metavar="FILE", help="Where what was learnt is written, as camera.json.")
    ],
    artwork: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="The picture that was printed: once for all photos, or once for each in their "
            "order.",
        ),
    ] = None,
    size: Annotated[
        str | None,
        typer.Option(metavar="WxH", help="The panels' size: 254x203 in mm, 10x8in in inches."),
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
    blank: Annotated[
        bool,
        typer.Option(
            "--blank",
            help="The photo shows a blank white panel: learn the light, not the colours.",
        ),
    ] = False,
    signed_off: Annotated[
        bool,
        typer.Option(
            "--signed-off",
            help="The photo shows a panel that was signed off: a reference for its own artwork.",
        ),
    ] = False,
    format: Annotated[
        str | None,
        typer.Option(metavar="table|json", help="What to print on standard output."),
    ] = None,
) -> int:
    """Teach a fixed camera, from ten or more good panels.

    With the file, check and run judge colour and evenness absolutely: --taught FILE.
    """
    from ..settings import load_settings
    from .teach_job import run_teach
    from .teach_pairs import TeachOrder

    settings = load_settings(
        {"size": size, "bleed": bleed, "base": base, "finish": finish, "format": format}
    )
    return run_teach(
        TeachOrder(tuple(photos), tuple(artwork or ()), out, blank, signed_off), settings
    )
