"""Several photos of one panel, from photos to verdict, on small simulated photos."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from dyelight import pipeline
from dyelight.causes import CauseMap, load_causes
from dyelight.judge import AcceptanceSpec, Rules, load_acceptance, load_rules
from dyelight.records import U8, Artwork, Inspection, Photo
from dyelight.simulate import PlantedDefect, drawn_artwork, simulate_photo

WIDTH_MM, HEIGHT_MM = 120.0, 90.0
SPECK = PlantedDefect("dust_speck", (85.0, 30.0), 1.5, strength=0.9)
SPOT = PlantedDefect("vapour_spot", (40.0, 40.0), 9.0, strength=0.45, shape_seed=1)
# where light lies in the first photo; the second has it elsewhere
GLARE_MM, OTHER_GLARE_MM = (95.0, 65.0), (30.0, 70.0)


@dataclass(frozen=True)
class Knowledge:
    """What a panel is judged by."""

    rules: Rules
    acceptance: AcceptanceSpec
    causes: CauseMap


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return Knowledge(load_rules(), load_acceptance(), load_causes())


@cache
def picture(seed: int = 4) -> U8:
    return drawn_artwork("fabric", 900, 675, seed=seed)


@cache
def taken(
    seed: int,
    turn_deg: float,
    *defects: PlantedDefect,
    light: tuple[tuple[float, float], float, float] | None = None,
    of: int = 4,
) -> Photo:
    """A simulated photo of the one panel; `light` is thrown back at a place (mm), with a radius
    (mm) and a strength (linear light)."""
    simulated = simulate_photo(
        picture(of),
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        capture="station",
        defects=defects,
        seed=seed,
        press_seed=3,
        turn_deg=turn_deg,
        long_side_px=900,
    )
    pixels = simulated.pixels
    if light is not None:
        grid_mm, grid_px = simulated.truth.grid
        place_mm, radius_mm, strength = light
        at = grid_px[np.argmin(np.linalg.norm(grid_mm - place_mm, axis=1))]
        px_per_mm = np.linalg.norm(grid_px[-1] - grid_px[0]) / np.hypot(WIDTH_MM, HEIGHT_MM)
        y, x = np.indices(pixels.shape[:2])
        away = np.hypot(x - at[0], y - at[1]) / (radius_mm * px_per_mm)
        added = strength * np.exp(-(away**8))[..., None]
        linear = (pixels / 255.0) ** 2.2 + added
        pixels = np.rint(255 * np.clip(linear, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    return Photo(f"photo-{seed}.jpg", f"{seed:064d}", pixels)


def inspect(knowledge: Knowledge, *photos: Photo) -> Inspection:
    return pipeline.inspect_panel(
        photos,
        Artwork("picture.png", "b" * 64, picture(), None, WIDTH_MM, HEIGHT_MM),
        rules=knowledge.rules,
        acceptance=knowledge.acceptance,
        causes=knowledge.causes,
    )


def test_defects_stay_and_lose_the_doubts_of_one_photo(knowledge: Knowledge) -> None:
    """A speck and a spot seen from two places are told once each, surer, without such doubts."""
    first, second = taken(3, 1.0, SPECK, SPOT), taken(5, -8.0, SPECK, SPOT)
    one, two = inspect(knowledge, first), inspect(knowledge, first, second)
    for planted in (SPECK, SPOT):
        (alone,) = (f for f in one.findings if f.kind == planted.kind)
        (found,) = (f for f in two.findings if f.kind == planted.kind)
        assert found.center_mm == pytest.approx(planted.center_mm, abs=1.0)
        assert found.features["photos_seen"] == 2
        assert found.snr > alone.snr
    (alone,) = (f for f in one.findings if f.kind == "dust_speck")
    (found,) = (f for f in two.findings if f.kind == "dust_speck")
    assert "may_lie_loose" in alone.doubts
    assert "may_lie_loose" not in found.doubts


def test_a_photo_given_twice_is_one_witness(knowledge: Knowledge) -> None:
    """The same photo again takes no doubt away, and a note says why."""
    photo = taken(3, 1.0, SPECK, SPOT)
    one, two = inspect(knowledge, photo), inspect(knowledge, photo, photo)
    assert [f.doubts for f in two.findings] == [f.doubts for f in one.findings]
    assert "same_place" in [note.code for note in two.capture.notes]


def test_light_that_moves_stops_no_faultless_panel(knowledge: Knowledge) -> None:
    """Glints that stop a panel from one photo are gone with a second one."""
    first = taken(3, 1.0, light=(GLARE_MM, 0.6, 0.4))
    second = taken(5, -8.0, light=(OTHER_GLARE_MM, 0.6, 0.4))
    assert inspect(knowledge, first).findings
    assert inspect(knowledge, second).findings
    both = inspect(knowledge, first, second)
    assert both.findings == ()
    assert both.verdict.word == "pass"


def test_what_one_photo_hides_is_judged_from_the_other(knowledge: Knowledge) -> None:
    """A speck under clipped light in the first photo is found, and nothing counts as hidden."""
    speck = PlantedDefect("dust_speck", GLARE_MM, 1.5, strength=0.9)
    first = taken(3, 1.0, speck, light=(GLARE_MM, 12.0, 3.0))
    second = taken(5, -8.0, speck, light=(OTHER_GLARE_MM, 12.0, 3.0))
    one, two = inspect(knowledge, first), inspect(knowledge, first, second)
    assert one.capture.hidden_fraction > 0.05
    assert one.findings == ()
    assert two.capture.hidden_fraction < 0.005
    (found,) = two.findings
    assert found.kind == "dust_speck"
    assert found.features["photos_seen"] == 1
    assert "may_lie_loose" in found.doubts


def test_another_panels_photo_is_named_and_stops_nothing(knowledge: Knowledge) -> None:
    """Whether it comes first or last, the right photo decides and leads the list of photos."""
    right, wrong = taken(3, 1.0), taken(5, -8.0, of=9)
    for photos in ((right, wrong), (wrong, right)):
        both = inspect(knowledge, *photos)
        assert both.verdict.word == "pass"
        assert [photo.file for photo in both.photos] == [right.file, wrong.file]
        assert both.placement is not None
        (note,) = (n for n in both.capture.notes if n.text.startswith(f"{wrong.file}: "))
        assert note.code in ("wrong_artwork", "unsure", "no_panel")
    assert inspect(knowledge, wrong, wrong).placement is None
