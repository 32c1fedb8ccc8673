"""The `dyelight` command: its subcommands, and the exit code of everything that can go wrong.

0 pass, 1 panel stopped, 2 usage, settings or rules, 3 unreadable input, 4 retake, 5 output cannot
be written, 70 a fault of ours, 130 interrupted. A crash never exits 1.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, TextIO

import typer

from .. import __version__
from ..errors import DyelightError, OutputError
from .causes import causes
from .check import check
from .claim import claim
from .demo import demo
from .exits import INTERRUPTED, OUTPUT, USAGE, report_error, report_fault
from .log import log
from .run import run as run_panels
from .selfcheck import selfcheck
from .station import station
from .teach import teach

# newer releases of typer bring their own copy of click, older ones import it: the class that both
# raise for wrong usage is found through what they share
_UsageTrouble: type[Exception] = next(
    kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException"
)

app = typer.Typer(
    name="dyelight",
    help="Finds, names and explains defects in photos of dye-sublimated photo panels.",
    epilog="Exit codes: 0 pass, 1 panel stopped (remake or review), 2 usage, settings or rules, "
    "3 unreadable input, 4 photo cannot carry a verdict, 5 output cannot be written, "
    "70 a fault of dyelight's own, 130 interrupted.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"dyelight {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_show_version, is_eager=True, help="Show the version and exit."
        ),
    ] = False,
) -> None:
    """Finds, names and explains defects in photos of dye-sublimated photo panels."""


for _command in (check, run_panels, claim, teach, station, causes, demo, selfcheck):
    app.command(_command.__name__)(_command)
app.add_typer(log)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            # a file name or a sign that the terminal's encoding lacks must not end the command
            reconfigure(errors="backslashreplace")
    try:
        code = app(
            args=None if arguments is None else list(arguments),
            prog_name="dyelight",
            standalone_mode=False,
        )
        code = int(code or 0)
    except _UsageTrouble as trouble:
        trouble.show()  # type: ignore[attr-defined]  # the class is only known at run time
        code = USAGE
    except (KeyboardInterrupt, typer.Abort):
        print("dyelight: interrupted.", file=sys.stderr)
        code = INTERRUPTED
    except SystemExit:
        # neither we nor typer end this way here: it is what typer and rich do about a closed pipe
        code = OUTPUT
    except DyelightError as trouble:
        code = report_error(trouble)
    except Exception as trouble:
        code = report_fault(trouble)
    return _flushed(code)


def _flushed(code: int) -> int:
    """Write out what is buffered; where that fails, say so with the exit code for it."""
    try:
        sys.stdout.flush()
    except OSError as trouble:
        _discard(sys.stdout)
        if code == OUTPUT:
            return code
        reason = trouble.strerror or str(trouble)
        return report_error(OutputError(f"standard output cannot be written ({reason})."))
    return code


def _discard(stream: TextIO) -> None:
    # Python flushes once more at its end, and a second failure there would change the exit code
    with Path(os.devnull).open("wb") as nowhere:
        os.dup2(nowhere.fileno(), stream.fileno())


def main() -> None:
    """Entry point of the installed `dyelight` command."""
    sys.exit(run())
