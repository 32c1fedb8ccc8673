"""Exif orientation against the standard's own words and against Pillow's ImageOps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from dyelight.intake import read_artwork, read_photo
from dyelight.intake.orientation import upright

# CIPA DC-008 (Exif 2.32), tag 274: on which visual side the stored row 0 and column 0 lie
SIDES = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


@pytest.mark.parametrize("orientation", range(1, 9))
def test_row_and_column_zero_come_to_the_named_sides(orientation: int) -> None:
    """A picture whose first row and first column are marked shows both where the standard says."""
    stored = np.zeros((5, 8), np.uint8)
    stored[0] = 1
    stored[1:, 0] = 2
    shown = upright(stored, orientation)
    sides = {"top": shown[0], "bottom": shown[-1], "left": shown[:, 0], "right": shown[:, -1]}
    row, column = SIDES[orientation]
    assert np.all(sides[row] == 1)
    assert np.count_nonzero(sides[column] == 2) == 4


@pytest.mark.parametrize("orientation", range(1, 9))
def test_files_come_up_as_pillow_turns_them(tmp_path: Path, orientation: int) -> None:
    """Photo and artwork alike agree with ImageOps.exif_transpose, pixel by pixel."""
    pixels = np.random.default_rng(orientation).integers(0, 256, (30, 40, 3), np.uint8)
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "a.png"
    Image.fromarray(pixels).save(path, exif=exif)
    with Image.open(path) as opened:
        turned = np.asarray(ImageOps.exif_transpose(opened))
    size_mm = (300.0, 400.0) if orientation >= 5 else (400.0, 300.0)
    assert np.array_equal(read_photo(path).pixels, turned)
    assert np.array_equal(read_artwork(path, *size_mm).pixels, turned)
