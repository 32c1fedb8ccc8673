"""Naming rules: the shipped file, its limits one by one, and every way a file can be wrong."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from dyelight.data import models_folder
from dyelight.errors import RulesError
from dyelight.judge import load_rules, rules_sha256
from dyelight.judge.rules import FAMILIES, KINDS, Rule, Rules

RULES = load_rules()
EVERY_RULE = [
    pytest.param(rule, id=f"{kind}-{index}-{rule.feature}")
    for kind, kind_rules in RULES.kinds.items()
    for index, rule in enumerate(kind_rules.rule)
]


def shipped() -> str:
    return (models_folder() / "defects.toml").read_text(encoding="utf-8")


def load_text(folder: Path, text: str) -> Rules:
    path = folder / "defects.toml"
    path.write_text(text, encoding="utf-8")
    return load_rules(path)


def trouble_of(folder: Path, text: str) -> RulesError:
    with pytest.raises(RulesError) as caught:
        load_text(folder, text)
    return caught.value


def test_the_shipped_rules_know_every_kind_and_family() -> None:
    """Every kind of the records has rules, and every family may feed at least one kind."""
    assert set(RULES.kinds) == set(KINDS)
    fed = {family for rules in RULES.kinds.values() for family in rules.families}
    assert fed == set(FAMILIES)
    assert set(RULES.curves) == set(FAMILIES)


def test_every_family_may_be_unexplained() -> None:
    """Whatever saw a candidate, it can be called unexplained."""
    assert set(RULES.kinds["unexplained"].families) == set(FAMILIES)


def test_kinds_that_look_alike_are_kinds_of_their_own() -> None:
    """No kind is confusable with itself or with unexplained."""
    for kind, rules in RULES.kinds.items():
        assert kind not in rules.confusable_with
        assert "unexplained" not in rules.confusable_with


def test_a_rule_for_some_families_names_families_of_its_kind() -> None:
    """A rule narrowed to families that cannot feed its kind would never be read."""
    for rules in RULES.kinds.values():
        for rule in rules.rule:
            assert set(rule.families or ()) <= set(rules.families)


@pytest.mark.parametrize("rule", EVERY_RULE)
def test_each_limit_holds_on_it_and_fails_just_beyond(rule: Rule) -> None:
    """A limit is inclusive: on it the rule holds, a hair beyond it does not."""
    for limit, beyond in ((rule.min, -math.inf), (rule.max, math.inf)):
        if limit is None:
            continue
        assert rule.holds(limit)
        assert rule.margin(limit) >= 0
        outside = math.nextafter(limit, beyond)
        assert not rule.holds(outside)
        assert rule.margin(outside) < 0


@pytest.mark.parametrize("rule", EVERY_RULE)
def test_membership_falls_over_the_softness(rule: Rule) -> None:
    """Half the softness inside a limit the margin is 1, half of it outside -1."""
    if rule.softness is None:
        return
    half = rule.softness / 2
    if rule.min is not None and (rule.max is None or rule.max - rule.min >= rule.softness):
        assert rule.margin(rule.min + half) == pytest.approx(1)
        assert rule.margin(rule.min - half) == pytest.approx(-1)
        assert rule.margin(rule.min + half / 2) == pytest.approx(0.5)
    if rule.max is not None and rule.min is None:
        assert rule.margin(rule.max - half) == pytest.approx(1)
        assert rule.margin(rule.max + half) == pytest.approx(-1)


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_a_value_that_was_not_measured_never_holds(value: float | None) -> None:
    """Missing and non-finite values hold no rule."""
    rule = RULES.kinds["ghosting"].rule[0]
    assert not rule.holds(value)
    assert rule.margin(value) == -1


def test_a_rule_without_softness_is_hard() -> None:
    """Without softness the margin knows 1 and -1 only."""
    found = [rule for kind in RULES.kinds.values() for rule in kind.rule if rule.min is not None]
    rule = found[0].model_copy(update={"min": 3.0, "max": None, "softness": None})
    assert (rule.margin(3.0), rule.margin(2.9)) == (1.0, -1.0)


def test_every_number_of_the_shipped_rules_says_where_it_comes_from() -> None:
    """Origins speak of common practice, of our own start values, of measurements or a standard."""
    known = ("common practice", "start value", "measured on simulated photos", "ISO")
    origins = [rule.origin for kind in RULES.kinds.values() for rule in kind.rule]
    origins += [doubt.origin for doubt in RULES.doubts]
    origins += [RULES.naming.doubt_margin.origin]
    for curve in RULES.curves.values():
        origins += [curve.intercept.origin, curve.ln_snr.origin, curve.margin.origin]
    for origin in origins:
        assert any(word in origin for word in known), origin


def test_a_copy_of_the_shipped_file_loads_the_same(tmp_path: Path) -> None:
    """A path loads what the default loads, with the shipped calibration where none lies beside."""
    copy = load_text(tmp_path, shipped())
    assert copy.kinds == RULES.kinds
    assert copy.curves == RULES.curves
    assert rules_sha256(copy) == rules_sha256(RULES)


def test_a_calibration_beside_the_rules_is_taken(tmp_path: Path) -> None:
    """A calibration.toml in the folder of the rules replaces the shipped one."""
    curves = (models_folder() / "calibration.toml").read_text(encoding="utf-8")
    first = RULES.curves["point"].intercept.value
    changed = curves.replace(f"value = {first}", "value = -7.5", 1)
    (tmp_path / "calibration.toml").write_text(changed, encoding="utf-8")
    loaded = load_text(tmp_path, shipped())
    assert loaded.curves["point"].intercept.value == -7.5
    assert rules_sha256(loaded) != rules_sha256(RULES)


def test_a_missing_file_names_itself(tmp_path: Path) -> None:
    """A path that leads nowhere is a rules error with exit code 2, file and remedy."""
    with pytest.raises(RulesError, match="not there") as caught:
        load_rules(tmp_path / "none.toml")
    assert caught.value.exit_code == 2
    assert caught.value.file is not None
    assert caught.value.file.endswith("none.toml")
    assert caught.value.remedy


def test_a_folder_is_no_rules_file(tmp_path: Path) -> None:
    """A folder cannot be read as a file."""
    with pytest.raises(RulesError, match="cannot be read"):
        load_rules(tmp_path)


def test_bad_toml_names_the_line(tmp_path: Path) -> None:
    """Broken TOML is told with its line."""
    assert "line 1" in str(trouble_of(tmp_path, "this is not = = toml"))


def test_text_in_another_encoding_is_refused(tmp_path: Path) -> None:
    """A file that is not UTF-8 is told as such."""
    path = tmp_path / "defects.toml"
    path.write_bytes("titel = 'Größe'".encode("latin-1"))
    with pytest.raises(RulesError, match="UTF-8"):
        load_rules(path)


def test_a_confidence_curve_on_an_unknown_feature_is_refused(tmp_path: Path) -> None:
    """A weight in calibration.toml for a feature that the rules do not declare is named."""
    (tmp_path / "defects.toml").write_text(
        (models_folder() / "defects.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    curves = (models_folder() / "calibration.toml").read_text(encoding="utf-8")
    curves += (
        '\n[family.point.feature.edge_shfit_px]\nvalue = 1.0\nunit = "1"\nmeaning = "m"\n'
        'origin = "o"\n'
    )
    (tmp_path / "calibration.toml").write_text(curves, encoding="utf-8")
    with pytest.raises(RulesError, match=r"family\.point\.feature\.edge_shfit_px"):
        load_rules(tmp_path / "defects.toml")


def test_an_unknown_key_is_refused_with_the_nearest_name(tmp_path: Path) -> None:
    """A misspelt key is named with its place, and the nearest known key is offered."""
    text = shipped().replace("\nmin = ", "\nmim = ", 1)
    error = trouble_of(tmp_path, text)
    assert "rule[1].mim: unknown key" in str(error)
    assert "'min'" in str(error)


def test_an_unknown_kind_is_refused(tmp_path: Path) -> None:
    """A kind that the records do not know is named with the nearest one."""
    error = trouble_of(tmp_path, shipped().replace("kind.fibre", "kind.fiber"))
    assert "'fiber'" in str(error)
    assert "'fibre'" in str(error)


def test_an_unknown_feature_is_refused(tmp_path: Path) -> None:
    """A rule on a feature that is not declared is named with the nearest one."""
    text = shipped().replace('feature = "straightness"', 'feature = "straitness"', 1)
    error = trouble_of(tmp_path, text)
    assert "'straitness'" in str(error)
    assert "'straightness'" in str(error)


def test_an_unknown_feature_in_a_doubt_is_refused(tmp_path: Path) -> None:
    """A doubt on an undeclared feature is refused as well."""
    text = shipped().replace('unmeasured = "reflection_likeness"', 'unmeasured = "shine"')
    assert "'shine'" in str(trouble_of(tmp_path, text))


def test_a_wrong_unit_is_refused(tmp_path: Path) -> None:
    """A limit must be written in the feature's own unit."""
    text = re.sub(r'(max = [\d.]+\nunit = )"mm"', r'\1"cm"', shipped(), count=1)
    error = trouble_of(tmp_path, text)
    assert "'mm'" in str(error)
    assert "'cm'" in str(error)


@pytest.mark.parametrize("key", ["unit", "meaning", "origin"])
def test_a_rule_without_unit_meaning_or_origin_is_refused(tmp_path: Path, key: str) -> None:
    """No limit stands without its unit, meaning and origin."""
    head, mark, tail = shipped().partition("[[kind.vapour_spot.rule]]")
    lines = tail.split("\n")
    lines.remove(next(line for line in lines if line.startswith(f"{key} = ")))
    error = trouble_of(tmp_path, head + mark + "\n".join(lines))
    assert error.place == f"kind.vapour_spot.rule[1].{key}"
    assert "missing" in str(error)


def test_a_rule_without_limits_is_refused(tmp_path: Path) -> None:
    """A rule needs min, max or both."""
    text = re.sub(r"\nmin = [\d.]+", "", shipped(), count=1)
    assert "Needs min, max or both" in str(trouble_of(tmp_path, text))


def test_crossed_limits_are_refused(tmp_path: Path) -> None:
    """A min above its max can hold for nothing."""
    text = re.sub(r"min = [\d.]+\nmax = [\d.]+", "min = 70.0\nmax = 60.0", shipped(), count=1)
    assert "above max" in str(trouble_of(tmp_path, text))


@pytest.mark.parametrize("written", ['"6"', "true", "nan", "inf"])
def test_a_limit_must_be_a_finite_number(tmp_path: Path, written: str) -> None:
    """Text, truth values and non-finite numbers are no limits."""
    text = re.sub(r"\nmin = [\d.]+", f"\nmin = {written}", shipped(), count=1)
    assert "rule[1].min" in str(trouble_of(tmp_path, text))


def test_a_softness_of_zero_is_refused(tmp_path: Path) -> None:
    """A softness is a width; leave it out for a hard limit."""
    text = re.sub(r"softness = [\d.]+", "softness = 0.0", shipped(), count=1)
    assert "softness" in str(trouble_of(tmp_path, text))


def test_all_troubles_are_told_at_once(tmp_path: Path) -> None:
    """One run names every wrong key, not the first alone."""
    text = (
        shipped()
        .replace("\nmin = ", "\nmim = ", 1)
        .replace('feature = "shift_mm"', 'feature = "shove_mm"', 1)
        .replace("[kind.dent]", "[kind.dint]")
        .replace("[[kind.dent.rule]]", "[[kind.dint.rule]]")
    )
    message = str(trouble_of(tmp_path, text))
    for part in ("mim", "shove_mm", "'dint'", "kind.dent: this table is missing"):
        assert part in message
    assert "keys" in message


def test_the_order_of_files_does_not_change_the_digest() -> None:
    """The digest speaks of the files' bytes, whatever order they are given in."""
    from dyelight.causes import load_causes
    from dyelight.judge import load_acceptance

    spec, causes = load_acceptance(), load_causes()
    digest = rules_sha256(RULES, spec, causes)
    assert digest == rules_sha256(causes, spec, RULES, RULES)
    assert digest != rules_sha256(RULES, causes)
    assert len(digest) == 64
