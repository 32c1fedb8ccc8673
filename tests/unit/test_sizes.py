"""Sizes as people write them, and artwork that does not fit its panel."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dyelight.errors import SettingsError
from dyelight.intake import check_aspect, parse_size


@pytest.mark.parametrize(
    ("text", "expected_mm"),
    [
        ("254x203", (254.0, 203.0)),
        ("254 x 203 mm", (254.0, 203.0)),
        (" 254X203MM ", (254.0, 203.0)),
        ("254\u00d7203", (254.0, 203.0)),
        ("254*203", (254.0, 203.0)),
        ("254 by 203", (254.0, 203.0)),
        ("10x8in", (254.0, 203.2)),
        ("10in x 8in", (254.0, 203.2)),
        ("10in x 8", (254.0, 203.2)),
        ('10x8"', (254.0, 203.2)),
        ('10" x 8"', (254.0, 203.2)),
        ("10\u2033\u00d78\u2033", (254.0, 203.2)),
        ("8.5 x 11 inches", (215.9, 279.4)),
        ("25.4x20.3cm", (254.0, 203.0)),
        ("25,4x20,3cm", (254.0, 203.0)),
        ("10in x 203mm", (254.0, 203.0)),
        ("10x8mm", (10.0, 8.0)),
        ("5x5000", (5.0, 5000.0)),
    ],
)
def test_a_size_reads_as_millimetres(text: str, expected_mm: tuple[float, float]) -> None:
    """Each usual way of writing a size gives width and height in mm."""
    assert parse_size(text) == pytest.approx(expected_mm)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "254",
        "254x",
        "x203",
        "254x203x10",
        "-254x203",
        "254x-203",
        "0x203",
        "254x0",
        "0x0",
        "0x8",
        "0x0in",
        "wide",
        "254 203",
        "10x8ft",
        "1e3x200",
        "nanxinf",
        "infx5",
        "5001x200",
        "200in x 5mm",
        "4.9x100",
        "10x8",
        "1,000x500",
        "254x203\n--flag",
        "\u0663\u0660\u0660x200",
    ],
)
def test_what_is_no_usable_size_is_refused_with_a_remedy(text: str) -> None:
    """What is no size, out of range or can mean two things is refused with what to do."""
    with pytest.raises(SettingsError) as caught:
        parse_size(text)
    assert caught.value.remedy
    assert caught.value.exit_code == 2


@given(st.text(max_size=60))
def test_any_text_is_a_size_or_a_settings_error(text: str) -> None:
    """No text makes parse_size raise anything else, nor return what is out of range."""
    try:
        sides_mm = parse_size(text)
    except SettingsError:
        return
    assert all(5 <= side_mm <= 5000 for side_mm in sides_mm)


@given(
    st.integers(500, 500_000),
    st.integers(500, 500_000),
    st.sampled_from([("mm", 1.0), ("cm", 10.0), ("in", 25.4), ('"', 25.4), ("", 1.0)]),
    st.sampled_from(["x", " x ", "X", "\u00d7", "*", " by "]),
)
def test_a_written_size_is_read_back(
    width: int, height: int, unit: tuple[str, float], sign: str
) -> None:
    """Numbers to two decimals come back exactly in every unit and with every sign."""
    name, mm = unit
    sides_mm = [side / 100 / mm for side in (width, height)]
    text = f"{sides_mm[0]:.6f}{sign}{sides_mm[1]:.6f}{name}"
    if min(width, height) == 500 or max(width, height) == 500_000:
        return  # six decimals may fall over the edge of the range
    if not name and max(width, height) < 5000:
        return  # too small to go without a unit
    assert parse_size(text) == pytest.approx((width / 100, height / 100), abs=1e-4)


def test_an_aspect_that_fits_needs_no_note() -> None:
    """The 0.1 % between 8 in and 203 mm is rounding."""
    assert check_aspect(3000, 2400, 254.0, 203.0) is None


def test_an_aspect_slightly_off_gives_a_note() -> None:
    """One per cent is worth a note, with both aspects in it."""
    note = check_aspect(3030, 2400, 254.0, 203.2)
    assert note is not None
    assert note.code == "aspect_off"
    assert "1.262" in note.text
    assert "1.25" in note.text


@pytest.mark.parametrize(
    ("pixels", "size_mm", "bleed_mm", "hint"),
    [
        ((2400, 3000), (254.0, 203.2), 0.0, "swapped"),
        ((3000, 2000), (254.0, 203.2), 0.0, "cropped"),
        ((1060, 460), (100.0, 40.0), 0.0, "bleed of 3 mm"),
        ((1000, 400), (100.0, 40.0), 3.0, "bleed of 0 mm"),
    ],
)
def test_a_wrong_aspect_is_refused_with_the_likely_fix(
    pixels: tuple[int, int], size_mm: tuple[float, float], bleed_mm: float, hint: str
) -> None:
    """Over two per cent is a settings error that names both aspects and what may be wrong."""
    with pytest.raises(SettingsError) as caught:
        check_aspect(*pixels, *size_mm, bleed_mm, file="art.png")
    assert hint in str(caught.value)
    assert "art.png" in str(caught.value)
    assert f"{pixels[0]} x {pixels[1]} px" in str(caught.value)


@given(st.floats(0.1, 10), st.floats(-0.1, 0.1))
def test_the_aspect_limits_hold_either_way(ratio: float, off: float) -> None:
    """Too wide and too tall count alike: nothing to 0.5 %, a note to 2 %, an error above."""
    apart_pct = 100 * (max(1 + off, 1 / (1 + off)) - 1)
    if min(abs(apart_pct - 0.5), abs(apart_pct - 2.0)) < 0.01:
        return  # whole pixels blur the limit itself
    width_px, height_px = round(1e6 * math.sqrt(ratio) * (1 + off)), round(1e6 / math.sqrt(ratio))
    if apart_pct > 2:
        with pytest.raises(SettingsError):
            check_aspect(width_px, height_px, 100 * math.sqrt(ratio), 100 / math.sqrt(ratio))
        return
    note = check_aspect(width_px, height_px, 100 * math.sqrt(ratio), 100 / math.sqrt(ratio))
    assert (note is not None) == (apart_pct > 0.5)
