"""`dyelight teach` and `--taught` as a user meets them: messages, files and exit codes."""

from __future__ import annotations

import csv
import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from dyelight.cli import app, run_job, teach_job
from dyelight.cli.teach_pairs import Pair
from dyelight.intake import read_artwork
from dyelight.records import Artwork
from dyelight.runs.manifest import Defaults, read_manifest
from dyelight.runs.work import Judging, load_knowledge, panel_key
from dyelight.simulate import FixedStation, PlantedDefect, drawn_artwork, simulate_photo
from dyelight.teach.lessons import Outcome

SIZE = "120x90"
STATION = FixedStation(4, (120.0, 90.0))
ZONE = PlantedDefect("uneven_press", (45.0, 45.0), 50.0, strength=0.3, shape_seed=5)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A picture, a good and a faulty panel of it, and a blank one, all by one fixed camera."""
    folder = tmp_path_factory.mktemp("shop")
    art = drawn_artwork("fabric", 600, 450, seed=3)
    white = np.full((450, 600, 3), 255, np.uint8)
    Image.fromarray(art).save(folder / "art.png")
    for number, (name, pixels, defects) in enumerate(
        (("good", art, ()), ("zone", art, (ZONE,)), ("blank", white, ()))
    ):
        photo = simulate_photo(
            pixels,
            width_mm=120.0,
            height_mm=90.0,
            capture="station",
            defects=defects,
            seed=80 + number,
            long_side_px=760,
            station=STATION,
        )
        (folder / f"{name}.jpg").write_bytes(photo.jpeg)
    return folder


def listed(folder: Path, photos: list[str]) -> None:
    """Write a list of photos of one picture."""
    with (folder / "good.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["panel_id", "photo", "artwork", "width_mm", "height_mm"])
        for number, photo in enumerate(photos):
            rows.writerow([f"K-{number}", photo, "art.png", "120", "90"])


@pytest.fixture
def at_work(shop: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A folder of one's own with the shop's files in it."""
    for file in shop.iterdir():
        os.link(file, tmp_path / file.name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_signed_off_panel_is_taught_and_used(
    at_work: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The file is written, told, and finds with check what the photo alone would not claim."""
    (at_work / "Marrowfield").mkdir()
    (at_work / "good.jpg").rename(at_work / "Marrowfield" / "good.jpg")
    photo = str(at_work / "Marrowfield" / "good.jpg")
    line = ["teach", photo, "--signed-off", "--artwork", "art.png", "--size", SIZE]
    assert app.run([*line, "--out", "signed.json"]) == 0
    told = capsys.readouterr()
    kept = (at_work / "signed.json").read_text(encoding="utf-8")
    assert '"photo": "good.jpg"' in kept
    assert "Marrowfield" not in kept
    assert "signed-off panel" in told.out
    assert "--taught signed.json" in told.out
    assert "photo 1 of 1" in told.err
    check = ["check", "zone.jpg", "--artwork", "art.png", "--size", SIZE, "--format", "json"]
    app.run([*check, "--taught", "signed.json"])
    result = json.loads(capsys.readouterr().out)
    assert "taught" in [note["code"] for note in result["capture"]["notes"]]
    zone = [one for one in result["findings"] if one["kind"] == "uneven_press"]
    assert len(zone) == 1
    assert "one_photo_only" not in zone[0]["doubts"]


def test_the_setting_names_the_teaching_too(
    at_work: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A blank panel's light is used where the environment names its file."""
    line = ["teach", "blank.jpg", "--blank", "--size", SIZE, "--out", "light.json"]
    assert app.run([*line, "--format", "json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["way"] == "blank"
    assert facts["panels"] == ["blank.jpg"]
    assert facts["artworks"] == 0
    assert facts["noise_dark_variance"] is None
    assert facts["noise_gain"] is None
    monkeypatch.setenv("DYELIGHT_TAUGHT", "light.json")
    app.run(["check", "good.jpg", "--artwork", "art.png", "--size", SIZE, "--format", "json"])
    notes = json.loads(capsys.readouterr().out)["capture"]["notes"]
    assert "light of light.json" in " ".join(note["text"] for note in notes)


def test_a_blank_claims_no_more_than_light(
    at_work: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """White shows one brightness, which tells no noise; nothing is said of it."""
    line = ["teach", "blank.jpg", "--blank", "--size", SIZE, "--out", "light.json"]
    assert app.run(line) == 0
    told = capsys.readouterr().out
    assert "the light over the photo" in told
    assert "noise" not in told


def test_too_few_panels_are_refused_by_name(
    at_work: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A list of one photo ten times is told row by row, and nothing is written."""
    listed(at_work, ["good.jpg"] * 10)
    assert app.run(["teach", "good.csv", "--out", "camera.json"]) == 2
    told = capsys.readouterr().err
    assert told.count("same photo as good.jpg (photo 1)") == 9
    assert "1 good panel is too few" in told
    assert "--blank" in told
    assert not (at_work / "camera.json").exists()


@pytest.mark.parametrize(
    ("line", "code", "says"),
    [
        ("good.jpg --out x.json", 2, "need their artwork"),
        ("good.jpg --artwork art.png --out x.json", 2, "size is needed"),
        (
            f"a.jpg b.jpg c.jpg --artwork a.png --artwork b.png --size {SIZE} --out x.json",
            2,
            "3 photos and 2 artworks",
        ),
        ("good.jpg --blank --signed-off --out x.json", 2, "exclude each other"),
        ("good.jpg --blank --out x.json", 2, "--size"),
        ("good.csv good.jpg --out x.json", 2, "stands alone"),
        (
            f"a.jpg b.jpg --signed-off --artwork a.png --size {SIZE} --out x.json",
            2,
            "takes one photo",
        ),
        (f"good.jpg --artwork art.png --size {SIZE} --out .", 2, "names a folder"),
        (f"none.jpg --signed-off --artwork art.png --size {SIZE} --out x.json", 3, "none.jpg"),
        (
            f"good.jpg --artwork art.png --size {SIZE} --out x.json",
            2,
            "1 photo is too few to teach a camera from; 10 good panels are needed",
        ),
        (f"good.jpg --artwork art.png --size {SIZE} --out art.png/x.json", 5, "a file stands"),
    ],
)
def test_what_cannot_be_done_is_told(
    at_work: Path, capsys: pytest.CaptureFixture[str], line: str, code: int, says: str
) -> None:
    """Each misuse has its exit code and a sentence that names the way out, before any photo is
    looked at."""
    assert app.run(["teach", *line.split()]) == code
    told = capsys.readouterr().err
    assert says in told
    assert "Looking at photo" not in told
    assert not (at_work / "x.json").exists()


def test_missing_files_are_told_before_any_work(
    at_work: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each one with its line in the list; no photo is looked at, and no folder is made."""
    listed(at_work, ["good.jpg"] * 8 + ["lost.jpg", "gone.jpg"])
    assert app.run(["teach", "good.csv", "--out", "new/camera.json"]) == 3
    told = capsys.readouterr().err
    assert "good.csv: line 10: there is no file" in told
    assert "lost.jpg" in told
    assert "good.csv: line 11: there is no file" in told
    assert "gone.jpg" in told
    assert "Looking at photo" not in told
    assert not (at_work / "new").exists()


def test_the_folder_is_made(at_work: Path) -> None:
    """What is written may go to a folder that is not there yet, as with check."""
    line = ["teach", "blank.jpg", "--blank", "--size", SIZE]
    assert app.run([*line, "--out", "new/deep/light.json"]) == 0
    assert [path.name for path in (at_work / "new" / "deep").iterdir()] == ["light.json"]


def test_one_picture_is_decoded_once(at_work: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Photos of one picture share it; another bleed is another artwork."""
    read: list[Path] = []

    def reading(path: Path, *given: Any, **more: Any) -> Artwork:
        read.append(path)
        return read_artwork(path, *given, **more)

    monkeypatch.setattr(teach_job, "read_artwork", reading)
    monkeypatch.setattr(
        teach_job, "lesson_of", lambda photo, artwork: Outcome(photo.file, True, artwork.sha256)
    )
    art = at_work / "art.png"
    pairs = [
        Pair(at_work / name, name, art, (120.0, 90.0), bleed, "white", "gloss")
        for name, bleed in (("good.jpg", 0.0), ("zone.jpg", 0.0), ("blank.jpg", 2.0))
    ]
    outcomes = list(teach_job._lessons(pairs))
    assert [one.photo for one in outcomes] == ["good.jpg", "zone.jpg", "blank.jpg"]
    assert read == [art, art]


def test_check_and_run_name_a_teaching_that_is_not_there(
    at_work: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A missing teaching is told before any photo is looked at."""
    line = ["check", "good.jpg", "--artwork", "art.png", "--size", SIZE]
    assert app.run([*line, "--taught", "none.json"]) == 3
    assert "none.json" in capsys.readouterr().err
    (at_work / "bad.json").write_text("{}")
    assert app.run([*line, "--taught", "bad.json"]) == 2
    assert "no teaching" in capsys.readouterr().err


def test_a_run_counts_panels_and_not_notes(
    at_work: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A panel that one photo could be held against the teaching for was judged with it; one of two
    photos that both do not fit counts once."""
    (at_work / "run.csv").write_text(
        "panel_id,photo,artwork\nK-1,good.jpg,art.png\nK-2,good.jpg,art.png\n"
    )
    entries = read_manifest(at_work / "run.csv", Defaults((120.0, 90.0)))
    moved = {"code": "taught_camera_moved", "text": "The camera moved."}
    noise = {"code": "taught_noise", "text": "The noise is another."}
    told = {
        "K-1": [moved, {"code": "taught", "text": "Held against it."}],
        "K-2": [moved, noise],
    }
    monkeypatch.setattr(run_job, "result_path", lambda _, entry: entry.panel_id)
    monkeypatch.setattr(
        run_job, "read_result", lambda panel_id: {"capture": {"notes": told[panel_id]}}
    )
    run_job._tell_misfits(entries, at_work)
    (line,) = capsys.readouterr().err.splitlines()
    assert "1 of 2 panels" in line
    assert "The camera moved." in line


def test_a_run_does_panels_again_under_another_teaching(at_work: Path) -> None:
    """What a result rests on holds the teaching's hash; without one it is what it was."""
    (at_work / "run.csv").write_text("panel_id,photo,artwork\nK-1,good.jpg,art.png\n")
    (entry,) = read_manifest(at_work / "run.csv", Defaults((120.0, 90.0)))
    plain = Judging(None, "gallery", None, load_knowledge(None, "gallery", None).sha256)
    taught = replace(plain, taught="a.json", taught_sha256="a" * 64)
    other = replace(plain, taught="a.json", taught_sha256="b" * 64)
    keys = {panel_key(entry, judging) for judging in (plain, taught, other)}
    assert len(keys) == 3
    assert panel_key(entry, taught) == panel_key(entry, replace(taught, taught="moved.json"))
