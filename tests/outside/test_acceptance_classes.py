"""Acceptance limits held against values published outside this project."""

from __future__ import annotations

import math

import pytest

from dyelight.judge import load_acceptance, load_rules
from dyelight.judge.spec import CountLimit, FeatureLimit

RULES = load_rules()
GALLERY = load_acceptance("gallery", RULES)


def one_arcminute_mm(distance_mm: float) -> float:
    """Width that one minute of arc spans at a distance: plain geometry."""
    return distance_mm * math.tan(math.radians(1 / 60))


@pytest.mark.parametrize(
    ("area_pct", "rating"),
    [(0.0, 0), (0.1, 1), (0.3, 2), (1.0, 3), (3.0, 4), (15.0, 5)],
)
def test_flaked_area_gets_its_rating(area_pct: float, rating: int) -> None:
    """Flaked areas get the ratings of ISO 4628-5, quoted from memory: hence within one rating."""
    assert abs(GALLERY.flaking.rating(area_pct) - rating) <= 1


def test_ratings_never_fall_with_area() -> None:
    """More flaking never rates better; none is 0 and all of it 5 (scale of ISO 4628-1:2016)."""
    ratings = [GALLERY.flaking.rating(area / 10) for area in range(1001)]
    assert ratings == sorted(ratings)
    assert (ratings[0], ratings[-1]) == (0, 5)


def test_specks_start_near_the_extraneous_mark_limit() -> None:
    """The smallest speck is near 100 µm, where ISO/IEC 13660:2001 (from memory) starts to count."""
    rules = [r for r in RULES.kinds["dust_speck"].rule if r.feature == "eq_diameter_mm"]
    fed = {family for r in rules for family in r.families or RULES.kinds["dust_speck"].families}
    assert fed == set(RULES.kinds["dust_speck"].families)
    for rule in rules:
        assert rule.min == pytest.approx(0.1, rel=0.5)
        assert "13660" in rule.origin


@pytest.mark.parametrize(("distance_mm", "width_mm"), [(400, 0.116), (500, 0.145)])
def test_one_minute_of_arc(distance_mm: float, width_mm: float) -> None:
    """One minute of arc spans 0.116 mm at 400 mm and 0.145 mm at 500 mm (geometry)."""
    assert one_arcminute_mm(distance_mm) == pytest.approx(width_mm, abs=5e-4)


def test_the_default_spec_forbids_nothing_that_no_eye_resolves() -> None:
    """No length limit of the default spec lies under one minute of arc at its viewing distances."""
    finest = one_arcminute_mm(500)
    limits: list[FeatureLimit | CountLimit] = [*GALLERY.file.limit, *GALLERY.file.count_limit]
    lengths = [
        limit.max for limit in limits if isinstance(limit, FeatureLimit) and limit.unit == "mm"
    ]
    lengths += [
        part.min
        for limit in limits
        for part in limit.when
        if part.unit == "mm" and part.min is not None
    ]
    assert len(lengths) > 3
    assert min(lengths) > finest


def test_vapour_on_the_face_is_limited_above_the_visible_step() -> None:
    """The face's vapour limit is at or above 1 ΔE00, about the least difference that is seen.

    Common practice, no source: 1 ΔE00 as the just noticeable difference side by side.
    """
    (limit,) = [limit for limit in GALLERY.file.limit if limit.id == "vapour.face"]
    assert limit.max >= 1.0
