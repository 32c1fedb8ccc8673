"""`dyelight log fabric`, `platen`, `probe`, `window`: presses, fabrics, what makers post."""

from __future__ import annotations

from typing import Annotated

import typer

_LOG = typer.Option("--log", metavar="FILE|URL", help="The press log, instead of the usual one.")
_FORMAT = typer.Option(metavar="table|json", help="What to print on standard output.")


def fabric(
    name: Annotated[
        str | None,
        typer.Argument(metavar="[NAME]", help="A vent fabric; all are listed without it."),
    ] = None,
    size: Annotated[
        str | None, typer.Option(metavar="WxH", help="The panel size that it is kept for.")
    ] = None,
    used: Annotated[int, typer.Option(metavar="N", min=0, help="Uses before the log began.")] = 0,
    limit: Annotated[
        int | None, typer.Option(metavar="N", min=1, help="Uses after which you throw it away.")
    ] = None,
    retire: Annotated[bool, typer.Option("--retire", help="It is thrown away today.")] = False,
    log: Annotated[str | None, _LOG] = None,
    format: Annotated[str | None, _FORMAT] = None,
) -> int:
    """List vent fabrics with their uses, add one, or retire it. Uses count themselves."""
    from .log_shop_work import fabrics
    from .log_work import open_log

    with open_log(log, format=format) as opened:
        return fabrics(opened, name, size, used, limit, retire)


def platen(
    press: Annotated[str, typer.Argument(metavar="PRESS", help="The press.")],
    size: Annotated[
        str | None,
        typer.Option(metavar="WxD", help="Write down how large its platen is, width by depth."),
    ] = None,
    log: Annotated[str | None, _LOG] = None,
    format: Annotated[str | None, _FORMAT] = None,
) -> int:
    """Check a press: true against set temperature, spread, map, panels outside their window."""
    from .log_shop_work import check_platen
    from .log_work import open_log

    with open_log(log, format=format) as opened:
        return check_platen(opened, press, size)


def probe(
    press: Annotated[str, typer.Argument(metavar="PRESS", help="The press that was probed.")],
    readings: Annotated[
        list[str],
        typer.Argument(
            metavar="X,Y=VALUE...",
            help="Place from the platen's back left corner and true temperature, as 50,50=203.",
        ),
    ],
    set_: Annotated[
        str, typer.Option("--set", metavar="VALUE", help="What was set, as 204 or 400F.")
    ],
    at: Annotated[str | None, typer.Option(metavar="TIME", help="When; now without it.")] = None,
    by: Annotated[str, typer.Option(metavar="NAME", help="Who read it.")] = "",
    log: Annotated[str | None, _LOG] = None,
) -> int:
    """Write down what a probe read at points of a platen.

    The platen is near 204 °C: use the probe as the press maker says, gloves on.
    """
    from .log_shop_work import add_probe
    from .log_work import open_log

    with open_log(log) as opened:
        return add_probe(opened, press, readings, set_, at, by)


def window(
    posted_by: Annotated[
        str | None,
        typer.Argument(
            metavar="[WHERE]", help="Where it is posted, as the maker's sheet and date."
        ),
    ] = None,
    size: Annotated[
        str | None, typer.Option(metavar="WxH", help="For panels of this size; all without it.")
    ] = None,
    base: Annotated[
        str | None, typer.Option(metavar="white|clear|other", help="For this base only.")
    ] = None,
    temperature: Annotated[
        str | None,
        typer.Option(metavar="LOW..HIGH", help="Temperatures, as 200..206 or 395..405F."),
    ] = None,
    dwell: Annotated[
        str | None, typer.Option(metavar="LOW..HIGH", help="Dwells, as 60..75 or 1:00..1:15.")
    ] = None,
    log: Annotated[str | None, _LOG] = None,
    format: Annotated[str | None, _FORMAT] = None,
) -> int:
    """Write down the window that a panel's maker posts, or list those written down."""
    from .log_shop_work import windows
    from .log_work import open_log

    with open_log(log, format=format) as opened:
        return windows(opened, posted_by, size, base, temperature, dwell)
