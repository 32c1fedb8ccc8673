"""What is answered about places of small simulated photos in which it is known what is there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, get_args

import cv2
import numpy as np
import pytest

from dyelight.causes import load_causes
from dyelight.claim import Claim, answer_claim, load_claim_file
from dyelight.claim import words as wording
from dyelight.claim.answer import answer_of
from dyelight.claim.answer_file import AnswerCode, Ask
from dyelight.claim.claim import in_per_cent, with_assumed_size
from dyelight.claim.drawings import drawing
from dyelight.claim.file_facts import file_facts
from dyelight.claim.records import Evidence
from dyelight.claim.thin_lines import told_apart
from dyelight.colour import decode_srgb, encode_srgb_u8
from dyelight.errors import SettingsError
from dyelight.judge import load_acceptance, load_rules
from dyelight.records import U8, Artwork, Finding, Inspection, Kind, Photo
from dyelight.simulate import PlantedDefect, SimulatedPhoto, drawn_artwork, simulate_photo

WIDTH_MM, HEIGHT_MM = 120.0, 90.0
SPOT = PlantedDefect("vapour_spot", (40.0, 40.0), 9.0, strength=0.45, shape_seed=1)
HAIR_MM = (90.0, 60.0)
LIGHT_MM = (60.0, 65.0)
PLAIN_MM = (100.0, 20.0)
WORDS = load_claim_file()


def artwork(pixels: U8, **more: Any) -> Artwork:
    return Artwork("art/picture.png", "b" * 64, pixels, None, WIDTH_MM, HEIGHT_MM, **more)


@pytest.fixture(scope="module")
def picture() -> U8:
    """A fabric with a pale label and a dark hair of its own."""
    pixels = drawn_artwork("fabric", 900, 675, seed=4).copy()
    cv2.rectangle(pixels, (60, 520), (220, 610), (244, 243, 240), -1)
    x, y = (round(at * 7.5) for at in HAIR_MM)
    points = np.array([[x - 30, y - 8], [x - 10, y + 2], [x + 12, y - 1], [x + 32, y + 9]])
    cv2.polylines(pixels, [points.astype(np.int32)], False, (20, 15, 15), 4, cv2.LINE_AA)
    return pixels


@pytest.fixture(scope="module")
def shot(picture: U8) -> SimulatedPhoto:
    return simulate_photo(
        picture,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        capture="station",
        defects=(SPOT,),
        seed=3,
        long_side_px=900,
    )


@pytest.fixture(scope="module")
def photo(shot: SimulatedPhoto) -> Photo:
    """The simulated photo with a lamp's reflection laid over it."""
    x, y = shot.truth.px_from_mm(np.array([LIGHT_MM]))[0]
    rows, columns = np.mgrid[0 : shot.pixels.shape[0], 0 : shot.pixels.shape[1]]
    lamp = 0.3 * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * 26.0**2))
    linear = decode_srgb(shot.pixels) + lamp[..., None].astype(np.float32)
    return Photo("in/panel.jpg", "a" * 64, encode_srgb_u8(np.clip(linear, 0, 1)))


@pytest.fixture(scope="module")
def ask(photo: Photo, picture: U8, shot: SimulatedPhoto) -> Callable[..., Claim]:
    """The answer about a place in panel mm; None asks about the whole panel."""
    knowledge = {"rules": load_rules(), "acceptance": load_acceptance(), "causes": load_causes()}

    def answer(
        place_mm: tuple[float, float] | None,
        *,
        art: Artwork | None = None,
        photos: tuple[Photo, ...] = (photo,),
        moved_px: tuple[float, float] = (0.0, 0.0),
        box: str | None = None,
    ) -> Claim:
        at = None
        if place_mm is not None:
            x, y = shot.truth.px_from_mm(np.array([place_mm]))[0] + moved_px
            at = f"{x:.1f},{y:.1f}"
        return answer_claim(
            photos,
            art or artwork(picture),
            at,
            box,
            words=WORDS,
            **knowledge,  # type: ignore[arg-type]  # three records under one roof
        )

    return answer


@pytest.fixture(scope="module")
def spot(ask: Callable[..., Claim]) -> Claim:
    return ask(SPOT.center_mm)


@pytest.fixture(scope="module")
def hair(ask: Callable[..., Claim]) -> Claim:
    return ask(HAIR_MM)


def test_a_planted_defect_is_named(spot: Claim) -> None:
    """A vapour spot that is pointed to is answered as one that arose in pressing."""
    assert spot.answer.code == "pressing"
    assert spot.answer.finding is not None
    assert spot.answer.finding.kind == "vapour_spot"
    assert spot.answer.sure > 0.5
    assert any("paler and softer" in text for text in wording.letter(spot, WORDS))


def test_a_hair_of_the_picture_is_the_files_own(hair: Claim) -> None:
    """A hair that the file has at the same place is answered as the file's."""
    assert hair.answer.code == "in_file"
    assert hair.answer.finding is None
    assert hair.look is not None
    assert hair.look.likeness > 0.95


def evidence_of(claim: Claim, **other: Any) -> Evidence:
    """What a claim's answer was made from, with some of it changed."""
    known = Evidence(
        inspection=claim.inspection,
        artwork=claim.artwork,
        size_known=claim.size_known,
        file=claim.file,
        pointed=True,
        lies=claim.lies,
        look=claim.look,
        long_side_px=max(claim.photo.width_px, claim.photo.height_px),
    )
    return replace(known, **other)


@pytest.mark.parametrize(("mark_likeness", "code"), [(0.97, "in_file"), (0.5, "cannot_tell")])
def test_noise_takes_no_small_mark_from_the_file(
    hair: Claim, mark_likeness: float, code: str
) -> None:
    """Pixel by pixel noise hides how alike a small mark is; at the mark's own width it shows."""
    assert hair.look is not None
    look = replace(
        hair.look, likeness=0.9, file_snr=2.0, unlike=1.0, mark_snr=9.0, mark_likeness=mark_likeness
    )
    assert answer_of(evidence_of(hair, look=look), WORDS).code == code


def test_a_broad_zone_of_light_is_a_reflection_and_told_once(spot: Claim) -> None:
    """What one photo can only suspect is light where much light was added and detail is intact;
    the letter does not tell the same zone again as a finding."""
    assert spot.look is not None
    assert spot.answer.finding is not None
    zone = replace(
        spot.answer.finding,
        kind="uneven_press",
        doubts=("may_be_light",),
        features={},
        confidence=0.9,
    )
    inspection = replace(spot.inspection, findings=(zone,))
    look = replace(spot.look, light_added=0.3, unlike=1.0)
    answer = answer_of(evidence_of(spot, inspection=inspection, look=look), WORDS)
    assert (answer.code, answer.explained) == ("reflection", zone)
    told = replace(spot, inspection=inspection, told=inspection, answer=answer)
    assert wording.other_findings(told) == []
    dim = replace(look, light_added=0.05)
    assert answer_of(evidence_of(spot, inspection=inspection, look=dim), WORDS).finding == zone


def test_a_defect_seen_in_two_parts_is_as_sure_as_the_surer_part(spot: Claim) -> None:
    """A part that may be light does not make light of a spot whose other part cannot be."""
    assert spot.look is not None
    known = spot.answer.finding
    assert known is not None
    part = replace(
        known,
        id="f9",
        area_mm2=known.area_mm2 / 2,
        doubts=("may_be_reflection",),
        features=known.features | {"reflection_likeness": 0.9},
    )
    whole = replace(known, doubts=())
    for findings, code in (((part,), "reflection"), ((part, whole), "pressing")):
        inspection = replace(spot.inspection, findings=findings)
        assert answer_of(evidence_of(spot, inspection=inspection), WORDS).code == code


@pytest.mark.parametrize(
    ("kind", "tone", "straightness", "length_mm", "told"),
    [
        ("fibre", "light", 0.996, 16.0, "scratch"),
        ("scratch", "light", 0.975, 10.0, "fibre"),
        ("fibre", "light", 0.996, 2.0, "fibre"),
        ("scratch", "light", 0.996, 16.0, "scratch"),
        ("scratch", "dark", 0.996, 6.0, "fibre"),
        ("scratch", "dark", 0.996, 60.0, "scratch"),
        ("crease_line", "light", 0.996, 60.0, "crease_line"),
    ],
)
def test_a_scratch_is_pale_and_straight_and_lint_curls(
    make_finding: Callable[..., Finding],
    kind: Kind,
    tone: Any,
    straightness: float,
    length_mm: float,
    told: str,
) -> None:
    """Tone and course decide between the two; the other name stays as a doubt."""
    features = {"straightness": straightness, "length_mm": length_mm}
    item = replace(
        make_finding(1, kind, (40.0, 30.0), (4.0, 1.0)), tone=tone, features=features, doubts=()
    )
    apart = told_apart(item, None, WORDS)
    assert apart.kind == told
    assert apart.doubts == (() if told == kind else (f"or_{kind}",))


def test_a_lamp_in_the_panel_is_a_reflection(ask: Callable[..., Claim]) -> None:
    """Light over intact detail is answered as a reflection, and another photo asked for."""
    claim = ask(LIGHT_MM)
    assert claim.answer.code == "reflection"
    assert "another_place" in claim.answer.asks
    assert any("moves" in text for text in wording.letter(claim, WORDS))


def test_a_place_beside_the_panel_is_told_so(ask: Callable[..., Claim]) -> None:
    """Nothing is said of the print where the place lies beside it."""
    claim = ask((-5.0, 45.0))
    assert (claim.answer.code, claim.answer.reason) == ("cannot_tell", "outside")


def test_a_plain_place_without_a_mark_cannot_be_told(ask: Callable[..., Claim]) -> None:
    """Where photo and file agree and nothing stands out, the photo does not carry an answer."""
    claim = ask(PLAIN_MM)
    assert (claim.answer.code, claim.answer.reason) == ("cannot_tell", "nothing_shown")
    assert "closer" in claim.answer.asks


def test_a_burnt_out_place_cannot_be_told(
    ask: Callable[..., Claim], photo: Photo, shot: SimulatedPhoto
) -> None:
    """A place under a lamp's image, clipped to white and out of focus, is a reflection or hidden,
    never a defect."""
    x, y = np.rint(shot.truth.px_from_mm(np.array([PLAIN_MM]))[0]).astype(int)
    lamp = np.zeros(photo.pixels.shape[:2], np.float32)
    cv2.circle(lamp, (int(x), int(y)), 50, 900.0, -1)
    glow = cv2.GaussianBlur(lamp, (0, 0), 15.0)[..., None]
    pixels = np.clip(photo.pixels + glow, 0, 255).astype(np.uint8)
    claim = ask(PLAIN_MM, photos=(replace(photo, pixels=pixels),))
    assert claim.answer.code in ("reflection", "cannot_tell")
    assert claim.look is not None
    assert claim.look.hidden > 0.9
    # what the look stage takes for the neighbourhood's own light is light all the same
    assert claim.look.light_added > WORDS.limit.plain_light.value


def test_without_a_place_the_gravest_finding_is_told(ask: Callable[..., Claim]) -> None:
    """The whole panel is answered by its gravest finding."""
    claim = ask(None)
    assert claim.lies is None
    assert claim.answer.finding == claim.inspection.findings[0]
    assert any("whole panel" in text for text in wording.letter(claim, WORDS))


def test_an_unknown_size_gives_per_cent(
    ask: Callable[..., Claim], picture: U8, spot: Claim
) -> None:
    """The answer is the same, in per cent of the panel's width and not so sure."""
    art = replace(artwork(picture, size_known=False), width_mm=100.0, height_mm=75.0)
    claim = ask(SPOT.center_mm, art=art)
    assert claim.answer.code == "pressing"
    assert claim.told.panel.width_mm == 100.0
    assert not claim.told.panel.size_known
    told = next(item for item in claim.told.findings if item.kind == "vapour_spot")
    assert told.center_mm[0] == pytest.approx(100 * SPOT.center_mm[0] / WIDTH_MM, abs=2.0)
    known = spot.answer.finding
    assert known is not None
    assert told.eq_diameter_mm == pytest.approx(100 * known.eq_diameter_mm / WIDTH_MM, rel=0.2)
    rows = [wording.ground_row(ground, claim, WORDS) for ground in claim.answer.grounds]
    assert any("% of width" in value for _, value, _ in rows)
    assert not any(" mm" in value for _, value, _ in rows)
    assert claim.answer.sure <= WORDS.limit.unsure_kind_sure.value


def test_a_screenshots_bars_move_nothing(ask: Callable[..., Claim], photo: Photo) -> None:
    """With bars around the photo the same place in it gets the same answer."""
    pixels = np.pad(photo.pixels, ((120, 90), (0, 0), (0, 0)))
    shown = replace(photo, pixels=np.asarray(pixels, np.uint8))
    claim = ask(HAIR_MM, photos=(shown,), moved_px=(0.0, 120.0))
    assert claim.bars_px == (0, 120)
    assert claim.answer.code == "in_file"
    assert claim.photo.height_px == photo.height_px


def test_a_photo_without_the_panel_cannot_be_told(ask: Callable[..., Claim], photo: Photo) -> None:
    """A photo in which the picture is not found is answered so, and better ones asked for."""
    noise = np.random.default_rng(0).integers(90, 110, photo.pixels.shape, np.uint8)
    claim = ask(HAIR_MM, photos=(replace(photo, pixels=noise),))
    assert (claim.answer.code, claim.answer.reason) == ("cannot_tell", "not_placed")
    assert "whole_panel" in claim.answer.asks
    assert "not found" in " ".join(wording.checked(claim, WORDS))


def test_a_second_photo_does_not_answer_for_the_first(
    ask: Callable[..., Claim], photo: Photo
) -> None:
    """A place counts in the first photo: where that one cannot be placed, nothing is answered."""
    noise = np.random.default_rng(0).integers(90, 110, photo.pixels.shape, np.uint8)
    blank = Photo("in/blank.jpg", "d" * 64, noise)
    claim = ask(HAIR_MM, photos=(blank, photo))
    assert (claim.answer.code, claim.answer.reason) == ("cannot_tell", "not_placed")
    assert claim.inspection.placement is not None
    assert any("2 photos" in text for text in wording.letter(claim, WORDS))


def test_a_small_mark_shows_because_its_place_was_named(
    ask: Callable[..., Claim], photo: Photo, shot: SimulatedPhoto
) -> None:
    """A dot too faint for the search is still a mark at the place that is pointed to."""
    x, y = shot.truth.px_from_mm(np.array([PLAIN_MM]))[0]
    rows, columns = np.mgrid[0 : photo.height_px, 0 : photo.width_px]
    dot = np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * 1.6**2))
    strengths = (0.0, 26.0)
    looks = []
    for strength in strengths:
        pixels = np.clip(photo.pixels + strength * dot[..., None], 0, 255).astype(np.uint8)
        claim = ask(PLAIN_MM, photos=(replace(photo, pixels=pixels),))
        assert claim.look is not None
        looks.append((claim.look.spot_snr, claim.answer.code))
    limit = WORDS.limit.spot_snr.value
    assert looks[0][0] < limit < looks[1][0]
    assert looks[0][1] == "cannot_tell"
    assert looks[1][1] in ("mark", "pressing")


def test_a_small_file_is_soft(ask: Callable[..., Claim], picture: U8) -> None:
    """Where one pixel of the file is wide on the panel, softness is the file's."""
    small = cv2.resize(picture, (300, 225), interpolation=cv2.INTER_AREA)
    facts = file_facts(artwork(np.asarray(small, np.uint8)))
    assert facts.pixel_mm == pytest.approx(0.4)
    claim = ask(PLAIN_MM, art=artwork(np.asarray(small, np.uint8)))
    assert claim.answer.code == "soft_file"
    assert any("300 x 225 pixels" in text for text in wording.letter(claim, WORDS))


def test_a_dark_file_is_told(picture: U8) -> None:
    """The median lightness of a file that was darkened falls."""
    dark = (picture * 0.25).astype(np.uint8)
    assert file_facts(artwork(dark)).lightness < WORDS.limit.dark_file.value
    assert file_facts(artwork(dark)).lightness < file_facts(artwork(picture)).lightness


def test_what_the_bleed_cuts_off_is_told(picture: U8) -> None:
    """Near an edge beyond which part of the file lies, the cut is the answer."""
    bleed = 4.0
    shot = simulate_photo(
        picture,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        bleed_mm=bleed,
        capture="station",
        seed=5,
        long_side_px=900,
    )
    x, y = shot.truth.px_from_panel_mm(np.array([[WIDTH_MM - 2.0, 45.0]]))[0]
    claim = answer_claim(
        (Photo("p.jpg", "a" * 64, shot.pixels),),
        artwork(picture, bleed_mm=bleed),
        f"{x:.1f},{y:.1f}",
        None,
        rules=load_rules(),
        acceptance=load_acceptance(),
        causes=load_causes(),
        words=WORDS,
    )
    assert claim.answer.code == "cut_edge"
    assert claim.lies is not None
    assert claim.lies.past_edges_mm is not None
    assert claim.lies.past_edges_mm[2] == pytest.approx(bleed, abs=1.2)
    assert any("right edge" in text for text in wording.letter(claim, WORDS))


def test_no_sentence_promises_or_blames() -> None:
    """No refund, no fault, no apology stands in any sentence."""
    text = WORDS.model_dump_json().lower()
    for word in (
        "refund",
        "money",
        "your fault",
        "our fault",
        "sorry",
        "apolog",
        "replace",
        "free of",
    ):
        assert word not in text


def test_every_answer_has_its_words_and_every_request_its_drawing() -> None:
    """Each answer that no finding gives has a letter, and each request draws something."""
    by_findings = {entry.answer for entry in WORDS.kind.values()} | {"cannot_tell"}
    by_findings -= {"mark"}
    for code in get_args(AnswerCode):
        words = WORDS.answer[code]
        assert (words.letter is None) == (code in by_findings)
        assert (words.sure is None) == (code in by_findings)
    for code in get_args(Ask):
        assert "<path" in drawing(code) or "<rect" in drawing(code)


def test_an_assumed_size_keeps_the_files_shape(picture: U8) -> None:
    """The long side is as assumed, the aspect the file's; a bleed that leaves none is refused."""
    wide = with_assumed_size(artwork(picture), 254.0)
    assert wide.width_mm == pytest.approx(254.0)
    assert wide.height_mm == pytest.approx(254.0 * 675 / 900)
    with pytest.raises(SettingsError, match="bleed"):
        with_assumed_size(artwork(picture, bleed_mm=2000.0), 254.0)


def test_per_cent_scale_every_length(make_inspection: Callable[..., Inspection]) -> None:
    """Boxes, centres, diameters and areas are scaled alike."""
    known = make_inspection()
    told = in_per_cent(known)
    times = 100.0 / known.panel.width_mm
    assert told.placement is None
    for before, after in zip(known.findings, told.findings, strict=True):
        assert after.center_mm == pytest.approx([at * times for at in before.center_mm])
        assert after.box_mm == pytest.approx([at * times for at in before.box_mm])
        assert after.area_mm2 == pytest.approx(before.area_mm2 * times**2)
        assert "size_unknown" in after.doubts
