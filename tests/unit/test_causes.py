"""Cause map and ranking: weights, conditions, reasons, and every way the file can be wrong."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dyelight.causes import FACTS, cause_table, load_causes, rank_causes
from dyelight.causes.cause_map import CauseMap, Condition
from dyelight.causes.ranking import _holds
from dyelight.data import models_folder
from dyelight.errors import RulesError, SettingsError
from dyelight.judge import load_rules
from dyelight.judge.rules import KINDS, Limits
from dyelight.records import Artwork, Cause, Finding, Kind

RULES = load_rules()
MAP = load_causes(None, RULES)
CONDITIONS = [
    pytest.param(name, condition, id=f"{name}-{index}")
    for name, entry in MAP.causes.items()
    for index, condition in enumerate(entry.condition)
]
PANEL = Artwork(
    file="orchard.png",
    sha256="0" * 64,
    pixels=np.zeros((20, 20, 3), np.uint8),
    alpha=None,
    width_mm=200.0,
    height_mm=200.0,
    bleed_mm=1.5,
    base="other",
    finish="satin",
)


def finding(kind: Kind, **other: Any) -> Finding:
    values: dict[str, Any] = {
        "id": "F1",
        "kind": kind,
        "extent": "local",
        "center_mm": (100.0, 100.0),
        "box_mm": (99.0, 99.0, 101.0, 101.0),
        "outline_mm": np.zeros((0, 2)),
        "area_mm2": 1.0,
        "eq_diameter_mm": 1.0,
        "delta_e00": 6.0,
        "snr": 30.0,
        "tone": "mixed",
        "zone": "B",
        "vector_mm": None,
        "strength": None,
        "pattern": None,
        "confidence": 0.9,
        "severity": "major",
        "because": (),
        "doubts": (),
        "features": {},
    }
    return Finding(**{**values, **other})


def weight(causes: tuple[Cause, ...], name: str) -> float:
    return next((cause.weight for cause in causes if cause.cause == name), 0.0)


def rank(*findings: Finding, artwork: Artwork = PANEL) -> tuple[Cause, ...]:
    return rank_causes(findings, artwork, MAP)


def within(limits: Limits) -> float:
    if limits.min is not None and limits.max is not None:
        return (limits.min + limits.max) / 2
    if limits.min is not None:
        return limits.min
    assert limits.max is not None
    return limits.max


def beyond(limits: Limits) -> float:
    if limits.min is not None:
        return limits.min - 1.0
    assert limits.max is not None
    return limits.max + 1.0


def staged(
    kind: Kind, condition: Condition, fulfilled: bool
) -> tuple[tuple[Finding, ...], Artwork]:
    """Findings and a panel for which a condition's tests hold, or on which its first fails."""
    fields: dict[str, Any] = {"features": {}}
    panel: dict[str, Any] = {}
    count = 1
    for place, limits in enumerate(condition.limits):
        value = within(limits) if fulfilled or place > 0 else beyond(limits)
        if limits.feature == "panel_short_side_mm":
            panel["width_mm"] = panel["height_mm"] = value
        elif limits.feature == "bleed_mm":
            panel["bleed_mm"] = value
        elif limits.feature == "kind_count":
            count = max(1, int(value))
        else:
            fields["features"][limits.feature] = value
    for place, test in enumerate(condition.words):
        failing = not fulfilled and place == 0 and not condition.limits
        word = "none of them" if failing else test.one_of[0]
        if test.field in ("base", "finish"):
            panel[test.field] = word
        else:
            fields[test.field] = word
    return (finding(kind, **fields),) * count, replace(PANEL, **panel)


def test_every_kind_has_a_cause() -> None:
    """No kind of defect is left without a cause to look for."""
    covered = {entry.kind for cause in MAP.causes.values() for entry in cause.kind}
    assert covered == set(KINDS)


def test_every_feature_of_the_map_exists() -> None:
    """Conditions speak only of declared features and of panel facts, in their own units."""
    units = {**RULES.units, **FACTS}
    for entry in MAP.causes.values():
        for condition in entry.condition:
            for limits in condition.limits:
                assert units[limits.feature] == limits.unit


def test_facts_are_no_features() -> None:
    """A panel fact and a measured feature never share a name."""
    assert not set(FACTS) & set(RULES.features)


def test_every_sentence_is_one() -> None:
    """Reasons, advice and cautions are sentences, and each cause's title is none."""
    for entry in MAP.causes.values():
        texts = [entry.try_next, *(kind.because for kind in entry.kind)]
        texts += [condition.because for condition in entry.condition]
        texts += [entry.caution] if entry.caution else []
        for text in texts:
            assert text[0].isupper()
            assert text.endswith(".")
        assert not entry.title.endswith(".")


def test_advice_that_meets_the_hot_press_carries_a_caution() -> None:
    """Advice to work at platen, press or pad never stands without a caution."""
    for name, entry in MAP.causes.items():
        words = entry.try_next.lower()
        if any(word in words for word in ("platen", "open hot press", "pad ", "cold press")):
            assert entry.caution, name


def test_no_findings_no_causes() -> None:
    """A faultless panel has nothing to explain."""
    assert rank() == ()


@pytest.mark.parametrize("kind", KINDS)
def test_weights_sum_to_one(kind: Kind) -> None:
    """For each kind the weights with something else sum to 1, the likeliest first."""
    causes = rank(finding(kind))
    weights = [cause.weight for cause in causes]
    assert sum(weights) == pytest.approx(1, abs=1e-12)
    assert all(0 <= value <= 1 for value in weights)
    assert causes[-1].cause == "something_else"
    assert weights[:-1] == sorted(weights[:-1], reverse=True)
    assert all(cause.because and cause.try_next for cause in causes)


def test_weights_sum_to_one_over_many_findings() -> None:
    """All kinds at once still sum to 1."""
    causes = rank(*(finding(kind, confidence=0.3 + 0.05 * i) for i, kind in enumerate(KINDS)))
    assert sum(cause.weight for cause in causes) == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize(("name", "condition"), CONDITIONS)
def test_each_condition_moves_its_cause_the_stated_way(name: str, condition: Condition) -> None:
    """Where a condition holds, its reason is told and its cause weighs more, or less."""
    kinds = condition.kinds or tuple(entry.kind for entry in MAP.causes[name].kind)
    for kind in kinds:
        findings, panel = staged(kind, condition, fulfilled=True)
        only = replace(MAP, file=only_condition(MAP, name, condition))
        without = replace(MAP, file=only_condition(MAP, name, None))
        least = without.file.combine.least_weight.value
        held = rank_causes(findings, panel, only)
        plain = rank_causes(findings, panel, without)
        before, after = weight(plain, name), weight(held, name)
        if condition.factor > 1:
            assert after > before
            told = next(cause for cause in held if cause.cause == name)
            assert condition.because in told.because
        else:
            assert after < before or before < least


@pytest.mark.parametrize(("name", "condition"), CONDITIONS)
def test_each_condition_can_fail(name: str, condition: Condition) -> None:
    """One test that does not hold is enough for a condition not to count."""
    kinds = condition.kinds or tuple(entry.kind for entry in MAP.causes[name].kind)
    findings, panel = staged(kinds[0], condition, fulfilled=False)
    if any(limits.feature == "kind_count" and limits.max == 1 for limits in condition.limits):
        findings = findings * 2
    facts = {
        "panel_short_side_mm": min(panel.width_mm, panel.height_mm),
        "panel_long_side_mm": max(panel.width_mm, panel.height_mm),
        "bleed_mm": panel.bleed_mm,
        "kind_count": float(len(findings)),
    }
    assert not _holds(condition, findings[0], panel, facts)


def only_condition(cause_map: CauseMap, name: str, condition: Condition | None) -> Any:
    """The map's file with one condition alone, or none."""
    causes = {
        cause: entry.model_copy(
            update={"condition": (condition,) if condition and cause == name else ()}
        )
        for cause, entry in cause_map.causes.items()
    }
    return cause_map.file.model_copy(update={"cause": causes})


@pytest.mark.parametrize(
    ("pattern", "first"),
    [
        ("slip", "paper_slipped"),
        ("hinge", "paper_hinged"),
        ("growth", "paper_changed_size"),
        ("turn", "peeled_with_swing"),
    ],
)
def test_the_ghost_pattern_decides(pattern: str, first: str) -> None:
    """Each pattern of ghosting points to its own cause first."""
    ghost = finding("ghosting", pattern=pattern, extent="panel", features={"shift_mm": 1.0})
    assert rank(ghost)[0].cause == first


def test_large_panels_point_to_venting_and_small_ones_do_not() -> None:
    """The same spot on a larger panel speaks more for venting."""
    spot = finding("vapour_spot", zone="A")
    large = rank(spot, artwork=replace(PANEL, width_mm=600.0, height_mm=400.0))
    small = rank(spot, artwork=replace(PANEL, width_mm=120.0, height_mm=90.0))
    assert weight(large, "venting_for_size") > 3 * weight(small, "venting_for_size")


def test_without_a_size_no_length_is_taken_for_a_reason() -> None:
    """On a panel of unknown size conditions on millimetres do not count."""
    spot = finding("vapour_spot", zone="A")
    unknown = replace(PANEL, width_mm=100.0, height_mm=80.0, size_known=False)
    reasons = [text for cause in rank(spot, artwork=unknown) for text in cause.because]
    assert not [text for text in reasons if "This is a" in text]


def test_a_pale_panel_points_to_too_little_heat_and_a_brown_one_to_too_much() -> None:
    """Off colour is read by the sign of the lightness difference."""
    pale = finding("off_colour", features={"delta_l": 6.0, "delta_c": -5.0})
    brown = finding("off_colour", features={"delta_l": -6.0, "delta_c": 3.0})
    assert rank(pale)[0].cause == "too_little_heat"
    assert rank(brown)[0].cause in ("platen_hotter_than_set", "dwell_too_long")
    assert weight(rank(brown), "too_little_heat") < 0.1


def test_many_findings_of_a_kind_do_not_outweigh_one_grave_one() -> None:
    """Twenty minor specks and one critical lift: the lift's causes come first."""
    specks = [finding("dust_speck", severity="minor") for _ in range(20)]
    causes = rank(*specks, finding("coating_lift", severity="critical"))
    assert causes[0].cause == "platen_hotter_than_set"


def test_a_cause_of_two_kinds_gains_and_says_so() -> None:
    """Lift beside a browned panel speaks more for heat than either alone."""
    lift = finding("coating_lift")
    brown = finding("off_colour", features={"delta_l": -6.0})
    alone = max(weight(rank(one), "platen_hotter_than_set") for one in (lift, brown))
    both = rank(lift, brown)
    assert weight(both, "platen_hotter_than_set") > alone
    assert MAP.file.combine.shared_because in both[0].because


def test_doubtful_findings_leave_more_to_something_else() -> None:
    """What confidence leaves open goes to something else."""
    sure = rank(finding("fibre", confidence=1.0))
    unsure = rank(finding("fibre", confidence=0.3))
    assert unsure[-1].weight > sure[-1].weight
    assert unsure[-1].weight >= 0.7


def test_small_weights_are_folded() -> None:
    """No cause below the map's least weight is listed."""
    least = MAP.file.combine.least_weight.value
    for kind in KINDS:
        assert all(cause.weight >= least for cause in rank(finding(kind))[:-1])


def test_the_order_of_findings_does_not_matter() -> None:
    """Causes depend on what was found, not on its order."""
    findings = [finding("fibre"), finding("dust_speck", tone="dark"), finding("vapour_spot")]
    forth, back = rank(*findings), rank(*reversed(findings))
    assert {c.cause: pytest.approx(c.weight) for c in forth} == {c.cause: c.weight for c in back}


def test_the_table_lists_each_kind_with_shares_below_one() -> None:
    """Shares of a kind leave room for something else; the likeliest comes first."""
    for kind in KINDS:
        rows = cause_table(kind, MAP)
        assert {row.kind for row in rows} == {kind}
        assert 0 < sum(row.share for row in rows) < 1
        assert [row.share for row in rows] == sorted((row.share for row in rows), reverse=True)
    assert len(cause_table(None, MAP)) == sum(len(entry.kind) for entry in MAP.causes.values())


def test_the_table_shows_only_conditions_of_its_kind() -> None:
    """A condition on another kind of the same cause is not shown."""
    rows = {row.cause: row for row in cause_table("off_colour", MAP)}
    reasons = [reason for _, reason in rows["platen_hotter_than_set"].conditions]
    assert reasons
    assert not [reason for reason in reasons if "coating" in reason]


def test_an_unknown_kind_is_told_with_the_nearest() -> None:
    """`dyelight causes` with a misspelt kind is a settings error."""
    with pytest.raises(SettingsError, match="'vapour_spot'") as caught:
        cause_table("vapor_spot", MAP)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("weight = 6.0", "wait = 6.0", "unknown key"),
        ("weight = 6.0", "weight = 0.0", "weight"),
        ("weight = 6.0", "weight = nan", "weight"),
        ('kind = "vapour_spot"', 'kind = "steam_spot"', "kind[1].kind"),
        ("factor = 1.3", "factor = -1.3", "factor"),
        ('one_of = ["A"]', 'one_of = ["middle"]', "zone knows no 'middle'"),
        ('field = "zone"', 'field = "corner"', "field"),
        ('feature = "kind_count"', 'feature = "kind_cout"', "Did you mean 'kind_count'?"),
        ('unit = "1" }', 'unit = "mm" }', "measured in '1'"),
        ("\n[something_else]", "\n[else]", "else: unknown key"),
        ("[cause.damp_room]", "[cause.something_else]", "is taken"),
        ('kinds = ["vapour_spot"]', 'kinds = ["dent"]', "'dent', which has no weight"),
        ('words = [{ field = "zone", one_of = ["A"] }]\n', "", "needs limits, words or both"),
        ('kind = "coating_lift"', 'kind = "vapour_spot"', "stands twice"),
    ],
)
def test_every_sort_of_mistake_is_told(tmp_path: Path, old: str, new: str, said: str) -> None:
    """A broken cause map is refused with file, key and remedy."""
    text = (models_folder() / "causes.toml").read_text(encoding="utf-8")
    if "something_else]" in new:
        text = text.replace("[[cause.damp_room.kind]]", "[[cause.something_else.kind]]")
    assert old in text
    path = tmp_path / "causes.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(RulesError) as caught:
        load_causes(path, RULES)
    assert said.lower() in str(caught.value).lower()
    assert "causes.toml" in str(caught.value)
    assert caught.value.remedy


def test_a_cause_map_of_ones_own_is_loaded(tmp_path: Path) -> None:
    """A path loads another map, and it ranks by its own weights."""
    text = (models_folder() / "causes.toml").read_text(encoding="utf-8")
    path = tmp_path / "causes.toml"
    path.write_text(text.replace("weight = 6.0", "weight = 600.0", 1), encoding="utf-8")
    mine = load_causes(path, RULES)
    causes = rank_causes([finding("vapour_spot", confidence=1.0)], PANEL, mine)
    assert causes[0].cause == "transfer_not_dry"
    assert causes[0].weight > 0.9
    assert mine.files != MAP.files
    assert not math.isclose(weight(rank(finding("vapour_spot")), "transfer_not_dry"), 1.0)
