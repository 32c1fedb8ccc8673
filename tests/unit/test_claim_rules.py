"""Which rule answers: measured values of one small simulated photo, changed one at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dyelight.causes import load_causes
from dyelight.claim import Claim, answer_claim, load_claim_file
from dyelight.claim import words as wording
from dyelight.claim.answer import answer_of
from dyelight.claim.line_course import LineCourse
from dyelight.claim.measures import Lies, Look
from dyelight.claim.records import Answer, Evidence
from dyelight.judge import load_acceptance, load_rules
from dyelight.records import Artwork, Finding, Photo
from dyelight.simulate import drawn_artwork, simulate_photo

WIDTH_MM, HEIGHT_MM = 120.0, 90.0
WORDS = load_claim_file()


@pytest.fixture(scope="module")
def plain() -> Claim:
    """A place of a print without any mark."""
    pixels = drawn_artwork("sky", 900, 675, seed=4)
    shot = simulate_photo(
        pixels,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        capture="station",
        seed=3,
        long_side_px=800,
    )
    x, y = shot.truth.px_from_mm(np.array([[60.0, 45.0]]))[0]
    return answer_claim(
        (Photo("p.jpg", "a" * 64, shot.pixels),),
        Artwork("a.png", "b" * 64, pixels, None, WIDTH_MM, HEIGHT_MM),
        f"{x:.1f},{y:.1f}",
        None,
        rules=load_rules(),
        acceptance=load_acceptance(),
        causes=load_causes(),
        words=WORDS,
    )


def answered(
    claim: Claim,
    lies: dict[str, Any],
    pixel_mm: float = 0.1,
    found: tuple[Finding, ...] = (),
    **look: Any,
) -> Answer:
    """The answer with some values of place and look changed, and no findings but those given."""
    assert claim.look is not None
    assert claim.lies is not None
    quiet: dict[str, Any] = {
        "hidden": 0.0,
        "over_white": 0.0,
        "reflected": 0.0,
        "light_added": 0.0,
        "likeness": 0.99,
        "file_snr": 8.0,
        "unlike": 1.0,
        "stands_out": 1.0,
        "spot_snr": 2.0,
        "line_snr": 2.0,
        "opposite_lobe": 0.25,
        "line_at_edge": False,
        "bare_mm": 0.0,
        "delta_e00": 2.0,
    }
    seen: Look = replace(claim.look, **(quiet | look))
    where: Lies = replace(claim.lies, **lies)
    evidence = Evidence(
        inspection=replace(claim.inspection, findings=found),
        artwork=claim.artwork,
        size_known=True,
        file=replace(claim.file, pixel_mm=pixel_mm),
        pointed=True,
        lies=where,
        look=seen,
        long_side_px=800,
    )
    return answer_of(evidence, WORDS)


OWN_MARK: dict[str, Any] = {"stands_out": 8.0, "mark_snr": 12.0, "mark_likeness": 0.99}
AT_EDGE = {"edge": 0, "edge_mm": 1.0, "past_edges_mm": (3.0, 3.0, 3.0, 3.0)}


def test_exposure_burns_out_all_that_is_as_bright(plain: Claim) -> None:
    """A burnt-out place is a lamp's only where other bright parts of the print are not clipped."""
    burnt: dict[str, Any] = {"hidden": 1.0, "over_white": 1.0, "light_added": 0.7}
    lamp = answered(plain, {}, **burnt, bright_clipped=0.1)
    exposure = answered(plain, {}, **burnt, bright_clipped=0.95)
    assert lamp.code == "reflection"
    assert (exposure.code, exposure.reason) == ("cannot_tell", "hidden")


def test_the_bleed_cuts_where_the_outline_was_not_seen(plain: Claim) -> None:
    """The bleed says how much lies beyond an edge that the photo does not show, less surely."""
    seen = answered(plain, AT_EDGE | {"outline_seen": True})
    unseen = answered(plain, AT_EDGE | {"outline_seen": False})
    assert (seen.code, unseen.code) == ("cut_edge", "cut_edge")
    assert unseen.sure < wording.SURE <= seen.sure


def test_beside_an_unseen_edge_a_difference_is_no_mark(plain: Claim) -> None:
    """What lies beside the panel differs from the file as well."""
    unseen = answered(plain, AT_EDGE | {"outline_seen": False}, spot_snr=30.0)
    seen = answered(plain, AT_EDGE | {"outline_seen": True}, spot_snr=30.0)
    assert (unseen.code, seen.code) == ("cut_edge", "pressing")


def test_a_mark_in_a_small_file_is_told_besides(plain: Claim) -> None:
    """Softness is the answer there, no longer surely, and that the file has the mark is told."""
    soft = answered(plain, {}, pixel_mm=0.6)
    marked = answered(plain, {}, pixel_mm=0.6, **OWN_MARK)
    assert (soft.code, marked.code) == ("soft_file", "soft_file")
    assert "in_file" in marked.also
    assert marked.sure < wording.SURE <= soft.sure


def test_streaks_in_a_small_file_are_less_sure(
    plain: Claim, make_finding: Callable[..., Finding]
) -> None:
    """The file's own pixels, as large as they are, run in lines through the print as well."""
    streaks = make_finding(1, "streaks", (60.0, 45.0), (120.0, 90.0))
    streaks = replace(streaks, extent="panel", confidence=0.95, doubts=())
    seen: dict[str, Any] = {"found": (streaks,), "line_snr": 4.5, "file_snr": 8.0}
    fine, coarse = answered(plain, {}, **seen), answered(plain, {}, 0.6, **seen)
    assert (fine.code, coarse.code) == ("printing", "printing")
    assert "soft_file" in coarse.also
    assert coarse.sure < wording.SURE <= fine.sure


def test_the_hem_of_a_reflection_leaves_the_files_mark(plain: Claim) -> None:
    """Where hardly any light was added, a mark of the file stays the file's."""
    hem = answered(plain, {}, reflected=1.0, light_added=0.01, **OWN_MARK)
    under = answered(plain, {}, reflected=1.0, light_added=0.2, **OWN_MARK)
    assert (hem.code, under.code) == ("in_file", "reflection")


def test_a_noisy_mark_of_the_file_needs_contrast(plain: Claim) -> None:
    """A mark that the photo cannot show is not said to be the file's."""
    weak = answered(plain, {}, **(OWN_MARK | {"mark_snr": 1.0}), likeness=0.5)
    assert weak.code == "cannot_tell"


def test_the_files_mark_may_be_brighter_than_expected(plain: Claim) -> None:
    """Where the file has the same mark, a bit more of it in the photo is no other mark."""
    for strength, code in ((1.2, "in_file"), (2.0, "mark")):
        spot = strength * WORDS.limit.spot_snr.value
        assert answered(plain, {}, spot_snr=spot, **OWN_MARK).code == code
    assert answered(plain, {}, spot_snr=1.2 * WORDS.limit.spot_snr.value).code == "mark"


def test_a_line_at_the_place_is_named_and_told(plain: Claim) -> None:
    """A line that no search found has its kind, its length and its doubt in the letter."""
    answer = answered(plain, {}, line_snr=30.0, line=LineCourse(0.999, 14.0, 0.7), line_dark=False)
    assert (answer.code, answer.kind, answer.finding) == ("handling", "scratch", None)
    told = replace(plain, answer=answer)
    assert wording.answer_title(told, WORDS).startswith("Scratch: ")
    letter = " ".join(wording.letter(told, WORDS))
    assert "14.0 mm long" in letter
    assert "another kind of mark is possible" in letter


def test_a_place_that_differs_is_not_said_to_agree(plain: Claim) -> None:
    """A plain difference of colour is unclear where nothing explains it."""
    answer = answered(plain, {}, delta_e00=25.0, likeness=0.1, file_snr=1.0)
    assert (answer.code, answer.reason) == ("cannot_tell", "unclear")


DARK_LINE = LineCourse(0.998, 5.5, 0.5)


@pytest.mark.parametrize(
    ("lobe", "code", "kind"),
    [(0.6, "handling", "dent"), (0.05, "pressing", "dust_speck"), (0.25, "mark", None)],
)
def test_a_spot_answers_more_to_a_spots_filter(
    plain: Claim, lobe: float, code: str, kind: str | None
) -> None:
    """What the line's filter makes of a spot is no line; its sides tell a dent from a speck."""
    spot_or_line: dict[str, Any] = {
        "line_snr": 10.0,
        "line": DARK_LINE,
        "line_dark": True,
        "opposite_lobe": lobe,
    }
    spot = answered(plain, {}, spot_snr=14.0, **spot_or_line)
    line = answered(plain, {}, spot_snr=8.0, **spot_or_line)
    assert (spot.code, spot.kind) == (code, kind)
    assert (line.code, line.kind) == ("pressing", "fibre")


def test_a_spot_of_unknown_size_is_told_without_one(plain: Claim) -> None:
    """The letter leaves the size out where none was measured."""
    answer = answered(plain, {}, spot_snr=14.0, opposite_lobe=0.6)
    letter = wording.customer_answer(replace(plain, answer=answer), WORDS)
    assert letter.startswith("There the surface seems to be dented. ")


def test_a_line_along_the_edge_is_the_edges_own(plain: Claim) -> None:
    """A rim or a shadow is neither fibre nor scratch."""
    line: dict[str, Any] = {"line_snr": 30.0, "line": DARK_LINE, "line_dark": True}
    at_edge: dict[str, Any] = AT_EDGE | {"outline_seen": True}
    assert answered(plain, at_edge, **line).kind == "fibre"
    assert answered(plain, at_edge, line_at_edge=True, **line).code == "mark"


def test_what_sharpening_leaves_on_letters_gathers_nowhere(plain: Claim) -> None:
    """Photo and file agree for all that compression does to edges, unless some of it stands out."""
    letters: dict[str, Any] = OWN_MARK | {"file_snr": 15.0, "unlike": 4.0, "likeness": 0.97}
    assert answered(plain, {}, **letters).code == "in_file"
    assert answered(plain, {}, spot_snr=6.0, **letters).code == "cannot_tell"
    assert answered(plain, {}, **(letters | {"likeness": 0.9})).code == "cannot_tell"


def test_a_place_in_a_bare_strip_is_the_bare_edge(plain: Claim) -> None:
    """Within the strip, and with its width in the letter; further in it is no answer."""
    lies: dict[str, Any] = AT_EDGE | {"outline_seen": True, "slack_mm": 0.5}
    bare = answered(plain, lies, bare_mm=2.0, line_snr=20.0)
    assert (bare.code, bare.kind) == ("pressing", "bare_edge")
    letter = wording.customer_answer(replace(plain, answer=bare), WORDS)
    assert "a strip without print, 2.0 mm wide" in letter
    assert answered(plain, lies | {"edge_mm": 3.0}, bare_mm=2.0).code == "cut_edge"
    assert answered(plain, lies, bare_mm=0.4).code == "cut_edge"


def test_coating_that_came_away_at_an_edge_is_no_line(plain: Claim) -> None:
    """A line covers little of the place; where most of it differs there is a patch."""
    lies: dict[str, Any] = AT_EDGE | {"outline_seen": True}
    cut: dict[str, Any] = {"line_snr": 20.0, "line": LineCourse(1.0, 26.0, 0.9), "line_dark": False}
    seen = cut | {"likeness": 0.7, "unlike": 7.0}
    patch = answered(plain, lies, delta_e00=30.0, **seen)
    line = answered(plain, lies, delta_e00=4.0, **seen)
    lit = answered(plain, lies, delta_e00=30.0, reflected=1.0, light_added=0.2, **seen)
    assert (patch.code, patch.kind) == ("pressing", "coating_lift")
    assert line.kind == "scratch"
    assert lit.kind != "coating_lift"
    assert answered(plain, lies | {"edge_mm": 30.0}, delta_e00=30.0, **seen).kind == "scratch"


@pytest.mark.parametrize(
    "mark",
    [
        {"spot_snr": 20.0, "opposite_lobe": 0.8},
        {"line_snr": 20.0, "line": LineCourse(0.999, 6.0, 0.9), "line_dark": False},
    ],
)
def test_a_small_mark_at_an_edge_is_coating_that_came_away(
    plain: Claim, mark: dict[str, Any]
) -> None:
    """Its raised rim has two sides, as a dent has, and it may be as narrow as a line."""
    lies: dict[str, Any] = AT_EDGE | {"outline_seen": True}
    at_edge, inside = answered(plain, lies, **mark), answered(plain, {}, **mark)
    assert (at_edge.code, at_edge.kind) == ("pressing", "coating_lift")
    assert inside.code == "handling"
    assert answered(plain, lies, line_at_edge=True, **mark).kind == (
        "coating_lift" if "spot_snr" in mark else None
    )


def test_a_finding_beside_the_place_explains_what_is_left_over_there(
    plain: Claim, make_finding: Callable[..., Finding]
) -> None:
    """The file has a mark there too, but not the one that shows."""
    cut = replace(make_finding(1, "scratch", (61.5, 45.0), (2.0, 0.5)), confidence=0.8)
    lies: dict[str, Any] = {"slack_mm": 3.0}
    shown = answered(plain, lies, found=(cut,), line_snr=20.0, line=None, **OWN_MARK)
    quiet = answered(plain, lies, found=(cut,), **OWN_MARK)
    assert (shown.code, shown.finding) == ("handling", cut)
    assert quiet.code == "in_file"


def test_the_cut_of_a_bare_strip_is_no_line_of_its_own(
    plain: Claim, make_finding: Callable[..., Finding]
) -> None:
    """A strip without print is told before the smaller line that its end was found as."""
    strip = make_finding(1, "bare_edge", (60.0, 45.0), (100.0, 4.0))
    line = make_finding(2, "crease_line", (60.0, 45.0), (90.0, 2.0))
    assert answered(plain, {}, found=(strip, line)).finding == strip


def test_little_light_shows_where_the_print_is_dark(plain: Claim) -> None:
    """Where the place is plainly lighter, and not where it is not, nor by lost dye alone."""
    lighter: dict[str, Any] = {"delta_e00": 4.5, "delta_l": 4.0, **OWN_MARK}
    assert answered(plain, {}, light_added=0.02, **lighter).code == "reflection"
    assert answered(plain, {}, light_added=0.0, **lighter).code == "in_file"
    even: dict[str, Any] = {"delta_e00": 2.0, "delta_l": 1.0, **OWN_MARK}
    assert answered(plain, {}, light_added=0.02, **even).code == "in_file"


@pytest.mark.parametrize("change", [{"line_snr": 6.0}, {"spot_snr": 6.0}, {"delta_e00": 6.0}])
def test_what_is_left_over_takes_sureness(plain: Claim, change: dict[str, Any]) -> None:
    """It is too little to be named and too much to be denied."""
    quiet, doubted = answered(plain, {}, **OWN_MARK), answered(plain, {}, **OWN_MARK, **change)
    assert (quiet.code, doubted.code) == ("in_file", "in_file")
    assert doubted.sure < wording.SURE <= quiet.sure
    light: dict[str, Any] = {"reflected": 1.0, "light_added": 0.2}
    lit, crossed = (answered(plain, {}, **light, **more) for more in ({}, {"line_snr": 6.0}))
    assert (lit.code, crossed.code) == ("reflection", "reflection")
    assert crossed.sure < wording.SURE <= lit.sure


def test_a_short_dark_line_that_may_be_a_spot_is_lint(plain: Claim) -> None:
    """It fills little of a line's filter; what answers to it much less is none."""
    short: dict[str, Any] = {"line_snr": 12.0, "line": DARK_LINE, "line_dark": True}
    assert answered(plain, {}, spot_snr=14.0, **short).kind == "fibre"
    assert answered(plain, {}, spot_snr=18.0, **short).code == "mark"


def test_a_speck_that_is_a_piece_of_a_line_is_the_line(
    plain: Claim, make_finding: Callable[..., Finding]
) -> None:
    """A scratch that a hair of the picture breaks in two is found as specks."""
    piece = make_finding(1, "dust_speck", (60.0, 45.0), (4.5, 1.0))
    piece = replace(piece, tone="light", features={"elongation": 4.0, "length_mm": 4.5})
    line: dict[str, Any] = {"line_snr": 30.0, "spot_snr": 14.0, "line_dark": False}
    longer = answered(plain, {}, found=(piece,), line=LineCourse(0.999, 10.5, 0.77), **line)
    itself = answered(plain, {}, found=(piece,), line=LineCourse(0.999, 5.0, 0.77), **line)
    assert (longer.code, longer.kind, longer.explained) == ("handling", "scratch", piece)
    assert (itself.code, itself.kind) == ("pressing", "dust_speck")


def test_a_place_beside_a_finding_is_not_surely_the_files_own(
    plain: Claim, make_finding: Callable[..., Finding]
) -> None:
    """Of a patch with a ragged outline the place is a part; of a speck it is not."""
    lies: dict[str, Any] = {"slack_mm": 3.0}
    patch = make_finding(1, "vapour_spot", (68.5, 45.0), (14.0, 10.0))
    patch = replace(patch, delta_e00=4.5, doubts=())
    speck = replace(make_finding(2, "dust_speck", (62.0, 45.0), (1.0, 1.0)), delta_e00=4.5)
    within = answered(plain, lies, found=(patch,), delta_e00=4.7, **OWN_MARK)
    beside = answered(plain, lies, found=(speck,), delta_e00=4.7, **OWN_MARK)
    alone = answered(plain, lies, delta_e00=4.7, **OWN_MARK)
    assert within.finding == patch
    assert (beside.code, alone.code) == ("in_file", "in_file")
    assert beside.sure < wording.SURE <= alone.sure
    assert "other_kind" in beside.also
