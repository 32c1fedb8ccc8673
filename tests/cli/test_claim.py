"""`dyelight claim` from files to answer, and what it says about files and places it cannot use."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from dyelight.cli import app
from dyelight.cli.tiny_inspection import drawn_picture
from dyelight.simulate import PlantedDefect, simulate_photo

LIFT = PlantedDefect("coating_lift", (40.0, 40.0), diameter_mm=6.0, strength=1.0, shape_seed=2)
SIZE = "100x80"


@pytest.fixture(scope="session")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """An artwork, a simulated photo of a lifted panel with a GPS position, and the lift's place."""
    folder = tmp_path_factory.mktemp("claim")
    picture = drawn_picture(1000, 800, 4)
    Image.fromarray(picture).save(folder / "artwork.png")
    shot = simulate_photo(
        picture,
        width_mm=100.0,
        height_mm=80.0,
        capture="station",
        defects=(LIFT,),
        seed=9,
        long_side_px=900,
    )
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (51.0, 30.0, 11.5), 3: "E", 4: (7.0, 12.0, 44.25)}
    exif[0x0110] = "Seen-by-camera"
    with Image.open(io.BytesIO(shot.jpeg)) as opened:
        opened.save(folder / "photo.jpg", exif=exif.tobytes(), quality=95)
    x, y = shot.truth.px_from_panel_mm(np.array([LIFT.center_mm]))[0]
    blank = np.random.default_rng(1).integers(100, 108, (600, 800, 3), np.uint8)
    Image.fromarray(blank).save(folder / "blank.png")
    return {
        "artwork": str(folder / "artwork.png"),
        "photo": str(folder / "photo.jpg"),
        "blank": str(folder / "blank.png"),
        "at": f"{x:.0f},{y:.0f}",
    }


def claim(files: dict[str, str], *more: str, photo: str = "photo") -> int:
    """Run claim on one photo against the usual artwork."""
    return app.run(["claim", files[photo], "--artwork", files["artwork"], *more])


def test_a_defect_that_is_pointed_to_is_answered(
    files: dict[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The answer comes first, the exit code is 0, and page and data are written."""
    out = tmp_path / "case"
    assert (
        claim(files, "--size", SIZE, "--at", files["at"], "--out", str(out), "--case", "C-7") == 0
    )
    captured = capsys.readouterr()
    assert captured.out.startswith("Coating lift: arose in pressing")
    assert "An answer to send" in captured.out
    assert captured.err.startswith("dyelight: case C-7 is in the log")
    assert captured.err.count("\n") == 1
    assert sorted(path.name for path in out.iterdir()) == ["claim.html", "claim.json"]
    data = json.loads((out / "claim.json").read_text(encoding="utf-8"))
    assert data["case"] == "C-7"
    assert data["answer"]["kind"] == "coating_lift"


def test_place_time_and_camera_are_in_nothing_written(
    files: dict[str, str], tmp_path: Path
) -> None:
    """Neither the position nor the camera's name of the photo's Exif reaches a file."""
    assert claim(files, "--size", SIZE, "--at", files["at"], "--out", str(tmp_path)) == 0
    for path in tmp_path.iterdir():
        data = path.read_bytes()
        assert b"Seen-by-camera" not in data
        assert b"44.25" not in data
        assert b"Exif" not in data


def test_json_goes_to_standard_output(
    files: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    """With --format json only data stand on standard output."""
    assert claim(files, "--size", SIZE, "--at", files["at"], "--format", "json") == 0
    data = json.loads(capsys.readouterr().out)
    assert data["answer"]["code"] == "pressing"
    assert data["place"]["center_pct"] is None


def test_without_a_size_lengths_are_in_per_cent(
    files: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    """A warning says so, and no length in millimetres is told."""
    assert claim(files, "--at", files["at"], "--format", "json") == 0
    captured = capsys.readouterr()
    assert "per cent" in captured.err
    data = json.loads(captured.out)
    assert data["place"]["center_mm"] is None
    assert data["place"]["center_pct"] == pytest.approx([40.0, 40.0], abs=1.5)
    assert data["result"]["panel"]["width_mm"] is None


def test_a_photo_that_carries_no_answer_exits_4(
    files: dict[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The page with the request for better photos is written all the same."""
    code = claim(files, "--size", SIZE, "--at", "5,5", "--out", str(tmp_path), photo="blank")
    assert code == 4
    assert "These photos would help" in capsys.readouterr().out
    assert 'class="drawing"' in (tmp_path / "claim.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("flags", "code", "told"),
    [
        (("--at", "12"), 2, "is no place"),
        (("--at", "99999,5"), 2, "outside the photo, which is 900 x"),
        (("--box", "1,2,3"), 2, "is no place"),
        (("--at", "5,5", "--box", "1,1,9,9"), 2, "both name a place"),
        (("--size", "nine"), 2, "is not a size"),
        (("--size", "100x200"), 2, "aspect"),
        (("--out", "/dev/null/x"), 5, "stands"),
    ],
)
def test_what_cannot_be_used_is_told(
    files: dict[str, str],
    capsys: pytest.CaptureFixture[str],
    flags: tuple[str, ...],
    code: int,
    told: str,
) -> None:
    """Each trouble has its exit code and one line that names it."""
    assert claim(files, *flags) == code
    assert told in capsys.readouterr().err.replace("\n", " ")


def test_a_photo_that_is_none_exits_3(
    files: dict[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is no picture is named."""
    text = tmp_path / "photo.jpg"
    text.write_text("no picture")
    assert app.run(["claim", str(text), "--artwork", files["artwork"]]) == 3
    assert "photo.jpg" in capsys.readouterr().err
