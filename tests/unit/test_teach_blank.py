"""A blank panel's light, on drawn photos whose light is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from dyelight.colour import encode_srgb_u8
from dyelight.imaging import area
from dyelight.records import F32, Photo
from dyelight.teach.blank import teach_blank
from dyelight.teach.look import GAIN_SPANS, surface

WIDTH_MM, HEIGHT_MM = 120.0, 90.0
LEAN = 0.1  # of the light, from the photo's middle to its edge


def blank_photo(long_side_px: int, bench: float) -> Photo:
    """A white panel, a little turned, in the middle of a photo twice its size."""
    half = np.array([long_side_px, 0.75 * long_side_px])
    width, height = (2 * half).astype(int)
    turn = np.deg2rad(4)
    turned = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half / 2
    large: F32 = np.full((4 * height, 4 * width), bench, np.float32)
    cv2.fillPoly(large, [np.rint(4 * (square @ turned + half)).astype(np.int32)], (0.6,))
    small = cv2.GaussianBlur(area(large, (width, height)), (0, 0), 0.8)
    lit = small * (1 + LEAN * np.linspace(-1, 1, width))
    rng = np.random.default_rng(1)
    linear = lit.astype(np.float32)[..., None] + rng.normal(0, 0.004, (height, width, 3)).astype(
        np.float32
    )
    return Photo("blank.jpg", "f" * 64, encode_srgb_u8(np.clip(linear, 0, 1)))


@pytest.mark.parametrize("bench", [0.01, 0.1])
@pytest.mark.parametrize("long_side_px", [600, 200])
def test_a_small_blank_is_still_blank(long_side_px: int, bench: float) -> None:
    """However few pixels the panel has and however dark the bench is, its light comes out."""
    taught = teach_blank(
        blank_photo(long_side_px, bench), WIDTH_MM, HEIGHT_MM, base="white", finish="gloss"
    )
    at = np.array([[0.3, 0.5], [0.7, 0.5]])
    ln = surface(at, GAIN_SPANS) @ taught.look.gain.reshape(3, -1).T
    due = np.log((1 + 0.4 * LEAN) / (1 - 0.4 * LEAN))
    assert ln[1] - ln[0] == pytest.approx([due] * 3, abs=0.005)
