"""Even rows of marks among dust, as feed wheels leave them, also with a mark missing."""

from __future__ import annotations

import numpy as np
import pytest

from dyelight.causes import load_causes, rank_causes
from dyelight.detect.mark_rows import with_rows
from dyelight.records import F64, Artwork, Candidate, Finding


def _mark(x: float, y: float, family: str = "point") -> Candidate:
    return Candidate(
        family=family,
        center_mm=(x, y),
        box_mm=(x - 0.3, y - 0.3, x + 0.3, y + 0.3),
        outline_mm=np.zeros((0, 2)),
        area_mm2=0.3,
        delta_e00=8.0,
        snr=30.0,
        tone="light",
        features={"eq_diameter_mm": 0.6},
    )


def _dust(count: int, seed: int) -> F64:
    return np.random.default_rng(seed).uniform((0, 0), (200, 150), (count, 2))


def _counts(found: list[Candidate]) -> list[float]:
    return [c.features.get("row_count", 0.0) for c in with_rows(found)]


@pytest.mark.parametrize("turn_deg", [0.0, 33.0, 90.0])
def test_an_even_row_among_dust_is_told(turn_deg: float) -> None:
    """Twelve marks at 4 mm, one of them missing and each off by 0.1 mm, among twenty of dust."""
    rng = np.random.default_rng(2)
    along = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    row = np.outer(np.delete(np.arange(13), 5) * 4.0, along) + np.array([50.0, 40.0])
    row += rng.uniform(-0.1, 0.1, row.shape)
    found = [_mark(*place) for place in (*row, *_dust(20, 3))]
    counts = _counts(found)
    assert min(counts[:12]) == 12
    assert max(counts[12:]) == 0


def test_dust_by_itself_makes_no_row() -> None:
    """Of two hundred panels with forty marks at random hardly one has five in an even row."""
    rows = sum(max(_counts([_mark(*p) for p in _dust(40, seed)])) > 0 for seed in range(200))
    assert rows <= 6


def test_few_marks_and_patches_are_no_row() -> None:
    """Four marks are too few, and patches are no wheel's."""
    places = [(10.0 + 4 * k, 20.0) for k in range(6)]
    assert max(_counts([_mark(*p) for p in places[:4]])) == 0
    assert max(_counts([_mark(*p, family="patch") for p in places])) == 0


def test_a_row_points_to_the_feed_wheels() -> None:
    """Five specks in a row are the printer's; the same five without a row are dust."""
    causes = load_causes()
    artwork = Artwork("a.png", "0", np.zeros((4, 4, 3), np.uint8), None, 200.0, 150.0)

    def first(features: dict[str, float]) -> str:
        specks = [
            Finding(
                id=f"f{k}",
                kind="dust_speck",
                extent="local",
                center_mm=(50.0 + 4 * k, 40.0),
                box_mm=(49.7 + 4 * k, 39.7, 50.3 + 4 * k, 40.3),
                outline_mm=np.zeros((0, 2)),
                area_mm2=0.3,
                eq_diameter_mm=0.6,
                delta_e00=8.0,
                snr=30.0,
                tone="light",
                zone="A",
                vector_mm=None,
                strength=None,
                pattern=None,
                confidence=0.95,
                severity="minor",
                because=(),
                doubts=(),
                features=features,
            )
            for k in range(5)
        ]
        return rank_causes(specks, artwork, causes)[0].cause

    assert first({"row_count": 5.0}) == "feed_wheels"
    assert first({}) != "feed_wheels"
