"""Whole placements on small photos warped from scikit-image's own pictures, with known truth."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
from skimage import data

from dyelight.placement import place
from dyelight.placement.coarse import shared_colours
from dyelight.records import F64, U8, Artwork, NoPlacement, Photo, Placement
from dyelight.simulate import drawn_artwork

PHOTO_W, PHOTO_H = 1000, 750


@dataclass(frozen=True)
class Shot:
    """A warped photo, its artwork, and where artwork mm and panel corners truly lie in it."""

    photo: Photo
    artwork: Artwork
    truth: Callable[[F64], F64]
    corners_px: F64


def picture(name: str, width: int = 600, height: int = 400) -> U8:
    """One of the pictures that ship with scikit-image, cut to width x height pixels."""
    full = np.asarray(getattr(data, name)(), dtype=np.uint8)[..., :3]
    scale = max(width / full.shape[1], height / full.shape[0])
    sized = cv2.resize(full, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    y, x = (sized.shape[0] - height) // 2, (sized.shape[1] - width) // 2
    return np.ascontiguousarray(sized[y : y + height, x : x + width])


def shoot(
    art: U8,
    *,
    fill: float = 0.4,
    turn: float = 4.0,
    tilt: float = 15.0,
    mirrored: bool = False,
    bleed: float = 0.0,
    drift: tuple[float, float] = (0.0, 0.0),
    stretch: float = 0.0,
    ground: U8 | None = None,
    blur: float = 0.8,
    alpha: U8 | None = None,
    offset_px: tuple[float, float] = (0.0, 0.0),
    seed: int = 1,
) -> Shot:
    """A pinhole photo of a panel 150 mm wide; drift and stretch move the print on the panel."""
    rng = np.random.default_rng(seed)
    rows, columns = art.shape[:2]
    width = 150.0
    per_mm = columns / (width + 2 * bleed)
    height = rows / per_mm - 2 * bleed
    focal = 1.0 * PHOTO_W
    distance = focal * np.sqrt(width * height / (fill * PHOTO_W * PHOTO_H))
    turned = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(turn)]))[0]
    tilted = cv2.Rodrigues(np.radians(tilt) * np.array([0.6, 0.8, 0.0]))[0] @ turned
    camera = np.array(
        [
            [focal, 0, PHOTO_W / 2 + offset_px[0]],
            [0, focal, PHOTO_H / 2 + offset_px[1]],
            [0, 0, 1.0],
        ]
    )
    flip = -1.0 if mirrored else 1.0
    centre = np.array([[flip, 0, -flip * width / 2], [0, 1, -height / 2], [0, 0, 1.0]])
    panel = camera @ np.column_stack([tilted[:, 0], tilted[:, 1], [0, 0, distance]]) @ centre
    grow = 1 + stretch
    middle = np.array([width / 2, height / 2])
    move = middle * (1 - grow) + np.asarray(drift)
    print_on_panel = np.array([[grow, 0, move[0]], [0, grow, move[1]], [0, 0, 1.0]])
    mm_from_px = np.array(
        [[1 / per_mm, 0, 0.5 / per_mm - bleed], [0, 1 / per_mm, 0.5 / per_mm - bleed], [0, 0, 1.0]]
    )
    size = (PHOTO_W, PHOTO_H)
    # area averaging stands in for the lens where the artwork is finer than the photo
    soft = cv2.GaussianBlur(art, (0, 0), 0.6).astype(np.float32) / 255
    shown = cv2.warpPerspective(
        soft,
        panel @ print_on_panel @ mm_from_px,
        size,
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(0.93, 0.93, 0.93),
    )
    shape = np.full((round(height * 8), round(width * 8)), 255, np.uint8)
    if alpha is not None:
        shape = cv2.resize(alpha, (shape.shape[1], shape.shape[0]))
    cover_from = panel @ np.array([[1 / 8, 0, 0.5 / 8], [0, 1 / 8, 0.5 / 8], [0, 0, 1.0]])
    cover = cv2.warpPerspective(shape, cover_from, size, flags=cv2.INTER_LINEAR)
    cover = cover.astype(np.float32)[..., None] / 255
    behind = (
        np.full((PHOTO_H, PHOTO_W, 3), 0.22, np.float32)
        if ground is None
        else cv2.resize(ground, size).astype(np.float32) / 255
    )
    light = np.linspace(0.85, 1.05, PHOTO_W, dtype=np.float32)[None, :, None]
    scene = (shown * 0.8 + 0.05) * cover + behind * (1 - cover)
    scene = cv2.GaussianBlur(scene * light, (0, 0), blur) + rng.normal(0, 0.008, scene.shape)
    pixels = np.round(np.clip(scene, 0, 1) * 255).astype(np.uint8)

    def truth(points: F64) -> F64:
        full = panel @ print_on_panel
        out = np.column_stack([points, np.ones(len(points))]) @ full.T
        return np.asarray(out[:, :2] / out[:, 2:])

    corners = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1.0]]) @ panel.T
    artwork = Artwork("a.png", "0", art, alpha, width, height, bleed)
    return Shot(Photo("p.jpg", "1", pixels), artwork, truth, corners[:, :2] / corners[:, 2:])


def errors(shot: Shot, placed: Placement | NoPlacement) -> F64:
    """Distances in px between placed and true photo points over the trimmed picture."""
    assert isinstance(placed, Placement), placed
    x = np.linspace(0, shot.artwork.width_mm, 15)
    y = np.linspace(0, shot.artwork.height_mm, 11)
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return np.asarray(np.linalg.norm(placed.picture.to_photo(grid) - shot.truth(grid), axis=1))


def assert_close(shot: Shot, placed: Placement | NoPlacement) -> Placement:
    """The placed picture is exact to 0.15 px on the median and 0.6 px nearly everywhere."""
    error = errors(shot, placed)
    assert np.median(error) < 0.15
    assert np.percentile(error, 95) < 0.6
    assert isinstance(placed, Placement)
    return placed


def test_panel_on_a_busy_ground_is_placed() -> None:
    """A tilted panel before another photograph is found and its outline measured."""
    shot = shoot(picture("astronaut"), ground=picture("coffee"))
    placed = assert_close(shot, place(shot.photo, shot.artwork))
    assert placed.method == "features"
    assert placed.outline_seen
    assert np.abs(placed.corners_px - shot.corners_px).max() < 1.0
    assert not placed.mirrored
    assert placed.quarter_turns == 0


@pytest.mark.parametrize(
    ("turn", "mirrored", "quarters"),
    [(92.0, False, 1), (176.0, False, 2), (-85.0, False, 3), (5.0, True, 0), (-95.0, True, 3)],
)
def test_turned_and_mirrored_pictures(turn: float, mirrored: bool, quarters: int) -> None:
    """Any turn is found, mirrored or not, and said in clockwise quarter turns."""
    shot = shoot(picture("coffee"), turn=turn, mirrored=mirrored, fill=0.3)
    placed = assert_close(shot, place(shot.photo, shot.artwork))
    assert placed.mirrored is mirrored
    assert placed.quarter_turns == quarters


def test_forty_degrees_of_tilt() -> None:
    """The steepest promised tilt is still placed."""
    shot = shoot(picture("chelsea"), tilt=40.0, fill=0.3)
    assert_close(shot, place(shot.photo, shot.artwork))


def test_drift_and_stretch_of_a_print_with_bleed() -> None:
    """A print off the panel's centre and a little large is measured against the outline."""
    shot = shoot(picture("coffee"), bleed=3.0, drift=(0.7, -0.5), stretch=0.003, tilt=5.0)
    placed = assert_close(shot, place(shot.photo, shot.artwork))
    assert placed.drift_mm is not None
    assert placed.stretch_pct is not None
    assert placed.drift_mm == pytest.approx((0.7, -0.5), abs=0.1)
    assert placed.stretch_pct == pytest.approx((0.3, 0.3), abs=0.1)


def test_bare_edge_is_not_taken_for_the_panels_edge() -> None:
    """Where the print without bleed leaves a bare strip, the outline is the metal's edge."""
    shot = shoot(picture("coffee"), drift=(1.0, 0.0), tilt=5.0, fill=0.5)
    placed = assert_close(shot, place(shot.photo, shot.artwork))
    assert placed.outline_seen
    assert np.abs(placed.corners_px - shot.corners_px).max() < 1.2


def test_panel_partly_out_of_the_frame() -> None:
    """The visible part places the picture; what the frame cuts off is not claimed as seen."""
    shot = shoot(picture("astronaut"), offset_px=(330.0, 0.0), fill=0.4, tilt=3.0)
    placed = place(shot.photo, shot.artwork)
    assert isinstance(placed, Placement)
    assert np.median(errors(shot, placed)) < 0.3
    codes = {note.code for note in placed.notes}
    assert not placed.outline_seen or "side_not_seen" in codes


def test_round_panel() -> None:
    """The artwork's transparency is the panel's shape, and its contour gives the drift."""
    art = picture("coffee", 420, 420)
    y, x = np.mgrid[0:420, 0:420]
    alpha = np.where(np.hypot(x - 209.5, y - 209.5) < 209, 255, 0).astype(np.uint8)
    shot = shoot(art, alpha=alpha, fill=0.4, tilt=8.0, drift=(0.5, 0.2))
    placed = place(shot.photo, shot.artwork)
    assert isinstance(placed, Placement)
    points = np.array([[75.0, 75.0], [40.0, 75.0], [75.0, 120.0], [100.0, 60.0]])
    assert np.abs(placed.picture.to_photo(points) - shot.truth(points)).max() < 0.4
    assert placed.drift_mm == pytest.approx((0.5, 0.2), abs=0.25)


def test_the_files_own_cut_is_no_edge_of_the_panel() -> None:
    """Where the print goes on past the cut-out, white in the file must not hide the drift."""
    art = picture("coffee", 420, 420)
    y, x = np.mgrid[0:420, 0:420]
    alpha = np.where(np.hypot(x - 209.5, y - 209.5) < 209, 255, 0).astype(np.uint8)
    shot = shoot(art, alpha=alpha, fill=0.4, tilt=8.0, drift=(0.8, 0.8))
    cut = np.where(alpha[..., None] > 0, art, np.uint8(255))
    placed = place(shot.photo, replace(shot.artwork, pixels=cut))
    assert isinstance(placed, Placement)
    assert placed.drift_mm == pytest.approx((0.8, 0.8), abs=0.25)


def gradient_with_disc() -> U8:
    """A drawn picture with hardly any texture: a two-way gradient and one soft disc."""
    y, x = np.mgrid[0:400, 0:600].astype(np.float32)
    art = np.stack([60 + x / 4, 120 + y / 5, 200 - x / 5], axis=2)
    disc = np.clip((90 - np.hypot(x - 420, y - 150)) / 12, 0, 1)[..., None]
    return np.asarray(np.round(art * (1 - disc) + 235 * disc), dtype=np.uint8)


@pytest.mark.parametrize("turn", [3.0, 184.0])
def test_picture_with_hardly_any_texture(turn: float) -> None:
    """Outline and colours find a gradient's way round, and the stated uncertainty is honest."""
    shot = shoot(gradient_with_disc(), turn=turn, tilt=8.0)
    placed = place(shot.photo, shot.artwork)
    assert isinstance(placed, Placement)
    assert placed.quarter_turns == (0 if turn < 90 else 2)
    assert np.median(errors(shot, placed)) < max(1.0, 4 * placed.uncertainty_px)


@pytest.mark.parametrize("kind", ["hair", "fabric"])
def test_fine_grain_is_placed_by_its_detail(kind: str) -> None:
    """Grain too fine for the coarse look is placed to a tenth of a pixel, print drift and all."""
    shot = shoot(drawn_artwork(kind, 900, 600), drift=(0.9, -0.7), blur=0.5)
    placed = place(shot.photo, shot.artwork)
    assert np.median(errors(shot, placed)) < 0.1


def test_evenly_squared_picture_is_not_taken_for_another() -> None:
    """A checkerboard's squares repeat, so that the outline must find it and detail prove it."""
    shot = shoot(drawn_artwork("checker", 900, 600), drift=(0.8, 0.6))
    placed = place(shot.photo, shot.artwork)
    assert np.median(errors(shot, placed)) < 0.1


def test_picture_alike_in_the_mirror_is_taken_as_it_reads() -> None:
    """A shaded sky is nearly the same mirrored; a panel seldom is, so it is not called so."""
    y = np.linspace(0, 1, 600, dtype=np.float32)[:, None, None]
    shade = np.broadcast_to((1 - y) * (40, 90, 190) + y * (190, 215, 240), (600, 900, 3))
    shot = shoot(shade.astype(np.uint8), turn=90.0)
    placed = place(shot.photo, shot.artwork)
    assert isinstance(placed, Placement)
    assert not placed.mirrored
    assert placed.quarter_turns == 1


def test_plain_colour_says_that_its_way_round_is_unknown() -> None:
    """A panel of one colour is placed by its outline only, with doubt."""
    art = np.empty((400, 600, 3), np.uint8)
    art[:] = (200, 120, 40)
    shot = shoot(art, tilt=6.0)
    placed = place(shot.photo, shot.artwork)
    assert isinstance(placed, Placement)
    assert placed.method == "outline"
    assert "way_round_unknown" in {note.code for note in placed.notes}
    assert np.abs(placed.corners_px - shot.corners_px).max() < 2.5


@pytest.mark.parametrize("other", ["coffee", "chelsea"])
def test_another_picture_is_wrong_artwork(other: str) -> None:
    """A plain panel that carries another photograph is told from a panel not found."""
    shot = shoot(picture("astronaut"), tilt=8.0)
    wrong = Artwork("b.png", "2", picture(other), None, 150.0, 100.0)
    answer = place(shot.photo, wrong)
    assert isinstance(answer, NoPlacement)
    assert answer.reason == "wrong_artwork"


def test_another_picture_of_other_proportions_is_wrong_artwork() -> None:
    """A job mixed up with one of another size is told as such, not as a photo to be taken again."""
    shot = shoot(picture("astronaut"), tilt=8.0)
    wrong = Artwork("b.png", "2", picture("coffee"), None, 200.0, 100.0)
    answer = place(shot.photo, wrong)
    assert isinstance(answer, NoPlacement)
    assert answer.reason == "wrong_artwork"


def test_a_covered_panel_is_no_other_picture() -> None:
    """A sheet over most of the panel hides its picture; the rest shows that it is the artwork's."""
    shot = shoot(picture("coffee"), tilt=4.0)
    pixels = shot.photo.pixels.copy()
    x0, y0 = shot.corners_px.min(axis=0).astype(int) + 30
    x1, y1 = shot.corners_px.max(axis=0).astype(int) - 30
    pixels[y0 : y0 + round(0.75 * (y1 - y0)), x0:x1] = (40, 90, 200)
    answer = place(replace(shot.photo, pixels=pixels), shot.artwork)
    assert isinstance(answer, NoPlacement)
    assert answer.reason == "unsure"
    assert "Parts of the artwork's picture" in answer.text


def test_picture_on_a_plain_artworks_panel_is_not_accepted() -> None:
    """A plain artwork never lies down on a panel that carries a photograph."""
    shot = shoot(picture("coffee"), tilt=8.0)
    plain = np.full((400, 600, 3), 90, np.uint8)
    answer = place(shot.photo, Artwork("b.png", "2", plain, None, 150.0, 100.0))
    assert isinstance(answer, NoPlacement)


def _noise() -> U8:
    return np.random.default_rng(3).integers(0, 256, (300, 400, 3), dtype=np.uint8)


@pytest.mark.parametrize(
    ("pixels", "reason"),
    [
        (np.zeros((300, 400, 3), np.uint8), "too_dark"),
        (np.full((300, 400, 3), 255, np.uint8), "too_bright"),
        (np.full((300, 400, 3), 128, np.uint8), "no_panel"),
        (np.full((1, 1, 3), 128, np.uint8), "no_panel"),
        (np.full((20, 4000, 3), 128, np.uint8), "no_panel"),
        (_noise(), "no_panel"),
        (picture("coffee"), "no_panel"),
    ],
    ids=["black", "white", "grey", "one pixel", "strip", "noise", "no panel"],
)
def test_photos_without_a_panel(pixels: U8, reason: str) -> None:
    """A photo without a panel gets a fitting reason, a sentence and a remedy."""
    artwork = Artwork("a.png", "0", picture("astronaut"), None, 150.0, 100.0)
    answer = place(Photo("p.jpg", "1", pixels), artwork)
    assert isinstance(answer, NoPlacement)
    assert answer.reason == reason
    assert answer.text.endswith(".")
    assert answer.remedy.endswith(".")


def test_hopeless_blur_is_named() -> None:
    """A photo far out of focus is refused for its blur, not as wrong artwork."""
    shot = shoot(picture("astronaut"), blur=14.0)
    answer = place(shot.photo, shot.artwork)
    assert isinstance(answer, NoPlacement)
    assert answer.reason == "too_blurred"


@pytest.mark.parametrize("size", [(1, 1), (1, 2), (3, 5)])
def test_artwork_of_a_few_pixels_does_not_raise(size: tuple[int, int]) -> None:
    """An artwork too small to compare gives an answer."""
    art = np.zeros((*size, 3), np.uint8)
    answer = place(
        Photo("p.jpg", "1", picture("coffee")), Artwork("a.png", "0", art, None, 90.0, 60.0, 3.0)
    )
    assert isinstance(answer, (NoPlacement, Placement))


def test_sixteen_bit_photo_and_artwork() -> None:
    """Sixteen-bit pixels place the picture where eight-bit pixels do."""
    shot = shoot(picture("coffee"))
    photo = Photo("p.tif", "1", shot.photo.pixels.astype(np.uint16) * 257)
    art = shot.artwork
    artwork = Artwork("a.tif", "0", art.pixels.astype(np.uint16) * 257, None, 150.0, 100.0)
    assert_close(shot, place(photo, artwork))


def test_placement_is_the_same_each_time_and_can_be_pickled() -> None:
    """Two runs agree to the last digit, and the map survives a trip to another process."""
    shot = shoot(picture("chelsea"))
    first, second = (place(shot.photo, shot.artwork) for _ in range(2))
    assert isinstance(first, Placement)
    assert isinstance(second, Placement)
    points = np.array([[10.0, 20.0], [140.0, 90.0]])
    there = pickle.loads(pickle.dumps(first)).picture.to_photo(points)
    assert np.array_equal(first.picture.to_photo(points), second.picture.to_photo(points))
    assert np.array_equal(first.picture.to_photo(points), there)


@pytest.mark.parametrize(
    ("reach", "strength", "middle"), [((250, 50), 0.7, 480), ((100, 60), 0.9, 420)]
)
def test_a_lamp_over_a_sky_makes_no_other_picture_of_it(
    reach: tuple[int, int], strength: float, middle: int
) -> None:
    """Its soft border is detail that the file lacks, and agrees here and there by chance."""
    shot = shoot(drawn_artwork("sky", 900, 600), turn=3.0, tilt=10.0)
    y, x = np.mgrid[:PHOTO_H, :PHOTO_W]
    far = ((x - middle) / reach[0]) ** 2 + ((y - 330) / reach[1]) ** 2
    lamp = strength * np.exp(-np.square(far))
    lit = shot.photo.pixels + (245 - shot.photo.pixels) * lamp[..., None]
    photo = replace(shot.photo, pixels=np.asarray(np.round(lit), np.uint8))
    placed = place(photo, shot.artwork)
    assert isinstance(placed, Placement)
    assert np.median(errors(shot, placed)) < 3 * placed.uncertainty_px


def stripes(turn_deg: float) -> U8:
    """Drawn stripes of one direction, whose shading across them tells each from the next."""
    y, x = np.mgrid[0:600, 0:900].astype(np.float64)
    across = x * np.cos(np.radians(turn_deg)) + y * np.sin(np.radians(turn_deg))
    grey = 110 + 55 * np.tanh(4 * np.sin(across / 9)) + 25 * np.sin(across / 200)
    return np.asarray(np.round(grey[..., None] * np.array([0.8, 1.0, 1.15])), dtype=np.uint8)


@pytest.mark.parametrize("turn_deg", [25.0, 70.0])
def test_stripes_lie_across_by_themselves_and_along_by_the_outline(turn_deg: float) -> None:
    """Along a stripe nothing is seen, so the outline's place stands and the error owns to it."""
    shot = shoot(stripes(turn_deg), drift=(0.3, -0.4), blur=0.7)
    placed = place(shot.photo, shot.artwork)
    assert isinstance(placed, Placement)
    grid = np.stack(np.meshgrid(np.linspace(10, 140, 6), np.linspace(10, 90, 5)), -1).reshape(-1, 2)
    normal = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    off = placed.picture.to_photo(grid) - shot.truth(grid)
    # what a step of 1 mm across the stripes is in the photo, less what a step along them is
    along_mm = np.array([-normal[1], normal[0]])
    along = shot.truth(grid + along_mm) - shot.truth(grid - along_mm)
    square = np.stack([-along[:, 1], along[:, 0]], axis=1)
    square /= np.linalg.norm(square, axis=1, keepdims=True)
    assert np.median(np.abs(np.sum(off * square, axis=1))) < 0.15
    assert np.median(np.hypot(*off.T)) < 3 * placed.uncertainty_px
    assert placed.uncertainty_px > 0.5


def test_a_part_of_a_panel_has_the_artworks_colours() -> None:
    """A quad that ends on one of the picture's own lines still shows this artwork's colours, and
    darker light does not change that; another photograph's are others."""
    shot = shoot(picture("astronaut"), tilt=8.0)
    part = shot.corners_px.copy()
    part[2:] += 0.2 * (part[1::-1] - part[2:])
    dark = replace(shot.photo, pixels=(0.8 * shot.photo.pixels).astype(np.uint8))
    own = shared_colours(dark, shot.artwork, part)
    for other in ("coffee", "chelsea"):
        wrong = Artwork("b.png", "2", picture(other), None, 150.0, 100.0)
        assert shared_colours(shot.photo, wrong, shot.corners_px) < 0.55 < own
