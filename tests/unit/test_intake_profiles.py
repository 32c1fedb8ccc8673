"""Colour profiles on the way in. All profiles are built here, byte by byte, or by LittleCMS."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms

from dyelight.errors import UnreadableInput
from dyelight.intake import read_artwork, read_photo

# columns to XYZ under D50, as Display P3 profiles carry them; from memory
P3 = np.array(
    [[0.51512, 0.29198, 0.15710], [0.24120, 0.69225, 0.06657], [-0.00105, 0.04189, 0.78407]]
)
SRGB_LIKE = struct.pack(
    ">4sIH2x5i",
    b"para",
    0,
    3,
    *(round(v * 65536) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)),
)


def fixed(values: Any) -> bytes:
    return b"".join(struct.pack(">i", round(float(v) * 65536)) for v in values)


def profile(
    tags: dict[bytes, bytes],
    space: bytes = b"RGB ",
    connection: bytes = b"XYZ ",
    kind: bytes = b"mntr",
) -> bytes:
    """An ICC version 2 profile of these tags."""
    tags = {
        b"desc": b"desc\0\0\0\0" + struct.pack(">I", 10) + b"Made here\0" + bytes(79),
        b"cprt": b"text\0\0\0\0none\0",
        b"wtpt": b"XYZ \0\0\0\0" + fixed((0.9642, 1.0, 0.8249)),
        **tags,
    }
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for signature, data in tags.items():
        data = data.ljust(-(-len(data) // 4) * 4, b"\0")
        table += struct.pack(">4sII", signature, start + len(body), len(data))
        body += data
    header = struct.pack(
        ">I4sI4s4s4s12s4s28s12s48s",
        start + len(body),
        b"none",
        0x02400000,
        kind,
        space,
        connection,
        struct.pack(">6H", 2024, 1, 1, 0, 0, 0),
        b"acsp",
        b"",
        fixed((0.9642, 1.0, 0.8249)),
        b"",
    )
    return header + table + body


def matrix_profile(columns: NDArray[np.float64], curve: bytes = SRGB_LIKE) -> bytes:
    names = zip((b"r", b"g", b"b"), columns.T, strict=True)
    tags = {letter + b"XYZ": b"XYZ \0\0\0\0" + fixed(column) for letter, column in names}
    return profile({**tags, **{letter + b"TRC": curve for letter in (b"r", b"g", b"b")}})


def gamma_curve(gamma: float) -> bytes:
    return b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256))


def table_curve(values: NDArray[np.float64]) -> bytes:
    levels = np.rint(values * 65535).astype(">u2")
    return b"curv\0\0\0\0" + struct.pack(">I", len(levels)) + levels.tobytes()


def cmyk_profile(kind: bytes = b"prtr") -> bytes:
    """A CMYK profile by an 8-bit table of 2 nodes an ink: ideal inks on a perfect white."""
    nodes = b""
    for index in range(16):
        c, m, y, k = (index >> 3 & 1, index >> 2 & 1, index >> 1 & 1, index & 1)
        # plausible Lab of each overprint; black ink ends everything
        light = 0 if k else 100 - 40 * c - 50 * m - 5 * y
        a, b = (0, 0) if k else (-37 * c + 74 * m - 5 * y, -50 * c - 3 * m + 93 * y)
        nodes += bytes((round(max(light, 0) * 2.55), int(np.clip(a, -128, 127)) + 128, 0))
        nodes = nodes[:-1] + bytes((int(np.clip(b, -128, 127)) + 128,))
    identity = bytes(range(256))
    table = b"mft1\0\0\0\0" + bytes((4, 3, 2, 0)) + fixed((1, 0, 0, 0, 1, 0, 0, 0, 1))
    table += identity * 4 + nodes + identity * 3
    return profile({b"A2B0": table}, b"CMYK", b"Lab ", kind)


def scene(dtype: Any = np.uint8) -> NDArray[Any]:
    rng = np.random.default_rng(11)
    return (rng.random((40, 50, 3)) * np.iinfo(dtype).max).astype(dtype)


def by_littlecms(pixels: NDArray[np.uint8], icc: bytes) -> NDArray[np.int64]:
    """The outside answer: LittleCMS, relative colorimetric, black point compensation."""
    converted = ImageCms.profileToProfile(
        Image.fromarray(pixels),
        ImageCms.ImageCmsProfile(io.BytesIO(icc)),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )
    assert converted is not None
    return np.asarray(converted).astype(np.int64)


CURVES = {
    "parametric": SRGB_LIKE,
    "gamma": gamma_curve(1.8),
    "table": table_curve((np.arange(1024) / 1023) ** 2.2),
    "linear": b"curv\0\0\0\0" + struct.pack(">I", 0),
    "parametric 0": struct.pack(">4sIH2xi", b"para", 0, 0, round(2.1 * 65536)),
    "parametric 1": struct.pack(">4sIH2x", b"para", 0, 1) + fixed((2.0, 1.1, -0.1)),
    "parametric 4": struct.pack(">4sIH2x", b"para", 0, 4)
    + fixed((2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045, 0.0, 0.0)),
}


@pytest.mark.parametrize("name", CURVES)
def test_a_matrix_profile_is_applied_as_littlecms_applies_it(tmp_path: Path, name: str) -> None:
    """For every kind of tone curve: within one level of LittleCMS, nearly always the same."""
    icc, pixels, path = matrix_profile(P3, CURVES[name]), scene(), tmp_path / "a.png"
    Image.fromarray(pixels).save(path, icc_profile=icc)
    photo = read_photo(path)
    assert photo.icc == "Made here"
    assert photo.pixels.dtype == np.uint8
    apart = np.abs(photo.pixels - by_littlecms(pixels, icc))
    assert apart.max() <= 1
    assert (apart > 0).mean() < 0.05


def test_black_that_is_not_zero_is_compensated(tmp_path: Path) -> None:
    """A curve that starts at a tenth: greys agree with LittleCMS, as do nearly all colours."""
    lifted = struct.pack(">4sIH2x", b"para", 0, 2) + fixed((2.0, 0.9**0.5 + 0.1, -0.1, 0.1))
    icc, pixels, path = matrix_profile(P3, lifted), scene(), tmp_path / "a.png"
    pixels[0] = np.linspace(0, 255, 50).astype(np.uint8)[:, None]
    Image.fromarray(pixels).save(path, icc_profile=icc)
    apart = np.abs(read_photo(path).pixels - by_littlecms(pixels, icc))
    assert apart[0].max() <= 1
    # the rest lies at the border of sRGB, where a level is a small step in light
    assert (apart > 1).mean() < 0.03


def test_display_p3_stays_16_bit(tmp_path: Path) -> None:
    """A 16-bit Display P3 file is converted at 16 bit, by the published matrix between the two."""
    # W3C CSS Color 4, sample code: linear Display P3 to linear sRGB; from memory
    to_srgb = np.array(
        [
            [1.2249402, -0.2249402, 0.0],
            [-0.0420570, 1.0420570, 0.0],
            [-0.0196376, -0.0786361, 1.0982736],
        ]
    )
    pixels = scene(np.uint16) // 2 + 16000
    linear = ((pixels / 65535 + 0.055) / 1.055) ** 2.4
    linear = np.clip(linear @ to_srgb.T, 0, 1)
    curved = 1.055 * linear ** (1 / 2.4) - 0.055
    wanted = 65535 * np.where(linear <= 0.0031308, 12.92 * linear, curved)
    icc = matrix_profile(P3)
    png, tif = tmp_path / "a.png", tmp_path / "a.tif"
    tifffile.imwrite(tif, pixels, photometric="rgb", iccprofile=icc)
    write_png16_with_profile(png, pixels, icc)
    for path in (png, tif):
        photo = read_photo(path)
        assert photo.icc == "Made here"
        assert photo.pixels.dtype == np.uint16
        assert np.abs(photo.pixels - wanted).max() < 25  # a tenth of an 8-bit level
        assert np.unique(photo.pixels % 257).size > 200


def write_png16_with_profile(path: Path, pixels: NDArray[np.uint16], icc: bytes) -> None:
    data = cv2.imencode(".png", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR))[1].tobytes()
    body = b"iCCP" + b"name\0\0" + zlib.compress(icc)
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    path.write_bytes(data[:33] + chunk + data[33:])


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_an_srgb_profile_changes_no_pixel(tmp_path: Path, dtype: Any) -> None:
    """LittleCMS's own sRGB profile is known for what it is, by what it does."""
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    pixels, path = scene(dtype), tmp_path / "a.tif"
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=icc)
    photo = read_photo(path)
    assert photo.icc == "sRGB"
    assert np.array_equal(photo.pixels, pixels)


def test_an_srgb_profile_of_coarse_rounding_is_still_srgb(tmp_path: Path) -> None:
    """Some makers round the matrix to four decimals; no pixel is touched for that."""
    rounded = np.array(
        [[0.4359, 0.3853, 0.1430], [0.2224, 0.7170, 0.0606], [0.0139, 0.0971, 0.7138]]
    )
    path = tmp_path / "a.png"
    Image.fromarray(scene()).save(path, icc_profile=matrix_profile(rounded))
    photo = read_photo(path)
    assert photo.icc == "sRGB"
    assert np.array_equal(photo.pixels, scene())


def test_a_profile_of_gamma_2_2_is_not_taken_for_srgb(tmp_path: Path) -> None:
    """The same primaries with another curve are converted."""
    srgb = np.array(
        [[0.43607, 0.38515, 0.14307], [0.22249, 0.71687, 0.06061], [0.01392, 0.09708, 0.71410]]
    )
    path = tmp_path / "a.png"
    icc = matrix_profile(srgb, gamma_curve(2.2))
    Image.fromarray(scene()).save(path, icc_profile=icc)
    assert read_photo(path).icc == "Made here"


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_grey_profile_is_applied(tmp_path: Path, dtype: Any) -> None:
    """Grey of gamma 1.0 becomes the sRGB curve's grey, at its own depth."""
    icc = profile({b"kTRC": CURVES["linear"]}, b"GRAY")
    top = np.iinfo(dtype).max
    stored = np.linspace(0.1, 1, 40)[None].repeat(4, 0)
    path = tmp_path / "a.tif"
    tifffile.imwrite(
        path, np.rint(stored * top).astype(dtype), photometric="minisblack", iccprofile=icc
    )
    photo = read_photo(path)
    wanted = top * (1.055 * stored ** (1 / 2.4) - 0.055)
    assert photo.pixels.dtype == dtype
    assert np.abs(photo.pixels[..., 2] - wanted).max() <= (1 if dtype == np.uint8 else 3)


def test_a_grey_file_may_carry_an_rgb_profile(tmp_path: Path) -> None:
    """Then the profile's grey axis counts: with the sRGB curve nothing changes."""
    path = tmp_path / "a.png"
    Image.fromarray(scene()[..., 0].copy()).save(path, icc_profile=matrix_profile(P3))
    assert np.abs(read_photo(path).pixels[..., 1].astype(int) - scene()[..., 0]).max() <= 1


@pytest.mark.parametrize("suffix", ["jpg", "tif"])
def test_cmyk_with_a_profile_is_converted(tmp_path: Path, suffix: str) -> None:
    """No ink is white, all black is black, cyan ink takes the red away."""
    inks = np.zeros((16, 48, 4), np.uint8)
    inks[:, 16:32, 3] = 255
    inks[:, 32:, 0] = 255
    path = tmp_path / f"a.{suffix}"
    Image.frombytes("CMYK", (48, 16), inks.tobytes()).save(path, icc_profile=cmyk_profile())
    artwork = read_artwork(path, 240.0, 80.0)
    white, black, cyan = (artwork.pixels[8, x].astype(int) for x in (8, 24, 40))
    assert white.min() >= 253
    assert black.max() <= 3
    assert cyan[0] < cyan[1] - 60
    assert cyan[0] < cyan[2] - 60
    assert [note.code for note in artwork.notes] == ["profile_converted"]


@pytest.mark.parametrize("icc", [None, b"not a profile", "rgb", "cut"])
def test_cmyk_without_a_usable_profile_is_refused(tmp_path: Path, icc: bytes | str | None) -> None:
    """What inks look like cannot be guessed: the remedy is to convert or to embed."""
    made = {"rgb": matrix_profile(P3), "cut": cmyk_profile()[:-900]}
    embedded = made[icc] if isinstance(icc, str) else icc
    path = tmp_path / "a.jpg"
    Image.new("CMYK", (24, 18), (10, 200, 30, 5)).save(path, icc_profile=embedded)
    with pytest.raises(UnreadableInput) as caught:
        read_artwork(path, 240.0, 180.0)
    assert "CMYK" in str(caught.value)
    assert "sRGB" in str(caught.value)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_an_rgb_profile_of_tables_is_applied_and_lost_depth_is_said(
    tmp_path: Path, dtype: Any
) -> None:
    """A scanner's table profile goes through LittleCMS at 8 bit; a 16-bit file gets a note."""
    nodes = b""
    for index in range(8):
        r, g, b = index >> 2 & 1, index >> 1 & 1, index & 1
        nodes += bytes((round(255 * (0.3 * r + 0.6 * g + 0.1 * b)), 128 + 40 * (r - g), 128))
    table = b"mft1\0\0\0\0" + bytes((3, 3, 2, 0)) + fixed((1, 0, 0, 0, 1, 0, 0, 0, 1))
    table += bytes(range(256)) * 3 + nodes + bytes(range(256)) * 3
    icc = profile({b"A2B0": table}, connection=b"Lab ", kind=b"scnr")
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, scene(dtype), photometric="rgb", iccprofile=icc)
    photo = read_photo(path)
    eight = scene(dtype) if dtype == np.uint8 else np.rint(scene(dtype) / 257).astype(np.uint8)
    assert photo.pixels.dtype == np.uint8
    assert np.abs(photo.pixels - by_littlecms(eight, icc)).max() <= 1
    codes = [note.code for note in photo.notes]
    assert codes == ([] if dtype == np.uint8 else ["depth_reduced"])


@pytest.mark.parametrize("icc", [b"short", matrix_profile(P3)[:200], cmyk_profile()])
def test_a_broken_or_foreign_profile_is_ignored_with_a_note(tmp_path: Path, icc: bytes) -> None:
    """An RGB photo stays readable; the note says that sRGB was taken."""
    path = tmp_path / "a.png"
    Image.fromarray(scene()).save(path, icc_profile=icc)
    photo = read_photo(path)
    assert np.array_equal(photo.pixels, scene())
    assert photo.icc == "sRGB"
    assert [note.code for note in photo.notes] == ["profile_ignored"]


def test_exif_that_names_the_wider_camera_space_is_believed(tmp_path: Path) -> None:
    """Without a profile, interoperability index R03 means the DCF optional colour space."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA005] = {1: "R03"}
    wide, plain = tmp_path / "a.jpg", tmp_path / "b.jpg"
    Image.new("RGB", (24, 18), (100, 150, 100)).save(wide, exif=exif)
    Image.new("RGB", (24, 18), (100, 150, 100)).save(plain)
    photo = read_photo(wide)
    assert photo.icc == "DCF optional colour space"
    # the same numbers mean a more saturated green there
    spread = photo.pixels[0, 0].astype(int)
    assert spread[1] - spread[0] > 60
    assert read_photo(plain).icc == "sRGB"
