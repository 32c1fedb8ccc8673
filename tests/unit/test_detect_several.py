"""What several photos of one panel saw, merged: made-up differences with known contents."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from dyelight.detect.capture import hidden_from_all
from dyelight.detect.forced import Layer, Layers, second_look
from dyelight.detect.several import merged
from dyelight.detect.sight import Sight
from dyelight.records import F32, F64, Artwork, Candidate, Capture, Mask, NoPlacement, Note, Photo

WIDTH_MM, HEIGHT_MM = 80.0, 60.0
PER_MM = 4.0
NOISE = 0.004
DISC_DE00 = 8.0

ARTWORK = Artwork("art.png", "a" * 64, np.zeros((60, 80, 3), np.uint8), None, WIDTH_MM, HEIGHT_MM)


@dataclass(frozen=True)
class Disc:
    """A round difference, root light over the lit white's, above 0 lighter."""

    center_mm: tuple[float, float]
    radius_mm: float
    height: float


def ring(disc: Disc) -> F64:
    turn = np.linspace(0, 2 * np.pi, 32, endpoint=False)
    return np.array(disc.center_mm) + disc.radius_mm * np.stack([np.cos(turn), np.sin(turn)], 1)


def candidate(disc: Disc, family: str = "patch", snr: float = 12.0, **fields: Any) -> Candidate:
    """What a detector would make of a disc."""
    outline = ring(disc)
    low, high = outline.min(0), outline.max(0)
    area = float(np.pi * disc.radius_mm**2)
    # what merging and the settling of doubles read of a mark
    features = {
        "snr": snr,
        "eq_diameter_mm": 2 * disc.radius_mm,
        "width_mm": 2 * disc.radius_mm,
        "edge_blur_ratio": 1.0,
        "peak_de00": DISC_DE00,
    }
    values: dict[str, Any] = {
        "family": family,
        "center_mm": disc.center_mm,
        "box_mm": (float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        "outline_mm": outline,
        "area_mm2": area,
        "delta_e00": DISC_DE00,
        "snr": snr,
        "tone": "light" if disc.height > 0 else "dark",
        "features": features,
    }
    return Candidate(**(values | fields))


def residual(discs: tuple[Disc, ...], seed: int) -> F32:
    size = (int(HEIGHT_MM * PER_MM), int(WIDTH_MM * PER_MM))
    out = np.random.default_rng(seed).normal(0, NOISE, size).astype(np.float32)
    y, x = (np.indices(size) + 0.5) / PER_MM
    for disc in discs:
        away = np.hypot(x - disc.center_mm[0], y - disc.center_mm[1])
        out[away < disc.radius_mm] += np.float32(disc.height)
    return out


def to_px(points_mm: F64) -> F64:
    return np.asarray(points_mm * PER_MM - 0.5)


def layers(
    *discs: Disc, seed: int = 0, usable: Mask | None = None, off_metal: Mask | None = None
) -> Layers:
    """A photo's difference that holds these discs; fine and broad are the same."""
    image = residual(discs, seed)
    seen = np.ones(image.shape, bool) if usable is None else usable
    layer = Layer(image.astype(np.float16), seen, PER_MM, 1.0, to_px)
    off = np.zeros(image.shape, bool) if off_metal is None else off_metal
    return Layers(layer, layer, layer, off, HEIGHT_MM, 0.4, 1.0)


def box_mask(x0: float, y0: float, x1: float, y1: float) -> Mask:
    """True within a box in mm."""
    mask = np.zeros((int(HEIGHT_MM * PER_MM), int(WIDTH_MM * PER_MM)), bool)
    mask[int(y0 * PER_MM) : int(y1 * PER_MM), int(x0 * PER_MM) : int(x1 * PER_MM)] = True
    return mask


def photo_sight(
    name: str, *candidates: Candidate, seen: Layers | None = None, **fields: Any
) -> Sight:
    capture = Capture(10.0, 1.0, 0.0, (), 0.4, 1.0, ())
    # the panel lies elsewhere in each photo, so that they were taken from different places
    shift = 0.05 * (1 + ord(name[0]) - ord("a"))
    view = np.array([[0, 0], [0.8, 0], [0.8, 0.6], [0, 0.6]]) + shift
    values: dict[str, Any] = {
        "photo": name,
        "candidates": candidates,
        "capture": capture,
        "panel_from_artwork": np.eye(3),
        "view": view,
        "uncertainty_mm": 0.02,
        "layers": seen,
    }
    return Sight(**(values | fields))


SPOT = Disc((30.0, 30.0), 3.0, 0.05)
ELSEWHERE = Disc((60.0, 20.0), 3.0, 0.05)


def test_a_spot_in_both_photos_is_one_thing_with_the_evidence_of_both() -> None:
    """Two sightings of SNR 12 and 9 make one of 15, measured by the better one."""
    better, worse = candidate(SPOT, snr=12.0), candidate(SPOT, snr=9.0, delta_e00=7.0)
    both = merged(
        [
            photo_sight("a.jpg", worse, seen=layers(SPOT, seed=1)),
            photo_sight("b.jpg", better, seen=layers(SPOT, seed=2)),
        ],
        (),
        ARTWORK,
    )
    (one,) = both.candidates
    assert one.snr == pytest.approx(15.0)
    assert one.features["snr"] == pytest.approx(15.0)
    assert one.features["photos_seen"] == 2
    assert one.delta_e00 == better.delta_e00
    assert both.views == 2


def test_the_clearer_word_against_an_edge_out_of_place_counts() -> None:
    """A mark keeps the larger edge shift of the photos that saw it, whichever measured it."""
    marks = [candidate(SPOT, "point", snr=snr) for snr in (12.0, 9.0)]
    shifts = (1.2, 2.4)
    sights = [
        photo_sight(
            name,
            replace(mark, features=mark.features | {"edge_shift_px": shift}),
            seen=layers(SPOT, seed=seed),
        )
        for name, mark, shift, seed in zip(("a.jpg", "b.jpg"), marks, shifts, (1, 2), strict=True)
    ]
    (one,) = merged(sights, (), ARTWORK).candidates
    assert one.features["edge_shift_px"] == 2.4


@pytest.mark.parametrize("family", ["patch", "point"])
def test_what_moves_is_dropped(family: str) -> None:
    """A light spot at one place in one photo and at another in the other is a reflection."""
    moving = merged(
        [
            photo_sight("a.jpg", candidate(SPOT, family), seen=layers(SPOT, seed=1)),
            photo_sight("b.jpg", candidate(ELSEWHERE, family), seen=layers(ELSEWHERE, seed=2)),
        ],
        (),
        ARTWORK,
    )
    assert moving.candidates == ()


def test_what_the_other_photo_cannot_judge_stays_as_seen_once() -> None:
    """Where the other photo is hidden there is no second word, and the doubts of one photo stay."""
    blind = ~box_mask(20, 20, 40, 40)
    (kept,) = merged(
        [
            photo_sight("a.jpg", candidate(SPOT), seen=layers(SPOT, seed=1)),
            photo_sight("b.jpg", seen=layers(seed=2, usable=blind)),
        ],
        (),
        ARTWORK,
    ).candidates
    assert kept.features["photos_seen"] == 1
    assert kept.snr == 12.0


def test_a_spot_that_the_other_photo_shows_without_reporting_it_counts_twice() -> None:
    """Forced photometry finds a spot that the other photo's own detector missed."""
    (kept,) = merged(
        [
            photo_sight("a.jpg", candidate(SPOT), seen=layers(SPOT, seed=1)),
            photo_sight("b.jpg", seen=layers(SPOT, seed=2)),
        ],
        (),
        ARTWORK,
    ).candidates
    assert kept.features["photos_seen"] == 2
    assert kept.snr > 13


def test_light_on_top_of_a_defect_does_not_hide_the_defect() -> None:
    """A spot under a reflection in one photo is measured by the other."""
    glare = Disc((31.0, 30.0), 8.0, 0.2)
    (kept,) = merged(
        [
            photo_sight(
                "a.jpg",
                candidate(glare, snr=40.0, delta_e00=20.0),
                seen=layers(SPOT, glare, seed=1),
            ),
            photo_sight("b.jpg", candidate(SPOT), seen=layers(SPOT, seed=2)),
        ],
        (),
        ARTWORK,
    ).candidates
    assert kept.center_mm == SPOT.center_mm


def test_what_both_photos_together_would_not_report_is_dropped() -> None:
    """A mark just over the bar in one noisy photo, and hardly there in the other, is chance."""
    faint = Disc((30.0, 30.0), 1.0, 0.014)
    weak = candidate(faint, "point", snr=6.5)
    alone = [photo_sight("a.jpg", weak, seen=layers(faint, seed=1))]
    hardly = photo_sight("b.jpg", seen=layers(replace(faint, height=0.002), seed=2))
    assert len(merged(alone, (), ARTWORK).candidates) == 1
    assert merged([*alone, hardly], (), ARTWORK).candidates == ()


def test_what_is_as_wide_as_light_must_come_again() -> None:
    """A faint patch over much of the panel is dropped where the other photo does not report it."""
    wide = Disc((40.0, 30.0), 22.0, 0.01)
    a = photo_sight("a.jpg", candidate(wide, delta_e00=1.5), seen=layers(wide, seed=1))
    b = photo_sight("b.jpg", candidate(wide, delta_e00=1.4), seen=layers(wide, seed=2))
    assert merged([a, replace(b, candidates=())], (), ARTWORK).candidates == ()
    (kept,) = merged([a, b], (), ARTWORK).candidates
    assert kept.features["photos_seen"] == 2
    moved = candidate(replace(wide, center_mm=(20.0, 30.0)), delta_e00=1.4)
    assert merged([a, replace(b, candidates=(moved,))], (), ARTWORK).candidates == ()


def test_a_spot_beyond_the_panels_edge_in_the_other_photo_is_dropped() -> None:
    """Where the other photo shows bench, not metal, there is no defect of the panel."""
    rim = Disc((2.0, 30.0), 1.5, 0.05)
    ground = box_mask(0, 0, 4, HEIGHT_MM)
    seen = second_look(
        candidate(rim), layers(rim), layers(off_metal=ground, usable=~ground), ring(rim), 0.3
    )
    assert seen.word == "absent"


def test_a_shift_of_print_against_metal_is_taken_out() -> None:
    """Places are matched by the picture, and told in the first photo's panel millimetres."""
    moved = np.array([[1, 0, 1.5], [0, 1, -0.5], [0, 0, 1]], np.float64)
    in_panel = replace(SPOT, center_mm=(SPOT.center_mm[0] + 1.5, SPOT.center_mm[1] - 0.5))
    (one,) = merged(
        [
            photo_sight("a.jpg", candidate(SPOT, snr=9.0), seen=layers(SPOT, seed=1)),
            photo_sight(
                "b.jpg",
                candidate(in_panel, snr=12.0),
                seen=layers(SPOT, seed=2),
                panel_from_artwork=moved,
            ),
        ],
        (),
        ARTWORK,
    ).candidates
    assert one.features["photos_seen"] == 2
    assert one.center_mm == pytest.approx(SPOT.center_mm)


def test_photos_from_one_place_are_one_witness() -> None:
    """A second photo from the same place takes no doubt away, and a note says so."""
    first = photo_sight("a.jpg", candidate(SPOT), seen=layers(SPOT, seed=1))
    again = photo_sight("b.jpg", candidate(SPOT), seen=layers(SPOT, seed=2), view=first.view)
    both = merged([first, again], (), ARTWORK)
    assert both.candidates[0].features["photos_seen"] == 1
    assert both.views == 1
    (note,) = (note for note in both.capture.notes if note.code == "same_place")
    assert note.text.startswith("b.jpg was taken from the same place as a.jpg")


def test_the_panels_colour_must_be_seen_by_all() -> None:
    """A change of the whole panel stays where every photo sees it, as the mildest has it."""
    strong = candidate(SPOT, "panel", extent="panel", delta_e00=9.0)
    mild = replace(strong, delta_e00=6.0)
    a, b = photo_sight("a.jpg", strong, seen=layers()), photo_sight("b.jpg", mild, seen=layers())
    (kept,) = merged([a, b], (), ARTWORK).candidates
    assert kept.delta_e00 == 6.0
    assert kept.features["photos_seen"] == 2
    assert merged([a, replace(b, candidates=())], (), ARTWORK).candidates == ()


def double(vector: tuple[float, float], snr: float) -> Candidate:
    made = candidate(SPOT, "double", snr=snr, extent="panel", tone="mixed", vector_mm=vector)
    return replace(made, features={"snr": snr, "shift_mm": float(np.hypot(*vector))})


def test_second_images_agree_by_their_shift() -> None:
    """The same shift twice is one second image; a strong one that only one photo has is shake."""
    a = photo_sight("a.jpg", double((1.0, 0.5), 20.0), seen=layers())
    b = photo_sight("b.jpg", double((1.1, 0.4), 15.0), seen=layers())
    (kept,) = merged([a, b], (), ARTWORK).candidates
    assert kept.snr == pytest.approx(25.0)
    assert kept.features["photos_seen"] == 2
    assert merged([a, replace(b, candidates=())], (), ARTWORK).candidates == ()
    faint = photo_sight("a.jpg", double((1.0, 0.5), 7.0), seen=layers())
    (kept,) = merged([faint, replace(b, candidates=())], (), ARTWORK).candidates
    assert kept.features["photos_seen"] == 1


def test_border_strips_are_told_once_for_each_side() -> None:
    """Strips along one side are one, strips along two sides are two."""

    def strip(box: tuple[float, float, float, float], snr: float) -> Candidate:
        return candidate(SPOT, "border", snr=snr, box_mm=box)

    top, again = strip((0, 0, 80, 2), 30.0), strip((5, 0, 80, 1.8), 40.0)
    left = strip((0, 0, 2, 60), 9.0)
    found = merged(
        [
            photo_sight("a.jpg", top, left, seen=layers()),
            photo_sight("b.jpg", again, seen=layers()),
        ],
        (),
        ARTWORK,
    ).candidates
    assert [(one.box_mm, one.features["photos_seen"]) for one in found] == [
        (again.box_mm, 2),
        (left.box_mm, 1),
    ]


def square(x0: float, y0: float, x1: float, y1: float) -> F64:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], np.float64)


def test_only_what_no_photo_shows_is_hidden() -> None:
    """Hidden areas are those that all photos have in common."""
    outlines, share = hidden_from_all(
        [[square(0, 0, 40, 60)], [square(20, 0, 60, 60), square(70, 0, 80, 60)]], ARTWORK
    )
    assert share == pytest.approx(0.25, abs=0.01)
    (outline,) = outlines
    assert outline.min(0) == pytest.approx([20, 0], abs=0.3)
    assert outline.max(0) == pytest.approx([40, 60], abs=0.3)
    assert hidden_from_all([[square(0, 0, 40, 60)], []], ARTWORK) == ((), 0.0)


def test_a_photo_is_usable_beside_others_that_show_what_it_hides() -> None:
    """Two photos that each hide most of the panel can carry a verdict together."""
    left, right = (
        Capture(10.0, 1.0, 0.6, (square(*box),), speck, 2.0, (Note("hidden", "Hidden."),))
        for box, speck in (((0, 0, 48, 60), 0.3), ((32, 0, 80, 60), 0.7))
    )
    both = merged(
        [
            photo_sight("a.jpg", seen=layers(), capture=replace(right, px_per_mm=5.0)),
            photo_sight("b.jpg", seen=layers(), capture=left),
        ],
        (),
        ARTWORK,
    )
    assert both.usable
    assert both.capture.hidden_fraction == pytest.approx(0.2, abs=0.01)
    assert both.capture.px_per_mm == 10.0
    assert both.capture.smallest_speck_mm == 0.3
    # the hint is about what no photo shows, and so is said of no single one
    (note,) = both.capture.notes
    assert note.code == "hidden"
    assert "jpg" not in note.text


def photo(name: str) -> Photo:
    return Photo(name, "b" * 64, np.zeros((4, 4, 3), np.uint8))


OTHER = NoPlacement("wrong_artwork", "The photo shows another picture.", "Check the file.")
DARK = NoPlacement("too_dark", "The photo is too dark.", "Add light.")


def test_a_photo_of_another_panel_stops_no_other_photo() -> None:
    """It becomes a note that names its file."""
    panel = merged(
        [photo_sight("a.jpg", candidate(SPOT), seen=layers(SPOT))],
        [(photo("c.jpg"), OTHER)],
        ARTWORK,
    )
    assert panel.usable
    assert [one.family for one in panel.candidates] == ["patch"]
    assert panel.candidates[0].features["photos_seen"] == 1
    (note,) = panel.capture.notes
    assert note == Note("wrong_artwork", "c.jpg: The photo shows another picture. Check the file.")


def test_without_any_placed_photo_another_picture_decides() -> None:
    """One of another picture and one too dark is a wrong artwork; two dark ones are a retake."""
    wrong = merged([], [(photo("a.jpg"), DARK), (photo("b.jpg"), OTHER)], ARTWORK)
    assert wrong.usable
    assert [one.features for one in wrong.candidates] == [{"artwork_match": 0.0}]
    assert [note.code for note in wrong.capture.notes] == ["too_dark", "wrong_artwork"]
    dark = merged([], [(photo("a.jpg"), DARK), (photo("b.jpg"), DARK)], ARTWORK)
    assert not dark.usable
    assert [note.text for note in dark.capture.notes] == [
        "a.jpg, b.jpg: The photo is too dark. Add light."
    ]


def test_one_photo_is_left_as_it_is() -> None:
    """A single photo's candidates and notes are not touched, but for the count."""
    note = Note("hidden", "Part is hidden.")
    only = photo_sight("a.jpg", candidate(SPOT), capture=Capture(9, 1, 0.1, (), 0.4, 1.0, (note,)))
    panel = merged([only], (), ARTWORK)
    assert panel.capture is only.capture
    (kept,) = panel.candidates
    assert kept.features == candidate(SPOT).features | {"photos_seen": 1.0}
