"""`dyelight causes`: the cause map, as what is seen and what it points to."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def causes(
    kind: Annotated[
        str | None,
        typer.Argument(metavar="[KIND]", help="A kind of defect, as vapour_spot. All without it."),
    ] = None,
    causes: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A cause map instead of the usual one.")
    ] = None,
    rules: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Naming rules instead of the usual ones.")
    ] = None,
    format: Annotated[
        str | None,
        typer.Option(metavar="table|json", help="What to print on standard output."),
    ] = None,
) -> int:
    """Show which process faults lead to which defects, the most usual first."""
    from ..causes import cause_table, load_causes
    from ..judge import load_rules
    from ..settings import load_settings
    from .cause_pages import print_causes, rows_text
    from .console import say
    from .exits import PASS

    settings = load_settings({"causes": causes, "rules": rules, "format": format})
    wanted = None if kind is None else kind.strip().lower().replace(" ", "_").replace("-", "_")
    rows = cause_table(wanted, load_causes(settings.causes, load_rules(settings.rules)))
    if settings.format == "json":
        say(rows_text(rows), end="")
    else:
        print_causes(rows)
    return PASS
