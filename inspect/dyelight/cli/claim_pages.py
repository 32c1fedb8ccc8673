"""Cases on the terminal: one with its answers, those that are due, what was forgotten."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from rich.console import Console

from ..errors import OutputError
from ..press_log.case_folder import lies_there
from ..press_log.case_records import Case, CaseAnswer, CasePhoto, DueCase, Forgotten
from ..press_log.cases import today
from .console import data_console, say, warn
from .exits import visible
from .tables import print_hanging


def print_case(case: Case, as_json: bool) -> None:
    """One case: when it was opened, the day to delete it by, and each answer."""
    if as_json:
        say(json.dumps(_case_dict(case), indent=1, ensure_ascii=False))
        return
    console = data_console()
    console.print(visible(f"Case {case.name}"), style="bold")
    print_hanging(console, f"Opened {_moment(case.opened_at)}.", "")
    print_hanging(console, _delete_by(case), "")
    for number, answer in enumerate(case.answers, start=1):
        console.print()
        console.print(f"Answer {number}, {_moment(answer.at)}", style="bold")
        _print_answer(console, answer)


def _print_answer(console: Console, answer: CaseAnswer) -> None:
    print_hanging(console, f"{answer.title} ({100 * answer.sure:.0f} % sure)", "   ")
    agreed = answer.consent or "none noted, so photos were not kept"
    print_hanging(console, f"Consent: {agreed}", "   ")
    for photo in answer.photos:
        print_hanging(console, f"Photo {photo.file}, sha256 {photo.sha256}, {_kept(photo)}", " - ")
    for output in answer.outputs:
        print_hanging(console, f"Written to {output.path}", " - ")
    sent = answer.sent_letter is not None
    console.print("   The letter that was sent:" if sent else "   The letter that was proposed:")
    for line in (answer.sent_letter or answer.letter).splitlines():
        if line.strip():
            print_hanging(console, line.strip(), "     ")


def _kept(photo: CasePhoto) -> str:
    if photo.kept is None:
        return "not kept"
    try:
        found = lies_there(photo.kept)
    except OutputError:
        return f"kept as {photo.kept}, which this account may not read"
    return f"kept as {photo.kept}" if found else f"not found at {photo.kept}"


def _delete_by(case: Case) -> str:
    days = (case.delete_by - today()).days
    if days > 0:
        return f"To be deleted by {case.delete_by}, in {days} {'day' if days == 1 else 'days'}."
    return f"To be deleted by {case.delete_by}: due. `dyelight claim --forget` removes it."


def print_due(due: Sequence[DueCase], strays: Sequence[Path], as_json: bool) -> None:
    """The cases whose day has come; photos that no case names are warned of."""
    if as_json:
        rows = [
            {"case": one.name, "delete_by": str(one.delete_by), "photos": one.photos} for one in due
        ]
        say(json.dumps({"due": rows}, indent=1, ensure_ascii=False))
    elif not due:
        say("No case is due.")
    else:
        for one in due:
            photos = "1 photo" if one.photos == 1 else f"{one.photos} photos"
            say(visible(f"{one.delete_by}  {one.name}  {photos}"))
        say("`dyelight claim --forget NAME` removes a case.")
    if strays:
        warn(
            f"no case of this log names these photos, which a restore or a dead program left: "
            f"{', '.join(str(path) for path in strays)}. Remove them by hand."
        )


def print_forgotten(name: str, done: Forgotten, copies: Sequence[Path]) -> None:
    """What was removed; files and copies of the log that may still hold something are warned of."""
    if done.held:
        say(visible(f"Case {name} is forgotten: its rows, and {_files(len(done.removed))}."))
    else:
        say(visible(f"The log holds no case {name}; what deleted rows had left is cleared."))
    for path, why in done.left:
        warn(f"{path} {why}, so it was not removed.")
    if copies:
        warn(
            f"copies of the log from before a restore may still hold the case: "
            f"{', '.join(str(path) for path in copies)}. So may your own backups."
        )


def _files(count: int) -> str:
    return "1 file" if count == 1 else f"{count} files"


def _moment(moment: datetime) -> str:
    return f"{moment.astimezone():%Y-%m-%d %H:%M}"


def _case_dict(case: Case) -> dict[str, object]:
    return {
        "case": case.name,
        "opened_at": case.opened_at.isoformat(),
        "delete_by": str(case.delete_by),
        "answers": [
            {
                "at": one.at.isoformat(),
                "machine": one.machine,
                "code": one.code,
                "title": one.title,
                "sure": one.sure,
                "consent": one.consent,
                "letter": one.letter,
                "sent_letter": one.sent_letter,
                "photos": [
                    {
                        "file": photo.file,
                        "sha256": photo.sha256,
                        "kept": None if photo.kept is None else str(photo.kept),
                    }
                    for photo in one.photos
                ],
                "outputs": [str(output.path) for output in one.outputs],
                "claim": json.loads(one.result_json),
            }
            for one in case.answers
        ],
    }
