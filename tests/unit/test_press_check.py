"""Probe readings, makers' windows, the counts of a whole log, and the history page."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from dyelight.press_log import (
    FabricEntry,
    Filter,
    PanelEntry,
    PressingEntry,
    PressLog,
    ProbeEntry,
    ProbePoint,
    RulingEntry,
    WindowEntry,
)
from dyelight.press_log.press_check import outside, probe_rounds, window_for, windows, zone_c
from dyelight.press_log.summary import read_summary
from dyelight.press_log.trials import end_trial, start_trial
from dyelight.press_log.units import Units
from dyelight.report.history import history_page

MONDAY = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
CORNERS = (
    (100.0, 100.0, 198.0),
    (500.0, 100.0, 202.0),
    (100.0, 400.0, 200.0),
    (500.0, 400.0, 208.0),
)


def pressing(number: int, **fields: Any) -> PressingEntry:
    """A pressing of one panel near the hot corner."""
    panel = {
        "code": f"K{number}",
        "width_mm": 100.0,
        "height_mm": 80.0,
        "x_mm": 480.0,
        "y_mm": 380.0,
    }
    values: dict[str, Any] = {
        "code": f"P{number}",
        "at": MONDAY + timedelta(days=number),
        "press": "Anvil",
        "set_c": 200.0,
        "dwell_s": 60.0,
        "panels": (PanelEntry(**panel, result="pass"),),
    }
    return PressingEntry(**(values | fields))


def probed(log: PressLog, day: int = 0) -> None:
    """Write the readings of four corners."""
    points = tuple(ProbePoint(x_mm=x, y_mm=y, true_c=true_c) for x, y, true_c in CORNERS)
    at = MONDAY + timedelta(days=day, hours=-1)
    log.add_probe_readings(ProbeEntry(press="Anvil", at=at, set_c=200.0, points=points))


def test_readings_in_numbers(tmp_path: Path) -> None:
    """Mean, spread, the reading at a point, and between points something between."""
    with PressLog(tmp_path / "log.sqlite") as log:
        probed(log)
        with log.database.reading() as connection:
            (found,) = probe_rounds(connection, "Anvil")
    assert found.offset_c == pytest.approx(2.0)
    assert found.spread_c == pytest.approx(10.0)
    assert found.offset_at(500.0, 400.0) == pytest.approx(8.0)
    assert found.offset_at(300.0, 250.0) == pytest.approx(2.0)
    assert -2.0 < found.offset_at(120.0, 110.0) < 0.5


def test_the_zone_under_a_panel(tmp_path: Path) -> None:
    """It goes by the last readings before, moved to the pressing's own true temperature."""
    with PressLog(tmp_path / "log.sqlite") as log:
        probed(log, day=2)
        log.add_pressings(
            [
                pressing(1),
                pressing(3),
                pressing(4, true_c=212.0),
                pressing(5, set_c=None),
                pressing(6, panels=(PanelEntry(code="K6"),)),
            ]
        )
        with log.database.reading() as connection:
            rounds = probe_rounds(connection)
        before, after, moved, unset, anywhere = (zone_c(row, rounds) for row in log.rows())
    assert before is None
    assert after is not None
    assert after[0] > 204.0
    assert after[1] == pytest.approx(208.0, abs=1.0)
    assert moved is not None
    assert moved[0] - after[0] == pytest.approx(10.0)
    assert unset is None
    assert anywhere == pytest.approx((198.0, 208.0))


def test_windows_that_were_left(tmp_path: Path) -> None:
    """The closest window counts, sizes either way round; without one nothing is warned of."""
    with PressLog(tmp_path / "log.sqlite") as log:
        probed(log)
        log.add_pressings([pressing(1), pressing(2, dwell_s=80.0, set_c=190.0)])

        def left(number: int) -> list[str]:
            (row,) = log.rows(Filter(pressing=f"P{number}"))
            with log.database.reading() as connection:
                found = outside(row, probe_rounds(connection), windows(connection))
            return [item.what for item in found]

        assert left(1) == []
        log.add_window(WindowEntry(posted_by="sheet", temperature_max_c=205.0, dwell_max_s=70.0))
        assert left(1) == ["too_hot"]
        assert left(2) == ["too_long"]
        log.add_window(
            WindowEntry(
                posted_by="sheet",
                width_mm=80.0,
                height_mm=100.0,
                temperature_min_c=199.0,
                temperature_max_c=210.0,
                dwell_min_s=65.0,
            )
        )
        assert left(1) == ["too_short"]
        assert left(2) == ["too_cold"]
        with log.database.reading() as connection:
            (row,) = log.rows(Filter(pressing="P1"))
            chosen = window_for(row, windows(connection))
        assert chosen is not None
        assert chosen.width_mm == 80.0


def test_a_log_in_counts(log_place: str) -> None:
    """Days, verdicts, kinds and gaps are counted by the database as ruled by people."""
    with PressLog(log_place) as log:
        spotted = PanelEntry(
            code="A", result="remake", defects=("vapour_spot", "vapour_spot", "fibre")
        )
        log.add_pressings(
            [
                pressing(1),
                pressing(2, panels=(spotted, PanelEntry(code="B"))),
                pressing(2, code="P3", panels=(spotted,), fabric="F1"),
            ]
        )
        ruled = log.last_inspection(log.panel_of("P2", "A"))
        assert ruled is not None
        log.add_ruling(ruled, RulingEntry(ruled="pass"))
        log.add_ruling(ruled, RulingEntry(finding="p3", ruled="nothing"))
        with log.database.reading() as connection:
            found = read_summary(connection, ("vent_fabric_id", "x_mm", "operator"))
    assert (found.pressings, found.panels) == (3, 4)
    assert dict(found.kinds) == {"vapour_spot": 2, "fibre": 1}
    assert sorted(found.days, key=str) == sorted(
        [
            ("2026-03-03", "pass", 1),
            ("2026-03-04", "pass", 1),
            ("2026-03-04", "remake", 1),
            ("2026-03-04", None, 1),
        ],
        key=str,
    )
    assert found.missing == {"vent_fabric_id": 2, "x_mm": 3, "operator": 3}
    assert found.first == MONDAY + timedelta(days=1)


def page_of(log: PressLog) -> str:
    """The history page in the usual units."""
    return history_page(log, Units())


def test_the_page_of_an_empty_log(tmp_path: Path) -> None:
    """An empty log gives a page that says so."""
    with PressLog(tmp_path / "log.sqlite") as log:
        page = page_of(log)
    assert "No panel was looked at yet." in page
    assert "Which temperature and dwell does the panels" in page


def test_the_page_tells_everything(tmp_path: Path) -> None:
    """Yield, defects, factors, fabrics, presses, trials and questions stand on one page."""
    with PressLog(tmp_path / "log.sqlite") as log:
        probed(log)
        log.set_fabric(FabricEntry(name="<F1>", uses_limit=210))
        log.add_pressings(
            pressing(
                1,
                code=f"P{number}",
                at=MONDAY + timedelta(hours=number),
                fabric="<F1>",
                operator=("Ines", "Leo")[number % 2],
                drying_s=0.0 if number % 3 == 0 else 10.0,
                panels=(
                    PanelEntry(code=f"K{number}", result="remake", defects=("vapour_spot",))
                    if number % 3 == 0 and number % 6
                    else PanelEntry(code=f"K{number}", result="pass"),
                ),
            )
            for number in range(200)
        )
        (last,) = log.rows(Filter(last=1))
        with log.database.writing() as connection:
            for name in ("first", "second"):
                start_trial(
                    connection,
                    name=name,
                    cause="transfer_not_dry",
                    kind="vapour_spot",
                    field="drying_s",
                    new=[15.0, None],
                    last=last,
                )
            end_trial(connection, "second")
        page = page_of(log)
    assert "<F1>" not in page
    assert "&lt;F1&gt;" in page
    assert "200 of 210: near its end" in page
    assert "Drying of the transfer" in page
    assert re.search(r"odds ratio \d", page)
    assert "Drying of the transfer: at least 15 s in the place of 10 s" in page
    assert "Cannot tell yet." in page
    assert "It ended undecided." in page
    assert "10.0 °C from coldest to hottest point" in page
    assert page.count("<svg") >= 4
    assert not re.search(r"(src|href)=\"?http", page)
    assert "<script" not in page
