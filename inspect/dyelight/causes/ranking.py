"""Rank likely process causes of a panel's findings.

Each finding spreads itself over the causes of its kind by their odds, multiplied by the factors of
the conditions that hold; what the finding's confidence leaves open goes to `something_else`.
Findings of a kind are averaged, so that twenty specks do not outweigh one lift; kinds are added by
their importance; a cause that explains several kinds gains. Weights sum to 1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from ..judge.measured import finding_value, is_length
from ..records import Artwork, Cause, Finding, Kind
from .cause_map import FACTS, SOMETHING_ELSE, CauseEntry, CauseMap, Condition


@dataclass(slots=True)
class _Share:
    """A cause's share so far, the kinds it explains and the reasons that held."""

    weight: float = 0.0
    kinds: set[Kind] = field(default_factory=set)
    because: dict[str, None] = field(default_factory=dict)


def rank_causes(
    findings: Sequence[Finding], artwork: Artwork, cause_map: CauseMap
) -> tuple[Cause, ...]:
    """Likely causes, the likeliest first and `something_else` last; weights sum to 1.

    Causes below the map's least weight are added to `something_else`. No findings, no causes.
    """
    if not findings:
        return ()
    shares: dict[str, _Share] = {}
    for kind in dict.fromkeys(finding.kind for finding in findings):
        members = [finding for finding in findings if finding.kind == kind]
        _add_kind(shares, members, artwork, cause_map)
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
    rest = Cause(
        cause=SOMETHING_ELSE,
        title=leftover.title,
        weight=max(0.0, 1.0 - sum(weight for _, weight, _ in named)),
        because=(leftover.because,),
        try_next=leftover.try_next,
        caution=None,
    )
    ranked = [_cause(name, weight, why, cause_map.causes[name]) for name, weight, why in named]
    return (*ranked, rest)


def _cause(name: str, weight: float, because: tuple[str, ...], entry: CauseEntry) -> Cause:
    return Cause(name, entry.title, weight, because, entry.try_next, entry.caution)


def _add_kind(
    shares: dict[str, _Share], members: Sequence[Finding], artwork: Artwork, cause_map: CauseMap
) -> None:
    combine = cause_map.file.combine
    kind = members[0].kind
    importance = max(combine.importance.of(finding.severity) for finding in members)
    for finding in members:
        part = importance / len(members)
        odds: dict[str, float] = {SOMETHING_ELSE: combine.something_else.value}
        facts = _facts(finding, len(members), artwork)
        for name, entry in cause_map.causes.items():
            base = entry.weight_for(kind)
            if base is None:
                continue
            odds[name] = base.weight
            share = shares.setdefault(name, _Share())
            share.kinds.add(kind)
            share.because[base.because] = None
            for condition in entry.condition:
                if _holds(condition, finding, artwork, facts):
                    odds[name] *= condition.factor
                    share.because[condition.because] = None
        whole = sum(odds.values())
        for name, value in odds.items():
            share = shares.setdefault(name, _Share())
            share.weight += part * finding.confidence * value / whole
        shares[SOMETHING_ELSE].weight += part * (1.0 - finding.confidence)


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
