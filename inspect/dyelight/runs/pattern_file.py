"""models/patterns.toml: when a pattern over panels is believed, its sentence, and its cause."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from pydantic import Field

from ..causes import CauseMap, cause_table
from ..data import models_folder
from ..judge.model_file import StrictTable, Threshold, TomlFile, Words, parse
from ..records import Kind, Tone

PATTERNS_FILE = "patterns.toml"
PatternWord = Literal["place", "trend", "group", "direction"]
Direction = Literal["more", "less"]


class Limits(StrictTable):
    """The numbers that decide whether a pattern is believed."""

    share_false: Threshold
    least_panels: Threshold
    least_group: Threshold
    least_confidence: Threshold
    known_weight: Threshold
    still_there: Threshold
    only_artwork: Threshold
    small_radius_mm: Threshold
    large_radius_mm: Threshold


class Sentence(StrictTable):
    """One sentence with names in braces."""

    text: Words


class Sentences(StrictTable):
    """How each pattern is told."""

    place: Sentence
    trend: Sentence
    group: Sentence
    direction: Sentence
    one_artwork: Sentence
    only_artwork: Sentence
    also: Sentence
    cause: Sentence


class Factor(StrictTable):
    """How a fact about the pressing is called; `more` and `less` for those that are numbers."""

    title: Words
    more: Words | None = None
    less: Words | None = None


class PointsTo(StrictTable):
    """Which cause a pattern points to."""

    pattern: PatternWord
    kinds: tuple[Kind, ...] = Field(min_length=1)
    factors: tuple[Words, ...] | None = None
    tone: Tone | None = None
    direction: Direction | None = None
    cause: Words


class PatternsFile(StrictTable):
    """The shape of models/patterns.toml."""

    limit: Limits
    sentence: Sentences
    factor: Mapping[str, Factor]
    points_to: tuple[PointsTo, ...]


@dataclass(frozen=True, slots=True)
class PatternTable:
    """The file as loaded, beside the cause map that its causes are from."""

    file: PatternsFile
    causes: CauseMap

    @property
    def numbers(self) -> tuple[str, ...]:
        """The factors that are numbers, along which there may be a trend."""
        return tuple(name for name, factor in self.file.factor.items() if factor.more is not None)

    @property
    def words(self) -> tuple[str, ...]:
        """The factors that are words, between which there may be differences."""
        return tuple(name for name, factor in self.file.factor.items() if factor.more is None)

    def known_cause(
        self,
        pattern: PatternWord,
        kind: Kind,
        *,
        factor: str | None = None,
        tone: Tone | None = None,
        direction: Direction | None = None,
    ) -> str | None:
        """The id of the cause that the file names for a pattern; None where it names none."""
        for entry in self.file.points_to:
            if (
                entry.pattern == pattern
                and kind in entry.kinds
                and (entry.factors is None or factor in entry.factors)
                and entry.tone in (None, tone)
                and entry.direction in (None, direction)
                and entry.cause in self.causes.causes
            ):
                return entry.cause
        return None

    def usual_cause(self, kind: Kind) -> str | None:
        """The id of a kind's most usual cause; None where the cause map has none for it."""
        rows = cause_table(kind, self.causes)
        return rows[0].cause if rows else None


def load_patterns(causes: CauseMap) -> PatternTable:
    """Load models/patterns.toml; RulesError where it is broken.

    A cause that the given map lacks, as a map of one's own may, is passed over when it is asked
    for; only the map that ships must hold them all, which a test sees to.
    """
    source = TomlFile.read(models_folder() / PATTERNS_FILE)
    return PatternTable(parse(PatternsFile, source), causes)
