"""Mottle that stays under any light, and the ground that a ring carries across a patch."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from dyelight.detect.patch_ground import ground
from dyelight.detect.patch_levels import PatchView
from dyelight.detect.reflections import (
    is_lamps_side,
    is_piece_of_light,
    is_reflection,
    is_restless,
    is_within,
)
from dyelight.detect.unrest import find_unrest
from dyelight.imaging import gaussian
from dyelight.look import Difference, PanelFrame
from dyelight.records import F32, Candidate, Mask

SIDE, PER_MM = 480, 4.0


def _view(mottle: F32) -> PatchView:
    """A view whose left-over energy is that of pure noise and of a mottle (SIDE, SIDE)."""
    rng = np.random.default_rng(3)
    grain = gaussian(rng.normal(size=(SIDE, SIDE)).astype(np.float32), 1.4)
    energy = np.square(grain / grain.std() + mottle).astype(np.float32)
    blank = np.zeros((SIDE, SIDE, 3), np.float32)
    return PatchView(
        frame=cast(PanelFrame, SimpleNamespace(px_per_mm=PER_MM)),
        expected=blank,
        slope=blank[..., 0],
        residual=blank[..., 0],
        due=blank[..., 0],
        weight=np.ones((SIDE, SIDE), np.float32),
        usable=np.ones((SIDE, SIDE), bool),
        energy=energy,
        given_up=np.zeros((SIDE, SIDE), bool),
        blur_px=1.0,
    )


def _disc(x: float, y: float, radius: float) -> Mask:
    rows, columns = np.indices((SIDE, SIDE))
    return np.asarray(np.hypot(columns - x, rows - y) < radius)


def test_a_mottled_disc_is_found_at_its_place_and_size() -> None:
    """12 mm across, light and dark by turns so that its mean is nothing, five times the noise."""
    grain = gaussian(np.random.default_rng(4).normal(size=(SIDE, SIDE)).astype(np.float32), 4.0)
    spot = _disc(150, 300, 6 * PER_MM)
    found = find_unrest(_view(np.asarray(5 * grain / grain.std() * spot, np.float32)))
    place, score = found[0]
    rows, columns = np.nonzero(place.mask)
    assert np.hypot(columns.mean() + place.x0 - 150, rows.mean() + place.y0 - 300) < 2.0 * PER_MM
    assert 0.6 * spot.sum() < place.count < 1.4 * spot.sum()
    assert score > 10
    assert all(other < 0.6 * score for _, other in found[1:])


def test_noise_alone_is_nowhere_restless() -> None:
    """Pure noise of one strength gives no place at all."""
    assert find_unrest(_view(np.zeros((SIDE, SIDE), np.float32))) == []


def _ring(inner: float, outer: float) -> tuple[Mask, Mask]:
    rows, columns = np.indices((80, 100))
    far = np.hypot(columns - 50, rows - 40)
    return np.asarray(far < inner - 4), np.asarray((far > inner) & (far < outer))


def test_a_slope_around_a_patch_is_carried_across_it() -> None:
    """A plane is its own membrane: under a patch of any height the slope of its ring stands."""
    mask, ring = _ring(20, 36)
    rows, columns = np.indices(mask.shape)
    slope = (0.002 * columns - 0.001 * rows)[..., None] * np.array([1.0, 0.5, -1.0])
    seen = np.asarray(slope + 0.3 * mask[..., None], np.float32)
    carried = np.dstack(ground(list(np.moveaxis(seen, 2, 0)), ring, mask))
    assert np.abs((carried - slope)[mask]).max() < 0.006
    assert np.abs(np.median(seen[ring], axis=0) - slope[40, 65]).max() > 0.02


def test_a_ring_on_one_side_carries_its_value_on() -> None:
    """At the panel's edge nothing is known past the patch: the membrane lies flat there."""
    mask, ring = _ring(20, 36)
    ring[:, 50:] = False
    seen = np.full(mask.shape, 0.05, np.float32)
    seen[mask] = 0.4
    assert ground([seen], ring, mask)[0][mask] == pytest.approx(0.05, abs=0.002)


def _patch(left_over: float, rise: float) -> Candidate:
    features = {
        "elongation": 1.0,
        "eq_diameter_mm": 14.0,
        "edge_blur_ratio": 3.0,
        "reflection_likeness": 0.9,
        "solidity": 0.9,
        "over_white": 0.0,
        "mottle": 0.3,
        "left_over": left_over,
        "left_over_rise": rise,
    }
    box = (10.0, 10.0, 24.0, 24.0)
    outline = np.array([[10, 10], [24, 10], [24, 24], [10, 24]], float)
    return Candidate("patch", (17.0, 17.0), box, outline, 154.0, 6.0, 20.0, "light", features)


def test_a_mottled_patch_is_no_reflection() -> None:
    """The same soft pale patch is a reflection where it is smooth, none where mottle stays."""
    size = SimpleNamespace(width_mm=200.0, height_mm=150.0)
    there = cast(Difference, SimpleNamespace(artwork=size))
    assert is_reflection(there, _patch(2.0, 1.1))
    assert not is_reflection(there, _patch(90.0, 9.0))
    # where all around is as restless it is the picture
    assert not is_restless(_patch(90.0, 1.2))


def test_a_restless_patch_at_the_edge_is_no_room_mirrored_there() -> None:
    """A soft smooth patch that runs over the panel's edge is light, unless more is left of it than
    around and lost dye draws it better."""
    size = SimpleNamespace(width_mm=200.0, height_mm=150.0)
    there = cast(Difference, SimpleNamespace(artwork=size))
    patch = replace(_patch(33.0, 11.0), box_mm=(0.5, 40.0, 14.5, 54.0))
    patch.features.update({"reflection_likeness": 0.0, "mottle": 0.0, "light_share": 0.45})
    assert not is_reflection(there, patch)
    patch.features["light_share"] = 0.55
    assert is_reflection(there, patch)
    patch.features.update({"light_share": 0.45, "left_over_rise": 2.0})
    assert is_reflection(there, patch)


def test_amid_calm_less_mottle_tells_however_soft_the_patch() -> None:
    """A wide soft spot on a calm picture keeps less energy, and stands out all the more."""
    soft = _patch(30.0, 25.0)
    soft.features["edge_blur_ratio"] = 16.0
    assert is_restless(soft)
    assert not is_restless(_patch(30.0, 6.0))
    # a small steep lamp leaves as much
    soft.features["light_share"] = 0.62
    assert not is_restless(soft)


def test_what_was_given_up_is_restless_for_no_reflection() -> None:
    """Where nothing could be forgiven the energy is the most there is: it may be a lamp."""
    assert is_restless(_patch(390.0, 30.0))
    assert not is_restless(_patch(400.0, 30.0))


def test_the_steep_side_of_a_lamp_is_light_however_much_is_left_of_it() -> None:
    """A soft strip in glare's skirt, and a piece of it; not one off the skirt, nor one that ends
    sharply."""
    strip = _patch(120.0, 30.0)
    strip.features.update({"elongation": 14.0, "width_mm": 6.0})
    assert is_restless(strip)
    everywhere = np.ones((160, 160), bool)

    def there(skirt: Mask) -> Difference:
        frame = SimpleNamespace(
            inside=everywhere, px_per_mm=PER_MM, to_px=lambda mm: mm * PER_MM - 0.5
        )
        return cast(
            Difference, SimpleNamespace(panel=frame, skirt=skirt, to_artwork_mm=lambda mm: mm)
        )

    lit = there(everywhere)
    assert is_lamps_side(lit, strip)
    assert not is_lamps_side(there(~everywhere), strip)
    assert is_within(lit, _patch(120.0, 30.0), [strip])
    assert not is_within(lit, _patch(120.0, 30.0), [])
    strip.features["edge_blur_ratio"] = 1.2
    assert not is_lamps_side(lit, strip)


def test_a_smooth_patch_beside_light_as_wide_is_a_pane_of_the_same_window() -> None:
    """Five mm apart, as a window's bar is, and no more restless than what lies around; a mottled
    patch there is no light."""
    everywhere = np.ones((200, 200), bool)
    frame = SimpleNamespace(inside=everywhere, px_per_mm=PER_MM, to_px=lambda mm: mm * PER_MM - 0.5)
    there = cast(Difference, SimpleNamespace(panel=frame, to_artwork_mm=lambda mm: mm))
    light, pane = _patch(2.0, 1.1), _patch(2.0, 1.0)
    apart = replace(pane, outline_mm=pane.outline_mm + np.array([19.0, 0.0]))
    apart.features["mottle"] = 0.0
    assert is_piece_of_light(there, apart, [light])
    assert not is_piece_of_light(there, apart, [])
    apart.features["mottle"] = 0.3
    assert not is_piece_of_light(there, apart, [light])
