"""Naming: candidates become the kind whose rules hold, with readings, doubts and confidence."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dyelight.judge import load_acceptance, load_rules, name_candidates, standings
from dyelight.judge.rules import Family, KindRules, Rule, Rules
from dyelight.records import Artwork, Candidate, Finding, Kind

RULES = load_rules()
# limits that stay while the shipped ones are tuned: feature, min, max, softness
PLAIN_LIMITS: dict[Kind, list[tuple[str, float | None, float | None, float | None]]] = {
    "vapour_spot": [("snr", 6, None, 2), ("edge_blur_ratio", 2, None, 1)],
    "coating_lift": [("snr", 6, None, 2), ("edge_blur_ratio", None, 2, 1)],
    "dust_speck": [("snr", 6, None, 2), ("elongation", None, 3, 1)],
    "ghosting": [("snr", 6, None, 2), ("shift_mm", 0.2, 6, 0.1), ("strength", 1, None, 1)],
    "off_colour": [("delta_e00", 4, None, 2)],
    "unexplained": [("snr", 8, None, 4), ("delta_e00", 2, None, 1)],
}


def plain_rules() -> Rules:
    """The shipped rules with plain limits, and nothing that can be named but these kinds."""
    kinds = {}
    for kind, limits in PLAIN_LIMITS.items():
        rules = [
            {
                "feature": name,
                "unit": RULES.units[name],
                "meaning": "A test's limit.",
                "origin": "start value",
                **{
                    key: float(value)
                    for key, value in (("min", low), ("max", high), ("softness", soft))
                    if value is not None
                },
            }
            for name, low, high, soft in limits
        ]
        table = {**RULES.kinds[kind].model_dump(exclude={"rule"}), "rule": rules}
        if kind in ("vapour_spot", "coating_lift"):
            table["families"] = ["patch"]
        if kind == "dust_speck":
            table["families"] = ["point", "line"]
        kinds[kind] = KindRules.model_validate(table, context={"features": RULES.units})
    margin = RULES.naming.doubt_margin.model_copy(update={"value": 0.5})
    naming = RULES.naming.model_copy(update={"doubt_margin": margin})
    return replace(RULES, kinds=kinds, naming=naming)


PLAIN = plain_rules()
SPEC = load_acceptance("gallery", RULES)
ARTWORK = Artwork(
    file="lake.png",
    sha256="0" * 64,
    pixels=np.zeros((203, 254, 3), np.uint8),
    alpha=None,
    width_mm=254.0,
    height_mm=203.0,
)
FED = [(kind, family) for kind, rules in RULES.kinds.items() for family in rules.families]


def square(center: tuple[float, float], side: float) -> dict[str, Any]:
    x, y = center
    half = side / 2
    box = (x - half, y - half, x + half, y + half)
    outline = np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]])
    return {"center_mm": center, "box_mm": box, "outline_mm": outline.astype(np.float64)}


def candidate(
    family: str,
    features: dict[str, float],
    center: tuple[float, float] = (127.0, 100.0),
    side: float = 5.0,
    **other: Any,
) -> Candidate:
    fields: dict[str, Any] = {
        "area_mm2": features.get("area_mm2", side * side),
        "delta_e00": features.get("delta_e00", 0.0),
        "snr": features.get("snr", 0.0),
        "tone": "light",
        **square(center, side),
        **other,
    }
    return Candidate(family=family, features=features, **fields)


def inside(rule: Rule) -> float:
    """A value well within a rule's limits."""
    room = rule.softness or 0.0
    if rule.min is not None and rule.max is not None:
        return (rule.min + rule.max) / 2
    if rule.min is not None:
        return rule.min + room
    assert rule.max is not None
    return rule.max - room


def values_for(kind: Kind, family: Family) -> dict[str, float]:
    rules = [r for r in RULES.kinds[kind].rule if r.families is None or family in r.families]
    return {rule.feature: inside(rule) for rule in rules}


def named(
    *candidates: Candidate, photos: int = 1, artwork: Artwork = ARTWORK, rules: Rules = PLAIN
) -> list[Finding]:
    return list(name_candidates(candidates, artwork, rules, SPEC, photos))


@pytest.mark.parametrize(("kind", "family"), FED)
def test_values_within_every_limit_fit_the_kind(kind: Kind, family: Family) -> None:
    """Values inside all limits of a kind hold for it, from each family that may feed it."""
    ranking = standings(family, values_for(kind, family), RULES)
    assert next(one for one in ranking if one.kind == kind).holds


@pytest.mark.parametrize(("kind", "family"), FED)
def test_each_rule_alone_can_refuse_the_kind(kind: Kind, family: Family) -> None:
    """One value beyond one limit is enough for a candidate not to be of the kind."""
    good = values_for(kind, family)
    rules = [r for r in RULES.kinds[kind].rule if r.families is None or family in r.families]
    for rule in rules:
        for limit, beyond in ((rule.min, -math.inf), (rule.max, math.inf)):
            if limit is None:
                continue
            values = {**good, rule.feature: math.nextafter(limit, beyond)}
            ranking = standings(family, values, RULES)
            assert not next(one for one in ranking if one.kind == kind).holds, rule.feature
            values = {**good, rule.feature: limit}
            ranking = standings(family, values, RULES)
            assert next(one for one in ranking if one.kind == kind).holds, rule.feature


@pytest.mark.parametrize(("kind", "family"), FED)
def test_a_missing_value_refuses_unless_the_rule_is_optional(kind: Kind, family: Family) -> None:
    """A rule on a value that was not measured does not hold; an optional one is passed over."""
    good = values_for(kind, family)
    for rule in RULES.kinds[kind].rule:
        if rule.feature not in good or (rule.families and family not in rule.families):
            continue
        values = {name: value for name, value in good.items() if name != rule.feature}
        standing = next(s for s in standings(family, values, RULES) if s.kind == kind)
        assert standing.holds is rule.optional, rule.feature


VAPOUR = {
    "snr": 30.0,
    "delta_e00": 6.0,
    "delta_l": 4.0,
    "eq_diameter_mm": 20.0,
    "short_side_fraction": 0.1,
    "edge_blur_ratio": 8.0,
    "detail_ratio": 0.5,
    "reflection_likeness": 0.0,
    "solidity": 0.9,
    "dye_share": 0.9,
    "elongation": 1.3,
    "edge_shift_px": 10.0,
    "picture_share": 0.1,
    "neutral_likeness": 0.0,
    "left_over": 60.0,
    "left_over_rise": 8.0,
}
LIFT = {
    **VAPOUR,
    "edge_blur_ratio": 1.0,
    "detail_ratio": 0.0,
    "delta_e00": 15.0,
    "neutral_likeness": 0.9,
}
SPECK = {
    "known_colour": 1.0,
    "snr": 30.0,
    "delta_e00": 12.0,
    "eq_diameter_mm": 0.7,
    "length_mm": 0.8,
    "dye_share": 0.9,
    "elongation": 1.1,
    "edge_blur_ratio": 1.0,
    "edge_shift_px": 10.0,
    "picture_share": 0.1,
}
FIBRE = {
    "known_colour": 1.0,
    "snr": 30.0,
    "delta_e00": 8.0,
    "length_mm": 6.0,
    "width_mm": 0.2,
    "least_width_mm": 0.15,
    "elongation": 30.0,
    "straightness": 0.8,
    "dye_share": 0.9,
    "edge_blur_ratio": 1.0,
    "edge_shift_px": 10.0,
    "picture_share": 0.1,
}
SCRATCH = {**FIBRE, "length_mm": 20.0, "straightness": 1.0}
GHOST = {"snr": 40.0, "delta_e00": 3.0, "shift_mm": 1.0, "strength": 8.0}
EDGE = {
    "snr": 40.0,
    "delta_e00": 30.0,
    "width_mm": 2.0,
    "edge_distance_mm": 0.0,
    "edge_run": 0.9,
    "base_likeness": 0.95,
}


@pytest.mark.parametrize(
    ("family", "features", "kind"),
    [
        ("patch", VAPOUR, "vapour_spot"),
        ("patch", LIFT, "coating_lift"),
        ("point", SPECK, "dust_speck"),
        ("line", FIBRE, "fibre"),
        ("line", SCRATCH, "scratch"),
        ("double", GHOST, "ghosting"),
        ("border", EDGE, "bare_edge"),
        ("panel", {"snr": 4.0, "delta_e00": 8.0, "uniformity": 0.95}, "off_colour"),
        ("panel", {"snr": 4.0, "delta_e00": 8.0, "uniformity": 0.3}, "uneven_press"),
        ("panel", {"snr": 4.0, "artwork_match": 0.02}, "wrong_artwork"),
        (
            "line",
            {**SCRATCH, "snr": 60.0, "length_mm": 60.0, "width_mm": 2.0, "edge_blur_ratio": 1.8},
            "crease_line",
        ),
        (
            "patch",
            {
                "snr": 40.0,
                "delta_e00": 12.0,
                "area_mm2": 40.0,
                "edge_shift_px": 9.0,
                "dye_share": 0.0,
                "left_over": 400.0,
                "left_over_rise": 40.0,
            },
            "unexplained",
        ),
    ],
)
def test_clear_cases_get_their_kind(family: str, features: dict[str, float], kind: Kind) -> None:
    """A textbook case of each kind is called by its name."""
    (finding,) = named(candidate(family, features), rules=RULES)
    assert finding.kind == kind


def test_what_fits_nothing_and_hardly_stands_out_is_dropped() -> None:
    """Below the limits of unexplained a candidate that fits no kind leaves no finding."""
    assert named(candidate("patch", {"snr": 4.0, "delta_e00": 0.5, "area_mm2": 4.0})) == []


def test_nothing_seen_is_nothing_found() -> None:
    """No candidates give an empty tuple."""
    assert name_candidates([], ARTWORK, RULES, SPEC) == ()


def test_an_unknown_family_is_a_fault() -> None:
    """A candidate from a family that no rules know is a fault, not a dropped finding."""
    with pytest.raises(ValueError, match="gloss"):
        named(candidate("gloss", SPECK))


def test_because_holds_each_limit_the_tightest_first() -> None:
    """Readings carry value, limit and unit of every rule, the one nearest its limit first."""
    (finding,) = named(candidate("double", {**GHOST, "shift_mm": 0.21}))
    first = finding.because[0]
    assert (first.rule, first.value, first.limit, first.unit) == (
        "ghosting.shift_mm.min",
        0.21,
        0.2,
        "mm",
    )
    assert {reading.rule for reading in finding.because} == {
        "ghosting.snr.min",
        "ghosting.shift_mm.min",
        "ghosting.shift_mm.max",
        "ghosting.strength.min",
    }


def test_a_near_runner_up_leaves_a_doubt() -> None:
    """A patch whose border is neither soft nor sharp is named with the other kind as a doubt."""
    between = {**VAPOUR, "edge_blur_ratio": 2.1, "detail_ratio": 0.3, "delta_e00": 8.0}
    (finding,) = named(candidate("patch", between))
    assert finding.kind == "vapour_spot"
    assert "or_coating_lift" in finding.doubts


def test_a_clear_case_leaves_no_doubt_of_kind() -> None:
    """Far from the other kind's limits there is no such doubt."""
    (finding,) = named(candidate("patch", VAPOUR))
    assert not [code for code in finding.doubts if code.startswith("or_")]


def test_unexplained_names_the_kinds_it_nearly_fits() -> None:
    """What narrowly misses a kind is unexplained with that kind as a doubt."""
    (finding,) = named(candidate("point", {**SPECK, "elongation": 3.1, "area_mm2": 0.4}))
    assert finding.kind == "unexplained"
    assert "or_dust_speck" in finding.doubts


def test_one_photo_doubts_go_with_a_second_photo() -> None:
    """Whole-panel colour is doubted from one photo and not from two."""
    panel = candidate("panel", {"snr": 4.0, "delta_e00": 8.0, "uniformity": 0.95}, extent="panel")
    assert "one_photo_only" in named(panel)[0].doubts
    assert "one_photo_only" not in named(panel, photos=2)[0].doubts


def test_a_flat_picture_is_doubted() -> None:
    """Where likeness to a reflection could not be measured, the finding says so."""
    flat = {key: value for key, value in VAPOUR.items() if key != "reflection_likeness"}
    assert "flat_picture" in named(candidate("patch", flat))[0].doubts
    assert "flat_picture" not in named(candidate("patch", VAPOUR))[0].doubts


def test_a_wide_spot_may_be_light() -> None:
    """A spot wider than a fifth of the short side is doubted."""
    wide = {**VAPOUR, "short_side_fraction": 0.22}
    assert "may_be_light" in named(candidate("patch", wide))[0].doubts
    assert "may_be_light" not in named(candidate("patch", VAPOUR))[0].doubts


def test_confidence_rises_with_snr_and_margin() -> None:
    """More signal and more room to the limits mean more confidence, within 0 and 1."""
    faint = named(candidate("double", {**GHOST, "snr": 7.0}))[0].confidence
    strong = named(candidate("double", {**GHOST, "snr": 70.0}))[0].confidence
    tight = named(candidate("double", {**GHOST, "shift_mm": 0.2}))[0].confidence
    assert 0 < faint < strong < 1
    assert tight < named(candidate("double", GHOST))[0].confidence


def test_confidence_follows_the_published_formula() -> None:
    """The logistic curve is the one that calibration.toml states."""
    curve = RULES.curves["point"]
    score = curve.intercept.value + curve.ln_snr.value * math.log(20) + curve.margin.value * 0.5
    assert curve.confidence({"snr": 20.0}, 0.5) == pytest.approx(1 / (1 + math.exp(-score)))
    assert curve.confidence({"snr": 0.0}, 0.5) == curve.confidence({"snr": 1.0}, 0.5)
    for name, weight in curve.feature.items():
        with_it = score + weight.value * math.log(3)
        measured = curve.confidence({"snr": 20.0, name: 2.0}, 0.5)
        assert measured == pytest.approx(1 / (1 + math.exp(-with_it)))


def test_findings_are_ordered_by_severity_then_difference() -> None:
    """F1 is the gravest; among equals the larger colour difference comes first."""
    findings = named(
        candidate("point", {**SPECK, "eq_diameter_mm": 0.3, "delta_e00": 30.0}, (60.0, 60.0), 0.3),
        candidate("patch", VAPOUR),
        candidate("patch", {**VAPOUR, "delta_e00": 9.0}, (60.0, 120.0)),
        candidate("patch", LIFT, (190.0, 120.0)),
    )
    assert [finding.id for finding in findings] == ["F1", "F2", "F3", "F4"]
    assert [finding.severity for finding in findings] == ["critical", "major", "major", "minor"]
    assert [finding.kind for finding in findings] == [
        "coating_lift",
        "vapour_spot",
        "vapour_spot",
        "dust_speck",
    ]
    assert findings[1].delta_e00 > findings[2].delta_e00


def test_values_that_follow_are_filled_in() -> None:
    """Diameter, share of the short side, edge distance and shift come from the other fields."""
    bare = {"snr": 60.0, "delta_e00": 5.0, "left_over": 300.0, "left_over_rise": 20.0}
    (finding,) = named(candidate("patch", bare, (20.0, 100.0), 10.0, area_mm2=100.0))
    assert finding.kind == "unexplained"
    diameter = 2 * math.sqrt(100 / math.pi)
    assert finding.eq_diameter_mm == pytest.approx(diameter)
    assert finding.features["short_side_fraction"] == pytest.approx(diameter / 203)
    assert finding.features["edge_distance_mm"] == pytest.approx(15.0)
    ghost = {"snr": 40.0, "delta_e00": 3.0, "strength": 8.0}
    (shifted,) = named(candidate("double", ghost, vector_mm=(0.3, 0.4)))
    assert shifted.features["shift_mm"] == pytest.approx(0.5)
    assert shifted.kind == "ghosting"


def test_measured_values_are_not_overwritten() -> None:
    """What the detector measured stands, whatever the outline would give."""
    (finding,) = named(candidate("point", {**SPECK, "eq_diameter_mm": 0.7}, area_mm2=4.0))
    assert finding.eq_diameter_mm == 0.7


def test_non_finite_values_are_not_taken() -> None:
    """A feature that came out as nan counts as not measured."""
    (finding,) = named(candidate("patch", {**VAPOUR, "detail_ratio": math.nan}))
    assert "detail_ratio" not in finding.features


def test_lengths_on_a_panel_of_unknown_size_are_marked() -> None:
    """Without a size the unit says so and the finding carries the doubt."""
    unknown = replace(ARTWORK, width_mm=100.0, height_mm=80.0, size_known=False)
    (finding,) = named(candidate("point", SPECK, (50.0, 40.0), 0.7), artwork=unknown)
    assert "size_unknown" in finding.doubts
    (ghost,) = named(candidate("double", GHOST), artwork=unknown)
    units = {reading.unit for reading in ghost.because if "_mm" in reading.rule}
    assert units == {"mm if the panel were 100 mm wide"}


def test_the_margin_travels_with_the_finding() -> None:
    """The margin that confidence was read from is among the features, for measuring it later."""
    (finding,) = named(candidate("double", {**GHOST, "shift_mm": 0.225}))
    assert finding.features["membership_margin"] == pytest.approx(0.5)


def test_what_fits_no_kind_makes_the_rest_less_sure() -> None:
    """A panel full of marks that fit no kind is one whose picture the expected look misses; but
    what is less than half as strong as a speck says nothing against it."""
    misfits = [
        candidate("point", {**SPECK, "snr": snr, "delta_e00": 0.1}, (x, 30.0), 0.7)
        for x, snr in ((20.0, 14.9), (40.0, 15.0), (60.0, 300.0))
    ] + [candidate("patch", {"snr": 60.0}, (90.0, 30.0))]
    speck = candidate("point", SPECK, (127.0, 100.0), 0.7)
    (alone,) = name_candidates([speck], ARTWORK, RULES, SPEC)
    (amid,) = name_candidates([*misfits, speck], ARTWORK, RULES, SPEC)
    assert alone.features["unnamed_as_strong"] == 0
    assert amid.features["unnamed_as_strong"] == 3
    assert amid.features["no_named_kind"] == 0
    assert amid.confidence < alone.confidence
