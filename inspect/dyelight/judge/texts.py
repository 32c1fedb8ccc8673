"""The sentences that reports, pages and the command line show, read from models/.

Kinds come from defects.toml, cautions from cautions.toml, everything else from notes.toml.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from pydantic import Field

from ..data import models_folder
from ..records import DefectClass, Kind, Note, Pattern, Tone, VerdictWord, Zone
from .model_file import StrictTable, TomlFile, Words, parse
from .rules import load_rules

NOTES_FILE = "notes.toml"
CAUTIONS_FILE = "cautions.toml"


class Named(StrictTable):
    """A word for people and one line that says what it means."""

    title: Words
    meaning: Words


class Sentence(StrictTable):
    """One sentence under a code."""

    text: Words


class Retake(StrictTable):
    """Why a photo cannot carry a verdict, and how to take a better one."""

    text: Words
    remedy: Words


class Caution(StrictTable):
    """A caution and the kinds of finding it belongs to; none means every report."""

    text: Words
    kinds: tuple[Kind, ...]


class NotesFile(StrictTable):
    """The shape of models/notes.toml."""

    verdict: dict[VerdictWord, Named]
    severity: dict[DefectClass, Named]
    zone: dict[Zone, Named]
    pattern: dict[Pattern, Named]
    tone: dict[Tone, Named]
    doubt: dict[str, Sentence]
    note: dict[str, Sentence] = Field(default_factory=dict)
    retake: dict[str, Retake]


class CautionsFile(StrictTable):
    """The shape of models/cautions.toml."""

    caution: dict[str, Caution]


@dataclass(frozen=True, slots=True)
class Texts:
    """All sentences as loaded."""

    kinds: Mapping[Kind, Named]
    notes: NotesFile
    cautions: Mapping[str, Caution]


@lru_cache(maxsize=1)
def load_texts() -> Texts:
    """The sentences that ship with dyelight, read once. RulesError where a file is broken."""
    notes = parse(NotesFile, TomlFile.read(models_folder() / NOTES_FILE))
    cautions = parse(CautionsFile, TomlFile.read(models_folder() / CAUTIONS_FILE))
    kinds = {
        kind: Named(title=rules.title, meaning=rules.meaning)
        for kind, rules in load_rules().kinds.items()
    }
    return Texts(kinds, notes, cautions.caution)


def kind_title(kind: Kind) -> str:
    """A kind's name: "Vapour spot"."""
    return load_texts().kinds[kind].title


def kind_meaning(kind: Kind) -> str:
    """What a kind looks like, in one line."""
    return load_texts().kinds[kind].meaning


def verdict_title(word: VerdictWord) -> str:
    """A verdict's name: "Remake"."""
    return load_texts().notes.verdict[word].title


def verdict_meaning(word: VerdictWord) -> str:
    """What a verdict asks for, in one line."""
    return load_texts().notes.verdict[word].meaning


def severity_meaning(severity: DefectClass) -> str:
    """What minor, major or critical says, in one line."""
    return load_texts().notes.severity[severity].meaning


def zone_title(zone: Zone) -> str:
    """A zone's name: "face", "border", "rim"."""
    return load_texts().notes.zone[zone].title


def pattern_meaning(pattern: Pattern) -> str:
    """What a ghosting pattern says, in one line."""
    return load_texts().notes.pattern[pattern].meaning


def doubt_text(code: str) -> str:
    """The sentence of a doubt code; the code itself in words where a rules file brought its own."""
    sentence = load_texts().notes.doubt.get(code)
    return sentence.text if sentence else f"{code.replace('_', ' ').capitalize()}."


def note_text(note: Note) -> str:
    """What a note on the photo says, and what to do about it where notes.toml knows more."""
    more = load_texts().notes.note.get(note.code)
    return f"{note.text} {more.text}" if more else note.text


def retake_text(reason: str) -> tuple[str, str]:
    """Sentence and remedy of a reason for retaking a photo."""
    found = load_texts().notes.retake
    entry = found.get(reason) or found["unsure"]
    return entry.text, entry.remedy


def cautions_for(kinds: Iterable[Kind]) -> tuple[str, ...]:
    """The cautions that belong to these kinds of finding, with those said every time."""
    present = set(kinds)
    return tuple(
        caution.text
        for caution in load_texts().cautions.values()
        if not caution.kinds or present.intersection(caution.kinds)
    )
