"""How often the tool was right, counted from rulings; missed findings."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dyelight.errors import SettingsError
from dyelight.press_log import PanelEntry, PressingEntry, PressLog, RulingEntry
from dyelight.press_log.agreement import Agreement, read_agreement
from dyelight.press_log.standing import names_in_use
from dyelight.records import Inspection
from dyelight.report.agreement_words import agreement_facts


def agreement_of(log: PressLog) -> Agreement:
    """The counts."""
    with log.database.reading() as connection:
        return read_agreement(connection)


def looked(log: PressLog, inspection: Inspection) -> tuple[int, int]:
    """A new panel with an inspection by photo: the panel's row and the inspection's number."""
    pressing = log.code_of(log.add_pressing(PressingEntry(press="Anvil", operator="Bo")))
    row = log.panel_of(pressing, f"panel of {pressing}")
    return row, log.add_inspection(row, inspection)


def test_the_last_ruling_on_each_counts(
    log_place: str, make_inspection: Callable[..., Inspection]
) -> None:
    """Verdicts and findings are counted by what was said and what held in the end."""
    with PressLog(log_place) as log:
        assert agreement_facts(agreement_of(log)) == {"sentences": [], "rows": []}
        _, first = looked(log, make_inspection())
        _, second = looked(log, make_inspection())
        _, third = looked(log, make_inspection(word="review"))
        log.add_ruling(first, RulingEntry())
        log.add_ruling(second, RulingEntry(ruled="remake"))
        log.add_ruling(second, RulingEntry(ruled="pass", why="The buyer takes it."))
        log.add_ruling(third, RulingEntry(ruled="pass"))
        log.add_ruling(first, RulingEntry(finding="f1"))
        log.add_ruling(first, RulingEntry(finding="f2", ruled="nothing"))
        log.add_ruling(first, RulingEntry(finding="f3", ruled="scratch"))
        counted = agreement_of(log)
        assert (counted.decided, counted.decided_right, counted.handed_over) == (2, 1, 1)
        assert (counted.ruled_findings, counted.right_findings, counted.empty_findings) == (3, 1, 1)
        facts: dict[str, Any] = agreement_facts(counted)
        assert ("Remake", "Pass", 1) in facts["rows"]
        assert ("Fibre", "Scratch", 1) in facts["rows"]
        assert ("Dust speck", "nothing", 1) in facts["rows"]
        assert "1 of 2 verdicts stood (50 %" in facts["sentences"][0]


def test_what_people_saw_themselves_is_no_verdict_of_the_tool(log_place: str) -> None:
    """Results that a person entered do not count."""
    with PressLog(log_place) as log:
        panel = PanelEntry(code="K-1", result="remake", defects=("fibre",))
        log.add_pressing(PressingEntry(press="Anvil", panels=(panel,)))
        row = log.find_panel("K-1")
        assert row is not None
        number = log.last_inspection(row)
        assert number is not None
        log.add_ruling(number, RulingEntry(ruled="pass"))
        assert agreement_of(log) == Agreement({}, {}, {})


def test_a_missed_finding_stands_until_it_is_ruled_away(
    log_place: str, make_inspection: Callable[..., Inspection]
) -> None:
    """It counts as the panel's finding at its place, and as missed by the tool."""
    with PressLog(log_place) as log:
        row, number = looked(log, make_inspection(findings=(), word="pass"))
        assert log.add_missed(number, "scratch", (12.0, 30.5), why="By the edge", by="Bo") == "m1"
        assert log.add_missed(number, "fibre", None) == "m2"
        (held,) = (panel for panel in log.rows() if panel.panel_row == row)
        assert [(item.code, item.kind, item.x_mm) for item in held.findings] == [
            ("m1", "scratch", 12.0),
            ("m2", "fibre", None),
        ]
        assert agreement_of(log).missed == {"scratch": 1, "fibre": 1}
        log.add_ruling(number, RulingEntry(finding="m2", ruled="nothing"))
        assert agreement_of(log).missed == {"scratch": 1}
        with pytest.raises(SettingsError):
            log.add_missed(number + 1, "fibre", None)


def test_an_inspection_is_known_by_its_photo(
    log_place: str, make_inspection: Callable[..., Inspection]
) -> None:
    """The same photo of the same panel is found again, another's is not."""
    with PressLog(log_place) as log:
        row, number = looked(log, make_inspection())
        other, _ = looked(log, make_inspection(photos=()))
        assert log.inspection_of(row, "b" * 64) == number
        assert log.inspection_of(row, "c" * 64) is None
        assert log.inspection_of(other, "b" * 64) is None


def test_names_in_use_are_offered(log_place: str) -> None:
    """Presses and fabrics by name, the latest operators first, none that was thrown away."""
    with PressLog(log_place) as log:
        for operator, fabric in (("Bo", "F1"), ("Ada", "F2"), ("Bo", "F2")):
            entry = PressingEntry(press="Anvil", operator=operator, fabric=fabric, ink="Deep")
            log.add_pressing(entry)
        log.retire_fabric("F1")
        with log.database.reading() as connection:
            names = names_in_use(connection)
        assert names["press"] == ["Anvil"]
        assert names["operator"] == ["Bo", "Ada"]
        assert names["fabric"] == ["F2"]
        assert names["ink"] == ["Deep"]
        assert names["transfer_paper"] == []
