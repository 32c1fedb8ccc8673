"""The record of a run: its page, its table, its charts."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dyelight.causes import load_causes
from dyelight.runs.agreement import Agreement, agreement, agreements, kappa
from dyelight.runs.charts import c_chart, corrected_p, corrected_u, p_chart, u_chart
from dyelight.runs.decision import Sampling, decide
from dyelight.runs.grouping import findings_chart, grouped, stopped_chart
from dyelight.runs.page import run_html
from dyelight.runs.pairing import Unpaired
from dyelight.runs.panels import Look, Panel
from dyelight.runs.pattern_file import load_patterns
from dyelight.runs.patterns import comparisons, find_patterns
from dyelight.runs.progress import Progress, duration
from dyelight.runs.record import Run, pareto, run_csv, run_dict, run_text
from dyelight.runs.sampling import draw, plans_for
from dyelight.runs.simulated import Planted, simulated_run

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


def build(planted: Planted = "platen_spot", *, sampled: bool = False) -> Run:
    """A run of simulated findings with a bit of everything."""
    panels = simulated_run(planted, 3)
    panels[0] = replace(panels[0], verdict="retake", marks=(), gravest=None, notes=("Blurred.",))
    panels[1] = replace(panels[1], verdict=None, marks=(), error="torn <file>", code=3)
    panels[2] = replace(
        panels[2], verdict="review", look=Look("pass", "N. Brook", "=a hair"), panel_id="<b>&2"
    )
    sampling = None
    if sampled:
        plans = plans_for(200, "II", {"critical": 0.65, "major": 2.5}, "normal")
        drawn = draw(200, max(plan.n for plan in plans.values()), 3)
        sampling = Sampling(200, "II", "normal", "Inspection begins as normal.", plans, drawn)
        panels = [
            replace(panel, drawn=panel.index in drawn.order, verdict=panel.verdict)
            for panel in panels
        ]
    inspected = [panel for panel in panels if panel.drawn]
    table = load_patterns(load_causes())
    groups = grouped(inspected)
    return Run(
        source="run.csv",
        buyer="Northlight Prints",
        acceptance="gallery",
        rules_sha256="ab" * 32,
        made_at="2031-05-04T11:00+02:00",
        seconds=12.0,
        panels=tuple(panels),
        decision=decide(panels, sampling),
        sampling=sampling,
        patterns=tuple(find_patterns(inspected, table)),
        tests_made=comparisons(inspected, table),
        groups=groups,
        stopped_chart=stopped_chart(groups),
        findings_chart=findings_chart(groups),
        agreement=(agreement("verdict", ["pass", "remake"] * 20, ["pass", "pass"] * 20),),
        repeats="run-0141",
        unpaired=(Unpaired("IMG_7.jpg", "no job sheet was photographed before it."),),
    )


@pytest.fixture(scope="module")
def run() -> Run:
    return build()


# the page


def test_the_page_says_what_the_shop_needs(run: Run, tmp_path: Path) -> None:
    """Decision, what to pull, the pattern with its cause, charts, agreement, all panels."""
    page = run_html(run, tmp_path)
    for text in (
        "Hold",
        "Dust speck comes back at one place",
        "Dirt on the platen, fabric or paper at that place",
        "Cohen's kappa",
        "p chart",
        "IMG_7.jpg",
        "N. Brook",
        "ab" * 32,
        "Take care",
    ):
        assert text in page, text
    assert page.count("<tr data-word") == 200
    assert page.count('class="ring"') == 1


def test_nothing_on_the_page_is_taken_for_code(run: Run, tmp_path: Path) -> None:
    """Ids and errors are escaped, and the page asks the network for nothing."""
    page = run_html(run, tmp_path)
    assert "<b>&2" not in page
    assert "&lt;b&gt;&amp;2" in page
    assert "torn &lt;file&gt;" in page
    assert not re.search(r"(?:src|href)=\"(?!data:|marked/|#)", page)
    assert "default-src 'none'" in page


def test_the_buyers_page_leaves_the_shop_out(run: Run, tmp_path: Path) -> None:
    """No operator, press, fabric, lot, photo, person, pattern or error."""
    page = run_html(run, tmp_path, "buyer")
    facts = {value for panel in run.panels for name, value in panel.facts.items() if len(value) > 2}
    text = re.sub(r"<style>.*?</style>|<script>.*?</script>", "", page, flags=re.S)
    cells = set(re.findall(r"<t[dh][^>]*>([^<]*)<", text))
    assert not facts & cells
    for word in ("S-0009.jpg", "N. Brook", "comes back", "torn", "run.csv", "IMG_7", "kappa"):
        assert word not in text, word
    assert "Northlight Prints" in text
    assert page.count("<tr data-word") == 200


def test_a_sampled_run_shows_its_plans(tmp_path: Path) -> None:
    """Numbers, curve and how many were not taken."""
    run = build("none", sampled=True)
    page = run_html(run, tmp_path)
    assert "Operating characteristic" in page
    assert "168 not taken" in page
    assert "Accept up to" in page
    classes = run_dict(run)["sampling"]["classes"]
    assert {row["class"] for row in classes} == {"critical", "major"}


def test_an_empty_looking_run_has_a_page(tmp_path: Path) -> None:
    """One panel without findings: no charts, no patterns, and no error."""
    panel = Panel(index=0, panel_id="K", verdict="pass", width_mm=10, height_mm=10)
    small = replace(
        build("none"), panels=(panel,), decision=decide([panel], None), patterns=(), groups=(),
        stopped_chart=None, findings_chart=None, agreement=(), repeats=None, unpaired=(),
    )  # fmt: skip
    page = run_html(replace(small, tests_made=0), tmp_path)
    assert "Too few panels (1) to compare anything" in page
    assert "that chance would not make" not in page
    page = run_html(small, tmp_path)
    assert "1 of 1 panel may ship: all that there are." in page
    assert "By chance" not in page
    assert run_dict(small)["agreement"] is None


@pytest.mark.skipif(CHROMIUM is None, reason="not run: Chromium is not installed")
def test_the_table_sorts_and_filters(run: Run, tmp_path: Path) -> None:
    """In Chromium: by number of findings, down and up, and by word and verdict."""
    script = """<script>
    const table = document.getElementById("table"), rows = () => [...table.tBodies[0].rows];
    const cells = (n) => rows().map(row => row.cells[n].textContent.trim());
    const buttons = table.tHead.querySelectorAll("button"), told = {};
    buttons[4].click(); told.up = cells(4).map(Number);
    buttons[4].click(); told.down = cells(4).map(Number);
    told.sorted = buttons[4].parentElement.getAttribute("aria-sort");
    document.getElementById("find").value = "s-001";
    document.getElementById("find").dispatchEvent(new Event("input"));
    told.found = rows().filter(row => !row.hidden).length;
    document.getElementById("find").value = "";
    document.getElementById("word").value = "remake";
    document.getElementById("word").dispatchEvent(new Event("change"));
    told.words = [...new Set(rows().filter(row => !row.hidden).map(row => row.dataset.word))];
    const out = document.createElement("pre"); out.id = "told";
    out.textContent = JSON.stringify(told); document.body.append(out);
    </script></body>"""
    path = tmp_path / "run.html"
    path.write_text(run_html(run, tmp_path).replace("</body>", script), encoding="utf-8")
    assert CHROMIUM is not None
    words = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--dump-dom", path.as_uri()]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=True)
    found = re.search(r'<pre id="told">(.*?)</pre>', done.stdout)
    assert found is not None
    told = json.loads(found.group(1))
    assert told["up"] == sorted(told["up"])
    assert told["down"] == sorted(told["down"], reverse=True)
    assert told["sorted"] == "descending"
    assert told["found"] == 10
    assert told["words"] == ["remake"]


# the data


def test_the_table_is_safe_for_spreadsheets(run: Run) -> None:
    """A row a panel; what looks like a formula is escaped; failed panels have no counts."""
    rows = list(csv.DictReader(io.StringIO(run_csv(run))))
    assert len(rows) == 200
    assert rows[2]["look_note"] == "'=a hair"
    assert (rows[1]["error"], rows[1]["exit_code"], rows[1]["dust_speck"]) == (
        "torn <file>",
        "3",
        "",
    )
    assert rows[0]["dust_speck"] == ""
    assert rows[5]["press"] in ("one", "two", "three")


def test_the_record_is_json_and_whole(run: Run) -> None:
    """Every part is there, and nothing in it is no number."""
    data = json.loads(run_text(run))
    assert data["counts"]["failed"] == 1
    assert data["counts"]["retake"] == 1
    assert data["decision"]["undecided"] == ["S-0001", "S-0002"]
    assert data["patterns"][0]["cause"] == "dirt_on_platen"
    assert len(data["charts"]["stopped"]["values"]) == len(data["charts"]["groups"])
    assert data["panels"][2]["looked"]["by"] == "N. Brook"
    assert data["panels"][1]["result"] is None


def test_kinds_stand_by_how_many_panels_have_them(run: Run) -> None:
    """Most first, of the panels that were seen."""
    shares = pareto(run.panels)
    assert [share.panels for share in shares] == sorted(
        (share.panels for share in shares), reverse=True
    )
    assert {share.of for share in shares} == {198}
    assert shares[0].findings >= shares[0].panels


# groups and charts


def test_panels_group_by_batch_or_by_number() -> None:
    """Ten batches of twenty; without batches eight panels make a point, the rest joins the last."""
    panels = simulated_run("none", 1)
    assert [len(group.panels) for group in grouped(panels)] == [20] * 10
    plain = [replace(panel, facts={}) for panel in panels[:61]]
    groups = grouped(plain)
    assert [len(group.panels) for group in groups] == [4] * 14 + [5]
    assert groups[0].label == "1-4"
    assert groups[-1].label == "57-61"
    assert stopped_chart(grouped(plain[:8])) is None
    assert findings_chart(grouped(plain[:8])) is None


def test_equal_areas_have_a_c_chart_and_others_a_u_chart() -> None:
    """Unless the counts spread too much."""
    rng = np.random.default_rng(2)
    even = simulated_run("none", 1)
    for index, panel in enumerate(even):
        marks = panel.marks[:1] if rng.random() < 0.5 else ()
        even[index] = replace(panel, marks=marks)
    chart = findings_chart(grouped(even))
    assert chart is not None
    assert chart.kind == "c"
    mixed = [replace(p, width_mm=100.0) if p.index % 3 else p for p in even]
    other = findings_chart(grouped(mixed))
    assert other is not None
    assert other.kind == "u"


@pytest.mark.parametrize("groups", [10, 30])
def test_laneys_correction_comes_with_spread_and_not_without(groups: int) -> None:
    """Rates that wander from group to group nearly always; chance alone seldom."""
    rng = np.random.default_rng(5)
    taken = [200] * groups
    plain = sum(
        corrected_p(list(map(int, rng.binomial(200, 0.1, groups))), taken).kind == "p'"
        for _ in range(300)
    )
    wide = 0
    for _ in range(300):
        rates = rng.beta(4, 36, groups)
        wide += corrected_u(list(map(int, rng.poisson(200 * rates))), taken).kind == "u'"
    assert plain / 300 < 0.06
    assert wide / 300 > 0.85


def test_charts_of_nothing_and_of_wrong_numbers() -> None:
    """All zero stays on the centre; negative or missing counts are refused."""
    chart = corrected_p([0, 0, 0], [10, 10, 10])
    assert (chart.kind, chart.centre, chart.out) == ("p", 0.0, ())
    assert u_chart([0, 0], [1, 1], laney=True).sigma_z == 1.0
    assert p_chart([10, 10], [10, 10]).upper.max() == 1.0
    for wrong in ([], [-1, 2], [float("nan")]):
        with pytest.raises(ValueError, match="finite numbers"):
            c_chart(wrong)  # type: ignore[arg-type]  # wrong on purpose


# agreement


def test_kappa_at_its_ends() -> None:
    """Whole agreement 1, chance 0, whole disagreement below 0, one word only undefined."""
    assert kappa([[5, 0], [0, 5]]) == pytest.approx((1.0, 0.0))
    even = kappa([[25, 25], [25, 25]])
    assert even is not None
    assert even[0] == 0.0
    opposed = kappa([[0, 5], [5, 0]])
    assert opposed is not None
    assert opposed[0] == -1.0
    assert kappa([[9, 0], [0, 0]]) is None
    assert kappa(np.zeros((0, 0))) is None
    alone = agreement("verdict", ["pass"] * 3, ["pass"] * 3)
    assert alone == Agreement("verdict", 3, 1.0, None, None, None)


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """2,000 draws of 80 panels from a known table: 93 to 97 % of the intervals hold its kappa."""
    truth = np.array([[0.55, 0.08], [0.07, 0.30]])
    wanted = kappa(truth)
    assert wanted is not None
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(2000):
        found = kappa(rng.multinomial(80, truth.ravel()).reshape(2, 2))
        assert found is not None
        held += abs(found[0] - wanted[0]) <= 1.96 * found[1]
    assert 0.92 < held / 2000 < 0.97


def test_two_looks_are_compared_by_verdict_and_by_kind() -> None:
    """Only panels that both could judge; kinds that neither saw are left out."""
    panels = simulated_run("none", 4, 40)
    earlier = {p.panel_id: (p.verdict or "", frozenset(p.kinds)) for p in panels[:30]}
    earlier[panels[0].panel_id] = ("retake", frozenset())
    rows = {row.about: row for row in agreements(panels, earlier)}
    assert rows["verdict"].panels == 30
    assert rows["dust_speck"].panels == 29
    assert rows["dust_speck"].kappa == 1.0
    assert "streaks" not in rows
    assert agreements(panels, {}) == []


# progress


class Clock:
    """A clock that tests set."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def test_progress_tells_rate_and_time_left() -> None:
    """From panels that were inspected, not from those that were there before."""
    clock, stream = Clock(), io.StringIO()
    progress = Progress(100, stream, clock)
    for _ in range(40):
        progress.add(reused=True, failed=False)
    assert progress.line() == "40 of 100 panels, 40 from before"
    for _ in range(10):
        clock.now += 2.0
        progress.add(reused=False, failed=False)
    assert progress.line() == "50 of 100 panels, 40 from before, 0.5 a second, 2 min left"
    clock.now += 40
    progress.add(reused=False, failed=True)
    assert "51 of 100" in stream.getvalue()
    assert "1 failed" in stream.getvalue()
    progress.end()
    assert stream.getvalue().endswith("\n")


def test_progress_on_a_terminal_writes_one_line_over() -> None:
    """A shorter text wipes the longer one before it."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    clock, stream = Clock(), Terminal()
    progress = Progress(3, stream, clock)
    for _ in range(3):
        clock.now += 1
        progress.add(reused=False, failed=False)
    progress.end()
    lines = stream.getvalue().split("\r")
    assert all("\n" not in line for line in lines[:-1])
    assert lines[-1].strip() == "3 of 3 panels, 1 a second"


@pytest.mark.parametrize(
    ("seconds", "text"), [(8.4, "8 s"), (240, "4 min"), (7500, "2 h 05 min"), (-1, "0 s")]
)
def test_durations_for_people(seconds: float, text: str) -> None:
    """In the unit that one thinks in."""
    assert duration(seconds) == text
