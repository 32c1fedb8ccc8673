"""A large photo at the fineness that its camera resolves, and every place still where it was."""

from __future__ import annotations

import numpy as np
import pytest

from dyelight.look.fineness import at_its_fineness
from dyelight.placement.picture_map import FittedMap
from dyelight.records import Photo, Placement


def _placed(width: int, height: int, px_per_mm: float) -> tuple[Photo, Placement]:
    """A dark photo with a soft bright spot at artwork (30, 20) mm."""
    homography = np.array([[px_per_mm, 0, 101.3], [0, px_per_mm, 77.8], [0, 0, 1]])
    picture = FittedMap.from_homography(homography, (width, height), (0, 0, 300, 200))
    spot = picture.to_photo(np.array([[30.0, 20.0]]))[0]
    y, x = np.mgrid[:height, :width].astype(np.float32)
    light = 200 * np.exp(-((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / (2 * 3.0**2)) + 20
    pixels = np.repeat(np.rint(light).astype(np.uint8)[..., None], 3, axis=2)
    corners = picture.to_photo(np.array([[0.0, 0], [300, 0], [300, 200], [0, 200]]))
    placement = Placement(picture, corners, True, 0.1, (0.0, 0.0), (0.0, 0.0), False, 0, "features")
    return Photo("photo.jpg", "", pixels), placement


@pytest.mark.parametrize("size", [(2400, 1700), (2403, 1701)])
def test_a_large_photo_shrinks_and_places_stay(size: tuple[int, int]) -> None:
    """Three quarters each way; the map leads to where the spot now is, to a hundredth of a px."""
    photo, placement = _placed(*size, 7.0)
    small, placed, scale = at_its_fineness(photo, placement, 7.0)
    assert scale == 0.75
    assert abs(small.width_px - 0.75 * size[0]) < 3
    weight = small.pixels[..., 1].astype(np.float64) - 20
    at = placed.picture.to_photo(np.array([[30.0, 20.0]]))[0]
    cut = slice(int(at[1]) - 12, int(at[1]) + 13), slice(int(at[0]) - 12, int(at[0]) + 13)
    rows, columns = np.mgrid[cut[0], cut[1]]
    mass = weight[cut]
    seen = np.array([(columns * mass).sum(), (rows * mass).sum()]) / mass.sum()
    assert seen == pytest.approx(at, abs=0.02)
    back = placed.picture.to_artwork(placed.corners_px)
    assert back == pytest.approx(np.array([[0, 0], [300, 0], [300, 200], [0, 200]]), abs=1e-6)
    assert placed.uncertainty_px == pytest.approx(0.075)


def test_a_small_or_coarse_photo_keeps_all_that_it_has() -> None:
    """A few megapixels, or few pixels a millimetre, are worked with as they are."""
    photo, placement = _placed(1000, 700, 3.0)
    assert at_its_fineness(photo, placement, 3.0) == (photo, placement, 1.0)
    photo, placement = _placed(2400, 1700, 7.0)
    assert at_its_fineness(photo, placement, 3.9)[2] == 1.0


def test_sixteen_bits_stay_sixteen() -> None:
    """The type of the pixels does not change, and flat ground keeps its level."""
    placement = _placed(2400, 1700, 7.0)[1]
    deep = Photo("photo.tif", "", np.full((1700, 2400, 3), 40123, np.uint16))
    small = at_its_fineness(deep, placement, 7.0)[0]
    assert small.pixels.dtype == np.uint16
    assert np.unique(small.pixels).tolist() == [40123]
