"""The first look on simulated photos: what it says, and what it keeps quiet about."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from dyelight.data import samples_folder
from dyelight.intake import read_artwork, read_photo
from dyelight.records import U8
from dyelight.simulate import simulate_photo
from dyelight.station.first_look import ArtworkLook, artwork_look, first_look
from dyelight.station.hint_file import load_hints

SIZE_MM, BLEED_MM = (254.0, 203.0), 3.0


@pytest.fixture(scope="module")
def fig() -> ArtworkLook:
    return artwork_look(read_artwork(samples_folder() / "artwork/fig.jpg", *SIZE_MM, bleed_mm=3))


@pytest.fixture(scope="module")
def photo() -> U8:
    """A sharp simulated photo without reflections."""
    artwork = read_artwork(samples_folder() / "artwork/fig.jpg", *SIZE_MM, bleed_mm=BLEED_MM)
    shot = simulate_photo(
        np.asarray(artwork.pixels, np.uint8),
        width_mm=SIZE_MM[0],
        height_mm=SIZE_MM[1],
        bleed_mm=BLEED_MM,
        capture="station",
        seed=5,
        long_side_px=2000,
    )
    return shot.pixels


def test_a_good_photo_gets_no_hint(fig: ArtworkLook, photo: U8) -> None:
    """Nothing is said where nothing is wrong."""
    seen = first_look(photo, fig)
    assert seen.hints == ()
    assert seen.fill is not None
    assert 0.4 < seen.fill < 0.9


@pytest.mark.parametrize("sigma_px", [2.5, 4.0, 6.0])
def test_blur_is_measured_in_mm_on_the_panel(fig: ArtworkLook, photo: U8, sigma_px: float) -> None:
    """Added blur comes out of the measurement again."""
    sharp = first_look(photo, fig).blur_mm
    assert sharp is not None
    soft = first_look(np.asarray(cv2.GaussianBlur(photo, (0, 0), sigma_px), np.uint8), fig)
    assert soft.blur_mm is not None
    fill = first_look(photo, fig).fill
    assert fill is not None
    px_per_mm = np.sqrt(fill * photo.shape[0] * photo.shape[1] / (SIZE_MM[0] * SIZE_MM[1]))
    expected = float(np.hypot(sharp, sigma_px / px_per_mm))
    assert soft.blur_mm == pytest.approx(expected, rel=0.15)
    assert ("blurred" in soft.hints) == (soft.blur_mm > load_hints().limit.blur_mm.value)


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
def test_a_panel_cut_off_is_told_at_each_side(fig: ArtworkLook, photo: U8, side: str) -> None:
    """A fifth of the frame missing takes a part of the panel with it."""
    height, width = photo.shape[:2]
    cut = {
        "left": photo[:, width // 5 :],
        "right": photo[:, : -width // 5],
        "top": photo[height // 4 :],
        "bottom": photo[: -height // 4],
    }[side]
    assert first_look(np.ascontiguousarray(cut), fig).hints == ("cut_off",)


def test_a_lamp_in_the_panel_is_told(fig: ArtworkLook, photo: U8) -> None:
    """A bright veil over a tenth of the panel is mirrored light."""
    y, x = np.mgrid[0 : photo.shape[0], 0 : photo.shape[1]].astype(np.float32)
    away = np.hypot(x - photo.shape[1] * 0.45, y - photo.shape[0] * 0.5)
    veil = 190 * np.exp(-((away / 260.0) ** 4))
    lit = np.clip(photo.astype(np.float32) + veil[..., None], 0, 255).astype(np.uint8)
    seen = first_look(lit, fig)
    assert "reflection" in seen.hints
    assert seen.reflected is not None
    assert seen.reflected > 0.04


def test_another_picture_is_not_found(photo: U8) -> None:
    """The wrong job is asked about."""
    meadow = artwork_look(read_artwork(samples_folder() / "artwork/meadow.jpg", 305.0, 203.0))
    assert first_look(photo, meadow).hints == ("not_found",)


def test_dark_far_and_empty_photos(fig: ArtworkLook, photo: U8) -> None:
    """Each has its own word."""
    assert first_look((photo * 0.05).astype(np.uint8), fig).hints == ("too_dark",)
    small = cv2.resize(photo, None, fx=0.3, fy=0.3, interpolation=cv2.INTER_AREA)
    far = np.full_like(photo, 90)
    far[400 : 400 + small.shape[0], 600 : 600 + small.shape[1]] = small
    assert "too_far" in first_look(far, fig).hints
    assert first_look(np.full((900, 1200, 3), 128, np.uint8), fig).hints == ("blurred",)


def test_a_quick_look_decodes_smaller_and_upright(tmp_path_factory: pytest.TempPathFactory) -> None:
    """JPEG comes out at a part of its size, turned as its Exif says."""
    picture = Image.fromarray(np.zeros((1600, 2400, 3), np.uint8))
    exif = Image.Exif()
    exif[0x0112] = 6
    data = io.BytesIO()
    picture.save(data, "JPEG", exif=exif)
    path = tmp_path_factory.mktemp("quick") / "photo"
    path.write_bytes(data.getvalue())
    quick = read_photo(path, least_px=700)
    assert (quick.width_px, quick.height_px) == (800, 1200)
    assert (read_photo(path).width_px, read_photo(path).height_px) == (1600, 2400)
