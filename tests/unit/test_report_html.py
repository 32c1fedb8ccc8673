"""The HTML report: one file, no network, everything said, nothing that a file name can break."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from dyelight.records import Finding, Inspection
from dyelight.report.crops import crop_of, stretched_difference
from dyelight.report.html import MOST_PICTURED, report_html

_VOID = {"meta", "img", "br", "link", "path", "circle", "rect", "input", "hr"}


class Outline(HTMLParser):
    """Checks that every element is closed, and collects addresses and pictures."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.sources: list[str] = []
        self.pictures_without_words = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.sources += [values[name] or "" for name in ("src", "href") if name in values]
        if tag == "img" and not values.get("alt"):
            self.pictures_without_words += 1
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Self-closed elements of the drawings need no closing."""

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.mark.parametrize("word", ["pass", "review", "remake", "retake"])
def test_the_page_is_whole_and_needs_no_network(
    make_inspection: Callable[..., Inspection], word: str
) -> None:
    """Every element is closed, every picture is inside the file and has words for it."""
    page = report_html(make_inspection(word=word, placed=word != "retake"))
    outline = Outline()
    outline.feed(page)
    assert outline.open == []
    assert outline.pictures_without_words == 0
    assert all(source.startswith("data:image/jpeg;base64,") for source in outline.sources)
    assert "http" not in re.sub(r"data:[^\"]*", "", page)
    assert "url(" not in page


def test_the_verdict_comes_first(make_inspection: Callable[..., Inspection]) -> None:
    """The verdict's word stands before findings, causes and cautions."""
    page = report_html(make_inspection())
    order = [
        page.index(text)
        for text in (
            "<h1>Remake</h1>",
            "What was found",
            "Likely causes",
            "What this photo could and could not show",
            "Where the panel lies",
            "Before anyone acts on this",
            "Record",
        )
    ]
    assert order == sorted(order)


def test_each_finding_is_told_with_what_decided(
    make_inspection: Callable[..., Inspection], make_finding: Callable[..., Finding]
) -> None:
    """Place, size, colour difference, certainty, value, limit and doubts of a finding all stand."""
    item = make_finding(
        4, "vapour_spot", (70.0, 60.0), (9.0, 7.0), doubts=("may_be_reflection",), confidence=0.87
    )
    page = report_html(make_inspection((item,)))
    for text in ("70 from left, 60 from top (mm)", "15.9 mm across", "ΔE00 3.4", "(87 %)"):
        assert text in page
    assert "It may be a reflection" in page
    assert "3.4 dE00" in page
    assert "2 dE00" in page


def test_names_cannot_bring_markup_along(make_inspection: Callable[..., Inspection]) -> None:
    """Markup in file names and panel numbers is shown as text."""
    inspection = make_inspection()
    panel = replace(inspection.panel, panel_id="<script>alert(1)</script>", file='"><img src=x>')
    page = report_html(replace(inspection, panel=panel))
    assert "<script>alert" not in page
    assert "<img src=x>" not in page


def test_many_findings_do_not_swell_the_file(
    make_inspection: Callable[..., Inspection], make_finding: Callable[..., Finding]
) -> None:
    """Beyond a limit, findings are listed in a table without pictures; none is left out."""
    items = tuple(
        make_finding(number, "dust_speck", (5.0 + 2 * number, 50.0), (0.2, 0.2))
        for number in range(1, MOST_PICTURED + 11)
    )
    page = report_html(make_inspection(items))
    assert page.count('<article class="finding"') == MOST_PICTURED
    assert f"<td>{MOST_PICTURED + 10}</td>" in page
    assert len(page) < 6_000_000


def test_crops_show_the_same_place(make_inspection: Callable[..., Inspection]) -> None:
    """The mark's box on the crop holds the finding, also at the panel's corner."""
    inspection = make_inspection()
    assert inspection.pictures is not None
    for item in inspection.findings:
        crop = crop_of(item, inspection.pictures, (254.0, 203.0))
        if item.extent == "panel":
            assert crop.mark is None
            continue
        assert crop.mark is not None
        x0, y0, x1, y1 = crop.mark
        assert 0 <= x0 < x1 <= 100
        assert 0 <= y0 < y1 <= 100


def test_the_difference_is_signed_and_stretched() -> None:
    """Lighter shows above middle grey, darker below, and the strongest reach far from it."""
    expected = np.full((40, 40, 3), 100, np.uint8)
    observed = expected.copy()
    observed[5:10, 5:10] += 10
    observed[20:25, 20:25] -= 10
    difference, gain = stretched_difference(observed, expected)
    assert gain == pytest.approx(12.0)
    assert difference[7, 7, 0] > 240
    assert difference[22, 22, 0] < 15
    assert difference[0, 0, 0] == 128
