"""Places as people write them, and the bars that screenshots leave around a photo."""

from __future__ import annotations

import numpy as np
import pytest

from dyelight.claim.pointing import Pointed, pointed_place, without_bars
from dyelight.errors import SettingsError
from dyelight.records import U8, Photo


def photo(pixels: U8) -> Photo:
    return Photo("p.jpg", "a" * 64, pixels)


@pytest.fixture
def plain() -> Photo:
    """A photo of noise, 300 x 200 px, in which no two rows are alike."""
    return photo(np.random.default_rng(1).integers(40, 200, (200, 300, 3), np.uint8))


def test_a_point_and_a_box_are_read(plain: Photo) -> None:
    """Spaces do no harm, and a box may begin at any corner."""
    point = pointed_place(" 120, 80.5", None, plain)
    assert point is not None
    assert point.is_point
    assert point.center_px == (120.0, 80.5)
    box = pointed_place(None, "50,90,10,20", plain)
    assert box is not None
    assert box.box_px == (10.0, 20.0, 50.0, 90.0)
    assert not box.is_point
    assert pointed_place(None, None, plain) is None


@pytest.mark.parametrize(
    ("at", "box", "told"),
    [
        ("12", None, "is no place"),
        ("a,b", None, "is no place"),
        ("1,2,3", None, "is no place"),
        ("nan,4", None, "is no place"),
        (None, "1,2,3", "is no place"),
        (None, "5,5,5,9", "no size"),
        ("300,10", None, "outside the photo, which is 300 x 200 px"),
        ("-1,10", None, "outside the photo"),
        (None, "10,10,20,200", "outside the photo"),
        ("1,1", "1,1,2,2", "both name a place"),
    ],
)
def test_what_is_no_place_is_refused(
    plain: Photo, at: str | None, box: str | None, told: str
) -> None:
    """Texts that are no place, and places outside the photo, are told with what to give instead."""
    with pytest.raises(SettingsError, match=told) as caught:
        pointed_place(at, box, plain)
    assert caught.value.remedy


def test_a_point_grows_to_a_disc_and_a_box_to_a_box() -> None:
    """Outlines keep their distance from what was named."""
    disc = Pointed((10.0, 20.0, 10.0, 20.0), 3.0).outline_px()
    assert np.allclose(np.hypot(*(disc - [10, 20]).T), 3.0)
    corners = Pointed((10.0, 20.0, 30.0, 40.0), 2.0).outline_px()
    assert corners.min(0).tolist() == [8.0, 18.0]
    assert corners.max(0).tolist() == [32.0, 42.0]


def barred(plain: Photo, top: int, right: int, bottom: int, left: int) -> Photo:
    """The photo with black bars, and some white signs in the one above."""
    pixels = np.pad(plain.pixels, ((top, bottom), (left, right), (0, 0)))
    if top > 12:
        pixels[5:12, 20:40] = 250
    return photo(np.asarray(pixels, np.uint8))


@pytest.mark.parametrize("bars", [(60, 0, 50, 0), (0, 40, 0, 30), (30, 20, 0, 0)])
def test_bars_are_cut_away(plain: Photo, bars: tuple[int, int, int, int]) -> None:
    """The photo comes out as it went in, with the place of its first pixel and a note."""
    cut, first = without_bars(barred(plain, *bars))
    assert first == (bars[3], bars[0])
    assert np.array_equal(cut.pixels, plain.pixels)
    assert [note.code for note in cut.notes] == ["bars_cut"]


def test_a_photo_without_bars_stays_itself(plain: Photo) -> None:
    """Nothing is cut from a photo without bars, nor from one that is all of one colour."""
    assert without_bars(plain) == (plain, (0, 0))
    black = photo(np.zeros((50, 60, 3), np.uint8))
    assert without_bars(black) == (black, (0, 0))


def test_bars_of_sixteen_bit_photos_are_cut(plain: Photo) -> None:
    """Depth makes no difference."""
    deep = Photo("p.png", "a" * 64, barred(plain, 40, 0, 0, 0).pixels.astype(np.uint16) * 257)
    cut, first = without_bars(deep)
    assert first == (0, 40)
    assert cut.pixels.dtype == np.uint16
    assert cut.height_px == plain.height_px
