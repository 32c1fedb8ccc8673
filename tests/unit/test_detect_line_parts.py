"""Pieces of a broken thin line are joined; lines that only lie near each other are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dyelight.detect.line_parts import with_lines_whole
from dyelight.records import Candidate


def _line(
    x0: float, y0: float, x1: float, y1: float, tone: str = "light", **values: float
) -> Candidate:
    ends = np.array([[x0, y0], [x1, y1]])
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    across = 0.1 * np.array([-along[1], along[0]])
    outline = np.concatenate([ends + across, (ends - across)[::-1]])
    length = float(np.linalg.norm(ends[1] - ends[0]))
    features = {
        "length_mm": length, "width_mm": 0.2,
        "least_width_mm": 0.15, "elongation": length / 0.2, "straightness": 1.0,
        "delta_e00": 9.0, "peak_de00": 12.0, "delta_l": 9.0, "delta_c": 0.0, "base_likeness": 0.2,
        "picture_share": 0.1, "dye_share": 1.0, "edge_shift_px": 9.0,
        "edge_blur_ratio": 1.0, "snr": 30.0, "eq_diameter_mm": 1.0, "fill": 0.2,
        "area_mm2": 0.2 * length,
    }  # fmt: skip
    features |= values
    return Candidate(
        family="line",
        center_mm=((x0 + x1) / 2, (y0 + y1) / 2),
        box_mm=(min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)),
        outline_mm=outline,
        area_mm2=features["area_mm2"],
        delta_e00=features["delta_e00"],
        snr=features["snr"],
        tone="light" if tone == "light" else "dark",
        features=features,
    )


def test_a_scratch_in_three_pieces_is_one() -> None:
    """Pieces on one line are one mark, straight, from the first end to the last."""
    pieces = [_line(0, 0, 4, 2), _line(6, 3, 8, 4), _line(9, 4.5, 12, 6)]
    whole = with_lines_whole(pieces)
    assert len(whole) == 1
    found = whole[0]
    assert found.features["length_mm"] == pytest.approx(np.hypot(12, 6), abs=0.3)
    assert found.features["straightness"] > 0.98
    assert found.box_mm == pytest.approx((0, 0, 12, 6), abs=0.15)
    assert found.snr == pytest.approx(30 * np.sqrt(3))


@pytest.mark.parametrize(
    "other",
    [
        _line(6, 5, 10, 7),
        _line(5, 2.5, 6, 6),
        _line(14, 7, 18, 9),
        _line(5, 2.5, 9, 4.5, tone="dark"),
        _line(5, 2.5, 9, 4.5, width_mm=0.9),
        _line(5, 2.5, 9, 4.5, edge_blur_ratio=3.0),
    ],
    ids=["beside", "turned", "far", "other tone", "far wider", "soft"],
)
def test_what_does_not_run_on_stays_apart(other: Candidate) -> None:
    """A parallel, turned, distant, darker, wider or softer mark is another thing."""
    both = [_line(0, 0, 4, 2), other]
    assert with_lines_whole(both) == both


def test_a_dot_on_the_line_is_taken_along_only_if_drawn_out() -> None:
    """A short end piece that counts as a point joins; a round speck beyond the end does not."""
    end = replace(_line(4.6, 2.3, 5.2, 2.6), family="point")
    assert len(with_lines_whole([_line(0, 0, 4, 2), end])) == 1
    speck = replace(end, features=end.features | {"elongation": 1.2})
    assert len(with_lines_whole([_line(0, 0, 4, 2), speck])) == 2
