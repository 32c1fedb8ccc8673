"""Lost density over the panel or in one zone of it, beside lights and cameras that look like it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from dyelight.detect.whole import find_whole
from dyelight.look import compare
from dyelight.placement.picture_map import FittedMap
from dyelight.records import F32, F64, U8, Artwork, Candidate, Photo, Placement

WIDTH_MM, HEIGHT_MM = 150.0, 100.0
PER_MM = 6.0
SIZE = (900, 600)
LEFT_PX, TOP_PX = 50, 40
PHOTO_SIZE = (1000, 680)


def _picture(seed: int = 6) -> U8:
    """Patches of all tones and colours, white and black among them, (600, 900, 3) uint8."""
    rng = np.random.default_rng(seed)
    image = np.full((SIZE[1], SIZE[0], 3), 128, np.uint8)
    for _ in range(1500):
        level = int(rng.integers(0, 256))
        colour = [int(v) for v in np.clip(level + rng.normal(0, 40, 3), 0, 255)]
        x, y = (int(v) for v in rng.integers(0, SIZE))
        w, h = (int(v) for v in rng.integers(15, 60, 2))
        cv2.rectangle(image, (x, y), (x + w, y + h), colour, -1)
    return image


def _zone() -> F32:
    """A soft zone (600, 900) over the left half, 1 at its middle."""
    y, x = np.mgrid[: SIZE[1], : SIZE[0]].astype(np.float32)
    r2 = ((x - 120) / 170) ** 2 + ((y - 300) / 230) ** 2
    return np.asarray(np.exp(-0.5 * r2**2), np.float32)


def _photo(
    picture: U8,
    *,
    density: float = 1.0,
    zone_loss: float = 0.0,
    coat: tuple[float, float, float] = (1.0, 1.0, 1.0),
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0),
    exposure: float = 0.75,
    slope: float = 0.0,
    contrast: float = 0.0,
    glow: float = 0.0,
) -> U8:
    """A photo of the pressed picture.

    `density` scales the dye everywhere, `zone_loss` takes a share of it in one zone, `coat` colours
    the coating, `cast` the light, `slope` tilts the light, `contrast` bends the camera's curve to
    an S, `glow` adds a soft reflection.
    """
    linear = (picture.astype(np.float32) / 255) ** np.float32(2.2)
    dye = -np.log(linear * 0.985 + 0.015) * np.float32(0.95 * density)
    dye *= 1 - zone_loss * _zone()[..., None]
    panel = exposure * np.exp(-dye) * np.asarray(coat, np.float32)
    x = np.arange(SIZE[0], dtype=np.float32)[None]
    panel *= (1 + slope * (x / SIZE[0] - 0.5))[..., None]
    panel += glow * _zone()[..., None]
    full = np.full((PHOTO_SIZE[1], PHOTO_SIZE[0], 3), 0.2, np.float32)
    full[TOP_PX : TOP_PX + SIZE[1], LEFT_PX : LEFT_PX + SIZE[0]] = panel
    seen = np.asarray(cv2.GaussianBlur(full, (0, 0), 1.0)) * np.asarray(cast, np.float32)
    rng = np.random.default_rng(8)
    seen = np.clip(seen + rng.normal(size=full.shape) * np.sqrt(np.maximum(seen, 0) / 6000), 0, 1)
    code = seen ** (1 / 2.2)
    code = code + contrast * (code * code * (3 - 2 * code) - code)
    return np.asarray(np.rint(255 * code), np.uint8)


def _find(picture: U8, photo: U8) -> tuple[Candidate, ...]:
    homography = np.array(
        [[PER_MM, 0, LEFT_PX - 0.5], [0, PER_MM, TOP_PX - 0.5], [0, 0, 1]], np.float64
    )
    place = FittedMap.from_homography(homography, PHOTO_SIZE, (0, 0, WIDTH_MM, HEIGHT_MM))
    square: F64 = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]], float)
    placement = Placement(
        place, place.to_photo(square), True, 0.05, (0, 0), (0, 0), False, 0, "features"
    )
    artwork = Artwork("picture.png", "", picture, None, WIDTH_MM, HEIGHT_MM)
    return find_whole(compare(Photo("photo.jpg", "", photo), artwork, placement))


@pytest.mark.parametrize("kept", [0.6, 0.72])
def test_a_pale_panel_is_suspected(kept: float) -> None:
    """Two thirds of the density everywhere: lighter and washed out, alike over the panel."""
    picture = _picture()
    (found,) = _find(picture, _photo(picture, density=kept))
    assert found.family == "panel"
    assert found.extent == "panel"
    assert found.features["slope"] == pytest.approx(0.95 * kept, abs=0.1)
    assert found.features["uniformity"] > 0.9
    assert found.features["delta_e00"] > 4
    assert found.features["delta_l"] > 3
    assert found.features["delta_c"] < 0
    assert found.tone == "light"


@pytest.mark.parametrize(
    "taken",
    [
        {},
        {"exposure": 0.4},
        {"slope": 0.5},
        {"contrast": 0.5},
        {"cast": (1.0, 0.88, 0.75)},
        {"cast": (0.8, 0.92, 1.0)},
        {"glow": 0.15},
    ],
    ids=["plain", "dark", "uneven light", "contrasty", "warm", "cold", "reflection"],
)
def test_light_and_camera_are_no_off_colour(taken: dict[str, float]) -> None:
    """Exposure, tilted light, an S curve, a colour cast and a reflection leave density as it is."""
    picture = _picture()
    assert _find(picture, _photo(picture, **taken)) == ()  # type: ignore[arg-type] # tuples among them


def test_pale_under_a_reflection_is_not_said() -> None:
    """Light on the coating pales the print as lost dye does, so nothing is said under it."""
    picture = _picture()
    assert all(c.extent == "local" for c in _find(picture, _photo(picture, density=0.8, glow=0.1)))


def test_browned_whites_are_suspected() -> None:
    """A coating far browner than a white balance leaves it."""
    picture = _picture()
    (found,) = _find(picture, _photo(picture, coat=(0.93, 0.8, 0.52)))
    assert found.extent == "panel"
    assert found.features["delta_e00"] > 10
    assert found.features["delta_c"] > 10
    assert found.tone == "dark"


@pytest.mark.parametrize(("lost", "tone"), [(0.5, "light"), (0.25, "light"), (-0.3, "dark")])
def test_one_zone_is_local(lost: float, tone: str) -> None:
    """Density lost or gained in one zone is boxed there, the rest being as it should be."""
    picture = _picture()
    (found,) = _find(picture, _photo(picture, zone_loss=lost))
    assert found.extent == "local"
    assert found.tone == tone
    assert found.center_mm[0] < WIDTH_MM / 2
    assert found.features["uniformity"] < 0.5
    assert found.features["short_side_fraction"] > 0.25
    # the prior for smoothness takes a part of it
    assert 0.5 * abs(lost) < abs(1 - found.features["slope"]) < 1.4 * abs(lost)


def test_a_picture_of_one_tone_says_nothing() -> None:
    """Without dark and light colours density cannot be told from light."""
    picture = np.full((SIZE[1], SIZE[0], 3), 190, np.uint8)
    picture[::40] = 180
    assert _find(picture, _photo(picture, density=0.6)) == ()


def test_blurred_lines_are_no_lost_dye() -> None:
    """A photo's blur takes contrast from thin lines on four grounds, and the dye is all there."""
    picture = np.empty((SIZE[1], SIZE[0], 3), np.uint8)
    grounds = ((150, 60, 90), (60, 110, 150), (90, 140, 60), (160, 140, 70))
    for k, ground in enumerate(grounds):
        picture[:, k * SIZE[0] // 4 : (k + 1) * SIZE[0] // 4] = ground
    lines = np.roll(picture, SIZE[0] // 4, axis=1) // 3
    for x in range(0, SIZE[0], 12):
        picture[:, x : x + 2] = lines[:, x : x + 2]
    assert _find(picture, cv2.GaussianBlur(_photo(picture), (0, 0), 1.5).astype(np.uint8)) == ()
