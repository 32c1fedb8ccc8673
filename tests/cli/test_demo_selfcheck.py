"""`dyelight demo` and `dyelight selfcheck`: what they print, write and exit with."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from PIL import Image

from dyelight.cli import app, demo_run, selfcheck_run
from dyelight.cli.selfcheck_run import Seen
from dyelight.cli.tiny_inspection import drawn_picture
from dyelight.samples import load_manifest
from dyelight.simulate import simulate_photo


@pytest.fixture
def small_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A demo set of one small simulated panel in the place of the one that ships."""
    folder = tmp_path / "samples"
    folder.mkdir()
    picture = drawn_picture(800, 600, 6)
    Image.fromarray(picture).save(folder / "a.png")
    shot = simulate_photo(
        picture, width_mm=80.0, height_mm=60.0, capture="station", seed=3, long_side_px=1200
    )
    (folder / "p.jpg").write_bytes(shot.jpeg)
    text = 'schema_version = 1\nlab = "Fernhill Press"\nscenario = "One panel on the bench."\n'
    for name, more in (
        ("a.png", 'role = "artwork"'),
        (
            "p.jpg",
            'role = "photo"\nartwork = "a.png"\nsize_mm = [80, 60]\npanel_id = "F/1 [x]"\n'
            'scenario = "The first panel."',
        ),
    ):
        digest = hashlib.sha256((folder / name).read_bytes()).hexdigest()
        text += f'[[file]]\npath = "{name}"\nsha256 = "{digest}"\norigin = "drawn"\n'
        text += f'licence = "CC0-1.0"\n{more}\n'
    (folder / "MANIFEST.toml").write_text(text, encoding="utf-8")
    monkeypatch.setattr("dyelight.samples.samples_folder", lambda: folder)
    return folder


def test_the_demo_checks_each_panel_and_says_where_to_look(
    small_set: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each photo of the set gets a verdict and a folder with a name that any system takes."""
    assert app.run(["demo", "--out", str(tmp_path / "out")]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith("Fernhill Press\nOne panel on the bench.\n")
    assert "1. F/1 [x]: PASS" in printed
    folder = tmp_path / "out" / "01-F-1-x"
    assert str(folder / "report.html") in printed
    assert json.loads((folder / "result.json").read_text(encoding="utf-8"))["verdict"] == "pass"


def test_a_damaged_demo_set_exits_3(
    small_set: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A demo photo that is not the listed one is told, not inspected."""
    (small_set / "p.jpg").write_bytes(b"other")
    assert app.run(["demo", "--out", str(tmp_path / "out")]) == 3
    assert "not the one that the manifest lists" in capsys.readouterr().err


def test_folder_names_fit_any_file_system(small_set: Path) -> None:
    """Slashes, brackets and dots of a panel's number never reach the file system."""
    (photo,) = load_manifest(small_set).photos
    assert demo_run.folder_name(photo, 7) == "07-F-1-x"
    assert demo_run.folder_name(photo.model_copy(update={"panel_id": "../.."}), 7) == "07"


def test_selfcheck_finds_this_installation_whole(
    capsys: pytest.CaptureFixture[str], small_set: Path
) -> None:
    """Versions, data and one small inspection are fine here."""
    code = app.run(["selfcheck"])
    printed = capsys.readouterr().out
    assert code == 0, printed
    assert "the planted speck was found" in printed
    assert "samples: 2 files" in printed
    assert "FAIL" not in printed
    for name in ("SQLAlchemy", "alembic", "pillow-heif", "zxing-cpp", "psycopg", "distributed"):
        assert name in printed


def test_selfcheck_tells_what_is_missing_and_goes_on(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broken part is told with its remedy, does not hide the others, and makes the exit 70."""
    monkeypatch.setattr(
        selfcheck_run,
        "_version",
        lambda name: None if name == "tifffile" else "1.0",
    )
    monkeypatch.setattr(selfcheck_run, "_inspection", lambda: [Seen(True, "fine")])

    def broken() -> list[Seen]:
        raise OSError("no room")

    broken.__name__ = "_temporary_files"
    monkeypatch.setattr(selfcheck_run, "_temporary_files", broken)
    assert app.run(["selfcheck"]) == 70
    printed = capsys.readouterr().out
    assert "FAIL tifffile is missing: python -m pip install tifffile" in printed
    assert "FAIL temporary files: OSError: no room" in printed
    assert "ok   fine" in printed


def test_selfcheck_names_the_remedy_for_libgl(monkeypatch: pytest.MonkeyPatch) -> None:
    """OpenCV that cannot be loaded is told with the packages that mend it."""

    def missing(name: str) -> None:
        raise ImportError("libGL.so.1: cannot open shared object file")

    monkeypatch.setattr(selfcheck_run.importlib, "import_module", missing)
    (seen,) = selfcheck_run._opencv()
    assert not seen.ok
    assert "libgl1" in seen.text


def test_a_missing_extra_is_no_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the libraries of extras the main job still works; how to get them is told."""

    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(selfcheck_run.importlib, "import_module", missing)
    seen = selfcheck_run._extras()
    assert not any(item.needed or item.ok for item in seen)
    for item, extra in zip(seen, ("heic", "codes", "postgres", "station", "cluster"), strict=True):
        assert f"dyelight[{extra}]" in item.text
