"""`dyelight log` from the command line, and a check that goes into it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from dyelight.cli import app, job
from dyelight.press_log import PressLog
from dyelight.records import Inspection

ADD = ("press=Anvil", "set=400F", "dwell=1:05", "humidity=66", "fabric=F1", "operator=Ines")
PANEL = "panel=K-1,size=10x8in,place=300x200,result=remake,defects=vapour_spot+dust_speck"

Said = Callable[..., str]


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where this test's log lies."""
    place = tmp_path / "log.sqlite"
    monkeypatch.setenv("DYELIGHT_LOG", str(place))
    return place


@pytest.fixture
def said(log: Path, capsys: pytest.CaptureFixture[str]) -> Said:
    """Runs a `dyelight log` command and gives what it said on both streams."""

    def run(*arguments: str, code: int = 0) -> str:
        done = app.run(["log", *arguments])
        captured = capsys.readouterr()
        assert done == code, captured
        return captured.out + captured.err

    return run


def test_a_pressing_from_one_line(said: Said) -> None:
    """One line is enough, and it comes back in the user's units."""
    assert "Pressing P000001 is in the log." in said("add", *ADD, "--panel", PANEL)
    shown = said("show", "P000001")
    for text in ("204.4 °C", "65 s", "F1, use 1", "254 mm x 203.2 mm", "vapour spot, dust speck"):
        assert text in shown
    assert "K-1" in said("find", "--kind", "vapour spot")
    assert "Nothing in the log answers" in said("find", "--kind", "ghosting")
    assert "no kind 'gost'" in said("find", "--kind", "gost", code=2)


def test_units_of_the_user(said: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bare numbers and what is shown go by the user's units."""
    monkeypatch.setenv("DYELIGHT_TEMPERATURE_UNIT", "F")
    monkeypatch.setenv("DYELIGHT_LENGTH_UNIT", "in")
    monkeypatch.setenv("DYELIGHT_TIME_UNIT", "min")
    said("add", "press=Anvil", "set=400", "dwell=1.5", "--panel", PANEL)
    shown = said("show", "P000001")
    for text in ("400 °F", "1.5 min", "10 in x 8 in"):
        assert text in shown
    assert said("template").startswith("code,at,press,set_f,true_f,dwell_min")


def test_values_of_the_last_pressing(said: Said) -> None:
    """`--like last` takes over what is not given, but no panels and no number."""
    said("add", *ADD, "--panel", PANEL)
    said("add", "--like", "last", "humidity=50")
    rows = json.loads(said("find", "--format", "json"))
    assert [row["room_humidity_pct"] for row in rows] == [66.0, 50.0]
    assert rows[1]["operator"] == "Ines"
    assert rows[1]["fabric_use"] == 2
    assert rows[1]["panel"] == ""
    assert "no pressing 'P9'" in said("add", "--like", "P9", code=2)


def test_nothing_to_write_and_nobody_to_ask(said: Said) -> None:
    """Without values and without a terminal it says what to give."""
    assert "nobody can be asked" in said("add", code=2)
    assert "Did you mean 'dwell'" in said("add", "press=A", "dwel=3", code=2)
    assert "press: is missing" in said("add", "dwell=3", code=2)


def test_questions_one_by_one(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked one by one, Enter takes the last value, and a slip is asked again."""
    app.run(["log", "add", *ADD, "--panel", PANEL])
    monkeypatch.setattr("dyelight.cli.log_work.sys", _TerminalSys())
    answers = ["", "warm", "205", *[""] * 18, "K-2", "", "", "", "", "pass", "", "steam"]
    done = CliRunner().invoke(app.app, ["log", "add"], input="\n".join(answers) + "\n")
    assert "'warm' is not a temperature" in done.output
    with PressLog(log) as opened:
        row = opened.rows()[-1]
        assert (row.press, row.set_c, row.dwell_s, row.panel) == ("Anvil", 205.0, 65.0, "K-2")
        assert (row.width_mm, row.verdict) == (254.0, "pass")
        assert opened.notes() == {"P000002": "steam"}


class _TerminalSys:
    class stdin:  # noqa: N801  # stands for sys.stdin
        @staticmethod
        def isatty() -> bool:
            return True


def test_amend_rule_and_note(said: Said) -> None:
    """What was changed, ruled and noted is told in the pressing's story."""
    said("add", *ADD, "--panel", PANEL)
    said("amend", "P000001", "set=199", "--why", "misread", "--by", "Leo")
    said("rule", "P000001", "nothing", "--finding", "p2", "--by", "Leo", "--why", "glare")
    said("rule", "P000001", "review", "--by", "Kirsi")
    said("note", "P000001", "steam when it opened", "--by", "Ines")
    story = said("show", "P000001")
    for text in (
        "Leo changed Set temperature: 204.4 °C to 199 °C. Why: misread",
        "Leo overruled finding p2: nothing. Why: glare",
        "Kirsi overruled the verdict: review.",
        "Ines noted: steam when it opened",
        "review: vapour spot",
    ):
        assert text in story
    assert "no pressing 'P2'" in said("amend", "P2", "set=1", code=2)
    assert "is no change" in said("amend", "P000001", "set", code=2)
    assert "not one of" in said("rule", "P000001", "fibre", code=2)
    assert "Did you mean 'K-1'" in said("rule", "P000001", "--panel-id", "K-11", code=2)


def test_findings_are_named_as_reports_do(said: Said) -> None:
    """By number, or by the log's name in any letters; an empty note is refused."""
    said("add", *ADD, "--panel", PANEL)
    for name in ("2", "P2", "p2"):
        said("rule", "P000001", "nothing", "--finding", name)
    assert "no finding '3'" in said("rule", "P000001", "--finding", "3", code=2)
    assert "nothing is given" in said("note", "P000001", "", code=2)


def test_slips_on_the_command_line(said: Said) -> None:
    """A value given twice, a time ahead of the clock, words and days that are none."""
    assert "set is given twice" in said("add", "press=A", "set=204", "set=205", code=2)
    assert "ahead of this machine's clock" in said("add", "press=A", "at=2190-01-01")
    assert "no verdict 'lost'" in said("find", "--verdict", "lost", code=2)
    assert "is no day or time" in said("find", "--since", "0001-01-01", code=2)
    assert "too large" in said("find", "--last", "9" * 20, code=2)
    assert "at most 1000000" in said("fabric", "F1", "--limit", "9" * 20, code=2)


def test_files_in_and_out(said: Said, tmp_path: Path) -> None:
    """Bad rows are named and nothing is taken, unless only the good ones are asked for."""
    path = tmp_path / "rows.csv"
    path.write_text("code,press,set_c\nA,Anvil,204\nB,Anvil,hot\n", encoding="utf-8")
    told = said("import", str(path), code=3)
    assert "row 3: set_c: 'hot' is not a number" in told
    assert "Nothing was written" in told
    assert "Nothing in the log" in said("find")
    told = said("import", str(path), "--partial")
    assert "1 pressing taken" in told
    assert "1 row left out" in told
    out = tmp_path / "out.json"
    said("export", "--out", str(out))
    assert json.loads(out.read_text(encoding="utf-8"))["pressings"][0]["code"] == "A"
    assert "1 pressing written" in said("export", "--out", str(out))
    assert "a folder stands there" in said("export", "--out", str(tmp_path), code=5)
    assert said("export").splitlines()[1].startswith("A,")
    assert "neither csv nor json" in said("export", "--format", "xml", code=2)
    assert "folder is not there" in said("export", "--out", str(tmp_path / "no" / "x.csv"), code=5)


def test_backup_and_restore(said: Said, tmp_path: Path) -> None:
    """A copy brings the log back."""
    said("add", *ADD)
    copy = tmp_path / "copy.sqlite"
    said("backup", str(copy))
    said("add", *ADD)
    assert "Restored." in said("restore", str(copy))
    assert len(json.loads(said("find", "--format", "json"))) == 1
    assert "no press log here" in said("restore", str(tmp_path / "none"), code=3)


def test_presses_fabrics_and_windows(said: Said) -> None:
    """Readings give a map and warnings; fabrics count down; windows are the user's own."""
    assert "in the log" in said(
        "window", "maker's sheet", "--temperature", "395..405F", "--dwell", "1:00..1:15"
    )
    assert "60 s to 75 s" in said("window")
    told = said("probe", "Anvil", "50,50=203", "600,50=205", "300,400=212", "--set", "204")
    assert "+2.7 °C on the mean; 9.0 °C between coldest and hottest point" in told
    assert "MPa: never clamp a damp stack hard and hot" in told
    told = said("add", *ADD, "--panel", "panel=K-9,size=10x8in,place=300x400")
    assert "its maker posts at most 207.2 °C (maker's sheet)" in told
    assert "K-9" in said("platen", "Anvil", "--size", "800x600")
    said("fabric", "F1", "--limit", "10", "--used", "8", "--size", "10x8in")
    assert "1 uses left" in said("fabric")
    said("fabric", "F1", "--retire")
    assert "retired" in said("fabric")
    assert "no press 'Anvl'" in said("platen", "Anvl", code=2)
    assert "is no reading" in said("probe", "Anvil", "50=203", "--set", "204", code=2)
    assert "needs a temperature, a dwell or both" in said("window", "sheet", code=2)


def test_trials(said: Said) -> None:
    """From a cause to a trial of one change, and what it says so far."""
    said("add", *ADD, "drying=5", "--panel", PANEL)
    assert "No trial yet" in said("trial")
    assert "as drying=VALUE" in said("trial", "transfer_not_dry", code=2)
    assert "leads to several defects" in said("trial", "transfer_not_dry", "drying=10", code=2)
    told = said("trial", "transfer_not_dry", "drying=10..", "--kind", "vapour_spot", "--name", "T")
    assert "Change: Drying of the transfer: at least 10 s in the place of 5 s." in told
    assert "vent fabric F1" in told
    assert "Take care:" in told
    said("add", "--like", "last", "drying=12", "--panel", "panel=K-2,size=10x8in,result=pass")
    assert "on 0 of 1 panels with the change, on 1 of 1" in said("trial")
    assert "there is a trial 'T' already" in said(
        "trial", "transfer_not_dry", "drying=30", "--kind", "vapour_spot", "--name", "T", code=2
    )
    assert "ended" in said("trial", "--end", "T")
    assert "no cause 'damp_rom'" in said("trial", "damp_rom", "humidity=..50", code=2)


def test_factors_and_report(said: Said, tmp_path: Path) -> None:
    """A short log says that it is too short, and still gives a page."""
    said("add", *ADD, "--panel", PANEL)
    assert "Too few to tell" in said("factors", "vapour_spot")
    assert "no kind 'rust'" in said("factors", "rust", code=2)
    out = tmp_path / "page.html"
    said("report", "--out", str(out))
    page = out.read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")
    assert "1, 100 % of panels" in page
    assert not re.search(r"(\d{4}-\d\d-\d\d) to \1", page)


def test_no_log_yet(said: Said) -> None:
    """Reading a log that is not there says how to start one."""
    assert "start one with `dyelight log add`" in said("find", code=3)


def test_a_check_goes_into_its_pressing(
    said: Said,
    tmp_path: Path,
    log: Path,
    monkeypatch: pytest.MonkeyPatch,
    make_inspection: Callable[..., Inspection],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`check --pressing` draws on the log, explains itself, and leaves its result there."""
    said("add", *ADD, "--panel", "panel=K-1,size=254x203")
    photo = tmp_path / "photo.png"
    Image.fromarray(np.zeros((80, 100, 3), np.uint8)).save(photo)
    held: dict[str, Any] = {}

    def inspected(*_: Any, causes: Any, evidence: Any, **__: Any) -> Inspection:
        from dyelight.causes import rank_causes
        from dyelight.intake import read_artwork

        found = make_inspection(pictures=False)
        artwork = read_artwork(photo, 254.0, 203.0)
        held["ranked"] = rank_causes(found.findings, artwork, causes, evidence())
        return make_inspection(pictures=False, causes=held["ranked"])

    monkeypatch.setattr(job, "inspect_panel", inspected)
    common = ["check", str(photo), "--artwork", str(photo), "--size", "100x80"]
    assert app.run([*common, "--pressing", "P000001", "--explain"]) == 1
    shown = capsys.readouterr().out
    assert "How the weights came about" in shown
    assert "The room was humid, over about 60 %." in shown
    assert "common practice, no source" in shown
    assert "how much it counts" in shown
    assert "Too few in the log to learn from: 0 other panels looked at" in shown
    with PressLog(log) as opened:
        (row,) = opened.rows()
        assert row.verdict == "remake"
        assert "vapour_spot" in row.kinds
        assert opened.story("P000001").looks[0].photos[0][0] == "panel.jpg"
    assert app.run([*common, "--pressing", "P77"]) == 2
    assert "no pressing 'P77'" in capsys.readouterr().err
    assert app.run([*common, "--log", str(log)]) == 2
    assert "Name it with --pressing" in capsys.readouterr().err
    assert app.run([*common, "--pressing", "P000001", "--explain", "--format", "json"]) == 2


def test_what_people_added_is_told_apart(
    log: Path, said: Said, make_inspection: Callable[..., Inspection]
) -> None:
    """A finding that a person added is theirs, and the report counts it as missed."""
    said("add", "press=Anvil", "--panel", "panel=K-1,size=254x203")
    with PressLog(log) as opened:
        row = opened.panel_of("P000001", "K-1")
        number = opened.add_inspection(row, make_inspection(findings=(), word="pass"))
        opened.add_missed(number, "scratch", (10.0, 20.0), why="By the edge", by="Ines")
    shown = said("show", "P000001")
    assert "pass, no findings." in shown
    assert "Ines added m1, which was missed: scratch. Why: By the edge" in re.sub(
        r"\s+", " ", shown
    )
    page = log.parent / "history.html"
    said("report", "--out", str(page))
    assert "People added 1 that it had missed." in page.read_text(encoding="utf-8")
