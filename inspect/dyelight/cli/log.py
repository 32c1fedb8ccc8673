"""`dyelight log`: write pressings down, look them up, correct them, rule on results."""

from __future__ import annotations

from typing import Annotated

import typer

from .log_files import backup, export, import_, restore, template
from .log_learn import factors, report, trial
from .log_shop import fabric, platen, probe, window

log = typer.Typer(
    name="log",
    help="Keep the shop's log of pressings and results, and learn from it.",
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)

LogOption = Annotated[
    str | None,
    typer.Option("--log", metavar="FILE|URL", help="The press log, in the place of the usual one."),
]
FormatOption = Annotated[
    str | None,
    typer.Option(metavar="table|json", help="What to print on standard output."),
]
ByOption = Annotated[str, typer.Option(metavar="NAME", help="Who says so.")]


def add(
    values: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[NAME=VALUE]...",
            help="Values of the pressing, as press=Anvil set=400F dwell=1:05 humidity=55.",
        ),
    ] = None,
    panel: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TEXT",
            help="A panel in it, as panel=K-0142,size=254x203,place=300x200,turns=1,result=remake,"
            "defects=vapour_spot+dust_speck. May be given several times.",
        ),
    ] = None,
    like: Annotated[
        str | None,
        typer.Option(
            metavar="last|NUMBER", help="Take what is not given from an earlier pressing."
        ),
    ] = None,
    ask: Annotated[
        bool,
        typer.Option("--ask", help="Ask for the values one by one; the last ones are offered."),
    ] = False,
    log: LogOption = None,
) -> int:
    """Write one pressing down. Without values it asks for them one by one."""
    from .log_work import add_pressing, open_log

    with open_log(log) as opened:
        return add_pressing(opened, values or [], panel or [], like, ask)


def show(
    pressing: Annotated[str, typer.Argument(metavar="NUMBER", help="The pressing's number.")],
    format: FormatOption = None,
    log: LogOption = None,
) -> int:
    """Show one pressing: its values, panels, results, rulings, notes, and what was amended."""
    from .log_pages import print_pressing
    from .log_work import open_log

    with open_log(log, create=False, format=format) as opened:
        return print_pressing(opened, pressing)


def find(
    since: Annotated[
        str | None, typer.Option(metavar="DATE", help="From this day on, as 2026-03-01.")
    ] = None,
    until: Annotated[str | None, typer.Option(metavar="DATE", help="Before this day.")] = None,
    press: Annotated[str, typer.Option(metavar="NAME", help="On this press.")] = "",
    operator: Annotated[str, typer.Option(metavar="NAME", help="By this operator.")] = "",
    fabric: Annotated[str, typer.Option(metavar="NAME", help="With this vent fabric.")] = "",
    panel_id: Annotated[str, typer.Option(metavar="ID", help="The panel of this number.")] = "",
    job: Annotated[str, typer.Option(metavar="TEXT", help="Of this job.")] = "",
    kind: Annotated[str, typer.Option(metavar="KIND", help="With this kind of defect.")] = "",
    verdict: Annotated[str, typer.Option(metavar="WORD", help="With this verdict.")] = "",
    last: Annotated[int, typer.Option(metavar="N", min=1, help="The latest N at most.")] = 40,
    format: FormatOption = None,
    log: LogOption = None,
) -> int:
    """List pressings with their panels and results, the latest last."""
    from .log_pages import print_found
    from .log_work import open_log, wanted_rows

    with open_log(log, create=False, format=format) as opened:
        wanted = wanted_rows(
            since=since,
            until=until,
            press=press,
            operator=operator,
            fabric=fabric,
            panel=panel_id,
            job=job,
            kind=kind,
            verdict=verdict,
            last=last,
        )
        return print_found(opened, wanted)


def amend(
    pressing: Annotated[str, typer.Argument(metavar="NUMBER", help="The pressing's number.")],
    values: Annotated[
        list[str],
        typer.Argument(metavar="NAME=VALUE...", help="New values; nothing after = takes one away."),
    ],
    why: Annotated[str, typer.Option(metavar="TEXT", help="Why it is changed.")] = "",
    by: ByOption = "",
    log: LogOption = None,
) -> int:
    """Correct a pressing. The old values stay in the log."""
    from .log_work import amend_pressing, open_log

    with open_log(log, create=False) as opened:
        return amend_pressing(opened, pressing, values, why, by)


def note(
    pressing: Annotated[str, typer.Argument(metavar="NUMBER", help="The pressing's number.")],
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What to write beside it.")],
    by: ByOption = "",
    log: LogOption = None,
) -> int:
    """Write a note beside a pressing."""
    from .console import say
    from .log_work import open_log

    with open_log(log, create=False) as opened:
        opened.log.add_note(pressing, text, by=by)
    say("The note is in the log.")
    return 0


def rule(
    pressing: Annotated[str, typer.Argument(metavar="NUMBER", help="The pressing's number.")],
    ruled: Annotated[
        str | None,
        typer.Argument(
            metavar="[RULING]",
            help="What holds: a verdict, or with --finding a kind, or nothing. Without it: agreed.",
        ),
    ] = None,
    panel_id: Annotated[
        str, typer.Option(metavar="ID", help="Which panel, where there are several.")
    ] = "",
    finding: Annotated[
        str | None, typer.Option(metavar="ID", help="Rule on this finding, as f2.")
    ] = None,
    why: Annotated[str, typer.Option(metavar="TEXT", help="Why.")] = "",
    by: ByOption = "",
    log: LogOption = None,
) -> int:
    """Agree with the last result of a panel or one of its findings, or overrule it."""
    from .log_work import open_log, write_ruling

    with open_log(log, create=False) as opened:
        return write_ruling(opened, pressing, panel_id, finding, ruled, why, by)


for _name, _command in (
    *(("add", add), ("show", show), ("find", find), ("amend", amend), ("note", note)),
    *(("rule", rule), ("import", import_), ("export", export), ("template", template)),
    *(("backup", backup), ("restore", restore), ("fabric", fabric), ("platen", platen)),
    *(("probe", probe), ("window", window), ("factors", factors), ("trial", trial)),
    ("report", report),
):
    log.command(_name)(_command)
