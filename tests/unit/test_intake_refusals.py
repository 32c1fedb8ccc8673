"""What intake refuses, and that it never fails in any other way."""

from __future__ import annotations

import io
import os
import struct
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from dyelight.errors import SettingsError, UnreadableInput
from dyelight.intake import ARTWORK_LIMIT_PX, PHOTO_LIMIT_PX, read_artwork, read_photo
from dyelight.intake.formats import decode


def drawn(dtype: Any = np.uint8) -> Any:
    """A small picture that does not compress to nothing."""
    rng = np.random.default_rng(4)
    small = rng.random((6, 8, 3)).astype(np.float32)
    return (cv2.resize(small, (64, 48)) * np.iinfo(dtype).max).astype(dtype)


def saved(kind: str, **options: Any) -> bytes:
    """The drawn picture as a file's bytes."""
    stream = io.BytesIO()
    Image.fromarray(drawn()).save(stream, kind, **options)
    return stream.getvalue()


def saved16(kind: str) -> bytes:
    """The drawn picture at 16 bit as a file's bytes."""
    if kind == "PNG":
        return bytes(cv2.imencode(".png", drawn(np.uint16))[1])
    if kind == "LZW":
        return bytes(cv2.imencode(".tif", drawn(np.uint16), [cv2.IMWRITE_TIFF_COMPRESSION, 5])[1])
    stream = io.BytesIO()
    tifffile.imwrite(stream, drawn(np.uint16), photometric="rgb")
    return stream.getvalue()


SEEDS = {
    "jpg": saved("JPEG"),
    "png": saved("PNG"),
    "webp": saved("WEBP"),
    "tif": saved("TIFF"),
    "tif lzw": saved("TIFF", compression="tiff_lzw"),
    "png16": saved16("PNG"),
    "tif16": saved16("TIFF"),
    "tif16 lzw": saved16("LZW"),
}


def refused(path: Path | str, *words: str) -> UnreadableInput:
    """The error of both readers, which names the file, the trouble and a remedy."""
    with pytest.raises(UnreadableInput) as by_artwork:
        read_artwork(path, 64.0, 48.0)
    with pytest.raises(UnreadableInput) as caught:
        read_photo(path)
    for error in (caught.value, by_artwork.value):
        assert error.file
        assert error.remedy
        assert error.exit_code == 3
        for word in words:
            assert word in str(error)
    return caught.value


def test_a_missing_file(tmp_path: Path) -> None:
    """The message names the file that is not there."""
    refused(tmp_path / "none.jpg", "no such file", "none.jpg")


def test_a_folder(tmp_path: Path) -> None:
    """A folder is no picture."""
    refused(tmp_path, "folder")


def test_a_file_below_a_file(tmp_path: Path) -> None:
    """A path through a file cannot exist."""
    (tmp_path / "a").write_bytes(b"x")
    refused(tmp_path / "a" / "b.jpg", "b.jpg")


def test_an_empty_file(tmp_path: Path) -> None:
    """Zero bytes are told apart from a damaged picture."""
    path = tmp_path / "a.jpg"
    path.write_bytes(b"")
    refused(path, "empty")


def test_names_that_no_file_can_have() -> None:
    """A null character or an endless name is an unreadable file like any other."""
    refused("a\0b.jpg")
    refused("a" * 5000)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are a matter of POSIX")
def test_a_pipe(tmp_path: Path) -> None:
    """A pipe is refused without waiting for it."""
    os.mkfifo(tmp_path / "a.jpg")
    refused(tmp_path / "a.jpg", "regular file")


def test_permission_denied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The account that may not read is told so; simulated, since an administrator may read all."""
    path = tmp_path / "a.jpg"
    path.write_bytes(SEEDS["jpg"])

    def denied(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "read_bytes", denied)
    refused(path, "may not read")


def test_text_named_jpg(tmp_path: Path) -> None:
    """The message names the formats that are read."""
    path = tmp_path / "a.jpg"
    path.write_text("This is not a picture.\n", encoding="utf-8")
    refused(path, "JPEG, PNG, TIFF, WebP or HEIC")


@pytest.mark.parametrize("kind", ["GIF", "BMP", "PPM", "ICO"])
def test_formats_that_are_not_read(tmp_path: Path, kind: str) -> None:
    """Pillow could open these; intake does not, and says what it reads."""
    path = tmp_path / "a.jpg"
    path.write_bytes(saved(kind))
    refused(path, "not a JPEG")


def test_pdf_names_the_way_out(tmp_path: Path) -> None:
    """PDF artwork has to be exported."""
    path = tmp_path / "a.pdf"
    path.write_bytes(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n")
    refused(path, "PDF", "PNG or TIFF")


def test_a_camera_raw_file_is_not_taken_for_its_preview(tmp_path: Path) -> None:
    """A TIFF with a DNG version, whose first page is a thumbnail, is refused."""
    path = tmp_path / "a.dng"
    tifffile.imwrite(
        path, drawn(), photometric="rgb", extratags=[(50706, "B", 4, (1, 4, 0, 0), True)]
    )
    refused(path, "raw")


@pytest.mark.parametrize("name", SEEDS)
@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_a_file_cut_short(tmp_path: Path, name: str, share: float) -> None:
    """Every format notices, at every depth, that its end is missing."""
    path = tmp_path / "a"
    path.write_bytes(SEEDS[name][: int(len(SEEDS[name]) * share)])
    error = refused(path)
    assert "cut short" in str(error)


@pytest.mark.parametrize("name", ["jpg", "png", "tif", "png16", "tif16"])
def test_the_reason_says_that_the_end_is_missing(tmp_path: Path, name: str) -> None:
    """Where the format lets it be known, the trouble is the end, not damage."""
    path = tmp_path / "a"
    path.write_bytes(SEEDS[name][: len(SEEDS[name]) // 2])
    if name == "tif16":
        # its directory lies ahead of the pixels
        assert SEEDS[name].find(struct.pack("<H", 256)) < len(SEEDS[name]) // 2
    refused(path, "ends too soon")


def test_a_flipped_bit_in_a_png_is_noticed(tmp_path: Path) -> None:
    """Checksums are held, at 8 and at 16 bit."""
    for name in ("png", "png16"):
        data = bytearray(SEEDS[name])
        data[len(data) // 2] ^= 1
        path = tmp_path / name
        path.write_bytes(data)
        refused(path, "checksum")


def bomb_png(width: int, height: int, bit_depth: int = 8) -> bytes:
    """A well-formed PNG header of any size, with hardly any data behind it."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    header = struct.pack(">IIBBBBB", width, height, bit_depth, 2, 0, 0, 0)
    data = zlib.compress(bytes(1000))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("bit_depth", [8, 16])
def test_a_picture_over_the_limit_is_refused_before_it_is_unpacked(
    tmp_path: Path, bit_depth: int
) -> None:
    """The header alone decides; the message says both sizes."""
    path = tmp_path / "a.png"
    path.write_bytes(bomb_png(60_000, 60_000, bit_depth))
    refused(path, "3600 MP", "the most is")


def test_photo_and_artwork_have_limits_of_their_own(tmp_path: Path) -> None:
    """200 MP is too much for a photo, and not for an artwork, whose data then prove short."""
    path = tmp_path / "a.png"
    path.write_bytes(bomb_png(20_000, 10_000))
    with pytest.raises(UnreadableInput, match="the most is 120 MP"):
        read_photo(path)
    with pytest.raises(UnreadableInput, match="ends too soon"):
        read_artwork(path, 200.0, 100.0)
    assert (PHOTO_LIMIT_PX, ARTWORK_LIMIT_PX) == (120_000_000, 300_000_000)


def test_a_bomb_in_a_tiff_or_jpeg_header(tmp_path: Path) -> None:
    """Sizes that a header claims are not believed in the other formats either."""
    jpeg = bytearray(SEEDS["jpg"])
    frame = jpeg.find(b"\xff\xc0")
    jpeg[frame + 5 : frame + 9] = struct.pack(">HH", 65000, 65000)
    for data in (bytes(jpeg), tiff_header(70_000, 70_000)):
        path = tmp_path / "a"
        path.write_bytes(data)
        refused(path, "the most is")


def tiff_header(width: int, height: int) -> bytes:
    """A TIFF that claims a size and holds a few bytes."""
    tags = [(256, width), (257, height), (258, 8), (259, 1), (262, 1), (273, 8), (277, 1)]
    tags += [(278, height), (279, 10)]
    body = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    return (
        b"II*\0"
        + struct.pack("<I", 20)
        + bytes(12)
        + struct.pack("<H", len(tags))
        + body
        + bytes(4)
    )


def test_a_file_far_too_large_is_refused_unread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More bytes than any picture within the limit can need are not read into memory."""
    path = tmp_path / "a.tif"
    path.write_bytes(SEEDS["tif"])
    os.truncate(path, 4 * 2**30)  # a hole: takes no disk
    monkeypatch.setattr(Path, "read_bytes", lambda self: pytest.fail("the file was read"))
    refused(path, "MB")


@pytest.mark.parametrize("dtype", [np.float32, np.uint32, np.int16])
def test_tiff_of_numbers_that_are_no_pixels(tmp_path: Path, dtype: Any) -> None:
    """Float and long integer files have no agreed white: they are refused."""
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, drawn()[..., 0].astype(dtype))
    refused(path)


@pytest.mark.parametrize(
    ("size_mm", "bleed_mm", "base"),
    [
        ((0.0, 48.0), 0.0, "white"),
        ((-64.0, 48.0), 0.0, "white"),
        ((64.0, float("nan")), 0.0, "white"),
        ((6400.0, 4800.0), 0.0, "white"),
        ((64.0, 48.0), -1.0, "white"),
        ((64.0, 48.0), 60.0, "white"),
        ((64.0, 48.0), float("inf"), "white"),
        ((64.0, 48.0), 0.0, "gold"),
        ((48.0, 64.0), 0.0, "white"),
    ],
)
def test_artwork_settings_that_cannot_be_used(
    tmp_path: Path, size_mm: tuple[float, float], bleed_mm: float, base: Any
) -> None:
    """Size, bleed, base and aspect are settings errors with a remedy."""
    path = tmp_path / "a.png"
    path.write_bytes(SEEDS["png"])
    with pytest.raises(SettingsError) as caught:
        read_artwork(path, *size_mm, bleed_mm=bleed_mm, base=base)
    assert caught.value.remedy


def only_unreadable(data: bytes) -> None:
    """Decoding works, or says that the file is unreadable; nothing else."""
    try:
        raster = decode(data, 1_000_000, "a")
    except UnreadableInput:
        return
    assert raster.colour.ndim == 3


@given(st.binary(max_size=400))
def test_random_bytes_are_never_more_than_unreadable(data: bytes) -> None:
    """No bytes make a decoder's own error or warning come through."""
    only_unreadable(data)


@given(
    st.sampled_from([b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*", b"RIFF0000WEBP"]),
    st.binary(max_size=400),
)
def test_random_bytes_behind_a_true_start(start: bytes, data: bytes) -> None:
    """Nor when they begin as a picture does."""
    only_unreadable(start + data)


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from(sorted(SEEDS)),
    st.floats(0, 1),
    st.lists(st.tuples(st.floats(0, 0.999), st.integers(0, 255)), max_size=8),
)
def test_damaged_files_are_read_or_unreadable(
    name: str, share: float, changes: list[tuple[float, int]]
) -> None:
    """Any cut, and any few bytes changed, in any format."""
    data = bytearray(SEEDS[name])
    for place, value in changes:
        data[int(place * len(data))] = value
    only_unreadable(bytes(data[: max(1, round(share * len(data)))]))
    only_unreadable(bytes(data))


def heic_file() -> bytes:
    """The drawn picture as HEIC; skips where the extra or its encoder is not there."""
    heif = pytest.importorskip("pillow_heif", reason="the extra 'heic' is not installed")
    stream = io.BytesIO()
    try:
        heif.from_pillow(Image.fromarray(drawn())).save(stream, quality=85)
    except RuntimeError:
        pytest.skip("this build of the HEIF library has no encoder")
    return stream.getvalue()


def test_a_heic_file_cut_short_is_refused_in_words() -> None:
    """Wherever it ends, the decoder's own error does not come through."""
    whole = heic_file()
    assert decode(whole, 1_000_000, "a").colour.shape == (48, 64, 3)
    for end in np.linspace(1, len(whole) - 1, 200).astype(int):
        with pytest.raises(UnreadableInput) as caught:
            decode(whole[:end], 1_000_000, "a")
        assert caught.value.remedy


def test_damaged_heic_files_are_read_or_unreadable() -> None:
    """Bytes changed, taken out, doubled, sizes set to anything: pixels or plain words."""
    whole, rng = heic_file(), np.random.default_rng(8)
    for number in range(600):
        data = bytearray(whole)
        # half of the damage to the boxes in front, where sizes and counts lie
        reach = min(700, len(data)) if number % 2 else len(data)
        at = int(rng.integers(reach))
        match number % 6 // 2:
            case 0:
                for place in rng.integers(0, reach, 8):
                    data[place] = rng.integers(256)
            case 1:
                data[at : at + 4] = rng.bytes(4)
            case _:
                data[at : at + int(rng.integers(1, 200))] = rng.bytes(int(rng.integers(0, 400)))
        only_unreadable(bytes(data))
