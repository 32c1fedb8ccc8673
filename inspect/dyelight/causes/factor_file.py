"""The factors of models/factors.toml: what the log knows of a pressing, and what it can tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationInfo, model_validator

from ..data import models_folder
from ..judge.model_file import (
    FileDigest,
    Flag,
    Number,
    StrictTable,
    Threshold,
    TomlFile,
    Whole,
    Words,
    close_name,
    parse,
)
from .cause_map import CauseMap, load_causes

FACTORS_FILE = "factors.toml"
Shape = Literal["rising", "falling", "any", "group", "yes_no", "place"]


class Learn(StrictTable):
    """When and how the shop's own history counts."""

    least_pressings: Threshold
    least_defects: Threshold
    least_level: Threshold
    most_panels: Threshold
    prior_shape: Threshold
    even_part: Threshold
    cell_mm: Threshold
    false_discovery: Threshold
    same_factor: Threshold
    trial_error: Threshold
    trial_worth: Threshold
    trial_power: Threshold
    trial_baseline: Threshold


class Factor(StrictTable):
    """Something that the log writes down of each pressing.

    `change` is the plain name of the pressing's field that a trial would change, "" for none.
    """

    title: Words
    unit: str
    shape: Shape
    change: str = ""
    cuts: tuple[Number, ...] = ()
    parts: Whole | None = Field(default=None, ge=2)
    origin: Words

    @model_validator(mode="after")
    def _levels_are_clear(self) -> Factor:
        if self.shape in ("group", "yes_no", "place"):
            if self.cuts or self.parts:
                raise ValueError(f"a factor of shape {self.shape} has no cuts and no parts.")
        elif bool(self.cuts) == bool(self.parts):
            raise ValueError("needs cuts or parts.")
        elif list(self.cuts) != sorted(set(self.cuts)):
            raise ValueError("cuts must rise.")
        return self


class Says(StrictTable):
    """What a factor's value says of a cause in one pressing, before any history."""

    min: Number | None = None
    max: Number | None = None
    times: Number = Field(gt=0)
    because: Words
    origin: Words

    @model_validator(mode="after")
    def _asks_something(self) -> Says:
        if self.min is None and self.max is None:
            raise ValueError("needs min, max or both.")
        return self

    def holds(self, value: float | None) -> bool:
        """Whether a known value lies within min and max, both inclusive."""
        if value is None or value != value:
            return False
        return (self.min is None or value >= self.min) and (self.max is None or value <= self.max)


class Link(StrictTable):
    """A cause that a factor speaks of. `falls`: small values point to it instead of large ones."""

    cause: Words
    factor: Words
    falls: Flag = False
    says: tuple[Says, ...] = ()

    @model_validator(mode="after")
    def _names_are_known(self, info: ValidationInfo) -> Link:
        known = (info.context or {}).get("causes", ())
        if known and self.cause not in known:
            raise ValueError(f"there is no cause {self.cause!r}.{close_name(self.cause, known)}")
        return self


class FactorsFile(StrictTable):
    """The shape of models/factors.toml."""

    learn: Learn
    factor: dict[str, Factor]
    link: tuple[Link, ...]

    @model_validator(mode="after")
    def _links_fit(self) -> FactorsFile:
        for number, link in enumerate(self.link, start=1):
            if link.factor not in self.factor:
                raise ValueError(
                    f"link {number} speaks of {link.factor!r}, which is no factor."
                    f"{close_name(link.factor, self.factor)}"
                )
            shape = self.factor[link.factor].shape
            if link.says and shape in ("group", "place"):
                raise ValueError(f"link {number}: words have no min or max.")
        return self


@dataclass(frozen=True, slots=True)
class Factors:
    """The factors as loaded, with the file they came from."""

    file: FactorsFile
    files: tuple[FileDigest, ...]

    @property
    def learn(self) -> Learn:
        """When and how history counts."""
        return self.file.learn

    @property
    def factors(self) -> Mapping[str, Factor]:
        """Every factor by its id."""
        return self.file.factor

    def links_of(self, cause: str) -> tuple[Link, ...]:
        """What speaks of a cause."""
        return tuple(link for link in self.file.link if link.cause == cause)


def load_factors(path: str | Path | None = None, cause_map: CauseMap | None = None) -> Factors:
    """Load the factors; None takes those that ship with dyelight.

    Links must name causes of the cause map (None: the one that ships). Raises RulesError with every
    trouble found.
    """
    cause_map = cause_map or load_causes()
    source = TomlFile.read(models_folder() / FACTORS_FILE if path is None else Path(path))
    parsed = parse(FactorsFile, source, context={"causes": tuple(cause_map.causes)})
    return Factors(parsed, (source.digest,))
