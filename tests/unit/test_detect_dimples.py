"""Dimples among restless places, told from mottle by their two faces."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from dyelight.detect import dimples
from dyelight.detect.dimples import find_dimple, is_flank, is_two_faced
from dyelight.detect.patch_levels import PatchView
from dyelight.detect.places import Place
from dyelight.imaging import gaussian
from dyelight.look import Difference
from dyelight.records import F32, Candidate

SIDE = 90
PLACE = Place.of(np.hypot(*(np.indices((SIDE, SIDE)) - 45.0)) < 30)


def _dimple(turn: float) -> F32:
    """A lit and a shaded flank across a direction: the slope of a Gaussian hollow."""
    rows, columns = np.indices((SIDE, SIDE)) - 45.0
    along = columns * np.cos(turn) + rows * np.sin(turn)
    return np.asarray(along / 12 * np.exp(-(rows**2 + columns**2) / 288), np.float32)


def _mottle(seed: int) -> F32:
    rough = np.random.default_rng(seed).normal(size=(SIDE, SIDE)).astype(np.float32)
    # a neighbourhood's own light has been forgiven
    grain = gaussian(rough, 3.0) - gaussian(rough, 8.0)
    return np.asarray(grain / grain.std(), np.float32)


@pytest.mark.parametrize("turn", [0.0, 0.8, 2.4, 4.0])
def test_a_hollow_has_two_faces_whichever_way_it_is_lit(turn: float) -> None:
    """Even where mottle half as strong lies over it."""
    assert is_two_faced(_dimple(turn), PLACE)
    assert is_two_faced(np.asarray(_dimple(turn) + 0.1 * _mottle(3), np.float32), PLACE)


def test_mottle_seldom_has() -> None:
    """Of a hundred mottled places few have a half that is lighter than the other by chance."""
    assert sum(is_two_faced(_mottle(seed), PLACE) for seed in range(100)) <= 5


def _measured(heights: dict[int, float]) -> object:
    def measure(
        _difference: Difference, _view: PatchView, place: Place, sign: int, peak: float
    ) -> Candidate:
        rows, columns = np.nonzero(place.mask)
        x, y = columns + place.x0, rows + place.y0
        box = (float(x.min()), float(y.min()), float(x.max()), float(y.max()))
        features = {"delta_l": heights[sign], "snr": peak, "rim_contrast": 8.0 + sign}
        outline = np.array([[box[0], box[1]], [box[2], box[3]]])
        middle = (float(x.mean()), float(y.mean()))
        return Candidate(
            "patch", middle, box, outline, float(place.count), 4.0, peak, "light", features
        )

    return measure


def _view(residual: F32) -> PatchView:
    usable = np.ones((SIDE, SIDE), bool)
    return cast(PatchView, SimpleNamespace(residual=residual, usable=usable))


def test_both_flanks_make_one_candidate(monkeypatch: pytest.MonkeyPatch) -> None:
    """Measured on the stronger flank, in the box around both, with the weaker one's share."""
    there = cast(Difference, SimpleNamespace(left_over=_dimple(0.0)))
    monkeypatch.setattr(dimples, "measure_patch", _measured({1: 2.0, -1: -5.0}))
    both = find_dimple(there, _view(_dimple(0.0)), PLACE, 21.0)
    assert both is not None
    found, _flanks = both
    assert found.tone == "mixed"
    assert found.features["delta_l"] == -5.0
    assert found.features["opposite_lobe"] == pytest.approx(0.4)
    assert found.features["rim_contrast"] == 9.0
    # the flanks lie on either side of the middle
    assert found.box_mm[0] < 35
    assert found.box_mm[2] > 55
    assert found.center_mm == pytest.approx((45, 45), abs=2)


@pytest.mark.parametrize("heights", [{1: 2.0, -1: 1.0}, {1: 5.0, -1: -0.5}])
def test_halves_that_are_both_paler_or_hardly_differ_are_none(
    heights: dict[int, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Paler all over is a spot; a trace of the other sign is mottle."""
    there = cast(Difference, SimpleNamespace(left_over=_dimple(0.0)))
    monkeypatch.setattr(dimples, "measure_patch", _measured(heights))
    assert find_dimple(there, _view(_dimple(0.0)), PLACE, 21.0) is None


def test_a_paler_half_beside_a_bright_one_is_no_shaded_flank(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its own surroundings hold the bright one, so that it looks dark; from outside it is pale."""
    there = cast(Difference, SimpleNamespace(left_over=_dimple(0.0)))
    monkeypatch.setattr(dimples, "measure_patch", _measured({1: 9.0, -1: -3.0}))
    pale = np.asarray(PLACE.within((0, 0, SIDE, SIDE)) * 0.05, np.float32)
    pale += 0.1 * np.maximum(_dimple(0.0), 0)
    assert find_dimple(there, _view(pale), PLACE, 21.0) is None
    assert find_dimple(there, _view(_dimple(0.0)), PLACE, 21.0) is not None


def test_a_flank_is_no_other_place_within(monkeypatch: pytest.MonkeyPatch) -> None:
    """A patch cut out of one flank is that flank; a small one within it, or the whole, is not."""
    there = cast(Difference, SimpleNamespace(left_over=_dimple(0.0)))
    monkeypatch.setattr(dimples, "measure_patch", _measured({1: 2.0, -1: -5.0}))
    both = find_dimple(there, _view(_dimple(0.0)), PLACE, 21.0)
    assert both is not None
    flanks = both[1]
    across = np.hypot(*(np.indices((SIDE, SIDE)) - np.array([45.0, 58.0]).reshape(2, 1, 1)))
    assert is_flank(Place.of(across < 12), flanks)
    assert not is_flank(Place.of(across < 3), flanks)
    assert not is_flank(PLACE, flanks)
