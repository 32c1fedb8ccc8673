"""Judge findings against an acceptance spec: severity by finding, and the panel's verdict."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from ..records import (
    Artwork,
    Capture,
    DefectClass,
    Finding,
    Verdict,
    VerdictReading,
    VerdictWord,
)
from .measured import finding_value, is_length, shown_unit
from .spec import AcceptanceSpec, AreaLimit, CountLimit, FeatureLimit, SpecLimit

_GRAVITY: dict[DefectClass, int] = {"minor": 0, "major": 1, "critical": 2}


@dataclass(frozen=True, slots=True)
class Breach:
    """One limit that findings broke. `sure`: broken even by the findings that are sure."""

    limit: SpecLimit
    rule: str
    value: float
    bound: float
    unit: str
    findings: tuple[Finding, ...]
    sure: bool

    @property
    def word(self) -> VerdictWord:
        """What this breach asks for."""
        return self.limit.verdict if self.sure else "review"

    def reading(self) -> VerdictReading:
        """The breach as it stands in a verdict."""
        ids = tuple(finding.id for finding in self.findings)
        return VerdictReading(self.rule, self.value, self.bound, self.unit, ids)


def breaches(
    findings: Sequence[Finding], artwork: Artwork, spec: AcceptanceSpec
) -> tuple[Breach, ...]:
    """Every limit of the spec that the findings break, in the spec's order."""
    found: list[Breach] = []
    for limit in spec.file.limit:
        found += _feature_breaches(limit, findings, artwork, spec)
    for count in spec.file.count_limit:
        found += _count_breaches(count, findings, artwork, spec)
    for area in spec.file.area_limit:
        found += _area_breaches(area, findings, artwork, spec)
    return tuple(found)


def graded(
    findings: Sequence[Finding], artwork: Artwork, spec: AcceptanceSpec
) -> tuple[Finding, ...]:
    """The findings with the severity of the gravest limit that each helps to break, else minor."""
    gravest: list[DefectClass] = ["minor"] * len(findings)
    place = {id(finding): index for index, finding in enumerate(findings)}
    for breach in breaches(findings, artwork, spec):
        for finding in breach.findings:
            index = place[id(finding)]
            gravest[index] = max(gravest[index], breach.limit.severity, key=_GRAVITY.__getitem__)
    return tuple(
        replace(finding, severity=severity)
        for finding, severity in zip(findings, gravest, strict=True)
    )


def gravity(severity: DefectClass) -> int:
    """Severity as a number that sorts: 0 minor, 1 major, 2 critical."""
    return _GRAVITY[severity]


def judge_panel(
    findings: Sequence[Finding],
    artwork: Artwork,
    capture: Capture,
    usable: bool,
    spec: AcceptanceSpec,
) -> Verdict:
    """The verdict on one panel.

    `retake` where the photo cannot carry one. `remake` where sure findings break a limit that asks
    for it. `review` where only unsure ones do (low confidence, a doubt that the spec leaves to a
    person, a length on a panel of unknown size), where a limit asks for review, or where too much
    of the panel is hidden. Else `pass`. `because` holds the readings that decided.
    """
    if not usable:
        return Verdict("retake", (VerdictReading("photo.usable", 0.0, 1.0, "1", ()),))
    broken = breaches(findings, artwork, spec)
    remake = tuple(breach.reading() for breach in broken if breach.word == "remake")
    if remake:
        return Verdict("remake", remake)
    review = [breach.reading() for breach in broken]
    hidden = spec.file.review.hidden_fraction
    if capture.hidden_fraction > hidden.value:
        review.append(
            VerdictReading(
                "photo.hidden_fraction", capture.hidden_fraction, hidden.value, hidden.unit, ()
            )
        )
    return Verdict("review", tuple(review)) if review else Verdict("pass", ())


def _feature_breaches(
    limit: FeatureLimit, findings: Sequence[Finding], artwork: Artwork, spec: AcceptanceSpec
) -> list[Breach]:
    values = [
        (value, finding)
        for finding in _spoken_of(limit, findings)
        if (value := finding_value(finding, limit.feature)) is not None and value > limit.max
    ]
    is_sure = _sureness(limit, artwork, spec, limit.unit)
    found = []
    for sure in (True, False):
        group = [(value, finding) for value, finding in values if is_sure(finding) is sure]
        if group:
            found.append(
                Breach(
                    limit=limit,
                    rule=limit.id,
                    value=max(value for value, _ in group),
                    bound=limit.max,
                    unit=shown_unit(limit.unit, artwork),
                    findings=tuple(finding for _, finding in group),
                    sure=sure,
                )
            )
    return found


def _count_breaches(
    limit: CountLimit, findings: Sequence[Finding], artwork: Artwork, spec: AcceptanceSpec
) -> list[Breach]:
    counted = _spoken_of(limit, findings)
    found = []
    is_sure = _sureness(limit, artwork, spec)
    if len(counted) > limit.max_count:
        certain = tuple(finding for finding in counted if is_sure(finding))
        sure = len(certain) > limit.max_count
        shown = certain if sure else tuple(counted)
        found.append(
            Breach(limit, limit.id, float(len(shown)), float(limit.max_count), "1", shown, sure)
        )
    if limit.spacing_mm is not None:
        found += _spacing_breaches(limit, limit.spacing_mm, counted, artwork, spec)
    return found


def _spacing_breaches(
    limit: CountLimit,
    spacing_mm: float,
    counted: Sequence[Finding],
    artwork: Artwork,
    spec: AcceptanceSpec,
) -> list[Breach]:
    is_sure = _sureness(limit, artwork, spec, "mm")
    found = []
    for sure in (True, False):
        near = [
            (apart, (one, other))
            for one, other in combinations(counted, 2)
            if (apart := math.dist(one.center_mm, other.center_mm)) < spacing_mm
            and (is_sure(one) and is_sure(other)) is sure
        ]
        if near:
            members = {id(finding): finding for _, pair in near for finding in pair}
            found.append(
                Breach(
                    limit=limit,
                    rule=f"{limit.id}.spacing",
                    value=min(apart for apart, _ in near),
                    bound=spacing_mm,
                    unit=shown_unit("mm", artwork),
                    findings=tuple(members.values()),
                    sure=sure,
                )
            )
    return found


def _area_breaches(
    limit: AreaLimit, findings: Sequence[Finding], artwork: Artwork, spec: AcceptanceSpec
) -> list[Breach]:
    panel_mm2 = artwork.width_mm * artwork.height_mm
    if artwork.alpha is not None:
        panel_mm2 *= float((artwork.alpha >= 128).mean())
    counted = _spoken_of(limit, findings)
    is_sure = _sureness(limit, artwork, spec)
    certain = [finding for finding in counted if is_sure(finding)]
    for group, sure in ((certain, True), (counted, False)):
        share = 100.0 * sum(finding.area_mm2 for finding in group) / max(panel_mm2, 1e-9)
        value = float(spec.flaking.rating(share)) if limit.scale == "flaking" else share
        if value > limit.max:
            unit = "rating" if limit.scale == "flaking" else "%"
            return [Breach(limit, limit.id, value, limit.max, unit, tuple(group), sure)]
    return []


def _spoken_of(limit: SpecLimit, findings: Sequence[Finding]) -> list[Finding]:
    return [
        finding
        for finding in findings
        if finding.kind in limit.kinds
        and finding.zone in limit.zones
        and all(part.holds(finding_value(finding, part.feature)) for part in limit.when)
    ]


def _sureness(
    limit: SpecLimit, artwork: Artwork, spec: AcceptanceSpec, unit: str = ""
) -> Callable[[Finding], bool]:
    review = spec.file.review
    # without the panel's size a limit in millimetres cannot be held against anything for certain
    lengths = is_length(unit) or any(is_length(part.unit) for part in limit.when)
    measurable = artwork.size_known or not lengths
    doubts = frozenset(review.doubts)

    def sure(finding: Finding) -> bool:
        return (
            measurable
            and finding.confidence >= review.confidence.value
            and doubts.isdisjoint(finding.doubts)
        )

    return sure
