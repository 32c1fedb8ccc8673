"""Rank likely process causes of a panel's findings.

Each finding spreads itself over the causes of its kind by their odds: the map's starting odds,
times the factors of the conditions that hold on the panel, times what the press log says of this
pressing, times what the shop's own history shows. What the finding's confidence leaves open goes to
`something_else`. Findings of a kind are averaged, so that twenty specks do not outweigh one lift;
kinds are added by their importance; a cause that explains several kinds gains. Weights sum to 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from ..judge.measured import finding_value, is_length
from ..records import Artwork, Cause, Finding, Kind
from .cause_map import FACTS, SOMETHING_ELSE, CauseEntry, CauseMap, Condition
from .parts import Part

if TYPE_CHECKING:
    from .evidence import Evidence


@dataclass(slots=True)
class _Share:
    """A cause's share so far, the kinds it explains and the reasons that held."""

    weight: float = 0.0
    kinds: set[Kind] = field(default_factory=set)
    because: dict[str, None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Chain:
    """How one cause came to its weight on one finding.

    The product of the parts' `times` is its odds; `share` is the odds over the sum of all causes'
    odds, `counts` the part of the whole that this finding has on the panel.
    """

    finding: str
    kind: Kind
    cause: str
    parts: tuple[Part, ...]
    share: float
    counts: float


def rank_causes(
    findings: Sequence[Finding],
    artwork: Artwork,
    cause_map: CauseMap,
    evidence: Evidence | None = None,
) -> tuple[Cause, ...]:
    """Likely causes, the likeliest first and `something_else` last; weights sum to 1.

    `evidence` is what the press log says of this panel, None where there is no log. Causes below
    the map's least weight are added to `something_else`. No findings, no causes.
    """
    if not findings:
        return ()
    chains = explain_causes(findings, artwork, cause_map, evidence)
    shares: dict[str, _Share] = {SOMETHING_ELSE: _Share()}
    for chain in chains:
        share = shares.setdefault(chain.cause, _Share())
        share.weight += chain.share * chain.counts
        if chain.cause != SOMETHING_ELSE:
            share.kinds.add(chain.kind)
            for part in chain.parts:
                if part.told:
                    share.because[part.because] = None
    shares[SOMETHING_ELSE].weight += _left_open(findings, cause_map)
    combine = cause_map.file.combine
    for name, share in shares.items():
        if name != SOMETHING_ELSE and len(share.kinds) > 1:
            share.weight *= combine.shared.value ** (len(share.kinds) - 1)
            share.because[combine.shared_because] = None
    total = sum(share.weight for share in shares.values())
    named = sorted(
        (
            (name, share.weight / total, tuple(share.because))
            for name, share in shares.items()
            if name != SOMETHING_ELSE and share.weight / total >= combine.least_weight.value
        ),
        key=lambda item: (-item[1], item[0]),
    )
    leftover = cause_map.file.something_else
    notes = () if evidence is None else _notes(findings, evidence)
    rest = Cause(
        cause=SOMETHING_ELSE,
        title=leftover.title,
        weight=max(0.0, 1.0 - sum(weight for _, weight, _ in named)),
        because=(leftover.because, *notes),
        try_next=leftover.try_next,
        caution=None,
    )
    ranked = [_cause(name, weight, why, cause_map.causes[name]) for name, weight, why in named]
    return (*ranked, rest)


def explain_causes(
    findings: Sequence[Finding],
    artwork: Artwork,
    cause_map: CauseMap,
    evidence: Evidence | None = None,
) -> tuple[Chain, ...]:
    """Every number that the weights are made of, finding by finding and cause by cause."""
    chains: list[Chain] = []
    for kind in dict.fromkeys(finding.kind for finding in findings):
        members = [finding for finding in findings if finding.kind == kind]
        importance = _importance(members, cause_map)
        for finding in members:
            parts = _parts(finding, len(members), artwork, cause_map, evidence)
            odds = {name: math.prod(part.times for part in made) for name, made in parts.items()}
            whole = sum(odds.values())
            counts = importance / len(members) * finding.confidence
            chains += [
                Chain(finding.id, kind, name, parts[name], value / whole, counts)
                for name, value in odds.items()
            ]
    return tuple(chains)


def _importance(members: Sequence[Finding], cause_map: CauseMap) -> float:
    importance = cause_map.file.combine.importance
    return max(importance.of(finding.severity) for finding in members)


def _left_open(findings: Sequence[Finding], cause_map: CauseMap) -> float:
    """What the findings' confidence leaves open, which counts for something else."""
    left = 0.0
    for kind in dict.fromkeys(finding.kind for finding in findings):
        members = [finding for finding in findings if finding.kind == kind]
        part = _importance(members, cause_map) / len(members)
        left += sum(part * (1.0 - finding.confidence) for finding in members)
    return left


def _notes(findings: Sequence[Finding], evidence: Evidence) -> tuple[str, ...]:
    kinds = dict.fromkeys(finding.kind for finding in findings)
    return tuple(note for kind in kinds for note in evidence.notes(kind))


def _cause(name: str, weight: float, because: tuple[str, ...], entry: CauseEntry) -> Cause:
    return Cause(name, entry.title, weight, because, entry.try_next, entry.caution)


def _parts(
    finding: Finding,
    kind_count: int,
    artwork: Artwork,
    cause_map: CauseMap,
    evidence: Evidence | None,
) -> dict[str, tuple[Part, ...]]:
    """The parts of each cause's odds on one finding: the map, the picture, the log."""
    logged: Mapping[str, tuple[Part, ...]] = {}
    if evidence is not None:
        placed = finding.extent == "local" and artwork.size_known
        place = finding.center_mm if placed else (None, None)
        logged = evidence.parts(finding.kind, *place)
    else_ = cause_map.file.combine.something_else
    parts = {
        SOMETHING_ELSE: (
            Part("map: starting odds", else_.value, else_.meaning, else_.origin),
            *logged.get(SOMETHING_ELSE, ()),
        )
    }
    facts = _facts(finding, kind_count, artwork)
    for name, entry in cause_map.causes.items():
        base = entry.weight_for(finding.kind)
        if base is None:
            continue
        measured = [
            Part("picture", condition.factor, condition.because, condition.origin)
            for condition in entry.condition
            if _holds(condition, finding, artwork, facts)
        ]
        start = Part("map: starting odds", base.weight, base.because, base.origin)
        parts[name] = (start, *measured, *logged.get(name, ()))
    return parts


def _facts(finding: Finding, kind_count: int, artwork: Artwork) -> Mapping[str, float]:
    facts = {
        "panel_short_side_mm": min(artwork.width_mm, artwork.height_mm),
        "panel_long_side_mm": max(artwork.width_mm, artwork.height_mm),
        "bleed_mm": artwork.bleed_mm,
        "kind_count": float(kind_count),
    }
    if finding.vector_mm is not None:
        facts["shift_across_mm"] = abs(finding.vector_mm[0])
        facts["shift_down_mm"] = abs(finding.vector_mm[1])
    return facts


def _holds(
    condition: Condition, finding: Finding, artwork: Artwork, facts: Mapping[str, float]
) -> bool:
    if condition.kinds is not None and finding.kind not in condition.kinds:
        return False
    for limits in condition.limits:
        # without the panel's size a length in millimetres says nothing
        if is_length(limits.unit) and not artwork.size_known:
            return False
        name = limits.feature
        if not limits.holds(facts.get(name) if name in FACTS else finding_value(finding, name)):
            return False
    words: Mapping[str, str | None] = {
        "zone": finding.zone,
        "tone": finding.tone,
        "pattern": finding.pattern,
        "base": artwork.base,
        "extent": finding.extent,
        "finish": artwork.finish,
    }
    return all(words[test.field] in test.one_of for test in condition.words)
