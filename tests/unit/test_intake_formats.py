"""What intake reads: formats, depths, pixel kinds, orientation, transparency."""

from __future__ import annotations

import hashlib
import io
import sys
import warnings
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from dyelight.errors import UnreadableInput
from dyelight.intake import clipped_mask, read_artwork, read_photo

HEIGHT, WIDTH = 18, 24


def smooth(channels: int, dtype: Any = np.uint8) -> NDArray[Any]:
    """A drawn picture without symmetry, whose 16-bit form uses the low byte too."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    planes = [
        0.1 + 0.8 * x / WIDTH,
        0.9 - 0.7 * y / HEIGHT,
        0.2 + 0.5 * x * y / (WIDTH * HEIGHT),
        0.3 + 0.6 * y / HEIGHT,
    ]
    return (np.stack(planes[:channels], -1) * np.iinfo(dtype).max).astype(dtype)


def write_png16(path: Path, pixels: NDArray[Any], chunks: dict[bytes, bytes] | None = None) -> None:
    """A 16-bit PNG; `chunks` are put behind the header."""
    order = {1: None, 3: cv2.COLOR_RGB2BGR, 4: cv2.COLOR_RGBA2BGRA}[pixels.shape[2]]
    done, packed = cv2.imencode(".png", pixels if order is None else cv2.cvtColor(pixels, order))
    assert done
    data = packed.tobytes()
    extra = b""
    for kind, body in (chunks or {}).items():
        checksum = zlib.crc32(kind + body).to_bytes(4, "big")
        extra += len(body).to_bytes(4, "big") + kind + body + checksum
    path.write_bytes(data[:33] + extra + data[33:])


def exif_bytes(orientation: int) -> bytes:
    """An Exif block that holds an orientation, and a place that must not leave intake."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif.get_ifd(0x8825)[2] = (52.0, 31.0, 12.0)
    return exif.tobytes()


@pytest.mark.parametrize(
    ("suffix", "options"),
    [
        ("png", {}),
        ("tif", {}),
        ("tif", {"compression": "tiff_lzw"}),
        ("tif", {"compression": "tiff_deflate"}),
        ("webp", {"lossless": True}),
    ],
)
def test_lossless_8_bit_files_come_back_to_the_level(
    tmp_path: Path, suffix: str, options: dict[str, Any]
) -> None:
    """Every lossless format gives its pixels, as uint8, with the file's hash."""
    pixels, path = smooth(3), tmp_path / f"a.{suffix}"
    Image.fromarray(pixels).save(path, **options)
    photo = read_photo(path)
    assert photo.pixels.dtype == np.uint8
    assert np.array_equal(photo.pixels, pixels)
    assert (photo.width_px, photo.height_px) == (WIDTH, HEIGHT)
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.icc == "sRGB"
    assert photo.notes == ()


def test_jpeg_decodes_as_pillow_decodes_it(tmp_path: Path) -> None:
    """Copying by bands changes nothing, also where the last band is short."""
    path = tmp_path / "a.jpg"
    rng = np.random.default_rng(3)
    Image.fromarray(rng.integers(0, 256, (700, 801, 3), np.uint8)).save(path, quality=80)
    with Image.open(path) as opened:
        assert np.array_equal(read_photo(path).pixels, np.asarray(opened))


def test_the_format_is_told_by_content_not_by_name(tmp_path: Path) -> None:
    """A PNG named .jpg is read as what it is."""
    path = tmp_path / "a.jpg"
    Image.fromarray(smooth(3)).save(path, "PNG")
    assert np.array_equal(read_photo(path).pixels, smooth(3))


def test_one_pixel_is_a_picture(tmp_path: Path) -> None:
    """1 x 1 decodes; whether it can be placed is not for intake to say."""
    for suffix in ("png", "jpg", "tif", "webp"):
        path = tmp_path / f"a.{suffix}"
        Image.new("RGB", (1, 1), (200, 100, 50)).save(path)
        assert read_photo(path).pixels.shape == (1, 1, 3)


@pytest.mark.parametrize("packing", ["none <", "none >", "zlib <", "zlib >", 5, 8, 32773])
def test_16_bit_tiff_is_really_16_bit(tmp_path: Path, packing: str | int) -> None:
    """Every level of a 16-bit TIFF comes back, in both byte orders and all lossless packings."""
    pixels, path = smooth(3, np.uint16), tmp_path / "a.tif"
    if isinstance(packing, int):  # TIFF 6.0 compression: 5 LZW, 8 deflate, 32773 PackBits
        options = [cv2.IMWRITE_TIFF_COMPRESSION, packing]
        cv2.imwrite(str(path), cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), options)
    else:
        name, order = packing.split()
        tifffile.imwrite(
            path,
            pixels,
            photometric="rgb",
            compression=None if name == "none" else name,
            byteorder="<" if order == "<" else ">",
        )
    photo = read_photo(path)
    assert photo.pixels.dtype == np.uint16
    assert np.array_equal(photo.pixels, pixels)
    assert np.unique(photo.pixels % 257).size > 100


@pytest.mark.parametrize("layout", ["planes", "tiles", "one row"])
def test_16_bit_tiff_of_other_layouts(tmp_path: Path, layout: str) -> None:
    """Separate planes, tiles and a single row are read like strips."""
    pixels, path = smooth(3, np.uint16), tmp_path / "a.tif"
    if layout == "planes":
        planes = np.ascontiguousarray(np.moveaxis(pixels, 2, 0))
        tifffile.imwrite(path, planes, photometric="rgb", planarconfig="separate")
    elif layout == "tiles":
        tifffile.imwrite(path, pixels, photometric="rgb", tile=(16, 16), compression="zlib")
    else:
        pixels = pixels[:1]
        tifffile.imwrite(path, pixels, photometric="rgb")
    assert np.array_equal(read_photo(path).pixels, pixels)


def test_16_bit_png_is_really_16_bit(tmp_path: Path) -> None:
    """Every level of a 16-bit PNG comes back."""
    pixels, path = smooth(3, np.uint16), tmp_path / "a.png"
    write_png16(path, pixels)
    photo = read_photo(path)
    assert photo.pixels.dtype == np.uint16
    assert np.array_equal(photo.pixels, pixels)


@pytest.mark.parametrize(
    "kind", ["png", "tif", "tif lzw", "tif white is zero", "tif lzw white is zero"]
)
def test_16_bit_grey_keeps_its_levels_in_three_channels(tmp_path: Path, kind: str) -> None:
    """16-bit grey becomes three equal 16-bit channels."""
    grey, path = smooth(1, np.uint16), tmp_path / f"a.{kind[:3]}"
    stored = grey[..., 0]
    if kind == "png":
        write_png16(path, grey)
    elif kind == "tif":
        tifffile.imwrite(path, stored, photometric="minisblack")
    elif kind == "tif lzw":
        cv2.imwrite(str(path), stored, [cv2.IMWRITE_TIFF_COMPRESSION, 5])
    elif kind == "tif white is zero":
        tifffile.imwrite(path, 65535 - stored, photometric="miniswhite")
    else:
        _, packed = cv2.imencode(".tif", 65535 - stored, [cv2.IMWRITE_TIFF_COMPRESSION, 5])
        data = bytearray(packed.tobytes())
        page = tifffile.TiffFile(io.BytesIO(data)).pages.first
        data[page.tags[262].valueoffset] = 0
        path.write_bytes(data)
    photo = read_photo(path)
    assert photo.pixels.dtype == np.uint16
    assert np.array_equal(photo.pixels, np.repeat(grey, 3, axis=2))


@pytest.mark.parametrize("mode", ["1", "L", "P", "LA", "RGBA", "I;16"])
def test_other_pixel_kinds_become_rgb(tmp_path: Path, mode: str) -> None:
    """Bilevel, grey, palette and their kin give the RGB that Pillow itself shows."""
    path = tmp_path / "a.png"
    picture = Image.fromarray(smooth(3))
    if mode == "I;16":
        picture = Image.fromarray(smooth(1, np.uint16)[..., 0])
    elif mode == "P":
        picture = picture.quantize(16)
    else:
        picture = picture.convert(mode)
    picture.save(path)
    photo = read_photo(path)
    if mode == "I;16":
        assert np.array_equal(photo.pixels[..., 1], smooth(1, np.uint16)[..., 0])
    else:
        with Image.open(path) as opened:
            assert np.array_equal(photo.pixels, np.asarray(opened.convert("RGB")))


@pytest.mark.parametrize("kind", ["palette", "grey", "rgb", "grey16", "rgb16"])
def test_a_transparent_colour_gives_a_shape(tmp_path: Path, kind: str) -> None:
    """PNG's transparent palette entry, grey level or colour cuts the panel's shape."""
    path = tmp_path / "a.png"
    picture = Image.new("RGB", (24, 18), (200, 10, 10))
    picture.paste((10, 20, 200), (0, 0, 6, 18))
    if kind == "palette":
        index = picture.quantize(4)
        hidden = index.getpixel((0, 0))
        index.save(path, transparency=hidden)
    elif kind == "grey":
        grey = picture.convert("L")
        grey.save(path, transparency=grey.getpixel((0, 0)))
    elif kind == "rgb":
        picture.save(path, transparency=(10, 20, 200))
    else:
        # the hidden and the seen level differ in the low byte alone
        deep = np.full((18, 24, 1 if kind == "grey16" else 3), 1000, np.uint16)
        deep[:, :6] = 1001
        write_png16(path, deep, {b"tRNS": (1001).to_bytes(2, "big") * deep.shape[2]})
    artwork = read_artwork(path, 240.0, 180.0)
    assert artwork.alpha is not None
    assert np.all(artwork.alpha[:, :6] == 0)
    assert np.all(artwork.alpha[:, 6:] == 255)
    assert np.all(artwork.pixels[:, :6] == np.iinfo(artwork.pixels.dtype).max)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "tif", "png16", "tif16", "tif16 lzw"])
def test_every_orientation_in_every_format_comes_upright(
    tmp_path: Path, kind: str, orientation: int
) -> None:
    """A picture stored in any of the eight orientations looks the same, at 8 and at 16 bit."""
    deep = "16" in kind
    wanted = smooth(3, np.uint16 if deep else np.uint8)
    # how a camera held that way stores the scene: undo, one step at a time, what the tag asks for
    stored = wanted
    if orientation in (2, 3, 6, 7):
        stored = stored[:, ::-1]
    if orientation in (3, 4, 7, 8):
        stored = stored[::-1]
    if orientation >= 5:
        stored = np.transpose(stored, (1, 0, 2))
    stored = np.ascontiguousarray(stored)
    path = tmp_path / f"a.{kind[:3] if kind != 'webp' else 'webp'}"
    if kind == "png16":
        write_png16(path, stored, {b"eXIf": exif_bytes(orientation).removeprefix(b"Exif\0\0")})
    elif kind == "tif16":
        tag = [(274, "H", 1, orientation, True)]
        tifffile.imwrite(path, stored, photometric="rgb", extratags=tag)
    elif kind == "tif16 lzw":
        options = [cv2.IMWRITE_TIFF_COMPRESSION, 5]
        _, packed = cv2.imencode(".tif", cv2.cvtColor(stored, cv2.COLOR_RGB2BGR), options)
        path.write_bytes(with_orientation(packed.tobytes(), orientation))
    elif kind == "tif":
        exif = Image.Exif()
        exif[0x0112] = orientation
        Image.fromarray(stored).save(path, exif=exif)
    else:
        options_by_kind: dict[str, dict[str, Any]] = {
            "jpg": {"quality": 100, "subsampling": 0},
            "webp": {"lossless": True},
        }
        options_8 = options_by_kind.get(kind, {})
        Image.fromarray(stored).save(path, exif=exif_bytes(orientation), **options_8)
    photo, artwork = read_photo(path), read_artwork(path, 240.0, 180.0)
    tolerance = 3 if kind == "jpg" else 0
    for pixels in (photo.pixels, artwork.pixels):
        assert pixels.dtype == wanted.dtype
        assert pixels.shape == wanted.shape
        assert np.abs(pixels.astype(int) - wanted).max() <= tolerance


def with_orientation(tiff: bytes, orientation: int) -> bytes:
    """The TIFF with its directory written anew at the end, to hold this orientation."""
    page = tifffile.TiffFile(io.BytesIO(tiff)).pages.first
    offset, byteorder = page.offset, "little" if tiff[:2] == b"II" else "big"
    assert 274 not in page.tags or page.tags[274].count == 1
    count = int.from_bytes(tiff[offset : offset + 2], byteorder)  # type: ignore[arg-type]  # a str
    entries = [tiff[offset + 2 + 12 * i : offset + 14 + 12 * i] for i in range(count)]

    def number(value: int, size: int) -> bytes:
        return value.to_bytes(size, byteorder)  # type: ignore[arg-type]  # a plain str

    entry = number(274, 2) + number(3, 2) + number(1, 4) + number(orientation, 2) + b"\0\0"
    kept = [e for e in entries if e[:2] != number(274, 2)]
    ordered = sorted([*kept, entry], key=lambda e: int.from_bytes(e[:2], byteorder))  # type: ignore[arg-type]  # a plain str
    tail = number(len(ordered), 2) + b"".join(ordered) + number(0, 4)
    place = len(tiff) + len(tiff) % 2
    return tiff[:4] + number(place, 4) + tiff[8:].ljust(place - 8, b"\0") + tail


def test_broken_exif_does_not_stop_a_photo(tmp_path: Path) -> None:
    """A photo with senseless Exif, or with orientation 9, is taken as it lies."""
    for name, exif in (("a", b"Exif\0\0garbage of no use"), ("b", exif_bytes(9))):
        path = tmp_path / f"{name}.jpg"
        Image.fromarray(smooth(3)).save(path, exif=exif)
        assert read_photo(path).pixels.shape == (HEIGHT, WIDTH, 3)


def test_nothing_of_exif_leaves_intake(tmp_path: Path) -> None:
    """A photo's record has no room for place or time: only the fields of the contract."""
    path = tmp_path / "a.jpg"
    Image.fromarray(smooth(3)).save(path, exif=exif_bytes(6))
    photo = read_photo(path)
    assert photo.notes == ()
    assert set(photo.__slots__) == {"file", "sha256", "pixels", "icc", "notes"}


@pytest.mark.parametrize("kind", ["webp", "png", "tif", "tif16"])
def test_of_several_pictures_the_first_is_taken_with_a_note(tmp_path: Path, kind: str) -> None:
    """Animations and many-page files give their first picture and say so."""
    path = tmp_path / f"a.{kind[:3] if kind != 'webp' else 'webp'}"
    if kind == "tif16":
        with tifffile.TiffWriter(path) as writer:
            writer.write(smooth(3, np.uint16), photometric="rgb")
            writer.write(smooth(3, np.uint16)[::-1], photometric="rgb")
        wanted = smooth(3, np.uint16)
    else:
        wanted = smooth(3)
        first, second = Image.fromarray(wanted), Image.fromarray(wanted[::-1].copy())
        options: dict[str, Any] = {"lossless": True} if kind == "webp" else {}
        first.save(path, save_all=True, append_images=[second], **options)
    photo = read_photo(path)
    assert np.array_equal(photo.pixels, wanted)
    assert [note.code for note in photo.notes] == ["first_frame"]


@pytest.mark.parametrize("kind", ["png", "webp", "tif", "png16", "tif16", "tif16 multiplied"])
def test_transparent_artwork_keeps_its_shape(tmp_path: Path, kind: str) -> None:
    """Alpha becomes the shape; colour under it lies on white, as it prints."""
    deep = "16" in kind
    top = 65535 if deep else 255
    pixels = smooth(4, np.uint16 if deep else np.uint8)
    pixels[..., 3] = top
    pixels[:, :6, 3] = 0
    pixels[:6, 6:, 3] = top // 2
    path = tmp_path / f"a.{kind[:3] if kind != 'webp' else 'webp'}"
    if kind == "png16":
        write_png16(path, pixels)
    elif kind == "tif16":
        tifffile.imwrite(path, pixels, photometric="rgb", extrasamples=["unassalpha"])
    elif kind == "tif16 multiplied":
        share = pixels[..., 3:] / top
        stored = np.dstack([np.rint(pixels[..., :3] * share).astype(np.uint16), pixels[..., 3]])
        tifffile.imwrite(path, stored, photometric="rgb", extrasamples=["assocalpha"])
    else:
        options: dict[str, Any] = {"lossless": True, "exact": True} if kind == "webp" else {}
        Image.fromarray(pixels).save(path, **options)
    artwork = read_artwork(path, 240.0, 180.0)
    assert artwork.alpha is not None
    assert artwork.alpha.dtype == np.uint8
    assert np.all(artwork.alpha[:, :6] == 0)
    assert np.all(artwork.alpha[:6, 6:] == 127)
    assert np.all(artwork.alpha[6:, 6:] == 255)
    share = pixels[..., 3:] / top
    laid = pixels[..., :3] * share + top * (1 - share)
    assert np.abs(artwork.pixels - laid).max() <= (2 if deep else 1)


def test_alpha_that_hides_nothing_is_dropped(tmp_path: Path) -> None:
    """Opaque alpha is no shape, and no note in a photo."""
    pixels, path = smooth(4), tmp_path / "a.png"
    pixels[..., 3] = 255
    Image.fromarray(pixels).save(path)
    assert read_artwork(path, 240.0, 180.0).alpha is None
    assert read_photo(path).notes == ()


def test_translucent_artwork_that_is_nowhere_clear_has_no_shape(tmp_path: Path) -> None:
    """A veil over the whole picture is no outline: it prints lighter, with a note."""
    pixels, path = smooth(4), tmp_path / "a.png"
    pixels[..., 3] = 120
    Image.fromarray(pixels).save(path)
    artwork = read_artwork(path, 240.0, 180.0)
    assert artwork.alpha is None
    assert artwork.pixels.min() >= 135
    assert [note.code for note in artwork.notes] == ["alpha_flattened"]


def test_alpha_is_turned_with_the_picture(tmp_path: Path) -> None:
    """The shape follows the Exif orientation too."""
    pixels, path = smooth(4), tmp_path / "a.png"
    pixels[..., 3] = 255
    pixels[:3, :, 3] = 0
    Image.fromarray(pixels).save(path, exif=exif_bytes(6))
    artwork = read_artwork(path, 180.0, 240.0)
    assert artwork.alpha is not None
    assert artwork.alpha.shape == artwork.pixels.shape[:2] == (WIDTH, HEIGHT)
    assert np.all(artwork.alpha[:, -3:] == 0)
    assert np.all(artwork.alpha[:, :-3] == 255)


def test_a_transparent_photo_is_laid_on_white(tmp_path: Path) -> None:
    """A cut-out photo is flattened, with a note."""
    pixels, path = smooth(4), tmp_path / "a.png"
    pixels[..., 3] = 0
    Image.fromarray(pixels).save(path)
    photo = read_photo(path)
    assert np.all(photo.pixels == 255)
    assert [note.code for note in photo.notes] == ["alpha_flattened"]


def test_artwork_that_is_all_transparent_is_refused(tmp_path: Path) -> None:
    """With nothing to print there is nothing to inspect."""
    path = tmp_path / "a.png"
    Image.new("RGBA", (24, 18), (9, 9, 9, 0)).save(path)
    with pytest.raises(UnreadableInput, match="transparent"):
        read_artwork(path, 240.0, 180.0)


def test_heic_is_read_where_the_extra_is_installed(tmp_path: Path) -> None:
    """A HEIC photo decodes near its source, turned by the container."""
    heif = pytest.importorskip("pillow_heif", reason="the extra 'heic' is not installed")
    picture = Image.fromarray(np.repeat(np.repeat(smooth(3), 8, 0), 8, 1))
    path = tmp_path / "a.heic"
    try:
        heif.from_pillow(picture).save(path, quality=95)
    except RuntimeError:
        pytest.skip("this build of the HEIF library has no encoder")
    photo = read_photo(path)
    assert photo.pixels.dtype == np.uint8
    assert np.abs(photo.pixels.astype(int) - np.asarray(picture)).mean() < 4


def test_heic_without_the_extra_names_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The message says what to install."""
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    path = tmp_path / "a.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(64))
    with pytest.raises(UnreadableInput) as caught:
        read_photo(path)
    assert "dyelight[heic]" in str(caught.value)


def test_reading_leaves_the_process_as_it_was(tmp_path: Path) -> None:
    """Pillow's pixel limit, the warning filters and OpenCV's log level are put back."""
    path = tmp_path / "a.png"
    Image.fromarray(smooth(3)).save(path)
    state = (Image.MAX_IMAGE_PIXELS, list(warnings.filters), cv2.utils.logging.getLogLevel())
    read_photo(path)
    path.write_bytes(path.read_bytes()[:60])
    with pytest.raises(UnreadableInput):
        read_photo(path)
    now = (Image.MAX_IMAGE_PIXELS, list(warnings.filters), cv2.utils.logging.getLogLevel())
    assert now == state


def test_artwork_carries_what_it_was_told(tmp_path: Path) -> None:
    """Size, bleed, base, finish and id pass into the record, pixels per mm follow."""
    path = tmp_path / "a.png"
    Image.new("RGB", (1060, 460), (1, 2, 3)).save(path)
    artwork = read_artwork(
        path, 100.0, 40.0, bleed_mm=3.0, base="clear", finish="satin", panel_id="K-7"
    )
    assert (artwork.width_mm, artwork.height_mm, artwork.bleed_mm) == (100.0, 40.0, 3.0)
    assert (artwork.base, artwork.finish, artwork.panel_id) == ("clear", "satin", "K-7")
    assert artwork.px_per_mm == pytest.approx((10.0, 10.0))
    assert artwork.size_known
    assert artwork.notes == ()


def test_without_a_size_the_width_counts_as_100(tmp_path: Path) -> None:
    """Lengths are then per cent of the panel's width, and the aspect is the file's."""
    path = tmp_path / "a.png"
    Image.new("RGB", (240, 180), (1, 2, 3)).save(path)
    artwork = read_artwork(path)
    assert (artwork.width_mm, artwork.height_mm) == pytest.approx((100.0, 75.0))
    assert not artwork.size_known


def test_a_slightly_wrong_aspect_is_noted(tmp_path: Path) -> None:
    """Half a per cent to two per cent goes on, with a note."""
    path = tmp_path / "a.png"
    Image.new("RGB", (1010, 1000), (1, 2, 3)).save(path)
    assert [note.code for note in read_artwork(path, 100.0, 100.0).notes] == ["aspect_off"]


@pytest.mark.parametrize(("dtype", "scale"), [(np.uint8, 1), (np.uint16, 257)])
def test_clipped_pixels_are_those_with_a_channel_at_the_top(dtype: Any, scale: int) -> None:
    """254 and 255 of 255 count, in any channel; 253 does not."""
    pixels = np.full((2, 3, 3), 100, dtype)
    pixels[0, 0, 0] = 255 * scale
    pixels[0, 1, 1] = 254 * scale
    pixels[0, 2, 2] = 253 * scale
    pixels[1, 2, 2] = 254 * scale
    mask = clipped_mask(pixels)
    assert mask.dtype == np.bool_
    assert mask.tolist() == [[True, True, False], [False, False, True]]
