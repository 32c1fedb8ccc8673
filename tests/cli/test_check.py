"""`dyelight check` from file to verdict, and what it says about files that it cannot use."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from dyelight.cli import app, job
from dyelight.cli.tiny_inspection import drawn_picture
from dyelight.data import models_folder
from dyelight.errors import StageFault
from dyelight.records import Inspection
from dyelight.simulate import PlantedDefect, simulate_photo

SIZE = "100x80"


@pytest.fixture(scope="session")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """An artwork, another one, and simulated small photos of a clean and a lifted panel."""
    folder = tmp_path_factory.mktemp("panel")
    picture, other = drawn_picture(1000, 800, 4), drawn_picture(1000, 800, 5)
    paths = {}
    for name, pixels in (("artwork", picture), ("other", other)):
        paths[name] = folder / f"{name}.png"
        Image.fromarray(pixels).save(paths[name])
    lift = PlantedDefect("coating_lift", (40.0, 40.0), diameter_mm=6.0, strength=1.0, shape_seed=2)
    for name, defects in (("clean", ()), ("lifted", (lift,))):
        shot = simulate_photo(
            picture,
            width_mm=100.0,
            height_mm=80.0,
            capture="station",
            defects=defects,
            seed=9,
            long_side_px=1600,
        )
        paths[name] = folder / f"{name}.jpg"
        paths[name].write_bytes(shot.jpeg)
    return paths


def check(files: dict[str, Path], photo: Path | str, *more: str) -> int:
    """Run check on one photo against the usual artwork."""
    return app.run(["check", str(photo), "--artwork", str(files["artwork"]), "--size", SIZE, *more])


def test_a_clean_panel_passes(files: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    """A faultless simulated panel exits 0 with its verdict first."""
    assert check(files, files["clean"]) == 0
    captured = capsys.readouterr()
    assert captured.out.startswith("[ok] PASS")
    assert captured.err == ""


def test_a_lifted_panel_is_stopped_and_written_down(
    files: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A panel without coating in its face exits 1, and three files say why."""
    out = tmp_path / "[bold]out"
    assert check(files, files["lifted"], "--out", str(out), "--panel-id", "P-7") == 1
    printed = capsys.readouterr().out
    assert str(out / "report.html") in printed
    assert "Change next:" in printed
    result = json.loads((out / "result.json").read_text(encoding="utf-8"))
    assert result["verdict"] in ("remake", "review")
    assert result["panel"]["id"] == "P-7"
    assert result["findings"]
    with Image.open(out / "marked.jpg") as marked:
        assert max(marked.size) <= 2400


def test_json_stands_alone_on_standard_output(
    files: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """With --format json standard output is one JSON document."""
    code = check(files, files["clean"], "--format", "json")
    result = json.loads(capsys.readouterr().out)
    assert result["verdict"] == "pass"
    assert code == 0


def test_without_a_size_lengths_are_per_cent(
    files: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """A check without size warns on standard error and leaves fields in mm empty."""
    photo, artwork = str(files["clean"]), str(files["artwork"])
    app.run(["check", photo, "--artwork", artwork, "--format", "json"])
    captured = capsys.readouterr()
    assert "no --size was given" in captured.err
    panel = json.loads(captured.out)["panel"]
    assert panel["width_mm"] is None
    assert panel["width_pct"] == 100.0


def flat(level: int, size: tuple[int, int] = (900, 700)) -> Callable[[Path], None]:
    """Writes a photo of one grey."""

    def write(path: Path) -> None:
        Image.fromarray(np.full((size[1], size[0], 3), level, np.uint8)).save(path, "JPEG")

    return write


def bench_without_panel(path: Path) -> None:
    """Writes a photo of an empty, slightly uneven bench."""
    rng = np.random.default_rng(3)
    slope = np.linspace(120, 150, 1200)[None, :, None]
    grain = rng.normal(0, 4, (900, 1200, 3))
    Image.fromarray(np.clip(slope + grain, 0, 255).astype(np.uint8)).save(path, "JPEG")


@pytest.mark.parametrize(
    "write",
    [flat(0), flat(255), flat(120, (1, 1)), bench_without_panel],
    ids=["black", "white", "one pixel", "no panel"],
)
def test_a_photo_that_shows_no_panel_is_a_retake(
    files: dict[str, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    write: Callable[[Path], None],
) -> None:
    """A photo with nothing to judge exits 4, says why and what to do, and is still written down."""
    write(tmp_path / "photo.jpg")
    assert check(files, tmp_path / "photo.jpg", "--out", str(tmp_path / "out")) == 4
    captured = capsys.readouterr()
    assert captured.out.startswith("[o] RETAKE")
    assert len(captured.out.splitlines()[1]) > 40
    result = json.loads((tmp_path / "out" / "result.json").read_text(encoding="utf-8"))
    assert result["usable"] is False
    assert result["findings"] == []
    assert (tmp_path / "out" / "marked.jpg").is_file()
    assert "Retake" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_another_artwork_is_told(
    files: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """A panel with another picture than the artwork never passes, and the reason is told."""
    photo, other = str(files["clean"]), str(files["other"])
    code = app.run(["check", photo, "--artwork", other, "--size", SIZE, "--format", "json"])
    result = json.loads(capsys.readouterr().out)
    kinds = [item["kind"] for item in result["findings"]]
    assert code == 1
    assert kinds == ["wrong_artwork"]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("missing.jpg", None),
        ("text.jpg", b"this is no picture\n" * 20),
        ("empty.jpg", b""),
        ("folder", "folder"),
        ("truncated.jpg", "truncated"),
    ],
)
def test_a_file_that_cannot_be_read_exits_3(
    files: dict[str, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    name: str,
    content: bytes | str | None,
) -> None:
    """The message names the file, and nothing goes to standard output; so for the artwork."""
    path = tmp_path / name
    if content == "folder":
        path.mkdir()
    elif content == "truncated":
        whole = files["clean"].read_bytes()
        path.write_bytes(whole[: len(whole) // 3])
    elif isinstance(content, bytes):
        path.write_bytes(content)
    assert check(files, path) == 3
    captured = capsys.readouterr()
    assert captured.out == ""
    assert name in captured.err
    as_artwork = ["check", str(files["clean"]), "--artwork", str(path), "--size", SIZE]
    assert app.run(as_artwork) == 3
    assert name in capsys.readouterr().err


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--size", "0x80"], "more than zero"),
        (["--size=-100x80"], "--size"),
        (["--size", "80x100"], "swapped"),
        (["--size", "100x60"], "aspect"),
        (["--size", "large"], "is not a size"),
        (["--bleed", "-3"], "--bleed"),
        (["--base", "blue"], "--base"),
        (["--acceptance", "lenient"], "there is no acceptance spec"),
    ],
)
def test_a_setting_that_cannot_be_used_exits_2(
    files: dict[str, Path], capsys: pytest.CaptureFixture[str], more: list[str], told: str
) -> None:
    """Sizes and settings that cannot be meant are told before anything is inspected."""
    code = app.run(["check", str(files["clean"]), "--artwork", str(files["artwork"]), *more])
    captured = capsys.readouterr()
    assert code == 2
    assert captured.out == ""
    assert told in captured.err


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (None, "not there"),
        (b"\xff\xfe", "not UTF-8"),
        (b"[kind", "not valid TOML"),
        (b"[kind.rust]\ntitle = 'x'\n", "rust"),
    ],
    ids=["missing", "no text", "no TOML", "unknown kind"],
)
@pytest.mark.parametrize("flag", ["--rules", "--causes", "--acceptance"])
def test_rules_that_cannot_be_used_exit_2(
    files: dict[str, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    flag: str,
    text: bytes | None,
    told: str,
) -> None:
    """A rules file is named with what is wrong in it."""
    path = tmp_path / "own.toml"
    if text is not None:
        path.write_bytes(text)
    assert check(files, files["clean"], flag, str(path)) == 2
    err = capsys.readouterr().err
    assert "own.toml" in err
    assert told in err or "kind" in err


def test_an_unknown_rule_key_is_told_by_its_place(
    files: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One misspelt key in an otherwise good rules file exits 2 and is named."""
    good = (models_folder() / "defects.toml").read_text(encoding="utf-8")
    bad = good.replace("priority =", "prioritty =", 1)
    (tmp_path / "own.toml").write_text(bad, encoding="utf-8")
    assert check(files, files["clean"], "--rules", str(tmp_path / "own.toml")) == 2
    assert "prioritty" in capsys.readouterr().err


def test_an_unwritable_output_exits_5_before_any_work(
    files: dict[str, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An output folder that is a file is found out before the photo is looked at."""

    def never(*_: Any, **__: Any) -> Inspection:
        raise AssertionError("the panel was inspected")

    monkeypatch.setattr(job, "inspect_panel", never)
    (tmp_path / "out").write_text("a file")
    assert check(files, files["clean"], "--out", str(tmp_path / "out")) == 5
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "a file stands" in captured.err


@pytest.mark.parametrize("trouble", [StageFault("odd.", place="look"), ZeroDivisionError("odd")])
def test_a_fault_inside_a_stage_exits_70(
    files: dict[str, Path],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    own_home: Path,
    trouble: Exception,
) -> None:
    """A fault ends with 70 and a report; it never looks like a stopped panel."""

    def fail(*_: Any, **__: Any) -> Inspection:
        raise trouble

    monkeypatch.setattr(job, "inspect_panel", fail)
    assert check(files, files["clean"]) == 70
    (report,) = own_home.rglob("fault-*.txt")
    assert str(report) in capsys.readouterr().err


def test_interruption_inside_a_stage_exits_130(
    files: dict[str, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C while looking exits 130 and leaves no half-written files."""

    def stop(*_: Any, **__: Any) -> Inspection:
        raise KeyboardInterrupt

    monkeypatch.setattr(job, "inspect_panel", stop)
    assert check(files, files["clean"], "--out", str(tmp_path / "out")) == 130
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("word", "code"), [("pass", 0), ("review", 1), ("remake", 1), ("retake", 4)]
)
def test_each_verdict_has_its_exit_code(
    files: dict[str, Path],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    make_inspection: Callable[..., Inspection],
    word: str,
    code: int,
) -> None:
    """The exit code follows from the verdict alone, and the verdict is printed in words."""
    monkeypatch.setattr(job, "inspect_panel", lambda *_, **__: make_inspection(word=word))
    assert check(files, files["clean"]) == code
    assert word.upper() in capsys.readouterr().out.splitlines()[0]
