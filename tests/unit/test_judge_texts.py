"""Sentences for people: nothing that can be said is left without one."""

from __future__ import annotations

from typing import get_args, get_type_hints

import pytest

from dyelight.judge import load_rules
from dyelight.judge.rules import KINDS
from dyelight.judge.texts import (
    cautions_for,
    doubt_text,
    kind_meaning,
    kind_title,
    load_texts,
    note_text,
    pattern_meaning,
    retake_text,
    severity_meaning,
    verdict_meaning,
    verdict_title,
    zone_title,
)
from dyelight.records import DefectClass, Kind, NoPlacement, Note, Pattern, Tone, VerdictWord, Zone

RULES = load_rules()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_title_and_meaning(kind: Kind) -> None:
    """Titles and meanings come from the rules file."""
    assert kind_title(kind) == RULES.kinds[kind].title
    assert kind_meaning(kind) == RULES.kinds[kind].meaning


def test_every_word_of_the_records_has_its_texts() -> None:
    """Verdicts, classes, zones, patterns and tones are all explained."""
    notes = load_texts().notes
    assert set(notes.verdict) == set(get_args(VerdictWord))
    assert set(notes.severity) == set(get_args(DefectClass))
    assert set(notes.zone) == set(get_args(Zone))
    assert set(notes.pattern) == set(get_args(Pattern))
    assert set(notes.tone) == set(get_args(Tone))
    assert verdict_title("remake") == "Remake"
    assert verdict_meaning("review").endswith(".")
    assert severity_meaning("minor").endswith(".")
    assert zone_title("A") == "face"
    assert pattern_meaning("slip").endswith(".")


def test_every_doubt_that_naming_can_raise_has_a_sentence() -> None:
    """Each doubt of the rules, each runner-up kind and the unknown size are told."""
    codes = {doubt.code for doubt in RULES.doubts} | {"size_unknown"}
    codes |= {f"or_{kind}" for kind in KINDS if kind != "unexplained"}
    assert codes == set(load_texts().notes.doubt)


def test_an_unknown_doubt_is_told_in_its_own_words() -> None:
    """A rules file may bring a code of its own; it is not lost."""
    assert doubt_text("seen_by_night") == "Seen by night."


def test_every_reason_for_no_placement_has_a_remedy() -> None:
    """Each reason of the placement stage has sentence and remedy; an unknown one falls back."""
    reasons = get_args(get_type_hints(NoPlacement)["reason"])
    for reason in reasons:
        text, remedy = retake_text(reason)
        assert text.endswith(".")
        assert remedy.endswith(".")
    assert set(load_texts().notes.retake) == set(reasons)
    assert retake_text("no such reason") == retake_text("unsure")


def test_a_note_without_more_to_say_stays_as_it_is() -> None:
    """A note's own sentence stands alone where notes.toml adds nothing."""
    assert note_text(Note("a_code_of_no_one", "The photo is small.")) == "The photo is small."


def test_a_note_with_something_to_do_says_it() -> None:
    """Advice for a note's code follows its own sentence."""
    told = note_text(Note("first_frame", "The file holds several pictures."))
    assert told.startswith("The file holds several pictures. ")
    assert told.endswith(load_texts().notes.note["first_frame"].text)


def test_general_cautions_are_always_said() -> None:
    """Hot work and the makers' instructions are named on every report, others by kind."""
    always = cautions_for([])
    assert any("204 °C" in text for text in always)
    assert any("makers' instructions" in text for text in always)
    assert not any("Steam" in text for text in always)
    assert any("Steam" in text for text in cautions_for(["vapour_spot"]))
    assert any("licensed" in text for text in cautions_for(["uneven_press"]))
    assert any("sharp" in text for text in cautions_for(["dent"]))
