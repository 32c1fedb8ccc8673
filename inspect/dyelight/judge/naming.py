"""Name candidates by the rules: candidate -> finding."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from ..records import Artwork, Candidate, Finding, Kind, Reading
from .acceptance import graded, gravity
from .measured import MARGIN, candidate_values, shown_unit
from .once import each_once
from .rules import FAMILIES, Family, Rule, Rules
from .spec import AcceptanceSpec
from .zones import Zones

_AS_STRONG = 0.5  # of a candidate's own SNR


@dataclass(frozen=True, slots=True)
class Standing:
    """How a candidate stands to one kind: its least and mean rule margin, and each rule's."""

    kind: Kind
    margin: float
    mean_margin: float
    rules: tuple[tuple[Rule, float], ...]

    @property
    def holds(self) -> bool:
        """Whether every rule of the kind holds."""
        return self.margin >= 0.0


def standings(family: Family, values: Mapping[str, float], rules: Rules) -> tuple[Standing, ...]:
    """How measured values stand to every kind that a family may feed, the best first.

    The best has the greatest least margin; then the larger priority; then the greater mean margin.
    `unexplained` comes last.
    """
    found = []
    for kind, kind_rules in rules.kinds.items():
        held = tuple(
            (rule, rule.margin(values.get(rule.feature)))
            for rule in kind_rules.rules_for(family, values)
        )
        if family in kind_rules.families and held:
            margins = [margin for _, margin in held]
            found.append(Standing(kind, min(margins), sum(margins) / len(margins), held))
    return tuple(
        sorted(
            found,
            key=lambda one: (
                one.kind == "unexplained",
                -one.margin,
                -rules.kinds[one.kind].priority,
                -one.mean_margin,
            ),
        )
    )


def name_candidates(
    candidates: Sequence[Candidate],
    artwork: Artwork,
    rules: Rules,
    spec: AcceptanceSpec,
    photos: int = 1,
) -> tuple[Finding, ...]:
    """Findings named from candidates, graded, ordered by severity then ΔE00, with ids F1, F2 ...

    A candidate takes the kind whose rules all hold with the greatest margin. Each other kind within
    the rules' doubt margin of it, on either side of its own limits, leaves a doubt `or_<kind>`.
    A candidate that fits no kind is `unexplained` where that kind's rules hold, else it is dropped;
    so is one that is too likely nothing. What a surer finding has told of is not told again
    (`once.py`).
    `because` holds every rule of the kind, the tightest first. `photos` is how many photos of the
    panel were looked at. A finding's `features` carry all measured values and `membership_margin`.
    """
    zones = spec.zones(artwork)
    judged = [_judged(candidate, artwork, rules, zones) for candidate in candidates]
    unnamed = [one.candidate for one in judged if one.best is None]
    named = [
        finding
        for one in judged
        if (finding := _named(one, unnamed, artwork, rules, zones, photos)) is not None
    ]
    ordered = sorted(
        graded(each_once(named), artwork, spec),
        key=lambda finding: (
            -gravity(finding.severity),
            -finding.delta_e00,
            finding.center_mm[1],
            finding.center_mm[0],
        ),
    )
    return tuple(
        replace(finding, id=f"F{number}") for number, finding in enumerate(ordered, start=1)
    )


@dataclass(frozen=True, slots=True)
class _Judged:
    """A candidate with its measured values, the kinds it may be, and the one it is: None where it
    fits none."""

    candidate: Candidate
    values: dict[str, float]
    ranking: tuple[Standing, ...]
    best: Standing | None


def _judged(candidate: Candidate, artwork: Artwork, rules: Rules, zones: Zones) -> _Judged:
    values = candidate_values(candidate, artwork, zones.distance)
    ranking = standings(_family(candidate), values, rules)
    return _Judged(candidate, values, ranking, next((one for one in ranking if one.holds), None))


def _misfits(judged: _Judged, best: Standing, unnamed: Sequence[Candidate]) -> dict[str, float]:
    """`unnamed_as_strong`, how many candidates of the panel that fit no kind are at least half as
    strong as this one; `no_named_kind`, 1 where it is told as unexplained.

    Where much on a panel fits no kind the expected look does not follow the picture, and what does
    fit one is less sure; a speck far stronger than all that is a speck nevertheless.
    """
    least = _AS_STRONG * judged.candidate.snr
    return {
        "unnamed_as_strong": float(sum(one.snr >= least for one in unnamed)),
        "no_named_kind": float(best.kind == "unexplained"),
    }


def _named(
    judged: _Judged,
    unnamed: Sequence[Candidate],
    artwork: Artwork,
    rules: Rules,
    zones: Zones,
    photos: int,
) -> Finding | None:
    candidate, ranking, best = judged.candidate, judged.ranking, judged.best
    if best is None:
        return None
    values = {**judged.values, **_misfits(judged, best, unnamed), MARGIN: best.margin}
    confidence = rules.curves[_family(candidate)].confidence(values, best.margin)
    if confidence < rules.naming.least_confidence.value:
        return None
    return Finding(
        id="",
        kind=best.kind,
        extent=candidate.extent,
        center_mm=candidate.center_mm,
        box_mm=candidate.box_mm,
        outline_mm=candidate.outline_mm,
        area_mm2=candidate.area_mm2,
        eq_diameter_mm=values.get("eq_diameter_mm", 0.0),
        delta_e00=candidate.delta_e00,
        snr=candidate.snr,
        tone=candidate.tone,
        zone=(
            "A" if candidate.extent == "panel" else zones.of(candidate.outline_mm, candidate.box_mm)
        ),
        vector_mm=candidate.vector_mm,
        strength=candidate.strength,
        pattern=candidate.pattern,
        confidence=confidence,
        severity="minor",
        because=_readings(best, values, artwork),
        doubts=_doubts(best, ranking, values, artwork, rules, photos),
        features=values,
    )


def _family(candidate: Candidate) -> Family:
    for family in FAMILIES:
        if family == candidate.family:
            return family
    raise ValueError(f"no detector family is called {candidate.family!r}")


def _readings(
    standing: Standing, values: Mapping[str, float], artwork: Artwork
) -> tuple[Reading, ...]:
    found = []
    for rule, _ in sorted(standing.rules, key=lambda pair: pair[1]):
        unit = shown_unit(rule.unit, artwork)
        name = f"{standing.kind}.{rule.feature}"
        for side, limit in (("min", rule.min), ("max", rule.max)):
            if limit is not None:
                found.append(Reading(f"{name}.{side}", values[rule.feature], limit, unit))
    return tuple(found)


def _doubts(
    best: Standing,
    ranking: Sequence[Standing],
    values: Mapping[str, float],
    artwork: Artwork,
    rules: Rules,
    photos: int,
) -> tuple[str, ...]:
    # a margin is clipped at 1, so two kinds that both hold well are as likely as each other
    near = rules.naming.doubt_margin.value
    codes = [
        f"or_{other.kind}"
        for other in ranking
        if other.kind not in (best.kind, "unexplained")
        and other.margin >= -near
        and (best.kind == "unexplained" or best.margin - other.margin <= near)
    ]
    # what a single one of several photos saw is doubted as if that had been the only one
    seen = int(values.get("photos_seen", photos))
    codes += [doubt.code for doubt in rules.doubts if doubt.stands(best.kind, values, seen)]
    if not artwork.size_known:
        codes.append("size_unknown")
    return tuple(dict.fromkeys(codes))
