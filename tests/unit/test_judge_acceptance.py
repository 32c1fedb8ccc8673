"""Acceptance: limits by zone and kind, sure or not, and the verdict."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dyelight.data import models_folder
from dyelight.errors import RulesError
from dyelight.judge import (
    acceptance_names,
    breaches,
    graded,
    judge_panel,
    load_acceptance,
    load_rules,
)
from dyelight.records import Artwork, Capture, Finding, Kind, Verdict

RULES = load_rules()
GALLERY = load_acceptance("gallery", RULES)
TRADE_SHOW = load_acceptance("trade_show", RULES)
STRICT = load_acceptance("strict", RULES)
SPECS = (GALLERY, TRADE_SHOW, STRICT)
ARTWORK = Artwork(
    file="harbour.png",
    sha256="0" * 64,
    pixels=np.zeros((200, 300, 3), np.uint8),
    alpha=None,
    width_mm=300.0,
    height_mm=200.0,
)
CAPTURE = Capture(10.0, 1.0, 0.0, (), 0.3, 1.0, ())


def finding(kind: Kind, number: int = 1, **other: Any) -> Finding:
    features = other.pop("features", {})
    values: dict[str, Any] = {
        "id": f"F{number}",
        "kind": kind,
        "extent": "local",
        "center_mm": (150.0, 100.0),
        "box_mm": (149.0, 99.0, 151.0, 101.0),
        "outline_mm": np.zeros((0, 2)),
        "area_mm2": 1.0,
        "eq_diameter_mm": 1.0,
        "delta_e00": 10.0,
        "snr": 30.0,
        "tone": "light",
        "zone": "A",
        "vector_mm": None,
        "strength": None,
        "pattern": None,
        "confidence": 0.95,
        "severity": "minor",
        "because": (),
        "doubts": (),
        "features": features,
    }
    return Finding(**{**values, **other})


def speck(number: int, size: float, x: float = 150.0, **other: Any) -> Finding:
    return finding("dust_speck", number, eq_diameter_mm=size, center_mm=(x, 100.0), **other)


def verdict(*findings: Finding, spec: Any = GALLERY, **capture: Any) -> Verdict:
    return judge_panel(findings, ARTWORK, replace(CAPTURE, **capture), True, spec)


def test_nothing_found_passes() -> None:
    """A panel without findings passes every spec, with no reasons."""
    for spec in SPECS:
        assert verdict(spec=spec) == Verdict("pass", ())


def test_an_unusable_photo_is_retaken_whatever_was_found() -> None:
    """Findings in a photo that cannot carry a verdict stop nothing."""
    result = judge_panel([finding("coating_lift")], ARTWORK, CAPTURE, False, GALLERY)
    assert result.word == "retake"
    assert result.because[0].rule == "photo.usable"


@pytest.mark.parametrize("zone", ["A", "B", "C"])
def test_lift_is_never_accepted_in_a_gallery(zone: str) -> None:
    """Loss of coating asks for a remake in every zone."""
    result = verdict(finding("coating_lift", zone=zone))
    assert result.word == "remake"
    (reading,) = result.because
    assert (reading.rule, reading.value, reading.limit) == ("lift.none", 1.0, 0.0)
    assert reading.findings == ("F1",)


@pytest.mark.parametrize(
    ("size", "zone", "word"),
    [
        (0.5, "A", "pass"),
        (0.51, "A", "remake"),
        (0.51, "B", "pass"),
        (0.8, "B", "pass"),
        (0.81, "B", "remake"),
        (3.0, "C", "pass"),
    ],
)
def test_speck_size_by_zone(size: float, zone: str, word: str) -> None:
    """Specks up to 0.5 mm on the face, up to 0.8 mm on the border, any on the rim."""
    assert verdict(speck(1, size, zone=zone)).word == word


def test_specks_are_counted_from_a_quarter_millimetre() -> None:
    """Two of 0.25 to 0.5 mm pass; a third is one too many; smaller ones are not counted."""
    far = [speck(1, 0.25, 30), speck(2, 0.5, 150), speck(3, 0.3, 270)]
    assert verdict(*far[:2]).word == "pass"
    tiny = [speck(number, 0.24, 20.0 * number) for number in range(4, 10)]
    assert verdict(*far[:2], *tiny).word == "pass"
    result = verdict(*far)
    assert result.word == "remake"
    (reading,) = result.because
    assert (reading.rule, reading.value, reading.limit) == ("speck.face.count", 3.0, 2.0)
    assert reading.findings == ("F1", "F2", "F3")


@pytest.mark.parametrize(("apart", "word"), [(50.0, "pass"), (49.9, "remake")])
def test_specks_must_lie_apart(apart: float, word: str) -> None:
    """Two small specks on the face must lie 50 mm from each other."""
    result = verdict(speck(1, 0.4, 100), speck(2, 0.4, 100 + apart))
    assert result.word == word
    if word == "remake":
        (reading,) = result.because
        assert reading.rule == "speck.face.count.spacing"
        assert reading.value == pytest.approx(apart)
        assert reading.limit == 50.0
        assert reading.findings == ("F1", "F2")


def test_border_specks_are_counted() -> None:
    """Four specks on the border pass, five do not."""
    specks = [speck(number, 0.6, 40.0 * number, zone="B") for number in range(1, 6)]
    assert verdict(*specks[:4]).word == "pass"
    assert verdict(*specks).word == "remake"


@pytest.mark.parametrize(
    ("shift", "de00", "word"),
    [(0.2, 5.0, "pass"), (0.21, 5.0, "remake"), (0.21, 0.9, "pass")],
)
def test_a_ghost_must_be_wide_and_visible(shift: float, de00: float, word: str) -> None:
    """A ghost over 0.2 mm stops the panel when it can be seen."""
    ghost = finding("ghosting", delta_e00=de00, extent="panel", features={"shift_mm": shift})
    assert verdict(ghost).word == word


@pytest.mark.parametrize(("de00", "word"), [(2.0, "pass"), (2.1, "remake")])
def test_vapour_on_the_face(de00: float, word: str) -> None:
    """A vapour spot on the face over 2 ΔE00 stops the panel."""
    assert verdict(finding("vapour_spot", delta_e00=de00)).word == word


def test_an_unsure_breach_asks_for_review() -> None:
    """Below the stated confidence a person looks."""
    limit = GALLERY.file.review.confidence.value
    assert verdict(finding("coating_lift", confidence=limit)).word == "remake"
    under = math.nextafter(limit, 0)
    result = verdict(finding("coating_lift", confidence=under))
    assert result.word == "review"
    assert result.because[0].findings == ("F1",)


def test_a_sure_breach_outweighs_unsure_ones() -> None:
    """One sure breach asks for a remake and names only what decided."""
    result = verdict(
        finding("vapour_spot", 1, confidence=0.3), finding("vapour_spot", 2, delta_e00=3.0)
    )
    assert result.word == "remake"
    assert [reading.findings for reading in result.because] == [("F2",)]


def test_a_count_is_sure_only_if_enough_of_it_is() -> None:
    """Three specks of which one is unsure break the count of two, but not for certain."""
    specks = [speck(1, 0.4, 30), speck(2, 0.4, 150), speck(3, 0.4, 270, confidence=0.2)]
    assert verdict(*specks).word == "review"


@pytest.mark.parametrize("kind", ["off_colour", "uneven_press"])
def test_colour_from_one_photo_is_only_suspected(kind: Kind) -> None:
    """Whole-panel colour asks for review from one photo, for a remake from more."""
    seen = finding(kind, extent="panel", doubts=("one_photo_only",), confidence=0.99)
    assert verdict(seen).word == "review"
    assert verdict(replace(seen, doubts=())).word == "remake"


def test_unexplained_asks_for_review_only() -> None:
    """Something without a name is never remade by the tool, and passes where it is faint."""
    assert verdict(finding("unexplained", delta_e00=20.0, confidence=0.99)).word == "review"
    assert verdict(finding("unexplained", delta_e00=2.0)).word == "pass"


def test_too_much_hidden_asks_for_review() -> None:
    """Above the stated hidden fraction a person looks; at it the panel passes."""
    limit = GALLERY.file.review.hidden_fraction.value
    assert verdict(hidden_fraction=limit).word == "pass"
    result = verdict(hidden_fraction=limit + 0.01)
    assert result.word == "review"
    assert result.because[0].rule == "photo.hidden_fraction"


def test_another_picture_is_remade() -> None:
    """A panel with another picture is stopped under every spec."""
    for spec in SPECS:
        assert verdict(finding("wrong_artwork", extent="panel"), spec=spec).word == "remake"


def test_lengths_on_an_unknown_size_are_not_sure() -> None:
    """Without the panel's size a limit in mm asks for review, one in ΔE00 still decides."""
    unknown = replace(ARTWORK, size_known=False, width_mm=100.0, height_mm=66.0)
    size = judge_panel([speck(1, 0.9)], unknown, CAPTURE, True, GALLERY)
    assert size.word == "review"
    assert size.because[0].unit == "mm if the panel were 100 mm wide"
    spot = judge_panel([finding("vapour_spot")], unknown, CAPTURE, True, GALLERY)
    assert spot.word == "remake"


def test_a_value_that_was_not_measured_breaks_nothing() -> None:
    """A fibre without a measured length breaks no limit on length."""
    assert verdict(finding("fibre")).word == "pass"
    assert verdict(finding("fibre", features={"length_mm": 8.0})).word == "remake"


def test_severity_is_that_of_the_gravest_limit() -> None:
    """A finding takes the class of the gravest limit it helps to break, else minor."""
    seen = [
        finding("coating_lift", 1),
        finding("vapour_spot", 2),
        finding("vapour_spot", 3, delta_e00=1.0),
        speck(4, 0.4, 100),
        speck(5, 0.4, 110),
    ]
    result = graded(seen, ARTWORK, GALLERY)
    assert [one.severity for one in result] == ["critical", "major", "minor", "minor", "minor"]
    assert {one.rule for one in breaches(seen, ARTWORK, GALLERY)} >= {"lift.none", "vapour.face"}


def test_flaking_at_the_rim_is_rated_by_area() -> None:
    """The trade-show spec allows rating 1 at the rim: up to 0.1 % of the panel."""
    at_most = 0.001 * 300 * 200
    rim = finding("coating_lift", zone="C", area_mm2=at_most)
    assert verdict(rim, spec=TRADE_SHOW).word == "pass"
    result = verdict(rim, finding("coating_lift", 2, zone="C", area_mm2=1.0), spec=TRADE_SHOW)
    assert result.word == "remake"
    assert (result.because[0].rule, result.because[0].value) == ("lift.rim", 2.0)
    assert result.because[0].unit == "rating"


def test_area_counts_against_the_metal_that_is_there() -> None:
    """On a shaped panel the per cent are of the shape, not of its rectangle."""
    alpha = np.zeros((200, 300), np.uint8)
    alpha[:100] = 255
    rim = finding("coating_lift", zone="C", area_mm2=0.001 * 300 * 200)
    half = judge_panel([rim], replace(ARTWORK, alpha=alpha), CAPTURE, True, TRADE_SHOW)
    assert half.word == "remake"


def test_looser_and_stricter_specs_are_so() -> None:
    """What passes strict passes gallery and trade show; what trade show stops, all stop."""
    cases = [
        speck(1, 0.7),
        finding("vapour_spot", delta_e00=3.0),
        finding("ghosting", features={"shift_mm": 0.3}),
        finding("fibre", features={"length_mm": 1.0}),
        finding("scratch", features={"length_mm": 5.0}),
        finding("bare_edge", zone="B", features={"width_mm": 4.0}),
        finding("crease_line", delta_e00=2.0),
        finding("off_colour", delta_e00=5.0),
    ]
    gravity = {"pass": 0, "review": 1, "remake": 2}
    for case in cases:
        loose, middle, tight = (
            gravity[verdict(case, spec=spec).word] for spec in (TRADE_SHOW, GALLERY, STRICT)
        )
        assert loose <= middle <= tight
        assert tight == 2


def test_every_kind_is_judged_by_every_spec() -> None:
    """No kind slips through a spec because nobody wrote a limit for it."""
    for spec in SPECS:
        file = spec.file
        spoken = {
            k for limit in (*file.limit, *file.count_limit, *file.area_limit) for k in limit.kinds
        }
        assert spoken == set(RULES.kinds)


def test_doubts_that_ask_for_review_are_doubts_of_the_rules() -> None:
    """A spec may lean only on doubts that findings can carry."""
    known = {doubt.code for doubt in RULES.doubts} | {f"or_{kind}" for kind in RULES.kinds}
    for spec in SPECS:
        assert set(spec.file.review.doubts) <= known


def test_the_shipped_names() -> None:
    """Three specs ship; gallery is the default."""
    assert acceptance_names() == ("gallery", "strict", "trade_show")
    assert load_acceptance(None, RULES).name == "gallery"


def test_an_unknown_name_lists_the_known_ones() -> None:
    """A misspelt spec is told with the nearest and all names."""
    with pytest.raises(RulesError, match="'gallery'") as caught:
        load_acceptance("galery", RULES)
    assert "trade_show" in str(caught.value)


def changed(folder: Path, old: str, new: str) -> str:
    text = (models_folder() / "acceptance" / "gallery.toml").read_text(encoding="utf-8")
    assert old in text
    path = folder / "house.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return str(path)


def test_a_spec_of_ones_own_is_loaded_by_path(tmp_path: Path) -> None:
    """A path loads a spec, named after its file."""
    spec = load_acceptance(changed(tmp_path, "max = 0.5\n", "max = 0.9\n"), RULES)
    assert spec.name == "house"
    assert verdict(speck(1, 0.8), spec=spec).word == "pass"
    assert load_acceptance(tmp_path / "house.toml", RULES).file == spec.file


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("max = 0.5\n", "mx = 0.5\n", "unknown key. Did you mean 'max'?"),
        ('kinds = ["dust_speck"]', 'kinds = ["dust_spek"]', "kinds[1]"),
        ('zones = ["A"]', 'zones = ["D"]', "zones[1]"),
        ('feature = "length_mm"', 'feature = "lenght_mm"', "Did you mean 'length_mm'?"),
        ('max = 0.2\nunit = "mm"', 'max = 0.2\nunit = "inch"', "not 'inch'"),
        ('max = 0.2\nunit = "mm"\n', "max = 0.2\n", ".unit: this key is missing"),
        ("max_count = 2", "max_count = -2", "max_count"),
        ("max_count = 2", "max_count = 2.5", "max_count"),
        ("spacing_mm = 50.0", "spacing_mm = 0.0", "spacing_mm"),
        ('class = "critical"', 'class = "grave"', "class"),
        ('id = "speck.border.size"', 'id = "speck.face.size"', "stands twice"),
        ("[review.confidence]", "[review.trust]", "review.trust: unknown key"),
        ('feature = "delta_e00", min = 1.0', 'feature = "delta_e0", min = 1.0', "'delta_e00'"),
    ],
)
def test_every_sort_of_mistake_is_told(tmp_path: Path, old: str, new: str, said: str) -> None:
    """A broken spec is refused with file, key and remedy."""
    with pytest.raises(RulesError) as caught:
        load_acceptance(changed(tmp_path, old, new), RULES)
    message = str(caught.value)
    assert said in message
    assert "house.toml" in message
    assert caught.value.place
    assert caught.value.remedy
    assert caught.value.exit_code == 2
