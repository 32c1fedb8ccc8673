"""What is measured at a panel's edge, and under light that is not quite even."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from dyelight.claim import load_claim_file
from dyelight.claim.bare_strip import bare_strip_mm
from dyelight.claim.measures import light_added
from dyelight.look import Difference, compare
from dyelight.placement import place
from dyelight.records import Artwork, Photo, Placement
from dyelight.simulate import PlantedDefect, SimulatedPhoto, drawn_artwork, simulate_photo

WIDTH_MM, HEIGHT_MM = 160.0, 120.0
LEFT, RIGHT = 0, 2
PIXELS = np.ascontiguousarray(drawn_artwork("text", 1600, 1200, seed=1)[150:1050, 200:1400])
BARE_MM = 2.5
WORDS = load_claim_file()


@pytest.fixture(scope="module")
def shot() -> SimulatedPhoto:
    """Text that runs off the panel at both sides, and stops short of the right edge in print."""
    return simulate_photo(
        PIXELS,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        capture="station",
        defects=(
            PlantedDefect(
                "bare_edge", (WIDTH_MM, HEIGHT_MM / 2), BARE_MM, strength=1.0, shape_seed=1
            ),
        ),
        seed=5,
        long_side_px=1100,
    )


@pytest.fixture(scope="module")
def difference(shot: SimulatedPhoto) -> Difference:
    artwork = Artwork("a.png", "a" * 64, PIXELS, None, WIDTH_MM, HEIGHT_MM)
    photo = Photo("p.jpg", "b" * 64, shot.pixels)
    placement = place(photo, artwork)
    assert isinstance(placement, Placement)
    return compare(photo, artwork, placement)


def test_a_bare_strip_shows_on_the_letters_it_cuts(difference: Difference) -> None:
    """Its width is measured although most of the edge is as white as the base."""
    assert bare_strip_mm(difference, RIGHT, 60.0) == pytest.approx(BARE_MM, abs=0.6)


def test_where_the_print_reaches_there_is_no_bare_strip(difference: Difference) -> None:
    """Nothing is told at another edge, whether the panel's outline was seen or not."""
    assert bare_strip_mm(difference, LEFT, 60.0) == 0.0
    assert bare_strip_mm(replace(difference, outline_seen=False), LEFT, 60.0) == 0.0


def test_a_bare_strip_shows_where_no_outline_was_seen(difference: Difference) -> None:
    """The strip's own outer border is the metal's edge."""
    unseen = replace(difference, outline_seen=False)
    assert bare_strip_mm(unseen, RIGHT, 60.0) == pytest.approx(BARE_MM, abs=0.6)


def test_uneven_light_on_paper_white_is_no_lamp(difference: Difference) -> None:
    """A few per cent more light on white paper are the room's, a quarter more is a lamp's."""
    frame = difference.panel
    x, y = frame.to_px(np.array([[80.0, 5.0]]))[0]
    mask = np.zeros(frame.inside.shape, np.bool_)
    mask[int(y) - 9 : int(y) + 10, int(x) - 9 : int(x) + 10] = True
    grown = np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((15, 15))) > 0)
    added = []
    for light in (1.07, 1.25):
        observed = frame.observed.copy()
        observed[grown] *= np.float32(np.sqrt(light))
        brighter = replace(difference, panel=replace(frame, observed=observed))
        added.append(light_added(brighter, mask))
    assert added[0] < WORDS.limit.light_added.value < added[1]
