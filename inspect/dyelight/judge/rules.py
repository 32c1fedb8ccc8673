"""The naming rules of models/defects.toml and the confidence curves of models/calibration.toml.

A rule holds a measured feature between limits. A kind is named where all its rules hold. How far a
value lies inside its limit, in units of half the rule's softness and clipped to -1..1, is its
margin: 0 is on the limit. A rule without softness knows 1 and -1 only. Membership is
(1 + margin) / 2: it falls from 1 to 0 over the softness, half of it on each side of the limit.
"""

from __future__ import annotations

import math
from collections.abc import Container, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import Field, ValidationInfo, model_validator

from ..data import models_folder
from ..records import Kind
from .model_file import (
    FileDigest,
    Flag,
    Number,
    StrictTable,
    Threshold,
    TomlFile,
    Trouble,
    Words,
    close_name,
    parse,
)

Family = Literal["point", "line", "patch", "double", "border", "chip", "panel", "taught"]
KINDS: tuple[Kind, ...] = get_args(Kind)
FAMILIES: tuple[Family, ...] = get_args(Family)
RULES_FILE = "defects.toml"
CALIBRATION_FILE = "calibration.toml"


class Feature(StrictTable):
    """One measured value that rules may speak of."""

    unit: Words
    meaning: Words


def check_feature(feature: str, unit: str | None, info: ValidationInfo) -> None:
    """ValueError unless the context declares this feature, with this unit where one is given."""
    known: Mapping[str, str] = (info.context or {}).get("features", {})
    if feature not in known:
        raise ValueError(f"unknown feature {feature!r}.{close_name(feature, known)}")
    if unit not in (None, known[feature]):
        raise ValueError(f"{feature} is measured in {known[feature]!r}, not {unit!r}.")


class Limits(StrictTable):
    """A feature held between `min` and `max`, both inclusive, in the feature's own unit.

    Validated against the features named in the context: {"features": {name: unit}}.
    """

    feature: Words
    min: Number | None = None
    max: Number | None = None
    unit: Words

    @model_validator(mode="after")
    def _speaks_of_a_feature(self, info: ValidationInfo) -> Limits:
        check_feature(self.feature, self.unit, info)
        if self.min is None and self.max is None:
            raise ValueError("needs min, max or both.")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise ValueError(f"min {self.min:g} is above max {self.max:g}.")
        return self

    def holds(self, value: float | None) -> bool:
        """Whether a value lies within the limits; a missing or non-finite one does not."""
        if value is None or not math.isfinite(value):
            return False
        return (self.min is None or value >= self.min) and (self.max is None or value <= self.max)


class Rule(Limits):
    """One rule of a kind. `softness` is in the feature's unit; `families` narrows it to some.

    `optional`: passed over where its feature could not be measured; else it does not hold there.
    """

    softness: Number | None = Field(default=None, gt=0)
    optional: Flag = False
    families: tuple[Family, ...] | None = None
    meaning: Words
    origin: Words

    def margin(self, value: float | None) -> float:
        """How far a value lies inside the limits, -1..1 in units of half the softness."""
        if value is None or not math.isfinite(value):
            return -1.0
        return min(
            self._one_sided(value - self.min) if self.min is not None else 1.0,
            self._one_sided(self.max - value) if self.max is not None else 1.0,
        )

    def _one_sided(self, inside: float) -> float:
        if self.softness is None:
            return 1.0 if inside >= 0 else -1.0
        return max(-1.0, min(1.0, 2.0 * inside / self.softness))


class KindRules(StrictTable):
    """A kind of defect: what may feed it and the rules that name it. The larger priority wins."""

    title: Words
    meaning: Words
    families: tuple[Family, ...] = Field(min_length=1)
    priority: Number
    confusable_with: tuple[Kind, ...] = ()
    rule: tuple[Rule, ...] = Field(min_length=1)

    def rules_for(self, family: Family, measured: Container[str]) -> tuple[Rule, ...]:
        """The rules that a candidate of one family with these measured features is held against."""
        return tuple(
            rule
            for rule in self.rule
            if (rule.families is None or family in rule.families)
            and (rule.feature in measured or not rule.optional)
        )


class DoubtRule(StrictTable):
    """A doubt that findings of some kinds carry, always or under a condition.

    `one_photo`: only while a single photo was looked at. `where`: only where a feature lies within
    limits. `unmeasured`: only where this feature could not be measured.
    """

    code: Words
    kinds: tuple[Kind, ...] = Field(min_length=1)
    one_photo: Flag = False
    where: Limits | None = None
    unmeasured: Words | None = None
    meaning: Words
    origin: Words

    @model_validator(mode="after")
    def _speaks_of_a_feature(self, info: ValidationInfo) -> DoubtRule:
        if self.unmeasured is not None:
            check_feature(self.unmeasured, None, info)
        return self

    def stands(self, kind: Kind, values: Mapping[str, float], photos: int) -> bool:
        """Whether a finding of this kind with these measured values carries the doubt."""
        return (
            kind in self.kinds
            and (photos == 1 or not self.one_photo)
            and (self.where is None or self.where.holds(values.get(self.where.feature)))
            and (self.unmeasured is None or self.unmeasured not in values)
        )


class NamingLimits(StrictTable):
    """What holds for naming as a whole."""

    doubt_margin: Threshold
    least_confidence: Threshold


class RulesFile(StrictTable):
    """The shape of models/defects.toml."""

    features: dict[str, Feature]
    naming: NamingLimits
    kind: dict[Kind, KindRules]
    doubt: tuple[DoubtRule, ...] = ()


class Curve(StrictTable):
    """Confidence of one family: 1 / (1 + exp(-score)), where score = intercept + ln_snr * ln(snr) +
    margin * margin + the sum of feature * ln(1 + value) over `feature`."""

    intercept: Threshold
    ln_snr: Threshold
    margin: Threshold
    feature: dict[str, Threshold] = Field(default_factory=dict)

    def confidence(self, values: Mapping[str, float], margin: float) -> float:
        """How often a finding with these measured values and this membership margin is true, 0..1.

        A feature that was not measured counts as 0.
        """
        # below SNR 1 there is nothing to see; the floor keeps the logarithm finite
        score = (
            self.intercept.value
            + self.ln_snr.value * math.log(max(values.get("snr", 1.0), 1.0))
            + self.margin.value * margin
        )
        for name, weight in self.feature.items():
            score += weight.value * math.log1p(max(values.get(name, 0.0), 0.0))
        return 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, score))))


class CalibrationFile(StrictTable):
    """The shape of models/calibration.toml."""

    family: dict[Family, Curve]


@dataclass(frozen=True, slots=True)
class Rules:
    """Naming rules and confidence curves as loaded, with the files they came from."""

    features: Mapping[str, Feature]
    kinds: Mapping[Kind, KindRules]
    doubts: tuple[DoubtRule, ...]
    naming: NamingLimits
    curves: Mapping[Family, Curve]
    files: tuple[FileDigest, ...]

    @property
    def units(self) -> dict[str, str]:
        """The unit of every feature, by name."""
        return {name: feature.unit for name, feature in self.features.items()}


def load_rules(path: str | Path | None = None) -> Rules:
    """Load the naming rules.

    `path` is a file shaped like models/defects.toml; None takes the one that ships with dyelight.
    The confidence curves come from a calibration.toml beside it where there is one, else from the
    one that ships. Raises RulesError with every trouble of the first file that has any.
    """
    rules_path = models_folder() / RULES_FILE if path is None else Path(path)
    source = TomlFile.read(rules_path)
    parsed = parse(
        RulesFile,
        source,
        context={"features": _declared_units(source.tables)},
        troubles=_left_out(source.tables, "kind", KINDS),
    )
    beside = rules_path.parent / CALIBRATION_FILE
    curves_path = beside if beside.is_file() else models_folder() / CALIBRATION_FILE
    curves_source = TomlFile.read(curves_path)
    curves = parse(
        CalibrationFile,
        curves_source,
        troubles=_left_out(curves_source.tables, "family", FAMILIES)
        + _unknown_features(curves_source.tables, parsed.features),
    )
    return Rules(
        features=parsed.features,
        kinds=parsed.kind,
        doubts=parsed.doubt,
        naming=parsed.naming,
        curves=curves.family,
        files=(source.digest, curves_source.digest),
    )


def _declared_units(tables: Mapping[str, Any]) -> dict[str, str]:
    # read before validation, so that a rule's unknown feature is told with all other troubles
    declared = tables.get("features")
    if not isinstance(declared, dict):
        return {}
    return {
        name: str(entry.get("unit"))
        for name, entry in declared.items()
        if isinstance(entry, dict) and "unit" in entry
    }


def _unknown_features(tables: Mapping[str, Any], known: Mapping[str, Feature]) -> list[Trouble]:
    """Troubles with confidence curves that ask for features which the rules do not declare."""
    families = tables.get("family")
    if not isinstance(families, dict):
        return []
    return [
        Trouble(f"family.{family}.feature.{name}", "the rules declare no such feature.")
        for family, curve in families.items()
        if isinstance(curve, dict) and isinstance(curve.get("feature"), dict)
        for name in curve["feature"]
        if name not in known
    ]


def _left_out(tables: Mapping[str, Any], table: str, names: tuple[str, ...]) -> list[Trouble]:
    present = tables.get(table)
    if not isinstance(present, dict):
        return []
    return [
        Trouble(f"{table}.{name}", "this table is missing.")
        for name in names
        if name not in present
    ]
