"""The result as JSON: every field of schema 1, null where nothing is known, never NaN."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from dyelight.errors import StageFault
from dyelight.records import Capture, Finding, Inspection
from dyelight.report.result_json import result_dict, result_text

TOP = [
    "schema_version",
    "tool_version",
    "rules_sha256",
    "seconds",
    "panel",
    "artwork",
    "photos",
    "usable",
    "capture",
    "placement",
    "findings",
    "verdict",
    "verdict_because",
    "causes",
]
NESTED = {
    "panel": ["id", "width_mm", "height_mm", "base", "finish"],
    "artwork": ["file", "sha256", "mirrored", "quarter_turns", "bleed_mm"],
    "capture": [
        "px_per_mm",
        "blur_px",
        "hidden_fraction",
        "hidden_mm",
        "smallest_speck_mm",
        "faintest_spot_de00",
        "notes",
    ],
    "placement": [
        "corners_px",
        "outline_seen",
        "grid",
        "uncertainty_px",
        "drift_mm",
        "stretch_pct",
    ],
}
FINDING = [
    "id",
    "kind",
    "extent",
    "center_mm",
    "box_mm",
    "area_mm2",
    "eq_diameter_mm",
    "delta_e00",
    "snr",
    "tone",
    "zone",
    "vector_mm",
    "strength",
    "pattern",
    "confidence",
    "class",
    "because",
    "doubts",
]


def test_every_field_of_the_schema_is_there_and_no_other(
    make_inspection: Callable[..., Inspection],
) -> None:
    """The result holds exactly the documented fields, at every level."""
    result = result_dict(make_inspection())
    assert list(result) == TOP
    for name, fields in NESTED.items():
        assert list(result[name]) == fields
    assert list(result["photos"][0]) == ["file", "sha256", "width_px", "height_px"]
    assert list(result["capture"]["notes"][0]) == ["code", "text"]
    assert list(result["findings"][0]) == FINDING
    assert list(result["findings"][0]["because"][0]) == ["rule", "value", "limit", "unit"]
    assert list(result["verdict_because"][0]) == ["rule", "value", "limit", "unit", "findings"]
    assert list(result["causes"][0]) == [
        "cause",
        "title",
        "weight",
        "because",
        "try_next",
        "caution",
    ]


def test_grid_runs_over_the_trimmed_artwork(make_inspection: Callable[..., Inspection]) -> None:
    """The grid is 9 rows of 9 pairs from corner to corner, each pair artwork mm and photo px."""
    grid = result_dict(make_inspection())["placement"]["grid"]
    assert [len(row) for row in grid] == [9] * 9
    assert grid[0][0] == [[0.0, 0.0], [300.0, 250.0]]
    assert grid[0][8] == [[254.0, 0.0], [300.0 + 254 * 12, 250.0]]
    assert grid[8][8] == [[254.0, 203.0], [300.0 + 254 * 12, 250.0 + 203 * 12]]
    assert grid[4][4][0] == [127.0, 101.5]


def test_without_a_size_lengths_stand_in_per_cent(
    make_inspection: Callable[..., Inspection],
) -> None:
    """Where no size was given each mm field is null and a per cent field stands beside it."""
    result = result_dict(make_inspection(size_known=False))
    assert result["panel"]["width_mm"] is None
    assert result["panel"]["width_pct"] == 100.0
    finding = result["findings"][0]
    for name in ("center", "box", "eq_diameter"):
        assert finding[f"{name}_mm"] is None
        assert finding[f"{name}_pct"] is not None
    assert finding["area_mm2"] is None
    assert 0 < finding["area_pct"] < 100
    assert result["capture"]["smallest_speck_mm"] is None
    assert result["capture"]["smallest_speck_pct"] == 0.22
    assert result["placement"]["drift_mm"] is None


def test_an_unplaced_panel_has_null_for_what_is_not_known(
    make_inspection: Callable[..., Inspection],
) -> None:
    """Without placement the fields that rest on it are null."""
    capture = Capture(None, None, 0.0, (), None, None, ())
    result = result_dict(make_inspection((), word="retake", placed=False, capture=capture))
    assert result["placement"] is None
    assert result["usable"] is False
    assert result["artwork"]["mirrored"] is None
    assert result["capture"]["px_per_mm"] is None
    assert result["findings"] == result["causes"] == []


def test_text_is_strict_json(make_inspection: Callable[..., Inspection]) -> None:
    """The text parses without the NaN extension, and reads back as the same data."""

    def refuse(word: str) -> Any:
        raise AssertionError(word)

    text = result_text(make_inspection())
    back = json.loads(text, parse_constant=refuse)
    assert back == result_dict(make_inspection())


def test_a_value_that_is_no_number_is_null_where_it_may_be(
    make_inspection: Callable[..., Inspection],
) -> None:
    """An optional figure that came out as NaN is told as null."""
    inspection = make_inspection()
    capture = replace(inspection.capture, smallest_speck_mm=float("nan"))
    result = result_dict(replace(inspection, capture=capture))
    assert result["capture"]["smallest_speck_mm"] is None


def test_a_needed_value_that_is_no_number_is_a_fault(
    make_inspection: Callable[..., Inspection], make_finding: Callable[..., Finding]
) -> None:
    """A finding without a finite colour difference is refused by the field's name."""
    broken = make_finding(1, "dust_speck", (5.0, 5.0), (1.0, 1.0), delta_e00=float("inf"))
    with pytest.raises(StageFault, match="delta_e00"):
        result_dict(make_inspection((broken,)))
