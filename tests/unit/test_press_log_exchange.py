"""Units, fields, and files in and out."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dyelight.errors import SettingsError, UnreadableInput
from dyelight.press_log import Filter, PressLog
from dyelight.press_log.exchange import export_csv, export_json, read_file, template_csv
from dyelight.press_log.fields import PRESSING_FIELDS, read_changes, read_panel
from dyelight.press_log.units import Units, from_si, parse_quantity, shown, to_si, units_of

SI = Units()
SHOP = Units(temperature="f", length="in", time="min", pressure="psi")
ROWS = """code,at,press,set_f,dwell_min,pressure_bar,\
panel_code,panel_width_in,panel_height_in,panel_result,panel_defects
A1,2026-03-02T09:00:00+00:00,Anvil,400,1.5,2.8,K1,10,8,pass,
A2,2026-03-02T09:10:00+00:00,Anvil,400,1.5,2.8,K2,10,8,remake,vapour_spot dust_speck
A2,,,,,,K3,10,8,pass,
"""


@pytest.fixture
def log(tmp_path: Path) -> Any:
    """An empty log."""
    with PressLog(tmp_path / "log.sqlite") as opened:
        yield opened


def written(tmp_path: Path, text: str, name: str = "rows.csv") -> Path:
    """A file that holds a text."""
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "dimension", "units", "wanted"),
    [
        ("204", "temperature", SI, 204.0),
        ("204 °C", "temperature", SHOP, 204.0),
        ("400F", "temperature", SI, 204.444444444),
        ("400", "temperature", SHOP, 204.444444444),
        ("1:05", "time", SI, 65.0),
        ("2.5min", "time", SI, 150.0),
        ("2,5", "time", SHOP, 150.0),
        ("45 s", "time", SHOP, 45.0),
        ("10in", "length", SI, 254.0),
        ('10"', "length", SI, 254.0),
        ("25.4 cm", "length", SHOP, 254.0),
        ("40 psi", "pressure", SI, 275.790291727),
        ("2.8bar", "pressure", SI, 280.0),
        ("55%", "percent", SI, 55.0),
        ("-3", "temperature", SI, -3.0),
    ],
)
def test_quantities(text: str, dimension: Any, units: Units, wanted: float) -> None:
    """Values with a unit, bare ones in the user's, clock times and both decimal marks."""
    assert parse_quantity(text, dimension, units, "field") == pytest.approx(wanted, abs=1e-9)


@pytest.mark.parametrize("text", ["", "hot", "204K", "20 4", "1:75", "4 0 0F", "12:00h"])
def test_quantities_that_are_none(text: str) -> None:
    """What is no number with a known unit is refused with the units there are."""
    with pytest.raises(SettingsError, match=r"is not a temperature.*°C, °F"):
        parse_quantity(text, "temperature", SI, "set")


@given(
    value=st.floats(-100, 5000, allow_nan=False),
    dimension=st.sampled_from(["temperature", "length", "time", "pressure"]),
)
def test_units_go_both_ways(value: float, dimension: Any) -> None:
    """A value in any unit comes back from SI to a millionth."""
    for unit in units_of(dimension):
        assert from_si(to_si(value, unit, dimension), unit, dimension) == pytest.approx(
            value, abs=2e-6
        )


def test_values_are_shown_in_the_users_units() -> None:
    """Stored values are printed in the user's unit with sensible places."""
    assert shown(204.444444444, "temperature", SHOP) == "400 °F"
    assert shown(204.444444444, "temperature", SI) == "204.4 °C"
    assert shown(65.0, "time", SHOP) == "1.08 min"
    assert shown(254.0, "length", SHOP) == "10 in"
    assert shown(None, "time", SI) == "-"


def test_words_on_the_command_line() -> None:
    """Names with and without the unit are known, and a wrong one is told with the nearest."""
    assert read_changes(["set=400F", "back-print=yes", "ink_lot=4", "drying="], SI) == {
        "set_c": pytest.approx(204.444444444),
        "back_print": True,
        "ink_lot": "4",
        "drying_s": None,
    }
    with pytest.raises(SettingsError, match="Did you mean 'dwell'"):
        read_changes(["dwel=4"], SI)
    with pytest.raises(SettingsError, match="neither yes nor no"):
        read_changes(["cleaned=perhaps"], SI)
    with pytest.raises(SettingsError, match="is no change"):
        read_changes(["set"], SI)


def test_a_panel_on_the_command_line() -> None:
    """A number alone, or names and values."""
    assert read_panel("K-1", SI) == {"code": "K-1"}
    assert read_panel("panel=K-1,size=10x8in,place=12x8,turns=1,defects=fibre+dent", SHOP) == {
        "code": "K-1",
        "width_mm": pytest.approx(254.0),
        "height_mm": pytest.approx(203.2),
        "x_mm": pytest.approx(304.8),
        "y_mm": pytest.approx(203.2),
        "quarter_turns": "1",
        "defects": ("fibre", "dent"),
    }
    for text in ("size=big", "place=3", "colour=red", "panel=K,odd"):
        with pytest.raises(SettingsError):
            read_panel(text, SI)


def test_import_in_the_shops_units(tmp_path: Path, log: PressLog) -> None:
    """Columns carry their unit; rows of one number make one pressing."""
    reading = read_file(written(tmp_path, ROWS), SI)
    assert reading.bad == []
    assert log.import_entries(reading) == 2
    first, second, third = log.rows()
    assert first.set_c == pytest.approx(204.4444, abs=1e-3)
    assert (first.dwell_s, first.pressure_kpa, first.width_mm) == (90.0, 280.0, 254.0)
    assert (second.pressing, third.pressing) == ("A2", "A2")
    assert second.kinds == ("vapour_spot", "dust_speck")
    assert third.dwell_s == 90.0


def test_bad_rows_are_all_named(tmp_path: Path, log: PressLog) -> None:
    """Every bad row stands with its number and reason; nothing is taken, or the good ones."""
    text = ROWS + (
        "A3,2026-03-02T09:20:00,Anvil,4000,1.5,,K4,10,8,pass,\n"
        "A4,2026-03-02T09:20:00,Anvil,warm,1.5,,K5,10,8,pass,\n"
        "A5,2026-03-02T09:20:00,,400,1.5,,K6,10,8,pass,\n"
        "A6,2026-03-02T09:20:00,Anvil,400,1.5,,K7,10,8,splendid,\n"
        "A7,2026-03-02T09:20:00,Anvil,400,1.5,,K8,10,8,pass,\n"
        "A7,2026-03-02T09:20:00,Birch,400,1.5,,K9,10,8,pass,\n"
        "A8,2026-03-02T09:20:00,Anvil,400,1.5,,K10,10,8,pass,,too,many\n"
        "A8,2026-03-02T09:20:00,Anvil,400,1.5,,K11,10,8,pass,\n"
    )
    path = written(tmp_path, text)
    reading = read_file(path, SI)
    assert log.import_entries(reading) == 0
    assert log.rows() == []
    reasons = {item.row: item.reason for item in reading.bad}
    assert sorted(reasons) == [5, 6, 7, 8, 9, 10, 11, 12]
    assert "set_c" in reasons[5]
    assert "'warm' is not a number" in reasons[6]
    assert "press: is missing" in reasons[7]
    assert "splendid" in reasons[8]
    assert "press differs from the first row" in reasons[10]
    assert "belongs to the same pressing" in reasons[9]
    assert "13 cells" in reasons[11]
    assert "another row cannot be taken" in reasons[12]
    assert log.import_entries(read_file(path, SI), partial=True) == 2
    # never half a pressing
    assert {row.pressing for row in log.rows()} == {"A1", "A2"}


def test_numbers_that_are_taken(tmp_path: Path, log: PressLog) -> None:
    """A pressing that the log or the file holds already is a bad row."""
    path = written(tmp_path, ROWS)
    log.import_entries(read_file(path, SI))
    again = read_file(path, SI)
    assert log.import_entries(again) == 0
    assert [item.reason for item in again.bad] == [
        "the pressing 'A1' is in the log already",
        "the pressing 'A2' is in the log already",
    ]
    twice = {"schema_version": 1, "pressings": [{"code": "B1", "press": "Anvil"}] * 2}
    reading = read_file(written(tmp_path, json.dumps(twice), "twice.json"), SI)
    assert log.import_entries(reading, partial=True) == 1
    assert reading.bad[0].reason == "the pressing 'B1' stands in the file before"


@pytest.mark.parametrize("units", [SI, SHOP])
@pytest.mark.parametrize("name", ["out.csv", "out.json"])
def test_export_comes_back(tmp_path: Path, log: PressLog, units: Units, name: str) -> None:
    """What export writes import takes back, with nothing lost on the way."""
    log.import_entries(read_file(written(tmp_path, ROWS), SI))
    log.amend("A1", {"job": "=1+1", "room_c": -3.0, "operator": "'Ines"})
    log.add_note("A1", '@home, "quoted"\nand more')
    rows, notes = log.rows(), log.notes()
    text = export_json(rows, notes) if name.endswith("json") else export_csv(rows, notes, units)
    path = written(tmp_path, text, name)
    with PressLog(tmp_path / "other.sqlite") as other:
        reading = read_file(path, SI)
        assert reading.bad == []
        other.import_entries(reading)
        assert other.notes() == notes
        for before, after in zip(rows, other.rows(), strict=True):
            for field in PRESSING_FIELDS:
                if field.name in ("code", "note"):
                    continue
                one, two = getattr(before, field.name), getattr(after, field.name)
                same = pytest.approx(one, abs=1e-4) if isinstance(one, float) else one
                assert two == same, field.name
            assert (before.panel, before.verdict, before.kinds) == (
                after.panel,
                after.verdict,
                after.kinds,
            )


def test_no_cell_turns_into_a_formula(log: PressLog, tmp_path: Path) -> None:
    """A text that a spreadsheet would run is led by an apostrophe; numbers stay numbers."""
    log.import_entries(read_file(written(tmp_path, ROWS), SI))
    for sign in "=+-@\t":
        log.amend("A1", {"stack": f"{sign}cmd"})
        text = export_csv(log.rows(Filter(pressing="A1")), {}, SI)
        cell = next(csv.DictReader(io.StringIO(text)))["stack"]
        # the entry itself loses white space at its ends, so that a tab never leads
        assert cell == ("cmd" if sign == "\t" else f"'{sign}cmd")
    log.amend("A1", {"room_c": -3.0})
    text = export_csv(log.rows(Filter(pressing="A1")), {}, SI)
    assert next(csv.DictReader(io.StringIO(text)))["room_c"] == "-3"


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("a.csv", "", "the file is empty"),
        ("a.csv", "code,pres\n", "Did you mean 'press'"),
        ("a.json", "{", "not JSON"),
        ("a.csv", 'code,press\n"A,Anvil\n', "line 2: the file is not CSV"),
        ("a.csv", "press,set_c,set_f\nAnvil,204,400\n", "'set_f' stands twice"),
        ("a.csv", "press,,set_c\n", "no column ''"),
        ("a.json", "[" * 200_000, "not JSON"),
        ("a.json", '{"x": ' + "9" * 5000 + "}", "not JSON"),
        ("a.json", "[]", 'holds no "pressings"'),
        ("a.json", '{"schema_version": 2, "pressings": []}', "schema_version 2"),
    ],
)
def test_files_that_are_none(tmp_path: Path, name: str, text: str, said: str) -> None:
    """A file that cannot be used at all is refused with its place."""
    with pytest.raises(UnreadableInput, match=said):
        read_file(written(tmp_path, text, name), SI)
    with pytest.raises(UnreadableInput, match="is not there"):
        read_file(tmp_path / "nothing.csv", SI)
    with pytest.raises(UnreadableInput, match="directory"):
        read_file(tmp_path, SI)
    (tmp_path / "latin.csv").write_bytes("code,press\nA,M\u00fcller\n".encode("latin-1"))
    with pytest.raises(UnreadableInput, match="no UTF-8 text"):
        read_file(tmp_path / "latin.csv", SI)


@pytest.mark.parametrize("number", ["nan", "inf", "1_0", "1.234,5", "2e999", "0x10"])
def test_numbers_of_python_alone_are_none(tmp_path: Path, number: str) -> None:
    """What no spreadsheet writes is named as no number, with its column."""
    reading = read_file(written(tmp_path, f'code,press,set_c\nA,Anvil,"{number}"\n'), SI)
    assert [item.reason for item in reading.bad] == [f"set_c: {number!r} is not a number"]


def test_empty_columns_at_the_end(tmp_path: Path, log: PressLog) -> None:
    """What a spreadsheet leaves behind the last column stands for nothing."""
    text = "code,press,set_c,,\nA1,Anvil,2.04e2,,\n"
    assert log.import_entries(read_file(written(tmp_path, text), SI)) == 1
    assert log.rows()[0].set_c == 204.0


def test_many_notes_come_back(tmp_path: Path, log: PressLog) -> None:
    """All notes of a pressing together may be longer than one."""
    log.import_entries(read_file(written(tmp_path, "code,press\nA1,Anvil\n"), SI))
    for _ in range(3):
        log.add_note("A1", "x" * 3000)
    text = export_csv(log.rows(), log.notes(), SI)
    assert read_file(written(tmp_path, text, "out.csv"), SI).bad == []


def test_semicolons_and_a_mark_at_the_start(tmp_path: Path, log: PressLog) -> None:
    """What a spreadsheet saves elsewhere is read too: semicolons, decimal commas, a byte mark."""
    text = "\ufeffcode;press;set_c\nA1;Anvil;203,5\n"
    assert log.import_entries(read_file(written(tmp_path, text), SI)) == 1
    assert log.rows()[0].set_c == 203.5


def test_the_template_is_an_empty_file_to_fill(tmp_path: Path) -> None:
    """Its columns are all known and carry the user's units."""
    text = template_csv(SHOP)
    assert "set_f" in text
    assert "dwell_min" in text
    reading = read_file(written(tmp_path, text), SI)
    assert (reading.entries, reading.bad) == ([], [])
