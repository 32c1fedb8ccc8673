"""`dyelight run` as a user meets it: messages, files and exit codes, on small simulated photos."""

from __future__ import annotations

import csv
import importlib.util
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from skimage import data

from dyelight.cli import app
from dyelight.simulate import PlantedDefect, simulate_photo

needs_dask = pytest.mark.skipif(
    importlib.util.find_spec("distributed") is None, reason="the extra 'cluster' is not installed"
)
# large and bare: what tests of runs plant must be beyond doubt
LIFT = PlantedDefect("coating_lift", (95.0, 70.0), 12.0, strength=1.0, angle_deg=30, shape_seed=3)
PANELS = 6


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six simulated photos of two photographs; lifted coating on every third panel."""
    folder = tmp_path_factory.mktemp("shop")
    coffee, cup = data.coffee()[:, 20:553], data.coffee()[:399, 60:592][:, ::-1]
    artworks = [np.ascontiguousarray(picture[:399, :532]) for picture in (coffee, cup)]
    for number, pixels in enumerate(artworks):
        Image.fromarray(pixels).save(folder / f"art{number}.png")
    rows = [["panel_id", "photo", "artwork", "width_mm", "height_mm", "press", "batch"]]
    for index in range(PANELS):
        photo = simulate_photo(
            artworks[index % 2],
            width_mm=120.0,
            height_mm=90.0,
            capture="station",
            defects=[LIFT] if index % 3 == 0 else [],
            seed=60 + index,
            long_side_px=700,
        )
        (folder / f"p{index}.jpg").write_bytes(photo.jpeg)
        rows.append([f"K-{index}", f"p{index}.jpg", f"art{index % 2}.png", "120", "90", "two", "7"])
    with (folder / "run.csv").open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    return folder


@pytest.fixture(scope="session")
def finished(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an undisturbed run, by two workers."""
    out = tmp_path_factory.mktemp("undisturbed") / "out"
    assert app.run(["run", str(made / "run.csv"), "--out", str(out), "--workers", "2"]) == 1
    return out


@pytest.fixture
def shop(made: Path, tmp_path: Path) -> Path:
    """A copy of the photos and the list that a test may change."""
    return Path(shutil.copytree(made, tmp_path / "shop"))


def results(out: Path) -> dict[str, Any]:
    """All results of a run, `seconds` apart."""
    found = {}
    for path in sorted((out / "results").iterdir()):
        found[path.name] = json.loads(path.read_text(encoding="utf-8"))
        del found[path.name]["seconds"]
    return found


def record(out: Path) -> dict[str, Any]:
    """run.json without what differs between two runs of the same."""
    data: dict[str, Any] = json.loads((out / "run.json").read_text(encoding="utf-8"))
    for name in ("seconds", "made_at", "source"):
        del data[name]
    return data


def test_the_files_of_a_run(finished: Path) -> None:
    """A result and a marked picture for each panel, and the record three times over."""
    assert {path.name for path in (finished / "marked").iterdir()} == {
        f"K-{n}.jpg" for n in range(PANELS)
    }
    assert len(results(finished)) == PANELS
    data = record(finished)
    assert data["counts"]["panels"] == PANELS
    assert data["decision"]["word"] == "ship_without"
    assert {"K-0", "K-3"} <= set(data["decision"]["pull"])
    assert data["panels"][0]["facts"] == {"batch": "7", "press": "two"}
    with (finished / "run.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["panel_id"] for row in rows] == [f"K-{n}" for n in range(PANELS)]
    assert int(rows[0]["coating_lift"]) >= 1
    page = (finished / "run.html").read_text(encoding="utf-8")
    assert "http" not in page.replace("http-equiv", "")
    assert page.count("data:image/jpeg") == len(data["decision"]["pull"])


def test_the_readme_tells_every_field_of_the_record(finished: Path) -> None:
    """And of its decision and counts."""
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    told = set(re.findall(r"`(\w+)`", readme.partition("| field of `run.json` |")[2]))
    data = json.loads((finished / "run.json").read_text(encoding="utf-8"))
    assert set(data) | set(data["decision"]) | set(data["counts"]) <= told


def test_one_worker_finds_the_same(
    made: Path, finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """To the last digit; a second go redoes nothing, and says so."""
    out = tmp_path / "one"
    words = ["run", str(made / "run.csv"), "--out", str(out), "--workers", "1"]
    assert app.run(words) == 1
    assert results(out) == results(finished)
    assert record(out) == record(finished)
    before = {path: path.stat().st_mtime_ns for path in (out / "results").iterdir()}
    capsys.readouterr()
    assert app.run(words) == 1
    said = capsys.readouterr()
    assert f"{PANELS} from before" in said.err
    assert "must be made again" in said.out
    assert {path: path.stat().st_mtime_ns for path in (out / "results").iterdir()} == before


@needs_dask
def test_a_cluster_finds_the_same(made: Path, finished: Path, tmp_path: Path) -> None:
    """Two Dask workers on loopback; one that is killed in mid-work changes nothing."""
    out = tmp_path / "cluster"
    with cluster(tmp_path, workers=2) as (address, pids):
        command = [sys.executable, "-m", "dyelight.cli", "run", str(made / "run.csv")]
        command += ["--out", str(out), "--cluster", address]
        with subprocess.Popen(command, stdout=subprocess.DEVNULL) as run:
            while not any((out / "results").glob("*.json")) and run.poll() is None:
                time.sleep(0.05)
            os.kill(pids[1], signal.SIGKILL)
            assert run.wait(timeout=200) == 1
    assert results(out) == results(finished)
    assert record(out) == record(finished)


@needs_dask
def test_a_cluster_that_is_gone_ends_it_with_5(made: Path, finished: Path, tmp_path: Path) -> None:
    """What was finished stays, and the same command goes on elsewhere."""
    out = tmp_path / "cluster"
    with cluster(tmp_path, workers=1) as (address, pids):
        command = [sys.executable, "-m", "dyelight.cli", "run", str(made / "run.csv")]
        command += ["--out", str(out), "--cluster", address]
        with subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        ) as run:
            while not any((out / "results").glob("*.json")) and run.poll() is None:
                time.sleep(0.05)
            os.kill(pids[0], signal.SIGKILL)
            told = run.communicate(timeout=200)[1]
    assert run.returncode == 5, told
    assert "does not answer any more" in told
    assert "Traceback" not in told
    assert app.run([*command[3:-2], "--workers", "1"]) == 1
    assert results(out) == results(finished)


class cluster:  # noqa: N801  # used as a context manager, like contextlib's own
    """A Dask scheduler and workers as processes of their own, without nannies."""

    def __init__(self, folder: Path, workers: int) -> None:
        self._folder, self._count = folder, workers
        self._processes: list[subprocess.Popen[bytes]] = []

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, "-m", "dask", *words],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=self._folder,
        )
        self._processes.append(process)
        return process

    def __enter__(self) -> tuple[str, list[int]]:
        file = self._folder / "scheduler.json"
        self._start(
            "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
            "--scheduler-file", str(file),
        )  # fmt: skip
        while not file.exists() or not file.read_text().strip():
            time.sleep(0.05)
        address = json.loads(file.read_text())["address"]
        for _ in range(self._count):
            self._start("worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard")
        # the scheduler's process first, then the workers'
        return address, [process.pid for process in self._processes]

    def __exit__(self, *_: object) -> None:
        for process in reversed(self._processes):
            process.kill()
            process.wait(timeout=60)


@pytest.mark.parametrize("moment", [1, 4])
def test_killed_in_mid_run_it_goes_on(
    moment: float, made: Path, finished: Path, tmp_path: Path
) -> None:
    """SIGKILL after some results: the same command finishes, with the same outcome."""
    out = tmp_path / "killed"
    command = [sys.executable, "-m", "dyelight.cli", "run", str(made / "run.csv")]
    command += ["--out", str(out), "--workers", "2"]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL) as run:
        while len(list((out / "results").glob("*.json"))) < moment and run.poll() is None:
            time.sleep(0.02)
        run.send_signal(signal.SIGKILL)
    assert app.run(command[3:]) == 1
    assert results(out) == results(finished)
    assert record(out) == record(finished)


def test_an_interrupt_ends_it_with_130(made: Path, tmp_path: Path) -> None:
    """Workers are stopped, and what is finished stays."""
    out = tmp_path / "interrupted"
    command = [sys.executable, "-m", "dyelight.cli", "run", str(made / "run.csv")]
    # one worker, so that panels are left when the first is done
    command += ["--out", str(out), "--workers", "1"]
    with subprocess.Popen(
        command, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as run:
        while not any((out / "results").glob("*.json")) and run.poll() is None:
            time.sleep(0.02)
        # as a terminal does: the whole group hears it
        os.killpg(run.pid, signal.SIGINT)
        told = run.communicate(timeout=120)[1]
    assert run.returncode == 130
    assert "interrupted" in told
    assert "Traceback" not in told
    assert any((out / "results").glob("*.json"))


def test_a_full_disk_ends_it_with_5_and_it_goes_on(
    made: Path, finished: Path, tmp_path: Path
) -> None:
    """No file may grow over 8 kB: results do not fit. With room again the run finishes."""
    out = tmp_path / "full"
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (8000, 8000)); "
        "from dyelight.cli.app import run; sys.exit(run(sys.argv[1:]))"
    )
    words = ["run", str(made / "run.csv"), "--out", str(out), "--workers", "1"]
    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, timeout=200
    )
    assert done.returncode == 5, done.stderr
    assert "cannot be written" in done.stderr
    assert not list(out.rglob("*.part"))
    assert app.run(words) == 1
    assert results(out) == results(finished)


def test_only_what_changed_is_done_again(
    shop: Path, finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One photo replaced by another's: all other results stay as they lie."""
    out = Path(shutil.copytree(finished, tmp_path / "out"))
    shutil.copy(shop / "p2.jpg", shop / "p4.jpg")
    assert app.run(["run", str(shop / "run.csv"), "--out", str(out), "--workers", "1"]) == 1
    assert f"{PANELS - 1} from before" in capsys.readouterr().err
    old, new = results(finished), results(out)
    assert new["K-4.json"]["photos"] != old["K-4.json"]["photos"]
    assert {k: v for k, v in new.items() if k != "K-4.json"} == {
        k: v for k, v in old.items() if k != "K-4.json"
    }


def test_a_bad_photo_is_a_row_with_its_error(
    shop: Path, finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The rest is inspected; the run cannot ship yet, and its code is the unreadable photo's."""
    out = Path(shutil.copytree(finished, tmp_path / "out"))
    (shop / "p1.jpg").write_bytes((shop / "p1.jpg").read_bytes()[:900])
    (shop / "p5.jpg").unlink()
    assert app.run(["run", str(shop / "run.csv"), "--out", str(out), "--workers", "1"]) == 3
    said = capsys.readouterr()
    assert "2 failed" in said.err
    assert "HOLD" in said.out
    data = record(out)
    errors = {panel["panel_id"]: panel["error"] for panel in data["panels"] if panel["error"]}
    assert set(errors) == {"K-1", "K-5"}
    assert "no such file" in errors["K-5"]
    assert data["decision"]["undecided"] == ["K-1", "K-5"]
    assert "K-1.json" not in results(out)


def test_a_dry_run_tells_all_and_does_nothing(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Missing and broken files and wrong shapes, before any work and without a folder."""
    words = ["run", str(shop / "run.csv"), "--dry-run"]
    assert app.run(words) == 0
    assert "Nothing stands in the way" in capsys.readouterr().out
    (shop / "p1.jpg").write_text("no picture")
    (shop / "p2.jpg").unlink()
    text = (shop / "run.csv").read_text().replace("art1.png,120,90", "art1.png,90,120", 1)
    (shop / "run.csv").write_text(text)
    assert app.run(words) == 2
    said = " ".join(capsys.readouterr().out.split())
    assert "line 3, K-1:" in said
    assert "no picture that can be read" in said
    assert "line 4, K-2:" in said
    assert "Width and height look swapped" in said
    assert sorted(path.name for path in tmp_path.iterdir()) == ["shop"]


def test_rows_that_cannot_be_used_stop_it_before_any_work(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every row is told."""
    text = (shop / "run.csv").read_text().replace("K-2,", ",").replace("K-3,", "K-1,")
    (shop / "run.csv").write_text(text)
    assert app.run(["run", str(shop / "run.csv"), "--out", str(tmp_path / "o")]) == 2
    told = capsys.readouterr().err
    assert "line 4, panel_id: nothing is given." in told
    assert "line 5, panel_id: 'K-1' stands in line 3 already." in told
    assert "2 rows cannot be used" in told
    assert not (tmp_path / "o").exists()


def test_a_sample_is_drawn_and_only_it_is_inspected(
    shop: Path, finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Photos that were not drawn need not be there; the dry run says which panels to take."""
    words = ["run", str(shop / "run.csv"), "--sampling", "normal", "--level", "S-1", "--seed", "5"]
    words += ["--aql", "major=6.5", "--buyer", "Northlight Prints"]
    assert app.run([*words, "--dry-run"]) == 0
    said = capsys.readouterr().out
    taken = [line.strip() for line in said.splitlines() if line.startswith("  K-")]
    assert len(taken) == 2
    for index in range(PANELS):
        if f"K-{index}" not in taken:
            (shop / f"p{index}.jpg").unlink()
    out = Path(shutil.copytree(finished, tmp_path / "out"))
    app.run([*words, "--out", str(out), "--workers", "1"])
    data = record(out)
    assert {panel["panel_id"] for panel in data["panels"] if panel["drawn"]} == set(taken)
    (plan,) = data["sampling"]["classes"]
    assert (plan["n"], plan["accept"], plan["reject"]) == (2, 0, 1)
    assert data["buyer"] == "Northlight Prints"
    assert "Operating characteristic" in (out / "run.html").read_text(encoding="utf-8")


def test_peoples_looks_change_the_decision(
    made: Path, finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The machine's verdict stays on record beside the ruling; the exit code follows it."""
    out = Path(shutil.copytree(finished, tmp_path / "out"))
    pulled = record(finished)["decision"]["pull"]
    looks = tmp_path / "looks.csv"
    lines = [f"{panel_id},pass,N. Brook,seen by eye" for panel_id in pulled]
    looks.write_text("\n".join(["panel_id,verdict,by,note", *lines]))
    words = ["run", str(made / "run.csv"), "--out", str(out), "--workers", "1"]
    assert app.run([*words, "--looked", str(looks)]) == 0
    assert "SHIP" in capsys.readouterr().out
    data = record(out)
    assert data["decision"]["word"] == "ship"
    panel = next(panel for panel in data["panels"] if panel["panel_id"] == pulled[0])
    assert (panel["verdict"], panel["ruling"]) == ("remake", "pass")
    assert panel["looked"]["by"] == "N. Brook"
    assert "N. Brook" in (out / "run.html").read_text(encoding="utf-8")


def test_a_repeat_says_how_far_both_agree(
    made: Path, finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same photos again agree wholly; an empty folder is no run."""
    out = Path(shutil.copytree(finished, tmp_path / "out"))
    words = ["run", str(made / "run.csv"), "--out", str(out), "--workers", "1"]
    assert app.run([*words, "--repeat", str(finished)]) == 1
    assert "verdict: same on 100 % of 6 panels, Cohen's kappa 1.00" in capsys.readouterr().out
    rows = record(out)["agreement"]["rows"]
    assert {row["about"] for row in rows} >= {"verdict", "coating_lift"}
    assert all(row["kappa"] in (1.0, None) for row in rows)
    assert app.run([*words, "--repeat", str(tmp_path)]) == 2
    assert "no finished run" in capsys.readouterr().err


def test_the_buyers_page_says_nothing_about_the_shop(
    made: Path, finished: Path, tmp_path: Path
) -> None:
    """No press, batch, photo names, causes or patterns; verdicts, rules and version."""
    out = Path(shutil.copytree(finished, tmp_path / "out"))
    words = ["run", str(made / "run.csv"), "--out", str(out), "--workers", "1"]
    app.run([*words, "--for", "buyer", "--buyer", "Northlight Prints"])
    page = (out / "buyer.html").read_text(encoding="utf-8")
    # the cautions are the same for everybody, and speak of presses
    page = re.sub(r'<section aria-labelledby="care">.*?</section>', "", page, flags=re.S)
    for word in ("press", "batch", "p0.jpg", "Points to", "runs through", "run.csv", "marked/"):
        assert word not in page, word
    for word in ("Northlight Prints", "K-0", "gallery", "sha256"):
        assert word in page


def test_a_folder_is_paired_and_what_is_left_out_is_told(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Photos named after their artwork; a stranger is left out and listed in the record."""
    folder = tmp_path / "folder"
    (folder / "artwork").mkdir(parents=True)
    shutil.copy(shop / "art0.png", folder / "artwork" / "heron.png")
    shutil.copy(shop / "p0.jpg", folder / "heron-1.jpg")
    shutil.copy(shop / "p1.jpg", folder / "owl.jpg")
    words = ["run", str(folder), "--size", "120x90"]
    assert app.run([*words, "--dry-run"]) == 1
    assert "owl.jpg: no artwork" in capsys.readouterr().out
    assert app.run([*words, "--out", str(tmp_path / "out"), "--workers", "1"]) == 1
    assert "left out: owl.jpg" in capsys.readouterr().err
    data = record(tmp_path / "out")
    assert [panel["panel_id"] for panel in data["panels"]] == ["heron-1"]
    assert [item["file"] for item in data["unpaired"]] == ["owl.jpg"]


def test_a_folder_is_paired_by_job_sheets(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Codes are read by workers; the sheet itself is no panel."""
    zxingcpp = pytest.importorskip("zxingcpp", reason="the extra 'codes' is not installed")
    folder = tmp_path / "folder"
    (folder / "artwork").mkdir(parents=True)
    shutil.copy(shop / "art0.png", folder / "artwork" / "J-7.png")
    shutil.copy(shop / "p0.jpg", folder / "IMG_10.jpg")
    code = zxingcpp.create_barcode("J-7", zxingcpp.BarcodeFormat.QRCode)
    sheet = Image.new("L", (900, 700), 210)
    sheet.paste(
        Image.fromarray(np.array(zxingcpp.write_barcode_to_image(code, scale=8))), (200, 150)
    )
    sheet.save(folder / "IMG_9.jpg")
    words = ["run", str(folder), "--pair", "codes", "--size", "120x90", "--workers", "2"]
    assert app.run([*words, "--dry-run"]) == 0
    assert "1 panel, 1 to inspect" in capsys.readouterr().out
    assert app.run([*words, "--out", str(tmp_path / "out")]) == 1
    (panel,) = record(tmp_path / "out")["panels"]
    assert (panel["panel_id"], panel["artwork"]) == ("IMG_10", "J-7.png")


def test_the_press_log_gives_facts_and_keeps_lots(
    made: Path, shop: Path, finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pressing's facts reach its panels; two rejected lots tighten the third."""
    from dyelight.press_log import PanelEntry, PressingEntry, PressLog
    from dyelight.runs.switching import lots_from

    where = tmp_path / "log.db"
    with PressLog(where) as log:
        panels = tuple(PanelEntry(code=f"K-{n}", x_mm=200.0, y_mm=150.0) for n in range(PANELS))
        log.add_pressing(
            PressingEntry(code="P1", press="three", fabric="F1", dwell_s=60.0, panels=panels)
        )
    text = (shop / "run.csv").read_text().replace("press,batch", "operator,pressing")
    (shop / "run.csv").write_text(text.replace(",two,7", ",B,P1"))
    words = ["run", str(shop / "run.csv"), "--workers", "1", "--log", str(where)]
    words += ["--buyer", "Northlight Prints", "--sampling", "auto", "--aql", "critical=0.10"]
    for number in range(2):
        out = Path(shutil.copytree(finished, tmp_path / f"out{number}"))
        assert app.run([*words, "--out", str(out)]) == 1
    data = record(out)
    facts = data["panels"][0]["facts"]
    assert (facts["press"], facts["operator"], facts["dwell_s"]) == ("three", "B", "60")
    assert (facts["x_mm"], facts["fabric_use"]) == ("200", "1")
    assert data["decision"]["word"] == "reject"
    with PressLog(where) as log:
        kept = lots_from(log.state("buyer:Northlight Prints", "sampling"))
    assert [lot.outcome for lot in kept] == ["rejected", "rejected"]
    capsys.readouterr()
    assert app.run([*words, "--dry-run"]) == 0
    assert "Tightened sampling" in capsys.readouterr().out
    (shop / "run.csv").write_text((shop / "run.csv").read_text().replace("P1", "P9"))
    assert app.run([*words, "--dry-run"]) == 2
    err = capsys.readouterr().err
    assert err.count("pressing: the press log has no pressing 'P9'") == PANELS
    assert f"{PANELS} rows cannot be used" in err


def test_a_log_that_is_not_there(
    made: Path,
    finished: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A slip in its name is told; only a buyer's first lot begins one, and a dry run never."""
    where, out = tmp_path / "log.db", Path(shutil.copytree(finished, tmp_path / "out"))
    words = ["run", str(made / "run.csv"), "--out", str(out), "--workers", "1"]
    assert app.run([*words, "--log", str(where)]) == 3
    assert "no press log here" in capsys.readouterr().err
    assert app.run([*words, "--log", str(where), "--buyer", "N", "--dry-run"]) == 3
    monkeypatch.setenv("DYELIGHT_LOG", str(where))
    assert app.run([*words, "--dry-run"]) == 0
    assert not where.exists()
    sample = ["--buyer", "N", "--sampling", "auto"]
    assert app.run([*words, *sample]) == 1
    assert "a new press log is begun" in capsys.readouterr().err
    assert where.exists()


def test_slips_in_looks_cost_no_run(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A ruling on a panel that is none of the run's is told before any work, dry or not."""
    looks = tmp_path / "looks.csv"
    looks.write_text("panel_id,verdict,by\nK-11,pass,N. Brook\n")
    words = ["run", str(made / "run.csv"), "--out", str(tmp_path / "o"), "--looked", str(looks)]
    for more in ([], ["--dry-run"]):
        assert app.run([*words, *more]) == 2
        assert "no panel 'K-11'. Did you mean 'K-1'?" in capsys.readouterr().err
    assert not (tmp_path / "o").exists()


def test_a_buyers_page_never_grows_old(made: Path, finished: Path, tmp_path: Path) -> None:
    """Once written it is written again with every later record of the same run."""
    out = Path(shutil.copytree(finished, tmp_path / "out"))
    (out / "buyer.html").write_text("of another day")
    assert app.run(["run", str(made / "run.csv"), "--out", str(out), "--workers", "1"]) == 1
    assert "All panels" in (out / "buyer.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--workers", "0"], "--workers must be 1 to"),
        (["--sampling", "some"], "--sampling knows no 'some'"),
        (["--sampling", "auto"], "Give --log and --buyer"),
        (["--sampling", "normal", "--aql", "major=3"], "no AQL '3'"),
        (["--sampling", "normal", "--level", "IV"], "no inspection level"),
        (["--for", "world"], "--for knows no 'world'"),
        (["--pair", "sight"], "--pair knows no 'sight'"),
        pytest.param(
            ["--cluster", "tcp://127.0.0.1:9"], "no Dask scheduler answers", marks=needs_dask
        ),
        (["--acceptance", "none"], "none"),
    ],
)
def test_flags_that_cannot_be_used(
    words: list[str], told: str, made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2 with the way out."""
    assert app.run(["run", str(made / "run.csv"), "--out", str(tmp_path / "o"), *words]) == 2
    assert told in capsys.readouterr().err


def test_a_run_needs_a_folder(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """And says how to name it."""
    assert app.run(["run", str(made / "run.csv")]) == 2
    assert "--out" in capsys.readouterr().err


@pytest.fixture(autouse=True)
def one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cluster workers that tests start have one thread for linear algebra, as runs' own have."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        monkeypatch.setenv(name, "1")
