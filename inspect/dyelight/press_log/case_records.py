"""A customer's case as it is entered and as it is read."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Annotated

from pydantic import Field, StringConstraints

from .entries import Entry, LongText, Name, NoteText, Text


class NamedCase(Entry):
    """The name that a case goes by."""

    case: Name


class Consent(Entry):
    """How and when the customer agreed that photos are kept."""

    consent: NoteText


class SentLetter(Entry):
    """The letter as a person sent it."""

    letter: Annotated[LongText, StringConstraints(min_length=1)]


class AnswerEntry(Entry):
    """One answer in a case. `sure` is 0..1; `consent` "" means that the customer gave none."""

    code: Annotated[str, StringConstraints(min_length=1, max_length=20)]
    title: Text
    sure: Annotated[float, Field(ge=0, le=1)]
    letter: LongText
    result_json: str
    consent: Text = ""


@dataclass(frozen=True, slots=True)
class ReceivedPhoto:
    """A photo of the customer: file name, SHA-256 of the file as received, a PNG to keep."""

    file: str
    sha256: str
    png: bytes | None


@dataclass(frozen=True, slots=True)
class CasePhoto:
    """A photo in a case. `kept` is where its copy lies, None where none is kept."""

    file: str
    sha256: str
    kept: Path | None


@dataclass(frozen=True, slots=True)
class CaseOutput:
    """A file that was written for an answer, with the SHA-256 it had then."""

    path: Path
    sha256: str


@dataclass(frozen=True, slots=True)
class CaseAnswer:
    """One answer. `letter` is what was proposed, `sent_letter` what a person sent, if noted.

    `machine` is the one whose disk holds the photos and files. `sure` is 0..1.
    """

    at: datetime
    machine: str
    code: str
    title: str
    sure: float
    consent: str
    letter: str
    sent_letter: str | None
    result_json: str
    photos: tuple[CasePhoto, ...]
    outputs: tuple[CaseOutput, ...]


@dataclass(frozen=True, slots=True)
class Case:
    """One case: its name, when it was opened, the day it is to be deleted by, its answers."""

    name: str
    opened_at: datetime
    delete_by: date
    answers: tuple[CaseAnswer, ...]


@dataclass(frozen=True, slots=True)
class DueCase:
    """A case whose day has come."""

    name: str
    delete_by: date
    photos: int


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What forgetting a case removed, and files that it did not, each with the reason.

    `held` is False where the rows were gone already and only their remains were cleared.
    """

    held: bool
    removed: tuple[Path, ...]
    left: tuple[tuple[Path, str], ...]
