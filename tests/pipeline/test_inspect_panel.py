"""Whole panels from photo to verdict on small simulated photos, and stages that fail."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NoReturn

import numpy as np
import pytest

from dyelight import pipeline
from dyelight.causes import CauseMap, load_causes
from dyelight.errors import SettingsError, StageFault
from dyelight.judge import AcceptanceSpec, Rules, load_acceptance, load_rules
from dyelight.records import U8, Artwork, Inspection, NoPlacement, Photo
from dyelight.simulate import PlantedDefect, drawn_artwork, simulate_photo

WIDTH_MM, HEIGHT_MM = 120.0, 90.0
SPECK = PlantedDefect("dust_speck", (85.0, 30.0), 1.5, strength=0.9)
SPOT = PlantedDefect("vapour_spot", (40.0, 40.0), 9.0, strength=0.45, shape_seed=1)


@dataclass(frozen=True)
class Knowledge:
    """What a panel is judged by."""

    rules: Rules
    acceptance: AcceptanceSpec
    causes: CauseMap


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return Knowledge(load_rules(), load_acceptance(), load_causes())


@pytest.fixture(scope="module")
def picture() -> U8:
    return drawn_artwork("fabric", 900, 675, seed=4)


def _inspect(photo_pixels: U8, picture: U8, knowledge: Knowledge) -> Inspection:
    return pipeline.inspect_panel(
        (Photo("panel.jpg", "a" * 64, photo_pixels),),
        Artwork("picture.png", "b" * 64, picture, None, WIDTH_MM, HEIGHT_MM),
        rules=knowledge.rules,
        acceptance=knowledge.acceptance,
        causes=knowledge.causes,
    )


def _simulated(picture: U8, *defects: PlantedDefect) -> U8:
    return simulate_photo(
        picture,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        capture="station",
        defects=defects,
        seed=3,
        long_side_px=900,
    ).pixels


@pytest.fixture(scope="module")
def faulty_photo(picture: U8) -> U8:
    return _simulated(picture, SPECK, SPOT)


@pytest.fixture(scope="module")
def faulty(faulty_photo: U8, picture: U8, knowledge: Knowledge) -> Inspection:
    return _inspect(faulty_photo, picture, knowledge)


@pytest.mark.parametrize("planted", [SPECK, SPOT], ids=["speck", "vapour spot"])
def test_what_was_planted_is_found_and_named(planted: PlantedDefect, faulty: Inspection) -> None:
    """A speck and a vapour spot are found within a millimetre of their place, once each."""
    (found,) = (finding for finding in faulty.findings if finding.kind == planted.kind)
    assert found.center_mm == pytest.approx(planted.center_mm, abs=1.0)
    assert found.eq_diameter_mm == pytest.approx(planted.diameter_mm, rel=0.25)
    assert found.confidence > 0.7
    assert found.because


def test_nothing_is_found_away_from_what_was_planted(faulty: Inspection) -> None:
    """Only a mottled spot's own fringe may be seen as something beside it."""
    for finding in faulty.findings:
        x, y = finding.center_mm
        assert any(
            np.hypot(x - planted.center_mm[0], y - planted.center_mm[1]) < planted.diameter_mm
            for planted in (SPECK, SPOT)
        )


def test_the_verdict_speaks_of_what_was_found(faulty: Inspection) -> None:
    """The panel is to be made again, for the speck and the spot, and causes are ranked."""
    assert faulty.usable
    assert faulty.verdict.word == "remake"
    named = {finding.id: finding.kind for finding in faulty.findings}
    spoken_of = {named[key] for reading in faulty.verdict.because for key in reading.findings}
    assert {"dust_speck", "vapour_spot"} <= spoken_of
    assert faulty.causes


def test_the_record_says_what_was_inspected_and_how_well(faulty: Inspection) -> None:
    """Facts of file, panel and capture are carried over, and pictures are drawn."""
    assert faulty.panel.width_mm == WIDTH_MM
    assert faulty.photos[0].file == "panel.jpg"
    assert faulty.placement is not None
    assert faulty.capture.px_per_mm == pytest.approx(6.6, abs=0.3)
    assert faulty.capture.smallest_speck_mm is not None
    assert faulty.capture.smallest_speck_mm < 0.5
    assert faulty.pictures is not None
    assert faulty.pictures.observed.shape == faulty.pictures.expected.shape


def test_two_runs_give_the_same(
    faulty: Inspection, faulty_photo: U8, picture: U8, knowledge: Knowledge
) -> None:
    """The same photo and artwork give the same result to the last digit, time apart."""
    again = _inspect(faulty_photo, picture, knowledge)
    assert _plain(again) == _plain(faulty)


def _plain(inspection: Inspection) -> tuple[Any, ...]:
    """What a result says, without outlines' arrays and the time it took."""
    findings = [
        (f.id, f.kind, f.box_mm, f.features, f.confidence, f.because, f.outline_mm.tolist())
        for f in inspection.findings
    ]
    capture = inspection.capture
    return (
        findings,
        inspection.verdict,
        inspection.causes,
        (capture.px_per_mm, capture.blur_px, capture.hidden_fraction, capture.notes),
        (capture.smallest_speck_mm, capture.faintest_spot_de00),
        inspection.rules_sha256,
    )


def test_a_faultless_panel_passes(picture: U8, knowledge: Knowledge) -> None:
    """Nothing is found on a panel with nothing planted, and it passes."""
    inspection = _inspect(_simulated(picture), picture, knowledge)
    assert inspection.findings == ()
    assert inspection.verdict.word == "pass"
    assert inspection.causes == ()


def _blank() -> U8:
    return np.full((60, 80, 3), 128, np.uint8)


@pytest.mark.parametrize(
    ("stage", "function"),
    [("placement", "place"), ("judge", "name_candidates"), ("causes", "rank_causes")],
)
def test_a_stage_that_raises_is_a_fault_that_names_it(
    stage: str, function: str, knowledge: Knowledge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever a stage did not foresee leaves as a fault of exit code 70 with file and stage."""
    nowhere = NoPlacement("no_panel", "No panel was found.", "Take the photo again.")
    monkeypatch.setattr(pipeline, "place", lambda *_: nowhere)
    monkeypatch.setattr(pipeline, function, _raise)
    with pytest.raises(StageFault) as caught:
        _inspect(_blank(), _blank(), knowledge)
    assert caught.value.exit_code == 70
    assert caught.value.place == stage
    assert caught.value.file == "panel.jpg"
    assert "ZeroDivisionError" in caught.value.sentence()
    assert isinstance(caught.value.__cause__, ZeroDivisionError)


def _raise(*_: Any) -> NoReturn:
    raise ZeroDivisionError("made up")


@pytest.mark.parametrize(("stage", "function"), [("look", "compare"), ("detect", "detect")])
def test_a_fault_after_placement_names_its_stage(
    stage: str,
    function: str,
    faulty: Inspection,
    knowledge: Knowledge,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Look and detect are named as well once the panel is placed."""
    monkeypatch.setattr(pipeline, "place", lambda *_: faulty.placement)
    monkeypatch.setattr(pipeline, "compare", lambda *_: None)
    monkeypatch.setattr(pipeline, function, _raise)
    with pytest.raises(StageFault) as caught:
        _inspect(_blank(), _blank(), knowledge)
    assert caught.value.place == stage


def test_an_error_that_speaks_for_itself_passes_through(
    knowledge: Knowledge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error meant for the user keeps its own exit code."""

    def refuse(*_: Any) -> NoReturn:
        raise SettingsError("This cannot be.")

    monkeypatch.setattr(pipeline, "place", refuse)
    with pytest.raises(SettingsError, match="cannot be"):
        _inspect(_blank(), _blank(), knowledge)


@pytest.mark.parametrize("reason", ["no_panel", "too_blurred", "too_dark", "too_bright", "unsure"])
def test_a_photo_that_cannot_be_placed_gives_retake(
    reason: Any, knowledge: Knowledge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the panel is not found the verdict is retake, with reason and remedy in a note."""
    why = NoPlacement(reason, "The panel was not found.", "Take the photo again.")
    monkeypatch.setattr(pipeline, "place", lambda *_: why)
    inspection = _inspect(_blank(), _blank(), knowledge)
    assert inspection.verdict.word == "retake"
    assert not inspection.usable
    assert inspection.findings == ()
    assert inspection.placement is None
    assert inspection.pictures is None
    (note,) = inspection.capture.notes
    assert note.code == reason
    assert note.text == "The panel was not found. Take the photo again."


def test_a_photo_of_another_picture_is_a_finding_not_a_retake(
    knowledge: Knowledge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A panel that shows another picture is usable, and named so."""
    why = NoPlacement("wrong_artwork", "The panel shows another picture.", "Check the file.")
    monkeypatch.setattr(pipeline, "place", lambda *_: why)
    inspection = _inspect(_blank(), _blank(), knowledge)
    assert inspection.usable
    assert [finding.kind for finding in inspection.findings] == ["wrong_artwork"]
    assert inspection.verdict.word == "remake"
