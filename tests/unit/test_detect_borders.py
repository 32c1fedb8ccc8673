"""Bare edges drawn into made-up photos, and rims, reflections and white pictures beside them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from dyelight.detect.borders import find_borders
from dyelight.look import compare
from dyelight.placement.picture_map import FittedMap
from dyelight.records import F32, F64, U8, Artwork, Candidate, Photo, Placement

WIDTH_MM, HEIGHT_MM = 150.0, 100.0
PER_MM = 7.0
LEFT_PX, TOP_PX = 60, 50
PHOTO_SIZE = (1170, 800)
SIDES = ("top", "right", "bottom", "left")


def _picture(seed: int = 3, lightest: int = 235) -> U8:
    """Soft colour fields with discs on them, (700, 1050, 3) uint8."""
    rng = np.random.default_rng(seed)
    ground = rng.uniform(40, 190, (9, 13, 3)).astype(np.float32)
    image = np.clip(cv2.resize(ground, (1050, 700), interpolation=cv2.INTER_CUBIC), 15, 215)
    image = np.ascontiguousarray(image.astype(np.uint8))
    for _ in range(70):
        colour = [int(v) for v in rng.integers(10, lightest, 3)]
        x, y = (int(v) for v in rng.integers(0, [1050, 700]))
        cv2.circle(image, (x, y), int(rng.integers(5, 40)), colour, -1, cv2.LINE_AA)
    cv2.rectangle(image, (300, 250), (420, 330), (lightest,) * 3, -1)
    return np.asarray(image, np.uint8)


def _depth_mm() -> F32:
    """Distance (4, 700, 1050) in mm of each pixel from the top, right, bottom and left edge."""
    y, x = np.mgrid[:700, :1050].astype(np.float32) + np.float32(0.5)
    depth = np.stack([y, 1050 - x, 700 - y, x]) / np.float32(PER_MM)
    return np.asarray(depth, np.float32)


def _photo(
    picture: U8,
    strips: dict[str, float],
    *,
    lean_mm: float = 0.0,
    rim: float = 0.0,
    glow: float = 0.0,
    desk: float = 0.15,
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0),
) -> U8:
    """A photo of the panel with bare `strips` (mm wide by side).

    `lean_mm` is how much a strip widens along its side, `rim` how much lighter the panel's first
    0.3 mm are, `glow` a reflection along the left edge that fades over centimetres.
    """
    linear = (picture.astype(np.float32) / 255) ** np.float32(2.2)
    print_light = np.exp(0.92 * np.log(linear * 0.985 + 0.015))
    depth = _depth_mm()
    y, x = np.mgrid[:700, :1050].astype(np.float32)
    bare = np.zeros((700, 1050), np.float32)
    for side, width in strips.items():
        k = SIDES.index(side)
        along = (x / 1050 if k in (0, 2) else y / 700) - np.float32(0.5)
        cut = width + lean_mm * along
        bare = np.maximum(bare, np.clip((cut - depth[k]) * PER_MM + 0.5, 0, 1))
    panel = print_light * (1 - bare[..., None]) + bare[..., None]
    panel *= (1 + rim * np.exp(-((depth.min(0) / 0.3) ** 2)))[..., None]
    panel = 0.7 * panel + (glow * np.exp(-((depth[3] / 12) ** 2)))[..., None]
    full = np.full((PHOTO_SIZE[1], PHOTO_SIZE[0], 3), desk, np.float32)
    full[TOP_PX : TOP_PX + 700, LEFT_PX : LEFT_PX + 1050] = panel
    seen = np.asarray(cv2.GaussianBlur(full, (0, 0), 1.0)) * np.asarray(cast, np.float32)
    rng = np.random.default_rng(1)
    seen = seen + rng.normal(size=full.shape) * np.sqrt(seen / 8000)
    return np.asarray(np.rint(255 * np.clip(seen, 0, 1) ** (1 / 2.2)), np.uint8)


def _find(picture: U8, photo: U8, *, outline_seen: bool = True) -> tuple[Candidate, ...]:
    """What is found where the picture's place is known, and the outline seen or assumed."""
    homography = np.array(
        [[PER_MM, 0, LEFT_PX - 0.5], [0, PER_MM, TOP_PX - 0.5], [0, 0, 1]], np.float64
    )
    place = FittedMap.from_homography(homography, PHOTO_SIZE, (0, 0, WIDTH_MM, HEIGHT_MM))
    square: F64 = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]], float)
    corners = place.to_photo(square)
    if outline_seen:
        # a hundredth of a pixel off: an outline that was measured, not assumed
        corners = corners + 0.01 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    placement = Placement(
        place, corners, outline_seen, 0.05, (0.0, 0.0), (0.0, 0.0), False, 0, "features"
    )
    artwork = Artwork("picture.png", "", picture, None, WIDTH_MM, HEIGHT_MM)
    return find_borders(compare(Photo("photo.jpg", "", photo), artwork, placement))


def _side(candidate: Candidate) -> str:
    x0, y0, x1, _ = candidate.box_mm
    if candidate.features["length_mm"] == pytest.approx(x1 - x0, abs=0.5):
        return "top" if y0 < HEIGHT_MM / 2 else "bottom"
    return "left" if x0 < WIDTH_MM / 2 else "right"


@pytest.mark.parametrize(
    ("side", "width"), [("top", 0.7), ("right", 1.5), ("bottom", 3.0), ("left", 0.9)]
)
def test_a_bare_strip_is_found_on_its_side_with_its_width(side: str, width: float) -> None:
    """White strips from 0.7 to 3 mm are measured to 0.15 mm over nearly the whole side."""
    picture = _picture()
    (found,) = _find(picture, _photo(picture, {side: width}))
    assert found.family == "border"
    assert _side(found) == side
    assert found.features["width_mm"] == pytest.approx(width, abs=0.15)
    assert found.features["edge_run"] > 0.9
    assert found.features["edge_distance_mm"] == 0
    assert found.features["base_likeness"] > 0.7
    assert found.features["delta_e00"] > 10
    assert found.snr > 6
    assert found.tone == "light"


def test_two_sides_come_widest_first() -> None:
    """A transfer that slid to a corner leaves two strips."""
    picture = _picture()
    found = _find(picture, _photo(picture, {"left": 1.0, "bottom": 2.2}))
    assert [_side(one) for one in found] == ["bottom", "left"]


def test_a_leaning_cut_is_followed() -> None:
    """A strip from 0 to 2 mm wide runs along about as much of its side as it is wide enough."""
    picture = _picture()
    (found,) = _find(picture, _photo(picture, {"top": 1.0}, lean_mm=2.0))
    assert 0.6 < found.features["edge_run"] < 0.95
    assert found.features["width_mm"] == pytest.approx(1.25, abs=0.3)


def test_a_warm_cast_does_not_hide_the_base() -> None:
    """The base is known by what white in the picture looks like, whatever the light's colour."""
    picture = _picture()
    photo = _photo(picture, {"right": 1.5}, cast=(1.0, 0.9, 0.75))
    (found,) = _find(picture, photo)
    assert found.features["base_likeness"] > 0.7


def test_a_picture_without_white_still_shows_its_bare_edge() -> None:
    """The base is then only guessed, and the strip found all the same."""
    picture = np.minimum(_picture(lightest=150), 150).astype(np.uint8)
    (found,) = _find(picture, _photo(picture, {"right": 1.5}))
    assert found.features["width_mm"] == pytest.approx(1.5, abs=0.2)


def _lime() -> U8:
    """Green with thin magenta lines, (700, 1050, 3) uint8: each channel is light, no pixel is."""
    picture = np.full((700, 1050, 3), (120, 190, 140), np.uint8)
    for k in range(12):
        y = 40 + 55 * k
        cv2.line(picture, (0, y), (1050, 700 - y), (240, 60, 235), 2, cv2.LINE_AA)
    return picture


def test_the_base_beside_one_colour_is_guessed_from_its_light() -> None:
    """A response fitted on one colour runs wild at white; the strip is as bare all the same."""
    (found,) = _find(_lime(), _photo(_lime(), {"top": 2.5}))
    assert found.features["width_mm"] == pytest.approx(2.5, abs=0.2)
    assert found.features["base_likeness"] > 0.7


@pytest.mark.parametrize("glow", [0.0, 0.15])
def test_a_flat_panel_without_a_strip_has_no_bare_edge(glow: float) -> None:
    """Nor where light falls along its edge."""
    assert _find(_lime(), _photo(_lime(), {}, rim=0.3, glow=glow)) == ()


@pytest.mark.parametrize("rim", [-0.4, 0.3, 0.6])
@pytest.mark.parametrize("desk", [0.02, 0.5, 0.7])
def test_the_panels_rim_is_no_bare_edge(rim: float, desk: float) -> None:
    """A lighter or darker rim on a dark or light desk is not taken for one."""
    picture = _picture()
    assert _find(picture, _photo(picture, {}, rim=rim, desk=desk)) == ()


def test_a_reflection_along_the_edge_is_no_bare_edge() -> None:
    """Light that fades over centimetres has no cut."""
    picture = _picture()
    assert _find(picture, _photo(picture, {}, glow=0.25)) == ()


def test_a_strip_under_half_a_millimetre_is_not_reported() -> None:
    """The rounding of the rim hides it."""
    picture = _picture()
    assert _find(picture, _photo(picture, {"top": 0.25})) == ()


def test_a_white_picture_cannot_show_a_bare_edge() -> None:
    """White paper colour at the border is the same with and without print."""
    picture = np.full((700, 1050, 3), 250, np.uint8)
    picture[250:450, 350:700] = (40, 90, 160)
    assert _find(picture, _photo(picture, {"top": 2.0, "left": 2.0})) == ()


def test_without_an_outline_the_metals_edge_is_looked_for() -> None:
    """A strip whose outer border shows against the desk is measured from there."""
    picture = _picture()
    (found,) = _find(picture, _photo(picture, {"bottom": 1.6}, desk=0.03), outline_seen=False)
    assert found.features["width_mm"] == pytest.approx(1.6, abs=0.25)


def test_without_an_outline_a_light_desk_is_no_bare_edge() -> None:
    """A desk as light as the base beside a print whose edge is only assumed."""
    picture = _picture()
    assert _find(picture, _photo(picture, {}, desk=0.7), outline_seen=False) == ()
