"""Double images drawn into made-up photos, and photos that only look doubled."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from dyelight.colour import decode_srgb, encode_srgb
from dyelight.detect import doubles
from dyelight.detect.doubles import _where_most, find_double
from dyelight.detect.doubles_fit import TileFit
from dyelight.detect.doubles_pattern import follow
from dyelight.look import Difference, SecondImage, compare, look_beside
from dyelight.look.second_image import printed_twice
from dyelight.placement.picture_map import FittedMap
from dyelight.records import F32, F64, U8, Artwork, Candidate, Photo, Placement

WIDTH_MM, HEIGHT_MM = 160.0, 120.0
ART_PER_MM, PHOTO_PER_MM = 6.0, 6.0
LEFT_PX, TOP_PX = 80.0, 70.0
PHOTO_SIZE = (1120, 860)
SIZE = (960, 720)
Shift = Callable[[F32, F32], tuple[F32, F32]]


def _picture(seed: int = 4) -> U8:
    """Overlapping discs and polygons of many colours on a mottled ground, (720, 960, 3) uint8."""
    rng = np.random.default_rng(seed)
    ground = rng.normal(150, 60, (18, 24, 3)).astype(np.float32)
    image = np.clip(cv2.resize(ground, SIZE, interpolation=cv2.INTER_CUBIC), 20, 240)
    image = np.ascontiguousarray(image.astype(np.uint8))
    for _ in range(280):
        colour = [int(v) for v in rng.integers(10, 245, 3)]
        middle = rng.integers(0, SIZE)
        if rng.random() < 0.5:
            center = (int(middle[0]), int(middle[1]))
            cv2.circle(image, center, int(rng.integers(6, 45)), colour, -1, cv2.LINE_AA)
        else:
            corners = (middle + rng.normal(0, 35, (4, 2))).astype(np.int32)
            cv2.fillPoly(image, [corners], colour, cv2.LINE_AA)
    return np.asarray(image, np.uint8)


def _grid() -> U8:
    """A regular grid of dark lines with a faint ground, (720, 960, 3) uint8."""
    image = np.full((720, 960, 3), 215, np.uint8)
    image[..., 0] = np.linspace(180, 230, 960).astype(np.uint8)[None]
    for x in range(12, 960, 24):
        cv2.line(image, (x, 0), (x, 720), (60, 70, 120), 4, cv2.LINE_AA)
    for y in range(12, 720, 24):
        cv2.line(image, (0, y), (960, y), (60, 70, 120), 4, cv2.LINE_AA)
    return image


def _blurred(image: F32, sigma_px: float) -> F32:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma_px), np.float32)


def _photo(
    picture: U8,
    *,
    strength: float = 0.0,
    shift: Shift | None = None,
    blur_px: float = 0.9,
    shake_px: float = 0.0,
    sharpen: float = 0.3,
    quality: int = 90,
    part_mm: tuple[float, float, float, float] | None = None,
    seed: int = 11,
) -> U8:
    """A photo of the pressed picture: dye density 0.9 of the file's, even light, noise, JPEG.

    `shift` gives the second image's shift in mm at mm of the panel; it is confined to `part_mm`.
    """
    code = np.arange(256) / 255.0
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    density = (-0.9 * np.log(linear * 0.985 + 0.015)).astype(np.float32)[picture]
    density = _blurred(density, 0.5)
    if shift is not None:
        y, x = np.mgrid[: picture.shape[0], : picture.shape[1]].astype(np.float32)
        dx, dy = shift(x / ART_PER_MM, y / ART_PER_MM)
        moved = cv2.remap(
            density,
            x - dx * np.float32(ART_PER_MM),
            y - dy * np.float32(ART_PER_MM),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        share = np.full(x.shape, strength, np.float32)
        if part_mm is not None:
            inside = (x > part_mm[0] * ART_PER_MM) & (x < part_mm[2] * ART_PER_MM)
            inside &= (y > part_mm[1] * ART_PER_MM) & (y < part_mm[3] * ART_PER_MM)
            share *= cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 8)
        density = density + share[..., None] * (moved - density)
    full = np.full((PHOTO_SIZE[1], PHOTO_SIZE[0], 3), 0.2, np.float32)
    rows, columns = picture.shape[:2]
    y0, x0 = int(TOP_PX), int(LEFT_PX)
    full[y0 : y0 + rows, x0 : x0 + columns] = 0.75 * np.exp(-density)
    full = _blurred(full, blur_px)
    if shake_px:
        size = 2 * int(2 * shake_px) + 1
        smear = np.zeros((size, size), np.float32)
        cv2.line(smear, (0, size // 3), (size - 1, 2 * size // 3), 1.0, 1, cv2.LINE_AA)
        full = np.asarray(cv2.filter2D(full, -1, smear / smear.sum()), np.float32)
    rng = np.random.default_rng(seed)
    full += rng.normal(size=full.shape).astype(np.float32) * np.sqrt(full / 6000 + 1e-6)
    full = np.clip(full, 0, 1)
    encoded = np.where(full <= 0.0031308, 12.92 * full, 1.055 * full ** (1 / 2.4) - 0.055) * 255
    encoded = encoded + sharpen * (encoded - cv2.GaussianBlur(encoded, (0, 0), 1.0))
    pixels = np.clip(np.rint(encoded), 0, 255).astype(np.uint8)
    _, file = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(file, cv2.IMREAD_COLOR), np.uint8)


def _placement(off_px: tuple[float, float] = (0.0, 0.0), stretch: float = 1.0) -> Placement:
    """Where the drawing above puts the panel, wrong by `off_px` and `stretch`."""
    # artwork pixel i covers i..i+1 file px from the left, and lies on photo pixel LEFT_PX + i
    homography = np.array(
        [
            [PHOTO_PER_MM * stretch, 0, LEFT_PX - 0.5 + off_px[0]],
            [0, PHOTO_PER_MM, TOP_PX - 0.5 + off_px[1]],
            [0, 0, 1],
        ]
    )
    picture = FittedMap.from_homography(homography, PHOTO_SIZE, (0, 0, WIDTH_MM, HEIGHT_MM))
    corners: F64 = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]], float)
    return Placement(
        picture=picture,
        corners_px=picture.to_photo(corners),
        outline_seen=True,
        uncertainty_px=0.05,
        drift_mm=(0.0, 0.0),
        stretch_pct=(0.0, 0.0),
        mirrored=False,
        quarter_turns=0,
        method="features",
    )


def _look_for(picture: U8, photo: U8, placement: Placement | None = None) -> tuple[Candidate, ...]:
    artwork = Artwork("picture.png", "", picture, None, WIDTH_MM, HEIGHT_MM)
    found = compare(Photo("photo.jpg", "", photo), artwork, placement or _placement())
    double = find_double(found)
    return () if double is None else (double.candidate,)


def _slip(x: float, y: float) -> Shift:
    return lambda a, b: (np.full_like(a, x), np.full_like(b, y))


def _growth(a: F32, b: F32) -> tuple[F32, F32]:
    return 0.016 * (a - WIDTH_MM / 2), 0.016 * (b - HEIGHT_MM / 2)


def _turn(a: F32, b: F32) -> tuple[F32, F32]:
    return -0.012 * (b - HEIGHT_MM), 0.012 * a


def _hinge(a: F32, b: F32) -> tuple[F32, F32]:
    return 1.6 * a / WIDTH_MM, 1.2 * a / WIDTH_MM


def _stars(seed: int = 6) -> U8:
    """White dots of some sizes on near black, (720, 960, 3) uint8."""
    rng = np.random.default_rng(seed)
    image = np.full((720, 960, 3), (8, 6, 4), np.uint8)
    for _ in range(320):
        center = tuple(int(v) for v in rng.integers(0, SIZE))
        level = int(rng.integers(120, 256))
        cv2.circle(image, center, int(rng.integers(1, 3)), (level,) * 3, -1, cv2.LINE_AA)
    return np.asarray(image, np.uint8)


@pytest.mark.parametrize("strength", [0.15, 0.3])
def test_a_second_sky_of_stars_is_found(strength: float) -> None:
    """Each tile shows a little of it, since differences as strong as stars are held back."""
    picture = _stars()
    (found,) = _look_for(picture, _photo(picture, strength=strength, shift=_slip(-2.2, 3.1)))
    assert found.pattern == "slip"
    assert found.vector_mm == pytest.approx((-2.2, 3.1), abs=0.1)
    assert _look_for(picture, _photo(picture)) == ()


@pytest.mark.parametrize(
    ("vector", "strength"), [((1.4, -0.9), 0.10), ((-0.9, 0.2), 0.08), ((-3.5, 4.0), 0.2)]
)
def test_a_slip_is_found_with_its_vector_and_strength(
    vector: tuple[float, float], strength: float
) -> None:
    """A tenth of the dye set down again elsewhere is measured to 0.1 mm and a quarter of itself."""
    picture = _picture()
    (found,) = _look_for(picture, _photo(picture, strength=strength, shift=_slip(*vector)))
    assert found.family == "double"
    assert found.extent == "panel"
    assert found.pattern == "slip"
    assert found.vector_mm == pytest.approx(vector, abs=0.1)
    assert found.strength == pytest.approx(strength, rel=0.25)
    assert found.features["strength"] == pytest.approx(100 * (found.strength or 0))
    assert found.features["shift_mm"] == pytest.approx(float(np.hypot(*vector)), abs=0.1)
    assert found.snr >= 6


@pytest.mark.parametrize(
    ("shift", "pattern", "largest"),
    [(_growth, "growth", 1.6), (_turn, "turn", 2.4), (_hinge, "hinge", 2.0)],
)
def test_a_pattern_is_named_and_its_largest_shift_given(
    shift: Shift, pattern: str, largest: float
) -> None:
    """Shifts that grow from the middle, turn about a corner or start at a hinge are told apart."""
    picture = _picture(7)
    (found,) = _look_for(picture, _photo(picture, strength=0.15, shift=shift))
    assert found.pattern == pattern
    assert found.features["shift_mm"] == pytest.approx(largest, abs=0.2)
    assert found.strength == pytest.approx(0.15, rel=0.25)


def test_growth_and_turn_are_measured_at_the_rim() -> None:
    """Growth of 1.6 % is 1.6 mm at half of a 200 mm diagonal, and no turn."""
    picture = _picture(7)
    (found,) = _look_for(picture, _photo(picture, strength=0.15, shift=_growth))
    assert found.features["growth_mm"] == pytest.approx(0.016 * 100, abs=0.15)
    assert found.features["turn_mm"] < 0.15


def test_a_second_image_on_one_half_is_local() -> None:
    """A double image on the left half only is boxed there."""
    picture = _picture(9)
    photo = _photo(picture, strength=0.2, shift=_slip(1.5, 1.0), part_mm=(0, 0, 75, HEIGHT_MM))
    (found,) = _look_for(picture, photo)
    assert found.extent == "local"
    assert found.vector_mm == pytest.approx((1.5, 1.0), abs=0.1)
    assert found.box_mm[0] < 20
    assert 60 < found.box_mm[2] < 105


@pytest.mark.parametrize(
    "camera",
    [
        {},
        {"blur_px": 2.5},
        {"shake_px": 3.0},
        {"sharpen": 1.8},
        {"quality": 50},
    ],
    ids=["plain", "defocus", "shake", "sharpened", "hard JPEG"],
)
def test_what_a_camera_does_is_no_double_image(camera: dict[str, float]) -> None:
    """Blur, shake, halos and ringing of a faultless panel are not reported."""
    picture = _picture()
    assert _look_for(picture, _photo(picture, **camera)) == ()  # type: ignore[arg-type] # ints among them


@pytest.mark.parametrize("wrong", [_placement((0.6, -0.4)), _placement((-0.8, 0.2), 1.0015)])
def test_misplacement_is_no_double_image(wrong: Placement) -> None:
    """A picture that lies half a pixel off is not doubled."""
    picture = _picture()
    assert _look_for(picture, _photo(picture), wrong) == ()


def test_a_repetitive_picture_is_no_double_image() -> None:
    """A grid that looks like itself at every step has no second image, sharpened or not."""
    picture = _grid()
    assert _look_for(picture, _photo(picture, sharpen=1.2)) == ()


def _thin_lines() -> U8:
    """Pale curves on a deep ground, nowhere wider than 1.5 mm, (720, 960, 3) uint8."""
    image = np.full((720, 960, 3), (110, 30, 70), np.uint8)
    rng = np.random.default_rng(8)
    for k in range(40):
        points = rng.integers(0, SIZE, (4, 2)).astype(np.int32)
        colour = ((150, 190, 200), (220, 170, 160), (190, 190, 90))[k % 3]
        cv2.polylines(image, [points], False, colour, int(rng.integers(4, 9)), cv2.LINE_AA)
    return image


def test_thin_colours_are_learnt_anew_beside_a_second_image() -> None:
    """A line off its second image was learnt a quarter too deep, and its crossings stood out."""
    lines = _thin_lines()
    photo = Photo("photo.jpg", "", _photo(lines, strength=0.25, shift=_slip(0.4, 3.6)))
    artwork = Artwork("lines.png", "", lines, None, WIDTH_MM, HEIGHT_MM)
    first = compare(photo, artwork, _placement())
    double = find_double(first)
    assert double is not None
    second, _ = look_beside(photo, artwork, _placement(), first, double.image)
    assert second.artwork is artwork
    left = [np.quantile(np.abs(d.photo.residual[d.photo.usable]), 0.99) for d in (first, second)]
    assert left[1] < 0.4 * left[0]


def test_of_two_images_the_first_is_placed_anew() -> None:
    """Lining up on the edges of both put the picture between the two: 0.6 px towards the second
    image here. Beside it the picture comes back to within a tenth of a pixel of where it lies."""
    picture = _picture()
    photo = Photo("photo.jpg", "", _photo(picture, strength=0.2, shift=_slip(0.3, 1.0)))
    artwork = Artwork("picture.png", "", picture, None, WIDTH_MM, HEIGHT_MM)
    between = _placement(off_px=(0.17, 0.57))
    first = compare(photo, artwork, between)
    double = find_double(first)
    assert double is not None
    _, again = look_beside(photo, artwork, between, first, double.image)
    grid_mm = np.stack(np.meshgrid(np.linspace(8, 152, 7), np.linspace(8, 112, 5)), -1)
    true, was, now = (
        one.picture.to_photo(grid_mm.reshape(-1, 2)) for one in (_placement(), between, again)
    )
    assert np.linalg.norm(was - true, axis=1).min() > 0.5
    assert np.linalg.norm(now - true, axis=1).max() < 0.1


def test_what_the_second_image_shows_past_the_file_is_not_judged() -> None:
    """Letters that ran over the edge of the paper are nobody's specks: a second image moved to the
    left by 3 mm shows 3 mm of what the file does not hold along the right edge, and nowhere else.
    """
    lines = _thin_lines()
    photo = Photo("photo.jpg", "", _photo(lines, strength=0.25, shift=_slip(-3.0, 0.0)))
    artwork = Artwork("lines.png", "", lines, None, WIDTH_MM, HEIGHT_MM)
    first = compare(photo, artwork, _placement())
    image = SecondImage(lambda at: np.full_like(at, 1) * np.array([-3.0, 0.0]), 0.25, 0.0)
    beside, _ = look_beside(photo, artwork, _placement(), first, image)
    right, inner = (WIDTH_MM - 1.5, HEIGHT_MM / 2), (WIDTH_MM - 4.5, HEIGHT_MM / 2)
    sides = (1.5, HEIGHT_MM / 2), (WIDTH_MM / 2, 1.5), (WIDTH_MM / 2, HEIGHT_MM - 1.5)
    assert _judged_at(first, [right, inner, *sides]) == [True] * 5
    assert _judged_at(beside, [right, inner, *sides]) == [False, *[True] * 4]
    # of a part only, nothing is moved past it
    upper = replace(image, box_mm=(100.0, 0.0, WIDTH_MM, 60.0))
    beside, _ = look_beside(photo, artwork, _placement(), first, upper)
    both = [(WIDTH_MM - 1.5, 30.0), (WIDTH_MM - 1.5, 90.0)]
    assert _judged_at(beside, both) == [False, True]
    # with bleed enough the file holds all of it
    assert image.end_mm(replace(artwork, bleed_mm=5.0))[:, 0].max() > WIDTH_MM


def _judged_at(difference: Difference, places_mm: list[tuple[float, float]]) -> list[bool]:
    """Whether places are judged, in both frames alike."""
    panel, photo = difference.panel, difference.photo
    at = np.array(places_mm)
    on_panel = np.rint(panel.to_px(at)).astype(int)
    origin = np.array([photo.x0, photo.y0])
    in_photo = np.rint(difference.picture.to_photo(at) - origin).astype(int)
    seen = [not difference.hidden[y, x] for x, y in on_panel]
    assert [bool(photo.usable[y, x]) for x, y in in_photo] == seen
    return seen


def test_an_artwork_printed_twice_mixes_in_density() -> None:
    """Density over a floor of 1.5 % is mixed by the strength, in the box and nowhere else."""
    lines = _thin_lines()
    artwork = Artwork("lines.png", "", lines, None, WIDTH_MM, HEIGHT_MM)
    box = (0.0, 0.0, WIDTH_MM / 2, HEIGHT_MM)
    # whole file px, so that nothing lies between two of them
    image = SecondImage(lambda at: np.full_like(at, 12 / ART_PER_MM), 0.3, 0.0, box)
    twice = printed_twice(artwork, image, 2 * PHOTO_PER_MM).pixels
    light = decode_srgb(lines)[0:690, 0:400] + 0.015
    there = decode_srgb(np.roll(lines, (12, 12), (0, 1)))[0:690, 0:400] + 0.015
    due = 255 * encode_srgb((light**0.7 * there**0.3 - 0.015).astype(np.float32))
    inner = (slice(20, 680), slice(20, 390))
    assert np.abs(twice[:690, :400][inner] - due[inner]).max() < 1.5
    assert np.array_equal(twice[:, 600:], lines[:, 600:])


def _squares() -> U8:
    """Black squares on white, their corners touching, (720, 960, 3) uint8."""
    y, x = np.mgrid[:720, :960] // 90
    return np.where(((x + y) % 2 == 0)[..., None], 20, 235).astype(np.uint8).repeat(3, axis=2)


def test_a_second_chequer_is_found_by_its_shadows() -> None:
    """Of long straight edges every shift fits some: no single tile's score stands out."""
    (found,) = _look_for(_squares(), _photo(_squares(), strength=0.2, shift=_slip(1.9, 2.3)))
    assert found.vector_mm == pytest.approx((1.9, 2.3), abs=0.25)


def test_one_chequer_has_no_second() -> None:
    """Nor where it lies half a pixel off its place."""
    assert _look_for(_squares(), _photo(_squares()), _placement((0.5, -0.4))) == ()


def test_an_empty_picture_has_none() -> None:
    """A plain panel cannot show a second image, and asking does no harm."""
    picture = np.full((720, 960, 3), 200, np.uint8)
    photo = _photo(picture, strength=0.2, shift=_slip(1.0, 1.0))
    assert _look_for(picture, photo) == ()


def _fits(shift_of: Callable[[F64], F64], count: int = 12) -> list[TileFit]:
    rng = np.random.default_rng(2)
    centers = rng.uniform([10, 10], [WIDTH_MM - 10, HEIGHT_MM - 10], (count, 2))
    return [
        TileFit(c, shift_of(c) + rng.normal(0, 0.03, 2), 400 * np.eye(2), 0.1, 0.002, 0.0)
        for c in centers
    ]


def test_one_wild_tile_does_not_bend_the_pattern() -> None:
    """Eleven tiles that slip alike outvote one that says something else."""
    fits = _fits(lambda c: np.array([1.0, 0.5]))
    fits[3] = TileFit(fits[3].center_mm, np.array([-3.0, 4.0]), 400 * np.eye(2), 0.1, 0.002, 0.0)
    found = follow(fits, (WIDTH_MM, HEIGHT_MM))
    assert found is not None
    assert found.pattern == "slip"
    assert found.mean_mm == pytest.approx([1.0, 0.5], abs=0.05)


def test_tiles_far_off_in_strength_do_not_decide_it() -> None:
    """A tile of one long edge states a small error however far off it is."""
    fits = _fits(lambda c: np.array([1.0, 0.5]))
    wild = {2: 0.41, 7: 0.39}
    fits = [
        TileFit(f.center_mm, f.shift_mm, f.information, wild.get(i, 0.19), 0.002, 0.0)
        for i, f in enumerate(fits)
    ]
    found = follow(fits, (WIDTH_MM, HEIGHT_MM))
    assert found is not None
    assert found.strength == pytest.approx(0.19, abs=0.01)
    assert found.strength / found.strength_error > 15


def test_shifts_without_any_order_are_no_pattern() -> None:
    """Tiles that all point elsewhere do not make a double image."""
    rng = np.random.default_rng(5)
    fits = _fits(lambda c: rng.uniform(-5, 5, 2), count=6)
    found = follow(fits, (WIDTH_MM, HEIGHT_MM))
    assert found is None or found.sure_tiles <= 4


def test_how_strong_a_second_image_looks_is_asked_where_it_shows() -> None:
    """Of a plain picture a hundredth shows it; of a busy one the largest tenth counts."""
    plain = np.zeros(10_000, np.float32)
    plain[:120] = 6.0
    assert plain[_where_most(plain)].mean() == 6.0
    busy = np.linspace(0, 10, 10_000, dtype=np.float32)
    assert busy[_where_most(busy)].mean() == pytest.approx(9.5, abs=0.01)
    faint = np.linspace(0, 0.5, 10_000, dtype=np.float32)
    assert faint[_where_most(faint)].mean() == pytest.approx(0.475, abs=0.01)
    assert _where_most(np.zeros(0, np.float32)).size == 0


def test_too_few_tiles_say_nothing() -> None:
    """Two tiles can agree by chance."""
    assert follow(_fits(lambda c: np.array([1.0, 0.0]), count=2), (WIDTH_MM, HEIGHT_MM)) is None


def test_growth_with_shear_is_mixed() -> None:
    """A field that no single motion makes is called mixed."""
    middle = np.array([WIDTH_MM / 2, HEIGHT_MM / 2])
    slope = np.array([[0.02, 0.0], [0.0, -0.02]])
    found = follow(_fits(lambda c: slope @ (c - middle) + [1.0, 0.3]), (WIDTH_MM, HEIGHT_MM))
    assert found is not None
    assert found.pattern == "mixed"


@pytest.mark.parametrize(
    ("share", "others", "shown"), [(0.3, 0.3, True), (0.09, 0.09, True), (0.12, -0.05, False)]
)
def test_tiles_that_give_little_must_all_give_it(
    share: float, others: float, shown: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A tenth of the due score counts where nearly every tile gives it, not where some speak
    against it."""
    count = 30
    power = np.full(count, 400.0)
    given = np.where(np.arange(count) % 4 == 0, others, share)
    monkeypatch.setattr(doubles, "evidence", lambda _scores, _at: (0.2 * power * given, power))
    scores = SimpleNamespace(centers_mm=np.random.default_rng(1).uniform(5, 100, (count, 2)))
    found = SimpleNamespace(strength=0.2, at=lambda mm: np.zeros_like(mm))
    assert doubles._cover(scores, found, (WIDTH_MM, HEIGHT_MM))[0] is shown  # type: ignore[arg-type]  # stand-ins
