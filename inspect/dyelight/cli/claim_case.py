"""The work behind `dyelight claim` on cases: keep, show, change, list what is due, forget."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from ..claim import words as wording
from ..claim.photo_copy import plain_png
from ..errors import SettingsError, UnreadableInput
from ..press_log import PressLog, checked
from ..press_log.case_records import (
    AnswerEntry,
    CaseOutput,
    Consent,
    NamedCase,
    ReceivedPhoto,
    SentLetter,
)
from ..press_log.cases import CaseFiles, today
from ..settings import Settings, user_log_file
from .claim_job import DoneClaim
from .claim_pages import print_case, print_due, print_forgotten
from .console import warn
from .log_work import log_place


@dataclass(frozen=True, slots=True)
class CaseFlags:
    """What was typed about cases."""

    case: str | None
    consent: str | None
    delete_by: str | None
    letter: Path | None
    forget: str | None
    due: bool


def refuse_mixed(flags: CaseFlags, photos: Sequence[Path], artwork: Path | None) -> None:
    """Refuse flags that do not go together; SettingsError."""
    tasks = [
        *(["photos"] if photos else []),
        *(["--forget"] if flags.forget is not None else []),
        *(["--due"] if flags.due else []),
    ]
    if len(tasks) > 1:
        raise SettingsError(f"{' and '.join(tasks)} do not go together.", remedy="Name one.")
    if photos and artwork is None:
        raise SettingsError(
            "photos are compared with the file that was printed.",
            place="--artwork",
            remedy="Name it with --artwork.",
        )
    if flags.case is not None and tasks and not photos:
        raise SettingsError(f"--case and {tasks[0]} do not go together.", remedy="Name one.")
    if not tasks and flags.case is None:
        raise SettingsError(
            "neither a photo nor a case was named.",
            remedy="Give photos with --artwork, or one of --case, --forget and --due.",
        )
    needs = {"--consent": flags.consent, "--delete-by": flags.delete_by, "--letter": flags.letter}
    for flag, value in needs.items():
        if value is not None and flags.case is None:
            raise SettingsError("it belongs to a case.", place=flag, remedy="Name it with --case.")
    if flags.letter is not None and photos:
        raise SettingsError(
            "a letter is noted once it was sent.",
            place="--letter",
            remedy="Answer first; then give --case and --letter without photos.",
        )
    if flags.consent is not None and not photos:
        raise SettingsError(
            "consent is noted together with the photos that it is for.",
            place="--consent",
            remedy="Give the photos again, with --artwork.",
        )


@dataclass(frozen=True, slots=True)
class CaseKeeper:
    """Where an answer will be kept; everything that could be refused was checked."""

    name: str
    consent: str
    delete_by: date | None
    settings: Settings

    @classmethod
    def opened(cls, flags: CaseFlags, settings: Settings) -> CaseKeeper:
        """Check name, consent and day, and that the log opens, before any work on photos."""
        name = _name(flags.case)
        consent = ""
        if flags.consent is not None:
            consent = checked(Consent, {"consent": flags.consent}, place="--consent").consent
        delete_by = None if flags.delete_by is None else parse_day(flags.delete_by)
        with _cases(settings, create=True):
            return cls(name, consent, delete_by, settings)

    def keep(self, done: DoneClaim, paths: Sequence[Path]) -> None:
        """Keep an answer, and say on standard error what is kept until when."""
        answer, words = done.claim.answer, done.words
        entry = checked(
            AnswerEntry,
            {
                "code": answer.code,
                "title": wording.answer_title(done.claim, words),
                "sure": answer.sure,
                "letter": "\n\n".join(wording.letter(done.claim, words)),
                # a file name may hold bytes that are no text
                "result_json": _as_text(done.text()),
                "consent": self.consent,
            },
            place="the case",
        )
        photos = [
            ReceivedPhoto(
                _as_text(Path(photo.file).name),
                photo.sha256,
                plain_png(photo) if self.consent else None,
            )
            for photo in done.photos
        ]
        outputs = [
            CaseOutput(path.absolute(), hashlib.sha256(path.read_bytes()).hexdigest())
            for path in paths
        ]
        with _cases(self.settings, create=True) as cases:
            case = cases.keep(
                self.name,
                entry,
                photos,
                outputs,
                delete_by=self.delete_by,
                days=self.settings.case_days,
            )
        what = "Its photos are kept" if self.consent else "Its photos are not kept (no --consent)"
        warn(f"case {case.name} is in the log, to be deleted by {case.delete_by}. {what}.")


def case_work(flags: CaseFlags, settings: Settings) -> int:
    """Do what was asked without photos; the exit code."""
    as_json = settings.format == "json"
    with _cases(settings, create=False) as cases:
        if flags.due:
            print_due(cases.due(), cases.strays(), as_json)
            return 0
        if flags.forget is not None:
            name = _name(flags.forget, "--forget")
            print_forgotten(name, cases.forget(name), older_copies(settings))
            return 0
        name = _name(flags.case)
        if flags.delete_by is not None:
            cases.set_delete_by(name, parse_day(flags.delete_by))
        if flags.letter is not None:
            cases.set_sent_letter(name, _letter(flags.letter))
        print_case(cases.show(name), as_json)
    return 0


def parse_day(text: str) -> date:
    """A day from today on, as ISO 8601; SettingsError."""
    try:
        day = date.fromisoformat(text.strip())
    except ValueError:
        raise SettingsError(
            f"{text!r} is no day.", place="--delete-by", remedy="Write it as 2027-03-01."
        ) from None
    if day < today():
        raise SettingsError(
            f"{day} is over.",
            place="--delete-by",
            remedy="Name a day to come. `dyelight claim --forget` removes a case now.",
        )
    return day


def older_copies(settings: Settings) -> list[Path]:
    """Copies of the log that `dyelight log restore` left beside it."""
    place = log_place(settings)
    if "://" in place:
        return []
    path = Path(place).absolute()
    return sorted(
        one for one in path.parent.iterdir() if one.name.startswith(f"{path.name}.before-")
    )


@contextmanager
def _cases(settings: Settings, *, create: bool) -> Iterator[CaseFiles]:
    with PressLog(log_place(settings), create=create) as opened:
        yield CaseFiles(opened.database, user_log_file())


def _name(text: str | None, place: str = "--case") -> str:
    return checked(NamedCase, {"case": text}, place=place).case


def _as_text(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _letter(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as trouble:
        raise UnreadableInput(
            f"the letter cannot be read ({trouble}).",
            file=path,
            remedy="Name a plain text file in UTF-8.",
        ) from trouble
    return checked(SentLetter, {"letter": text}, place="--letter").letter
