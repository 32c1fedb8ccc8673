"""Simulated photos: the same from the same seed, true to their truth, and changed by defects."""

from __future__ import annotations

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image

from dyelight.simulate import (
    CAPTURES,
    DRAWN,
    PLANTABLE,
    FixedStation,
    PlantedDefect,
    SimulatedPhoto,
    artwork_size_mm,
    drawn_artwork,
    ghost_shift_mm,
    plan_defects,
    simulate_pair,
    simulate_photo,
)

W_MM, H_MM = 120.0, 90.0


def _quiet(name: str):
    """A capture without noise, light, reflections and camera processing: only geometry and blur."""
    none = (0.0, 0.0)
    return dataclasses.replace(
        CAPTURES[name],
        reflections=(0, 0),
        full_well_e=(1e9, 1e9),
        read_noise_e=none,
        light_slope=none,
        light_bumps=none,
        vignetting=none,
        shake_px=none,
        defocus_slope=none,
        sharpen=none,
        tone=none,
        cast=none,
        chroma_denoise_px=none,
        jpeg_quality=(100, 100),
    )


def _fabric():
    return drawn_artwork("fabric", 480, 360, seed=4)


def _small(artwork, **changes):
    settings = {
        "width_mm": W_MM,
        "height_mm": H_MM,
        "capture": "station",
        "seed": 3,
        "long_side_px": 720,
    }
    return simulate_photo(artwork, **(settings | changes))


def _linear(pixels):
    code = pixels.astype(np.float64) / 255
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).mean(axis=2)


def _dots(per_mm):
    """White artwork with soft dark dots (sigma 0.4 mm), and their places in mm."""
    w, h = round(W_MM * per_mm), round(H_MM * per_mm)
    page = np.full((h, w), 255.0)
    places = []
    for i, x in enumerate(np.linspace(8, W_MM - 8, 7)):
        for j, y in enumerate(np.linspace(8, H_MM - 8, 5)):
            at = (x + 0.037 * i, y + 0.053 * j)
            places.append(at)
            cx, cy = at[0] * per_mm - 0.5, at[1] * per_mm - 0.5
            r = int(2.4 * per_mm)
            x0, y0 = int(cx) - r, int(cy) - r
            yy, xx = np.mgrid[y0 : y0 + 2 * r + 1, x0 : x0 + 2 * r + 1]
            spot = np.exp(-((xx - cx) ** 2 + (yy - cy) ** 2) / (2 * (0.4 * per_mm) ** 2))
            page[y0 : y0 + 2 * r + 1, x0 : x0 + 2 * r + 1] -= 150 * spot
    return np.repeat(np.rint(page)[..., None], 3, axis=2).astype(np.uint8), np.array(places)


def _centroid(image, start, sigma):
    """Place of a dark dot by a Gaussian-weighted centroid, iterated until it rests."""
    cx, cy = np.rint(start).astype(int)
    r = int(3.5 * sigma) + 2
    window = image[cy - r : cy + r + 1, cx - r : cx + r + 1]
    ring = np.concatenate([window[0], window[-1], window[:, 0], window[:, -1]])
    depth = np.median(ring) - window
    yy, xx = np.mgrid[-r : r + 1, -r : r + 1]
    at = np.asarray(start) - [cx, cy]
    for _ in range(25):
        weight = depth * np.exp(-((xx - at[0]) ** 2 + (yy - at[1]) ** 2) / (2 * sigma**2))
        found = np.array([(weight * xx).sum(), (weight * yy).sum()]) / weight.sum()
        at = at + 1.5 * (found - at)
    return at + np.array([cx, cy])


@pytest.mark.parametrize(
    ("capture", "turn", "mirrored"),
    [("station", 0.0, False), ("handheld", 137.0, False), ("customer", 270.0, True)],
)
def test_the_truth_map_says_where_dots_lie_in_the_photo(capture, turn, mirrored):
    """Dots on the artwork are found where the map puts them, to a hundredth of a pixel on average.

    A single dot may err more: the print's grain moves its centroid.
    """
    page, places = _dots(9.7)
    photo = _small(
        page, capture=_quiet(capture), turn_deg=turn, mirrored=mirrored, long_side_px=1100, fill=0.5
    )
    expected = photo.truth.px_from_mm(places)
    image = _linear(photo.pixels)
    sigma = 0.45 * photo.truth.px_per_mm
    off = np.array([_centroid(image, p, sigma) - p for p in expected])
    assert np.abs(off.mean(axis=0)).max() < 0.01
    assert np.sqrt((off**2).mean()) < 0.02


def test_the_map_runs_both_ways():
    """Photo px taken back to artwork mm give the points that they came from."""
    truth = _small(_fabric(), capture="customer").truth
    points = np.random.default_rng(1).uniform([0, 0], [W_MM, H_MM], (50, 2))
    assert truth.mm_from_px(truth.px_from_mm(points)) == pytest.approx(points, abs=1e-6)
    assert truth.grid[1] == pytest.approx(truth.px_from_mm(truth.grid[0]), abs=1e-9)


def test_drift_and_stretch_are_those_of_the_map():
    """The print's centre is off by drift_mm and its sides are longer by stretch_pct."""
    truth = _small(_fabric()).truth
    middle = np.array([[W_MM / 2, H_MM / 2]])
    assert (truth.panel_from_mm(middle) - middle)[0] == pytest.approx(truth.drift_mm)
    across = truth.panel_from_mm(np.array([[0.0, 0.0], [W_MM, 0.0]]))
    long = np.hypot(*(across[1] - across[0])) / W_MM
    assert (long - 1) * 100 == pytest.approx(truth.stretch_pct[0], abs=1e-3)


@pytest.mark.parametrize("capture", ["station", "handheld", "customer"])
def test_the_same_seed_gives_the_same_bytes(capture):
    """Two runs agree to the byte, and another seed gives another photo."""
    defects = plan_defects(np.random.default_rng(5), W_MM, H_MM, n=3)
    first = _small(_fabric(), capture=capture, defects=defects)
    again = _small(_fabric(), capture=capture, defects=defects)
    other = _small(_fabric(), capture=capture, defects=defects, seed=4)
    assert first.jpeg == again.jpeg
    assert first.truth.defects == again.truth.defects
    assert first.jpeg != other.jpeg


def test_the_jpeg_decodes_to_the_pixels_and_carries_exif():
    """The bytes are a JPEG of the asked size with an Exif block that says upright."""
    photo = _small(_fabric())
    with Image.open(io.BytesIO(photo.jpeg)) as picture:
        assert picture.format == "JPEG"
        assert picture.size == (720, 540)
        assert picture.getexif()[0x0112] == 1
        assert np.array_equal(np.asarray(picture), photo.pixels)


@pytest.mark.parametrize(
    "defect",
    [
        PlantedDefect("vapour_spot", (60, 45), 12.0, strength=0.5, shape_seed=1),
        PlantedDefect("dust_speck", (30, 60), 2.0, strength=0.9, shape_seed=2),
        PlantedDefect("dust_speck", (80, 30), 2.0, strength=0.9, tone="dark", shape_seed=3),
        PlantedDefect("fibre", (60, 60), 15.0, 0.4, 0.9, angle_deg=30, shape_seed=4),
        PlantedDefect("coating_lift", (40, 40), 10.0, shape_seed=5),
        PlantedDefect("scratch", (70, 40), 20.0, 0.4, 0.9, angle_deg=60, shape_seed=6),
        PlantedDefect("dent", (60, 30), 12.0, strength=0.4, tone="mixed", shape_seed=7),
        PlantedDefect("crease_line", (60, 45), 40.0, 1.5, 0.6, angle_deg=10, shape_seed=8),
    ],
    ids=lambda d: f"{d.kind}-{d.tone}",
)
def test_a_local_defect_changes_the_photo_where_truth_says_and_nowhere_else(defect):
    """With and without differ inside the box; outside it they are the same to the byte level."""
    capture = dataclasses.replace(CAPTURES["station"], jpeg_quality=(95, 95))
    with_it, without = simulate_pair(
        _fabric(),
        width_mm=W_MM,
        height_mm=H_MM,
        capture=capture,
        seed=3,
        long_side_px=720,
        defects=(defect,),
    )
    truth = with_it.truth.defects[0]
    change = np.abs(with_it.pixels.astype(int) - without.pixels.astype(int)).max(axis=2)
    x0, y0, x1, y1 = (round(v) for v in truth.box_px)
    inside = change[y0 : y1 + 1, x0 : x1 + 1]
    assert inside.max() > 8
    # the box ends where the mask falls below its level: soft masks go on; then blur, sharpening
    # and 16-pixel JPEG blocks carry a change a little further
    spare = 26 + round(0.75 * max(x1 - x0, y1 - y0))
    far = change.copy()
    far[y0 - spare : y1 + spare + 1, x0 - spare : x1 + spare + 1] = 0
    assert far.max() == 0
    assert truth.delta_e00 > 1
    assert truth.snr_ideal > 5
    assert truth.visible is (truth.delta_e00 >= (6 if truth.kind in ("dust_speck", "fibre") else 3))
    assert without.truth.defects == ()


def test_truth_places_a_defect_in_panel_and_in_artwork_millimetres():
    """A speck's centre is where it was planted on the panel, and the map takes it to the photo."""
    speck = PlantedDefect("dust_speck", (30.0, 60.0), 2.0, strength=1.0, shape_seed=2)
    truth = _small(_fabric(), defects=(speck,)).truth
    found = truth.defects[0]
    assert found.center_panel_mm == pytest.approx((30.0, 60.0), abs=0.4)
    back = truth.panel_from_mm(np.array([found.center_mm]))[0]
    assert tuple(back) == pytest.approx(found.center_panel_mm, abs=1e-9)
    assert found.area_mm2 == pytest.approx(np.pi, rel=0.35)
    x0, y0, x1, y1 = found.box_px
    x, y = truth.px_from_mm(np.array([found.center_mm]))[0]
    assert x0 < x < x1
    assert y0 < y < y1


def test_a_light_defect_is_lighter_and_a_dark_one_darker():
    """Blocked dye brightens the photo, added dye darkens it."""
    for tone, sign in (("light", 1), ("dark", -1)):
        speck = PlantedDefect("dust_speck", (60, 45), 3.0, strength=0.9, tone=tone, shape_seed=2)
        a, b = simulate_pair(
            _fabric(),
            width_mm=W_MM,
            height_mm=H_MM,
            capture="station",
            seed=1,
            long_side_px=720,
            defects=(speck,),
        )
        x, y = np.rint(a.truth.px_from_mm(np.array([a.truth.defects[0].center_mm]))[0]).astype(int)
        part = (slice(y - 1, y + 2), slice(x - 1, x + 2))
        assert sign * (a.pixels[part].astype(int) - b.pixels[part].astype(int)).mean() > 5


def test_steam_does_not_show_where_the_picture_is_white():
    """Where there is no dye to lose, a vapour spot leaves nothing to see."""
    white = np.full((90, 120, 3), 255, np.uint8)
    spot = PlantedDefect("vapour_spot", (60, 45), 12.0, strength=0.5, shape_seed=1)
    assert _small(white, defects=(spot,)).truth.defects[0].visible is None


def test_bare_edge_shows_the_coating_along_its_edge():
    """A bare left edge is nearly as light as white artwork there."""
    edge = PlantedDefect("bare_edge", (0, 45), 4.0, strength=1.0, angle_deg=180, shape_seed=1)
    dark = np.full((90, 120, 3), 40, np.uint8)
    photo = _small(dark, defects=(edge,))
    at = photo.truth.px_from_panel_mm(np.array([[1.7, 45.0], [20.0, 45.0]]))
    strip, middle = (int(photo.pixels[round(y), round(x)].mean()) for x, y in at)
    assert strip > 150
    assert middle < 100
    x0, _, x1, _ = photo.truth.defects[0].box_panel_mm
    assert (x0, x1) == pytest.approx((0, 4), abs=0.4)


def test_ghosting_doubles_the_picture_at_the_planted_shift():
    """The change that a slip makes is the picture moved by its vector, less the picture."""
    page = np.full((900, 1200, 3), 255, np.uint8)
    page[300:600, 580:620] = 20
    ghost = PlantedDefect(
        "ghosting", (60, 45), 90.0, strength=0.3, vector_mm=(9.0, 0.0), pattern="slip"
    )
    a, b = simulate_pair(
        page,
        width_mm=W_MM,
        height_mm=H_MM,
        capture=_quiet("station"),
        seed=2,
        long_side_px=900,
        defects=(ghost,),
    )
    at = a.truth.px_from_mm(np.array([[60.0, 45.0], [69.0, 45.0], [51.0, 45.0]]))
    change = [
        int(a.pixels[round(y), round(x)].mean()) - int(b.pixels[round(y), round(x)].mean())
        for x, y in at
    ]
    assert change[0] > 5
    assert change[1] < -20
    assert abs(change[2]) <= 2
    assert a.truth.defects[0].vector_mm == (9.0, 0.0)


def test_ghost_patterns_have_their_shift_fields():
    """A slip is even, a hinge dies out at one edge, growth leaves the middle, a turn is a curl."""
    x, y = np.linspace(0, W_MM, 13, dtype=np.float32), np.linspace(0, H_MM, 9, dtype=np.float32)

    def field(pattern):
        ghost = PlantedDefect(
            "ghosting", vector_mm=(2.0, 1.0), pattern=pattern, strength=0.2, shape_seed=3
        )
        return ghost_shift_mm(ghost, x, y, W_MM, H_MM)

    dx, dy = field("slip")
    assert np.ptp(dx) == np.ptp(dy) == 0
    assert np.hypot(*field("hinge")).min() == pytest.approx(0, abs=1e-6)
    assert np.hypot(*field("hinge")).max() == pytest.approx(np.sqrt(5), rel=1e-5)
    dx, dy = field("growth")
    assert dx[4, 6] == pytest.approx(0, abs=1e-6)
    assert np.hypot(dx[0, 0], dy[0, 0]) == pytest.approx(np.sqrt(5), rel=1e-5)
    assert dx[4, 0] < 0 < dx[4, -1]
    dx, dy = field("turn")
    assert np.ptp(dx, axis=1).max() == pytest.approx(0, abs=1e-6)
    assert np.ptp(dy, axis=0).max() == pytest.approx(0, abs=1e-6)
    assert np.hypot(dx, dy).max() == pytest.approx(np.sqrt(5), rel=1e-5)


def test_a_weaker_defect_has_less_contrast_and_less_signal():
    """delta_e00 and the ideal observer's signal both grow with strength."""
    found = []
    for strength in (0.1, 0.3, 0.6):
        spot = PlantedDefect("vapour_spot", (60, 45), 10.0, strength=strength, shape_seed=1)
        found.append(_small(_fabric(), defects=(spot,)).truth.defects[0])
    assert found[0].delta_e00 < found[1].delta_e00 < found[2].delta_e00
    assert found[0].snr_ideal < found[1].snr_ideal < found[2].snr_ideal


def test_the_ideal_observer_knows_the_noise():
    """Four times the light halves the photon noise and so doubles the signal in noise units."""
    speck = PlantedDefect("dust_speck", (60, 45), 2.0, strength=0.8, shape_seed=1)
    snr = []
    for well in (2500.0, 10000.0):
        capture = dataclasses.replace(
            CAPTURES["station"], full_well_e=(well, well), read_noise_e=(0.0, 0.0)
        )
        snr.append(_small(_fabric(), capture=capture, defects=(speck,)).truth.defects[0].snr_ideal)
    assert snr[1] / snr[0] == pytest.approx(2, rel=0.01)


def test_reflection_and_clipping_are_told():
    """A strong reflection hides part of the panel, and hides a defect that lies under it."""
    capture = dataclasses.replace(
        CAPTURES["customer"], reflections=(3, 3), reflection_level=(1.5, 2.0), window_chance=0.0
    )
    photo = _small(_fabric(), capture=capture)
    assert 0.02 < photo.truth.hidden_fraction < 1
    polygon = max(photo.truth.hidden_px, key=len)
    cx, cy = polygon.mean(axis=0)
    speck_at = photo.truth.pose.to_mm(np.array([[cx, cy]]))[0]
    speck = PlantedDefect("dust_speck", tuple(speck_at), 1.0, strength=0.9, shape_seed=1)
    again = _small(_fabric(), capture=capture, defects=(speck,))
    assert again.truth.defects[0].hidden_fraction > 0.9
    assert _small(_fabric(), capture="station").truth.hidden_fraction == 0


@pytest.mark.parametrize("fill", [0.1, 0.5, 0.95])
def test_fill_is_the_share_of_the_frame(fill):
    """The panel covers the asked share of the frame, and lies inside it."""
    truth = simulate_photo(
        _fabric(),
        width_mm=W_MM,
        height_mm=H_MM,
        capture="station",
        seed=8,
        long_side_px=480,
        fill=fill,
        tilt_deg=0.0,
        turn_deg=0.0,
    ).truth
    x, y = truth.corners_px.T
    area = abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
    assert area / (480 * 360) == pytest.approx(fill, rel=0.04)
    assert x.min() > 0
    assert x.max() < 479
    assert y.min() > 0
    assert y.max() < 359


@pytest.mark.parametrize("seed", range(20))
def test_every_pose_keeps_the_panel_in_the_frame(seed):
    """No draw, however long and thin the panel or steep the tilt, leaves the frame."""
    rng = np.random.default_rng(seed)
    w, h = 60.0, float(rng.uniform(20, 200))
    truth = simulate_photo(
        np.full((40, 40, 3), 128, np.uint8),
        width_mm=w,
        height_mm=h,
        seed=seed,
        capture=("station", "handheld", "customer")[seed % 3],
        long_side_px=240,
        turn_deg=float(rng.uniform(0, 360)),
        tilt_deg=float(rng.uniform(0, 40)),
    ).truth
    assert np.isfinite(truth.corners_px).all()
    assert (truth.corners_px >= 0).all()
    assert (truth.corners_px <= [239, 179]).all()


def test_mirrored_panels_read_mirrored():
    """Corners run clockwise in the photo, and the other way round when the picture is mirrored."""
    for mirrored, sign in ((False, 1), (True, -1)):
        x, y = _small(_fabric(), mirrored=mirrored).truth.corners_px.T
        assert np.sign(x @ np.roll(y, -1) - y @ np.roll(x, -1)) == sign


def test_a_shaped_panel_shows_the_bench_through_its_hole():
    """Where the artwork is transparent, the photo is what it is beside the panel."""
    alpha = np.full((360, 480), 255, np.uint8)
    alpha[140:220, 200:280] = 0
    red = np.zeros((360, 480, 3), np.uint8)
    red[..., 0] = 230
    photo = _small(red, alpha=alpha)
    hole, metal = photo.truth.px_from_panel_mm(np.array([[60.0, 45.0], [20.0, 45.0]]))
    there, here = (photo.pixels[round(p[1]), round(p[0])].astype(int) for p in (hole, metal))
    assert here[0] - here[1] > 80
    assert abs(there[0] - there[1]) < 30


def test_clear_base_makes_white_artwork_metal_grey():
    """White in the picture is bare metal on a clear base, darker than on a white one."""
    white = np.full((90, 120, 3), 255, np.uint8)
    levels = []
    for base in ("white", "clear"):
        photo = _small(white, base=base)
        x, y = np.rint(photo.truth.px_from_mm(np.array([[60.0, 45.0]]))[0]).astype(int)
        levels.append(photo.pixels[y - 8 : y + 8, x - 8 : x + 8].mean())
    assert levels[1] < levels[0] - 20


def test_every_plantable_kind_can_be_planned_and_planted():
    """Each kind comes out of the plan, goes into a photo, and is in its truth."""
    defects = plan_defects(np.random.default_rng(2), W_MM, H_MM, n=len(PLANTABLE), kinds=PLANTABLE)
    truth = _small(drawn_artwork("hair", 480, 360), defects=defects, long_side_px=480).truth
    assert tuple(d.kind for d in truth.defects) == PLANTABLE
    for defect in truth.defects:
        assert np.isfinite([*defect.box_mm, defect.delta_e00, defect.snr_ideal]).all()
        assert defect.area_mm2 > 0


def test_plans_are_seeded_and_faint_ones_weaker():
    """The same generator gives the same plan; a faint plan is weaker, defect by defect."""
    plan = plan_defects(np.random.default_rng(7), W_MM, H_MM, n=8)
    assert plan == plan_defects(np.random.default_rng(7), W_MM, H_MM, n=8)
    kinds = ("vapour_spot", "dust_speck", "fibre")
    bold = plan_defects(np.random.default_rng(9), W_MM, H_MM, n=3, kinds=kinds)
    faint = plan_defects(np.random.default_rng(9), W_MM, H_MM, n=3, kinds=kinds, faint=True)
    assert all(f.strength < b.strength for f, b in zip(faint, bold, strict=True))
    assert plan_defects(np.random.default_rng(1), W_MM, H_MM, n=0) == ()


@pytest.mark.parametrize("name", DRAWN)
def test_drawn_artworks_have_the_asked_size_and_are_not_blank(name):
    """Each drawn picture is a uint8 sRGB picture with something on it, the same for a seed."""
    picture = drawn_artwork(name, 320, 240, seed=2)
    assert picture.shape == (240, 320, 3)
    assert picture.dtype == np.uint8
    assert picture.std() > 1
    assert np.array_equal(picture, drawn_artwork(name, 320, 240, seed=2))


def test_artwork_size_keeps_the_shape():
    """The long side gets the asked length."""
    assert artwork_size_mm(2000, 1600) == pytest.approx((254.0, 203.2))
    assert artwork_size_mm(500, 1000, long_mm=100) == pytest.approx((50.0, 100.0))


def test_one_press_seed_gives_one_panel():
    """Two photos of a panel share its drift and stretch, and little else."""
    first, second = (_small(_fabric(), seed=s, press_seed=5).truth for s in (1, 2))
    assert first.drift_mm == second.drift_mm
    assert np.array_equal(first.to_panel, second.to_panel)
    assert not np.allclose(first.corners_px, second.corners_px)


def test_what_cannot_be_simulated_is_refused():
    """Wrong pixels, sizes, captures, kinds and names raise ValueError with what would do."""
    grey = np.zeros((10, 10), np.uint8)
    with pytest.raises(ValueError, match="uint8"):
        _small(grey)
    with pytest.raises(ValueError, match="above 0"):
        _small(_fabric(), width_mm=0.0)
    with pytest.raises(ValueError, match="station"):
        _small(_fabric(), capture="satellite")
    with pytest.raises(ValueError, match="vapour_spot"):
        _small(_fabric(), defects=(PlantedDefect("wrong_artwork"),))
    with pytest.raises(ValueError, match="vapour_spot"):
        plan_defects(np.random.default_rng(1), W_MM, H_MM, n=1, kinds=("unexplained",))
    with pytest.raises(ValueError, match="text"):
        drawn_artwork("portrait")


def test_a_fixed_camera_stays_and_panels_move() -> None:
    """Two photos of one station show one bench; the panel lies elsewhere, at the same size."""
    station = FixedStation(7, (90.0, 70.0))
    art = drawn_artwork("fabric", 360, 280, seed=1)

    def photo(seed: int, fixed: FixedStation = station) -> SimulatedPhoto:
        return simulate_photo(
            art,
            width_mm=90.0,
            height_mm=70.0,
            capture="station",
            seed=seed,
            long_side_px=400,
            station=fixed,
        )

    one, other = photo(1), photo(2)
    # a corner of the bench, up to flicker and noise
    corner = (slice(0, 24), slice(0, 24))
    assert one.pixels[corner].mean() == pytest.approx(other.pixels[corner].mean(), rel=0.05)
    assert one.truth.px_per_mm == pytest.approx(other.truth.px_per_mm, rel=0.01)
    assert np.abs(one.truth.corners_px - other.truth.corners_px).max() > 1
    assert photo(1).jpeg == one.jpeg
    assert (
        photo(1, dataclasses.replace(station, exposure=1.3)).pixels.mean()
        > 1.05 * one.pixels.mean()
    )
    assert photo(1, dataclasses.replace(station, shop_seed=8)).jpeg != one.jpeg
