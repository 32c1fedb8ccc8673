"""What a camera learns of colours and light, on panels made of numbers whose truth is known."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from dyelight.records import F32, F64
from dyelight.teach.changes import Changes, Doubtful, changes_of, colours_of, taught_colours
from dyelight.teach.limits import teach_limits
from dyelight.teach.look import TaughtLook, fit_gain, fit_look, ln_light, surface
from dyelight.teach.samples import PanelSamples
from dyelight.teach.scatter import crossed, spread_of, worst
from dyelight.teach.verdicts import Seen, Spread, whole_change, zone_change

COUNT = 1500
DOUBTFUL = Doubtful(0.01, 0.006, np.array([0.04, 0.03, 0.025, 0.02]))
SPREAD = Spread(np.array([0.006, 0.004, 0.003]), np.array([0.003, 0.003, 0.002]))
CROSSTALK = np.array([[0.93, 0.05, 0.02], [0.03, 0.94, 0.03], [0.04, 0.02, 0.94]])


def density_of(artwork: F32) -> F64:
    """An invented shop's dye density: a curve for each channel, and crosstalk."""
    plain = -np.log(0.015 + 0.985 * np.square(artwork.astype(np.float64)))
    return np.asarray((plain ** np.array([0.95, 1.0, 1.05])) @ CROSSTALK.T, np.float64)


def light_of(at: F64) -> F64:
    """An invented lamp's ln light (N, 3) over the photo."""
    lean = 0.15 * (at[:, 0] - 0.5) - 0.1 * (at[:, 1] - 0.5) ** 2
    return np.asarray(lean[:, None] + np.array([0.0, -0.02, -0.05]) - 0.25, np.float64)


def panel(
    seed: int, *, flicker: float = 0.0, share: float = 0.0, zone: float = 0.0, white: bool = False
) -> PanelSamples:
    """One panel's samples: `share` of the dye missing all over, `zone` of it about the middle."""
    rng = np.random.default_rng(seed)
    hues = rng.uniform(0.1, 0.95, (12, 3))
    mix = rng.dirichlet(np.ones(12) * 0.4, COUNT)
    colours: F64 = np.full((COUNT, 3), 0.96) if white else np.asarray(mix @ hues)
    artwork: F32 = colours.astype(np.float32)
    panel_at = rng.random((COUNT, 2))
    photo_at = 0.15 + 0.7 * panel_at + rng.uniform(-0.02, 0.02, 2)
    dye = density_of(artwork)
    middle = np.exp(-np.square(panel_at - 0.5).sum(axis=1) / 0.03)
    kept = 1 - share - zone * middle
    ln = light_of(photo_at) + flicker - dye * kept[:, None]
    noise = rng.normal(0, 0.01, ln.shape)
    return PanelSamples(np.exp(ln + noise), artwork, photo_at, panel_at)


@cache
def taught() -> tuple[TaughtLook, F64]:
    return fit_look([panel(seed, flicker=0.01 * (seed % 3 - 1)) for seed in range(12)])


def changes(samples: PanelSamples) -> Changes:
    return changes_of(samples, taught()[0], DOUBTFUL)


def zone_of(samples: PanelSamples) -> Seen | None:
    return zone_change(changes(samples), SPREAD, samples.panel_at)


def test_a_panel_that_was_not_seen_is_drawn() -> None:
    """The look foretells a new panel's light within its noise."""
    new = panel(99)
    off = ln_light(new.light) - taught()[0].light(new.artwork, new.photo_at)
    bright = new.light > 0.05
    assert abs(float(np.median(off[bright]))) < 0.01
    assert float(np.median(np.abs(off[bright]))) < 0.02


def test_what_flickers_is_told_from_what_stays() -> None:
    """Each panel's own level comes out as it was put in."""
    level = taught()[1].mean(axis=1)
    true = np.array([0.01 * (seed % 3 - 1) for seed in range(12)])
    assert level - level.mean() == pytest.approx(true - true.mean(), abs=0.008)


def test_there_is_no_look_without_panels() -> None:
    """Nothing is learnt from nothing."""
    with pytest.raises(ValueError, match="no panel"):
        fit_look([])


@pytest.mark.parametrize("share", [0.06, 0.15, -0.06])
def test_missing_dye_is_measured(share: float) -> None:
    """The share of dye that is missing over the whole panel is found, and its sign."""
    found = changes(panel(50, share=share))
    assert found.dye_share == pytest.approx([share] * 3, abs=0.02)
    seen = whole_change(found, SPREAD)
    assert seen.scatters > 5
    assert seen.uniformity > 0.9
    assert (seen.delta_l > 0) == (share > 0)


def test_a_good_panel_is_good() -> None:
    """Neither the panel nor a zone of it stands out where nothing is wrong."""
    for seed in (60, 61, 62):
        seen = whole_change(changes(panel(seed)), SPREAD)
        assert seen.scatters < 4
        assert seen.delta_e00 < 0.8
        zone = zone_of(panel(seed))
        assert zone is None or zone.delta_e00 < 0.8


def test_an_exposure_within_the_scatter_is_no_colour() -> None:
    """A level that good panels have is taken off before colours are compared."""
    wide = Spread(np.array([0.03, 0.004, 0.003]), SPREAD.zone)
    bright = changes(panel(63, flicker=0.05))
    assert whole_change(bright, wide).delta_e00 < 0.6 * whole_change(bright, SPREAD).delta_e00


def test_a_zone_is_found_where_it_is() -> None:
    """A pale zone about the middle is told from the whole panel, with its place and sign."""
    samples = panel(51, zone=0.25)
    zone = zone_of(samples)
    assert zone is not None
    assert zone.mask is not None
    assert zone.scatters > 8
    assert zone.delta_l > 1
    rows, columns = np.nonzero(zone.mask)
    middle = np.array([rows.mean() / zone.mask.shape[0], columns.mean() / zone.mask.shape[1]])
    assert middle == pytest.approx([0.5, 0.5], abs=0.08)
    assert zone.uniformity < 0.4
    assert whole_change(changes(samples), SPREAD).delta_e00 < zone.delta_e00 / 2


def test_white_tells_nothing_of_dye() -> None:
    """Where the picture is white no dye can be missing, and nothing is claimed."""
    seen = whole_change(changes(panel(52, share=0.3, white=True)), SPREAD)
    assert seen.scatters < 4


def test_a_colour_that_was_not_taught_is_doubted() -> None:
    """The same change counts for less in colours that no taught panel had."""
    samples = panel(53, share=0.05)
    none = taught_colours(np.zeros(343, np.intp))
    sure = whole_change(changes(samples), SPREAD).scatters
    unsure = changes_of(samples, taught()[0], Doubtful(0.01, 0.006, DOUBTFUL.colour, none))
    assert whole_change(unsure, SPREAD).scatters < sure
    counts = np.zeros(343, np.intp)
    counts[colours_of(samples.artwork)] = 1
    known = taught_colours(counts)
    assert 0 < known.sum() < 343
    assert known[colours_of(samples.artwork)].all()


def test_scatter_is_measured_and_the_odd_panel_is_named() -> None:
    """A panel with less dye among good ones is the one that stands out; good ones do not."""
    good = [panel(seed) for seed in range(70, 80)]
    colour, found = crossed(good)
    assert (colour > 0).all()
    assert (colour <= 0.06).all()
    assert (spread_of(found).whole < 0.03).all()
    assert worst(found, good, teach_limits()) is None
    mixed = [*good[:9], panel(90, share=0.2)]
    odd = worst(crossed(mixed)[1], mixed, teach_limits())
    assert odd is not None
    assert odd[0] == 9


def test_fewer_panels_leave_more_room() -> None:
    """The same scatter is taken for larger where fewer panels told it."""
    found = [changes(panel(seed, share=0.01 * (seed % 2))) for seed in range(100, 116)]
    assert (spread_of(found[:8]).whole >= spread_of([*found, *found]).whole).all()


def test_a_blank_panel_shows_the_light_alone() -> None:
    """The gain that a white panel teaches is the lamp's, dust on it left aside."""
    samples = panel(54, white=True)
    ln = ln_light(samples.light)
    ln[:30] -= 0.8
    gain = fit_gain(ln, samples.photo_at)
    drawn = surface(samples.photo_at, gain.shape[1] - 3) @ gain.reshape(3, -1).T
    true = light_of(samples.photo_at)
    off = (drawn - drawn.mean(axis=0)) - (true - true.mean(axis=0))
    assert np.abs(off).max() < 0.02
