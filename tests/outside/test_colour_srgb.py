"""sRGB and CIELAB against IEC 61966-2-1 and against a published colour chart."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from dyelight.colour import (
    ciede2000,
    decode_srgb,
    encode_srgb,
    encode_srgb_u8,
    lab_from_encoded,
    lab_from_linear,
)
from dyelight.intake.icc import SRGB_MATRIX

# published averages of 2005 as the colour-science library carries them; see the file's head
CHART = Path(__file__).parent / "data" / "colour_chart_24.csv"


def iec_decode(encoded: NDArray[Any]) -> NDArray[np.float64]:
    """IEC 61966-2-1, written out."""
    low, high = encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(encoded <= 0.04045, low, high), np.float64)


# Lab under D65 by the 4-digit matrix of IEC 61966-2-1, computed
@pytest.mark.parametrize(
    ("rgb", "lab"),
    [
        ((255, 0, 0), (53.2329, 80.1053, 67.2228)),
        ((0, 255, 0), (87.737, -86.1884, 83.1861)),
        ((0, 0, 255), (32.3026, 79.1936, -107.8537)),
        ((119, 119, 119), (50.0344, 0.0, 0.0)),
        ((128, 128, 128), (53.585, 0.0, 0.0)),
        ((255, 255, 255), (100.0, 0.0, 0.0)),
        ((0, 0, 0), (0.0, 0.0, 0.0)),
    ],
)
def test_srgb_to_lab(rgb: tuple[int, int, int], lab: tuple[float, float, float]) -> None:
    """Primaries and greys, from 8 bit, 16 bit and float, to a twentieth of a Lab unit."""
    pixels = np.array(rgb, np.uint8)
    for encoded in (pixels, pixels.astype(np.uint16) * 257, pixels / 255):
        got = lab_from_encoded(encoded)
        assert got.dtype == np.float32
        assert np.abs(got - lab).max() < 0.05


def test_decoding_follows_the_standard_at_every_level() -> None:
    """All 256 and all 65,536 levels, and floats, to float32's precision."""
    for levels, dtype in ((256, np.uint8), (65536, np.uint16)):
        ramp = np.arange(levels).astype(dtype)
        wanted = iec_decode(np.arange(levels) / (levels - 1))
        assert np.abs(decode_srgb(ramp) - wanted).max() < 1e-7
        assert np.abs(decode_srgb(np.arange(levels) / (levels - 1)) - wanted).max() < 2e-6


def test_encoding_undoes_decoding_at_every_level() -> None:
    """Each 8-bit and each 16-bit level returns to itself."""
    eight = np.arange(256, dtype=np.uint8)
    assert np.array_equal(encode_srgb_u8(decode_srgb(eight)), eight)
    sixteen = np.arange(65536, dtype=np.uint16)
    assert np.array_equal(np.rint(encode_srgb(decode_srgb(sixteen)) * 65535), sixteen)


def test_encoding_to_8_bit_rounds_as_the_curve_does() -> None:
    """The table is never off by a level save within a twentieth of a level of the rounding edge."""
    linear = np.random.default_rng(2).random(200_000).astype(np.float32) ** 3
    exact = 255 * encode_srgb(linear).astype(np.float64)
    assert np.abs(encode_srgb_u8(linear) - exact).max() < 0.56


def test_light_outside_the_range_is_clipped() -> None:
    """Below black and above white encode as black and white."""
    linear = np.array([[-0.5, 0.0, 1.0, 7.0]], np.float32)
    assert encode_srgb_u8(linear).tolist() == [[0, 0, 255, 255]]
    assert encode_srgb(linear)[0] == pytest.approx([0, 0, 1, 1], abs=1e-6)


@pytest.mark.parametrize("shape", [(3,), (7, 3), (5, 7, 3), (2, 5, 7, 3), (0, 3)])
def test_every_shape_comes_back_in_its_shape(shape: tuple[int, ...]) -> None:
    """Single colours, lists, images, stacks and nothing at all."""
    for dtype in (np.uint8, np.uint16, np.float32):
        linear = decode_srgb(np.zeros(shape, dtype))
        assert linear.shape == shape
        assert linear.dtype == np.float32
        assert encode_srgb_u8(linear).shape == shape
        assert encode_srgb(linear).shape == shape
        assert lab_from_linear(linear).shape == shape
        assert ciede2000(linear, linear).shape == shape[:-1]


def test_integers_without_a_known_range_are_refused() -> None:
    """int32 pixels could mean anything."""
    with pytest.raises(TypeError, match="int32"):
        decode_srgb(np.zeros((2, 3), np.int32))


def chart() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """XYZ under D50, Lab under D50 and unclipped sRGB (0..255) of the patches inside sRGB."""
    with CHART.open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    values = np.array([[float(value) for value in list(row.values())[1:]] for row in rows])
    assert len(values) == 24
    values = values[values[:, 6:].min(axis=1) >= 0]  # the cyan patch lies outside sRGB
    x, y, Y = values[:, :3].T
    return np.stack([x / y * Y, Y, (1 - x - y) / y * Y], -1), values[:, 3:6], values[:, 6:]


def test_chart_patches_reach_their_published_xyz() -> None:
    """sRGB values of the patches, decoded and taken to D50 by our matrix, give the chart's XYZ."""
    xyz, _, srgb = chart()
    assert len(xyz) == 23
    assert np.abs(decode_srgb(srgb / 255) @ SRGB_MATRIX.T - xyz).max() < 5e-4


def test_chart_patches_are_encoded_to_their_srgb() -> None:
    """The other way: published XYZ to sRGB, within a tenth of a level."""
    xyz, _, srgb = chart()
    linear = (xyz @ np.linalg.inv(SRGB_MATRIX).T).astype(np.float32)
    assert np.abs(255 * encode_srgb(linear) - srgb).max() < 0.1


def test_chart_patches_have_nearly_their_published_lab() -> None:
    """Loose, since the chart's Lab is under D50 and ours under D65: the greys agree far better."""
    _, lab, srgb = chart()
    apart_de00 = ciede2000(lab_from_encoded(srgb / 255), lab)
    assert apart_de00.max() < 5
    assert apart_de00[-6:].max() < 0.5
