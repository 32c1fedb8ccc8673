"""CIEDE2000 against the published pairs and against scikit-image."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000

from dyelight.colour import ciede2000, decode_srgb, delta_e00_map, lab_from_linear

# Sharma, Wu, Dalal, Color Res. Appl. 30(1), 2005, Table 1: 34 pairs, to four decimals
PAIRS = Path(__file__).parent / "data" / "ciede2000_sharma_2005.csv"


def published() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Both Lab values (34, 3) of each pair and the published difference."""
    with PAIRS.open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    values = np.array([[float(value) for value in list(row.values())[1:]] for row in rows])
    return values[:, :3], values[:, 3:6], values[:, 6]


def test_all_34_pairs_agree_to_four_decimals() -> None:
    """The last printed decimal holds, in float32, for every pair."""
    lab1, lab2, wanted = published()
    assert len(wanted) == 34
    difference = ciede2000(lab1, lab2)
    assert difference.dtype == np.float32
    assert np.abs(difference - wanted).max() <= 1e-4


def test_the_order_of_a_pair_does_not_matter() -> None:
    """Opposite hues too: the pairs at the jump of the mean hue stand in the table."""
    lab1, lab2, wanted = published()
    assert np.abs(ciede2000(lab2, lab1) - wanted).max() <= 1e-4


def test_random_pairs_agree_with_scikit_image() -> None:
    """200,000 pairs from near neutral to far outside any gamut, near and far apart."""
    rng = np.random.default_rng(5)
    lab1 = np.c_[rng.uniform(0, 100, 200_000), rng.normal(0, 45, (200_000, 2))]
    lab2 = lab1 + rng.normal(0, 1, lab1.shape) * rng.choice([0.3, 3, 30], (200_000, 1))
    reference: Any = deltaE_ciede2000
    apart = np.abs(ciede2000(lab1, lab2) - reference(lab1, lab2))
    assert apart.max() < 1e-3


@pytest.mark.parametrize("lab", [(0, 0, 0), (50, 0, 0), (100, 0, 0), (40, 60, -30)])
def test_a_colour_is_no_distance_from_itself(lab: tuple[float, float, float]) -> None:
    """Neutral colours, whose hue is undefined, give zero and no warning."""
    assert ciede2000(np.array(lab), np.array(lab)) == 0


def test_an_image_is_held_against_one_colour() -> None:
    """Broadcasting over a large image gives what each pixel alone gives."""
    rng = np.random.default_rng(6)
    image = (rng.random((300, 211, 3)) * [100, 80, 80] - [0, 40, 40]).astype(np.float32)
    colour = np.array([50, 10, -20], np.float32)
    whole = ciede2000(image, colour)
    assert whole.shape == (300, 211)
    for y, x in ((0, 0), (150, 17), (299, 210)):
        assert whole[y, x] == pytest.approx(float(ciede2000(image[y, x], colour)), abs=1e-5)


def test_the_map_of_two_images_agrees_with_the_long_way() -> None:
    """Working in bands changes nothing, and the inputs stay as they were."""
    rng = np.random.default_rng(7)
    one = decode_srgb(rng.integers(0, 256, (301, 203, 3), np.uint8))
    two = decode_srgb(rng.integers(0, 256, (301, 203, 3), np.uint8))
    before = one.copy()
    long_way = ciede2000(lab_from_linear(one), lab_from_linear(two))
    assert np.abs(delta_e00_map(one, two) - long_way).max() < 1e-4
    assert np.array_equal(one, before)


def test_images_of_unlike_shape_are_refused() -> None:
    """A map needs two images of one size."""
    with pytest.raises(ValueError, match="wanted"):
        delta_e00_map(np.zeros((2, 3, 3), np.float32), np.zeros((3, 2, 3), np.float32))
