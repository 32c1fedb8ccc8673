"""claim.html and claim.json: what stands in them, and what must never."""

from __future__ import annotations

import base64
import io
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from dyelight.causes import load_causes
from dyelight.claim import Claim, answer_claim, load_claim_file
from dyelight.claim import words as wording
from dyelight.claim.page import claim_html, claim_text
from dyelight.judge import load_acceptance, load_rules
from dyelight.records import Artwork, Photo
from dyelight.simulate import PlantedDefect, drawn_artwork, simulate_photo

WORDS = load_claim_file()
SPECK = PlantedDefect("dust_speck", (85.0, 30.0), 1.5, strength=0.9)


@pytest.fixture(scope="module")
def claim() -> Claim:
    """A speck that a box points to, on a panel of a known size."""
    picture = drawn_artwork("fabric", 900, 675, seed=4)
    shot = simulate_photo(
        picture,
        width_mm=120.0,
        height_mm=90.0,
        capture="station",
        defects=(SPECK,),
        seed=3,
        long_side_px=900,
    )
    x, y = shot.truth.px_from_panel_mm(np.array([SPECK.center_mm]))[0]
    return answer_claim(
        (Photo("/home/someone/<b>photo</b>.jpg", "a" * 64, shot.pixels),),
        Artwork("/srv/art/heron.png", "b" * 64, picture, None, 120.0, 90.0),
        None,
        f"{x - 12:.0f},{y - 12:.0f},{x + 12:.0f},{y + 12:.0f}",
        rules=load_rules(),
        acceptance=load_acceptance(),
        causes=load_causes(),
        words=WORDS,
    )


@pytest.fixture(scope="module")
def page(claim: Claim) -> str:
    return claim_html(claim, WORDS, "Case <7>")


def test_the_page_is_one_file_without_scripts_or_addresses(page: str) -> None:
    """It opens nothing, runs nothing, and escapes names."""
    assert not re.search(r"<script|https?://|<link|src=\"(?!data:image/jpeg)", page)
    assert "<b>photo" not in page
    assert "Case &lt;7&gt;" in page


def test_folders_of_the_machine_stay_out(page: str) -> None:
    """Only file names are told, not where they lie."""
    assert "/home/someone" not in page
    assert "/srv/art" not in page


def test_pictures_carry_no_metadata(page: str) -> None:
    """Photo, place, file and difference are there as JPEG without any Exif."""
    uris = re.findall(r'src="data:image/jpeg;base64,([^"]+)"', page)
    assert len(uris) == 4
    for uri in uris:
        with Image.open(io.BytesIO(base64.b64decode(uri))) as picture:
            assert not picture.getexif()
            assert min(picture.size) > 100


def test_the_letter_can_be_edited_and_says_the_answer(page: str, claim: Claim) -> None:
    """The letter's field can be edited, is named, and holds the answer's own words."""
    assert 'contenteditable="true"' in page
    assert 'role="textbox"' in page
    assert claim.answer.finding is not None
    assert claim.answer.finding.kind == "dust_speck"
    assert "small spot that the file does not have" in page


def test_requests_come_with_drawings(page: str, claim: Claim) -> None:
    """Every photo that is asked for has one drawing."""
    assert claim.answer.asks
    assert page.count('class="drawing"') == len(claim.answer.asks)


def test_what_the_photo_cannot_show_is_told(page: str) -> None:
    """Exposure, colour of the light, and the time of a mark are always named."""
    for name in ("exposure", "colour", "when"):
        assert WORDS.unseen[name].text in page.replace("&#39;", "'")


def test_data_hold_the_answer_and_the_whole_result(claim: Claim) -> None:
    """claim.json names the place, the answer with its grounds, the letter, and the result."""
    data = json.loads(claim_text(claim, WORDS, "7"))
    assert data["schema_version"] == 1
    assert data["case"] == "7"
    assert len(data["place"]["photo_px"]) == 4
    assert data["place"]["center_mm"] == pytest.approx(SPECK.center_mm, abs=1.0)
    assert data["answer"]["code"] == "pressing"
    assert data["answer"]["kind"] == "dust_speck"
    assert {"name", "value", "limit", "unit"} == set(data["answer"]["grounds"][0])
    assert data["result"]["findings"][0]["kind"] == "dust_speck"


def test_names_of_files_in_data_hold_no_folders(claim: Claim) -> None:
    """The result in claim.json tells names alone, too."""
    text = claim_text(claim, WORDS)
    assert "/home/someone" not in text
    assert "/srv/art" not in text


@pytest.mark.parametrize(
    ("center_mm", "told"),
    [
        ((10.0, 10.0), "in the upper left part"),
        ((60.0, 45.0), "in the middle of the picture"),
        ((60.0, 80.0), "in the lower part"),
        ((110.0, 45.0), "in the right part of the picture, halfway up"),
        ((130.0, -2.0), "in the upper right part"),
    ],
)
def test_places_are_told_in_words(claim: Claim, center_mm: tuple[float, float], told: str) -> None:
    """Nine parts of the picture have names; places beside it belong to the nearest."""
    assert told in wording.where_words(claim, center_mm)


def test_sureness_is_told_in_the_letter(claim: Claim) -> None:
    """A surer answer is worded as surer."""
    sure = replace(claim, answer=replace(claim.answer, sure=0.95))
    guess = replace(claim, answer=replace(claim.answer, sure=0.5))
    assert WORDS.letter["sure"].text in " ".join(wording.letter(sure, WORDS))
    assert WORDS.letter["guess"].text in " ".join(wording.letter(guess, WORDS))
