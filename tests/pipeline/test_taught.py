"""A fixed camera from its first good panels to a verdict, on small simulated photos."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from skimage import data

from dyelight.causes import load_causes
from dyelight.errors import SettingsError
from dyelight.judge import load_acceptance, load_rules
from dyelight.pipeline import inspect_panel
from dyelight.records import U8, Artwork, Finding, Inspection, Photo
from dyelight.simulate import FixedStation, PlantedDefect, drawn_artwork, simulate_photo
from dyelight.teach import Teaching, load_teaching, use, write_teaching
from dyelight.teach.blank import teach_blank
from dyelight.teach.learn import Taught, teach
from dyelight.teach.lessons import Lesson, Outcome, TooFewPanels, lesson_of
from dyelight.teach.samples import PanelSamples, sample_panel

WIDTH_MM, HEIGHT_MM = 120.0, 90.0
STATION = FixedStation(4, (WIDTH_MM, HEIGHT_MM))
PALE = PlantedDefect("off_colour", (60.0, 45.0), 90.0, strength=0.2, shape_seed=2)
ZONE = PlantedDefect("uneven_press", (45.0, 45.0), 50.0, strength=0.3, shape_seed=5)
COMB = PlantedDefect("streaks", (60.0, 45.0), 12.0, 0.5, 0.35, shape_seed=3)
COLD = ("off_colour", "uneven_press")


@cache
def picture(number: int) -> U8:
    """One of several pictures with many colours."""
    photographs: tuple[U8, ...] = (
        data.coffee()[:, 20:553],  # type: ignore[no-untyped-call]  # the library is untyped there
        data.astronaut()[:384],  # type: ignore[no-untyped-call]  # as above
        data.chelsea()[:, :400],  # type: ignore[no-untyped-call]  # as above
    )
    if number % 4 < 3:
        base = photographs[number % 4]
        turned = np.roll(np.rot90(base, 2 * (number % 2)), 37 * number, axis=1)
        return np.ascontiguousarray(turned[..., np.roll(np.arange(3), number // 4)], np.uint8)
    return drawn_artwork("fabric", 600, 450, seed=number)


def shot(
    number: int,
    *defects: PlantedDefect,
    station: FixedStation = STATION,
    long_side_px: int = 760,
    pixels: U8 | None = None,
) -> tuple[Photo, Artwork]:
    """A photo by the fixed camera, and the artwork that it shows."""
    art = picture(number) if pixels is None else pixels
    photo = simulate_photo(
        art,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        capture="station",
        defects=defects,
        seed=700 + number,
        long_side_px=long_side_px,
        station=station,
    ).pixels
    return (
        Photo(f"{number}.jpg", f"{number:064d}", photo),
        Artwork(f"{number}.png", f"{number:064x}", art, None, WIDTH_MM, HEIGHT_MM),
    )


@pytest.fixture(scope="module")
def taught() -> Taught:
    """Ten good panels and a pale one among them."""
    lessons: list[Lesson | Outcome] = [lesson_of(*shot(number)) for number in range(10)]
    lessons.append(lesson_of(*shot(10, PALE)))
    return teach(lessons, base="white", finish="gloss", way="panels", today="2027-03-01")


@pytest.fixture(scope="module")
def teaching(taught: Taught, tmp_path_factory: pytest.TempPathFactory) -> Teaching:
    """The same as read from its file."""
    place = tmp_path_factory.mktemp("taught") / "camera.json"
    write_teaching(taught.teaching, place)
    return load_teaching(place)


@cache
def knowledge() -> dict[str, object]:
    rules = load_rules()
    return {
        "rules": rules,
        "acceptance": load_acceptance(None, rules),
        "causes": load_causes(None, rules),
    }


def inspected(pair: tuple[Photo, Artwork], teaching: Teaching | None) -> Inspection:
    return inspect_panel([pair[0]], pair[1], taught=teaching, **knowledge())  # type: ignore[arg-type]  # one dictionary of three types


def notes(result: Inspection) -> list[str]:
    return [note.code for note in result.capture.notes if note.code.startswith("taught")]


def cold(result: Inspection) -> list[Finding]:
    return [one for one in result.findings if one.kind in COLD]


@pytest.fixture(scope="module")
def signed() -> Teaching:
    """One signed-off panel."""
    lessons: list[Lesson | Outcome] = [lesson_of(*shot(1))]
    return replace(
        teach(lessons, base="white", finish="gloss", way="signed_off").teaching, file="signed.json"
    )


def test_the_odd_panel_is_left_out_and_told(taught: Taught) -> None:
    """Of ten good panels and a pale one, the pale one is named with what it is off by."""
    left_out = [one for one in taught.outcomes if not one.taken]
    assert [one.photo for one in left_out] == ["10.jpg"]
    assert "ΔE00 over the whole panel" in left_out[0].why
    assert len(taught.teaching.panels) == 10


def test_off_colour_is_judged_without_a_doubt(teaching: Teaching) -> None:
    """A pale panel is off colour, told once, as a fact, with what it was held against."""
    result = inspected(shot(21, PALE), teaching)
    (found,) = cold(result)
    assert found.kind == "off_colour"
    assert found.extent == "panel"
    assert "one_photo_only" not in found.doubts
    rules = {reading.rule for reading in found.because}
    assert {"off_colour.taught_scatters.min", "off_colour.delta_e00.min"} <= rules
    assert notes(result) == ["taught"]


def test_an_uneven_press_is_found_where_it_is(teaching: Teaching) -> None:
    """A pale zone that the photo alone would take for light is found at its place."""
    result = inspected(shot(22, ZONE), teaching)
    (found,) = cold(result)
    assert found.kind == "uneven_press"
    assert found.center_mm == pytest.approx(ZONE.center_mm, abs=8)
    assert not set(found.doubts) & {"one_photo_only", "may_be_light"}


@pytest.mark.parametrize("number", [20, 23])
def test_a_good_panel_passes(teaching: Teaching, number: int) -> None:
    """Nothing is said of a good panel's colour."""
    result = inspected(shot(number), teaching)
    assert cold(result) == []
    assert notes(result) == ["taught"]


@pytest.mark.parametrize(
    ("station", "code"),
    [
        (replace(STATION, exposure=1.35), "taught_light_changed"),
        (replace(STATION, light_seed=5), "taught_light_moved"),
        (replace(STATION, pose_seed=9), "taught_camera_moved"),
    ],
    ids=["exposure", "lamp", "camera"],
)
def test_a_teaching_that_no_longer_fits_says_so(
    teaching: Teaching, station: FixedStation, code: str
) -> None:
    """The note names the file, what changed and what to do; the panel is judged as without it."""
    pair = shot(20, station=station)
    result = inspected(pair, teaching)
    assert notes(result) == [code]
    (note,) = (one for one in result.capture.notes if one.code == code)
    assert "camera.json" in note.text
    assert "teach the camera again" in note.text
    plain = inspected(pair, None)
    assert [one.kind for one in result.findings] == [one.kind for one in plain.findings]


def test_another_size_or_base_does_not_fit(teaching: Teaching) -> None:
    """Photo size and panel base must be those that were taught."""
    photo, artwork = shot(20)
    small = shot(20, long_side_px=700)
    assert notes(inspected(small, teaching)) == ["taught_other_size"]
    clear = replace(artwork, base="clear")
    assert notes(inspected((photo, clear), teaching)) == ["taught_other_base"]


def test_ten_panels_are_needed() -> None:
    """Fewer good panels are refused, with what became of each."""
    lessons: list[Lesson | Outcome] = [
        Outcome("wall.jpg", False, "No panel."),
        lesson_of(*shot(0)),
    ]
    with pytest.raises(TooFewPanels, match="1 good panel is too few") as caught:
        teach(lessons, base="white", finish="gloss", way="panels")
    assert [one.taken for one in caught.value.outcomes] == [False, True]


def test_a_photo_without_the_picture_teaches_nothing() -> None:
    """What cannot be placed is an outcome with a reason."""
    photo, _ = shot(0)
    _, other = shot(3)
    found = lesson_of(photo, other)
    assert isinstance(found, Outcome)
    assert found.why


def test_a_signed_off_panel_is_a_reference_for_its_artwork(tmp_path: Path) -> None:
    """Beside it a zone is found and a good panel passes; another artwork does not fit."""
    lessons: list[Lesson | Outcome] = [lesson_of(*shot(1))]
    signed = teach(lessons, base="white", finish="gloss", way="signed_off").teaching
    place = tmp_path / "signed.json"
    write_teaching(signed, place)
    signed = load_teaching(place)
    again, artwork = shot(1)
    assert cold(inspected((again, artwork), signed)) == []
    art = picture(1)
    faulty = simulate_photo(
        art,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        capture="station",
        defects=(ZONE,),
        seed=950,
        long_side_px=760,
        station=STATION,
    ).pixels
    result = inspected((Photo("z.jpg", "c" * 64, faulty), artwork), signed)
    assert [one.kind for one in cold(result)] == ["uneven_press"]
    assert notes(inspected(shot(2), signed)) == ["taught_other_artwork"]


def test_streaks_stay_under_a_teaching(signed: Teaching) -> None:
    """A teaching tells colour; streaks are a fault of the printer that it knows nothing of."""
    pair = shot(1, COMB)
    for teaching in (None, signed):
        assert "streaks" in [one.kind for one in inspected(pair, teaching).findings]


def test_a_photo_that_nothing_was_read_from_has_no_vote(
    signed: Teaching, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Too little of one photo is flat: its note says so, and the other photo alone decides."""
    good, artwork = shot(1)
    pale, _ = shot(1, PALE)
    good = replace(good, file="good.jpg", sha256="e" * 64)
    photos, seen = [good, pale], []

    def sampled(*given: Any, **more: Any) -> PanelSamples | None:
        seen.append(given)
        return None if len(seen) == 1 else sample_panel(*given, **more)

    monkeypatch.setattr(use, "sample_panel", sampled)
    result = inspect_panel(photos, artwork, taught=signed, **knowledge())  # type: ignore[arg-type]  # as above
    assert [one.kind for one in cold(result)] == ["off_colour"]
    assert sorted(notes(result)) == ["taught", "taught_too_little"]
    (note,) = (one for one in result.capture.notes if one.code == "taught_too_little")
    assert "too little of the panel is flat enough" in note.text
    assert "were held against" not in note.text


def test_a_blank_panel_teaches_the_light(tmp_path: Path) -> None:
    """A zone is found under a light taught from a blank; a panel with a picture is no blank."""
    white = np.full((450, 600, 3), 255, np.uint8)
    blank, _ = shot(30, pixels=white)
    light = teach_blank(blank, WIDTH_MM, HEIGHT_MM, base="white", finish="gloss")
    place = tmp_path / "blank.json"
    write_teaching(light, place)
    result = inspected(shot(22, ZONE), load_teaching(place))
    assert notes(result) == ["taught"]
    assert [one.kind for one in cold(result)] == ["uneven_press"]
    with pytest.raises(SettingsError, match=r"not blank|no panel of this size"):
        teach_blank(shot(0)[0], WIDTH_MM, HEIGHT_MM, base="white", finish="gloss")
    with pytest.raises(SettingsError, match="no panel of this size"):
        teach_blank(
            Photo("grey.jpg", "d" * 64, np.full((300, 400, 3), 90, np.uint8)),
            WIDTH_MM,
            HEIGHT_MM,
            base="white",
            finish="gloss",
        )
