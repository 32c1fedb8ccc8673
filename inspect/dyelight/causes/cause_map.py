"""The cause map of models/causes.toml: which process faults lead to which defects, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from pydantic import Field, ValidationInfo, field_validator, model_validator

from ..data import models_folder
from ..judge.model_file import (
    FileDigest,
    Number,
    StrictTable,
    Threshold,
    TomlFile,
    Words,
    close_name,
    parse,
)
from ..judge.rules import Limits, Rules, load_rules
from ..records import Base, DefectClass, Kind, Pattern, Tone, Zone

CAUSES_FILE = "causes.toml"
SOMETHING_ELSE = "something_else"

# what a condition may ask beside measured features: name -> unit
FACTS: Mapping[str, str] = {
    "panel_short_side_mm": "mm",
    "panel_long_side_mm": "mm",
    "bleed_mm": "mm",
    "shift_across_mm": "mm",
    "shift_down_mm": "mm",
    "kind_count": "1",
}
# words that a condition may ask of a finding or its panel: name -> allowed words, empty for any
WORD_FIELDS: Mapping[str, tuple[str, ...]] = {
    "zone": get_args(Zone),
    "tone": get_args(Tone),
    "pattern": get_args(Pattern),
    "base": get_args(Base),
    "extent": ("local", "panel"),
    "finish": (),
}


class WordTest(StrictTable):
    """A word of the finding or its panel that must be one of some."""

    field: Literal["zone", "tone", "pattern", "base", "extent", "finish"]
    one_of: tuple[Words, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _known_words(self) -> WordTest:
        allowed = WORD_FIELDS[self.field]
        for word in self.one_of:
            if allowed and word not in allowed:
                raise ValueError(
                    f"{self.field} knows no {word!r}.{close_name(word, allowed)} "
                    f"It is one of {', '.join(allowed)}."
                )
        return self


class KindWeight(StrictTable):
    """How often a cause stands behind a kind, as odds against the kind's other causes."""

    kind: Kind
    weight: Number = Field(gt=0)
    because: Words
    origin: Words


class Condition(StrictTable):
    """A fact that makes a cause more (factor above 1) or less likely, with its reason.

    All tests in `limits` and `words` must hold. `kinds` None means every kind of the cause.
    """

    kinds: tuple[Kind, ...] | None = None
    limits: tuple[Limits, ...] = ()
    words: tuple[WordTest, ...] = ()
    factor: Number = Field(gt=0)
    because: Words
    origin: Words

    @model_validator(mode="after")
    def _asks_something(self) -> Condition:
        if not self.limits and not self.words:
            raise ValueError("needs limits, words or both.")
        return self


class CauseEntry(StrictTable):
    """One process cause."""

    title: Words
    try_next: Words
    caution: Words | None = None
    origin: Words
    kind: tuple[KindWeight, ...] = Field(min_length=1)
    condition: tuple[Condition, ...] = ()

    @model_validator(mode="after")
    def _one_weight_a_kind(self) -> CauseEntry:
        kinds = [entry.kind for entry in self.kind]
        if len(set(kinds)) < len(kinds):
            raise ValueError("a kind stands twice.")
        for condition in self.condition:
            for kind in condition.kinds or ():
                if kind not in kinds:
                    raise ValueError(f"a condition speaks of {kind!r}, which has no weight here.")
        return self

    def weight_for(self, kind: Kind) -> KindWeight | None:
        """The weight for a kind, or None where this cause does not lead to it."""
        return next((entry for entry in self.kind if entry.kind == kind), None)


class Leftover(StrictTable):
    """What is shown for the share that no cause of the map explains."""

    title: Words
    try_next: Words
    because: Words


class Importance(StrictTable):
    """How much a kind of defect counts on a panel, by its gravest finding."""

    minor: Threshold
    major: Threshold
    critical: Threshold

    def of(self, severity: DefectClass) -> float:
        """The importance of one severity."""
        return {
            "minor": self.minor.value,
            "major": self.major.value,
            "critical": self.critical.value,
        }[severity]


class Combining(StrictTable):
    """How the causes of several findings are combined."""

    something_else: Threshold
    shared: Threshold
    shared_because: Words
    least_weight: Threshold
    importance: Importance


class CausesFile(StrictTable):
    """The shape of models/causes.toml."""

    combine: Combining
    something_else: Leftover
    cause: dict[str, CauseEntry]

    @field_validator("cause")
    @classmethod
    def _free_name(cls, causes: dict[str, CauseEntry], _: ValidationInfo) -> dict[str, CauseEntry]:
        if SOMETHING_ELSE in causes:
            raise ValueError(f"{SOMETHING_ELSE!r} is taken: it is the share left over.")
        return causes


@dataclass(frozen=True, slots=True)
class CauseMap:
    """The cause map as loaded, with the file it came from."""

    file: CausesFile
    files: tuple[FileDigest, ...]

    @property
    def causes(self) -> Mapping[str, CauseEntry]:
        """Every cause by its id."""
        return self.file.cause


def load_causes(path: str | Path | None = None, rules: Rules | None = None) -> CauseMap:
    """Load the cause map; None takes the one that ships with dyelight.

    Features must be declared in the naming rules (None: the ones that ship) or be panel facts.
    Raises RulesError with every trouble found.
    """
    rules = rules or load_rules()
    source = TomlFile.read(models_folder() / CAUSES_FILE if path is None else Path(path))
    parsed = parse(CausesFile, source, context={"features": {**rules.units, **FACTS}})
    return CauseMap(parsed, (source.digest,))
