"""The shape of an acceptance spec, models/acceptance/*.toml, and its loader."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationInfo, model_validator

from ..data import models_folder
from ..errors import RulesError
from ..records import Artwork, DefectClass, Kind, Zone
from .model_file import (
    FileDigest,
    Number,
    StrictTable,
    Threshold,
    TomlFile,
    Trouble,
    Whole,
    Words,
    close_name,
    parse,
)
from .rules import Limits, Rules, check_feature, load_rules
from .zones import EdgeDistance, Zones

ACCEPTANCE_FOLDER = "acceptance"
CLASSES_FILE = "classes.toml"
DEFAULT_SPEC = "gallery"


class ZoneWidths(StrictTable):
    """How wide rim and border are, and what counts as touching a zone."""

    rim_mm: Threshold
    border_of_short_side: Threshold
    least_share: Threshold
    least_mm2: Threshold


class ReviewLimits(StrictTable):
    """When a person must look instead of the tool deciding."""

    confidence: Threshold
    hidden_fraction: Threshold
    doubts: tuple[Words, ...]
    doubts_meaning: Words


class SpecLimit(StrictTable):
    """What the three sorts of limit share: whom they speak of and what a breach means."""

    id: Words
    kinds: tuple[Kind, ...] = Field(min_length=1)
    zones: tuple[Zone, ...] = Field(min_length=1)
    severity: DefectClass = Field(alias="class")
    verdict: Literal["remake", "review"] = "remake"
    when: tuple[Limits, ...] = ()
    meaning: Words
    origin: Words


class FeatureLimit(SpecLimit):
    """`[[limit]]`: no finding of these kinds in these zones may exceed `max`."""

    feature: Words
    max: Number
    unit: Words

    @model_validator(mode="after")
    def _speaks_of_a_feature(self, info: ValidationInfo) -> FeatureLimit:
        check_feature(self.feature, self.unit, info)
        return self


class CountLimit(SpecLimit):
    """`[[count_limit]]`: at most `max_count` findings, none nearer than `spacing_mm` to another."""

    max_count: Whole
    spacing_mm: Number | None = Field(default=None, gt=0)


class AreaLimit(SpecLimit):
    """`[[area_limit]]`: the findings' area together, as a rating or in per cent of the panel.

    `scale` "flaking" turns the per cent into the rating 0..5 of ISO 4628-5.
    """

    scale: Literal["percent", "flaking"]
    max: Number = Field(ge=0)


class SpecFile(StrictTable):
    """The shape of one acceptance spec."""

    title: Words
    meaning: Words
    origin: Words
    zone: ZoneWidths
    review: ReviewLimits
    limit: tuple[FeatureLimit, ...] = ()
    count_limit: tuple[CountLimit, ...] = ()
    area_limit: tuple[AreaLimit, ...] = ()


class FlakingScale(StrictTable):
    """Largest flaked area, in per cent of the whole, of the ratings 0, 1, 2 ... in order."""

    area_pct: tuple[Number, ...] = Field(min_length=2)
    unit: Words
    meaning: Words
    origin: Words

    @model_validator(mode="after")
    def _rises(self) -> FlakingScale:
        if any(low >= high for low, high in pairwise(self.area_pct)):
            raise ValueError("the areas must rise from rating to rating.")
        return self

    def rating(self, area_pct: float) -> int:
        """The rating of a flaked area in per cent: the first whose area is not exceeded."""
        for rating, largest in enumerate(self.area_pct):
            if area_pct <= largest:
                return rating
        return len(self.area_pct) - 1


class ClassesFile(StrictTable):
    """The shape of models/classes.toml: scales that come from standards."""

    flaking: FlakingScale


@dataclass(frozen=True, slots=True)
class AcceptanceSpec:
    """An acceptance spec as loaded, with the units and scales that its limits speak of."""

    name: str
    file: SpecFile
    flaking: FlakingScale
    units: Mapping[str, str]
    files: tuple[FileDigest, ...]

    def zones(self, artwork: Artwork) -> Zones:
        """The zones of one panel under this spec."""
        widths = self.file.zone
        short = min(artwork.width_mm, artwork.height_mm)
        return Zones(
            distance=EdgeDistance(artwork),
            rim_mm=widths.rim_mm.value,
            border_mm=widths.border_of_short_side.value * short,
            least_share=widths.least_share.value,
            least_mm2=widths.least_mm2.value,
        )


def acceptance_names() -> tuple[str, ...]:
    """The names of the specs that ship with dyelight."""
    folder = models_folder() / ACCEPTANCE_FOLDER
    return tuple(sorted(path.stem for path in folder.glob("*.toml")))


def load_acceptance(spec: str | Path | None = None, rules: Rules | None = None) -> AcceptanceSpec:
    """Load an acceptance spec by name ("gallery"), by path, or the default for None.

    A name is a word without folder and ending. Features must be declared in the naming rules;
    None takes the ones that ship. Raises RulesError with every trouble found.
    """
    path = _spec_path(DEFAULT_SPEC if spec is None else spec)
    rules = rules or load_rules()
    source = TomlFile.read(path)
    parsed = parse(
        SpecFile,
        source,
        context={"features": rules.units},
        troubles=_limit_troubles(source.tables, rules.units),
    )
    scales = TomlFile.read(models_folder() / CLASSES_FILE)
    return AcceptanceSpec(
        name=path.stem,
        file=parsed,
        flaking=parse(ClassesFile, scales).flaking,
        units=rules.units,
        files=(source.digest, scales.digest),
    )


def _spec_path(spec: str | Path) -> Path:
    if isinstance(spec, Path) or spec.endswith(".toml") or "/" in spec or "\\" in spec:
        return Path(spec)
    names = acceptance_names()
    if spec not in names:
        raise RulesError(
            f"there is no acceptance spec {spec!r}.{close_name(spec, names)}",
            remedy=f"Name one of {', '.join(names)}, or give the path of a TOML file.",
        )
    return models_folder() / ACCEPTANCE_FOLDER / f"{spec}.toml"


def _limit_troubles(tables: Mapping[str, object], units: Mapping[str, str]) -> list[Trouble]:
    """Limit ids that stand twice: a verdict names limits by id, so each must be one limit's."""
    found: list[Trouble] = []
    seen: set[str] = set()
    for table in ("limit", "count_limit", "area_limit"):
        entries = tables.get(table)
        if not isinstance(entries, list):
            continue
        for index, entry in enumerate(entries, start=1):
            name = entry.get("id") if isinstance(entry, dict) else None
            if isinstance(name, str) and name in seen:
                found.append(Trouble(f"{table}[{index}].id", f"the id {name!r} stands twice."))
            elif isinstance(name, str):
                seen.add(name)
    return found
