"""`dyelight claim` on cases: kept with consent, shown, due, forgotten; flags that do not fit."""

from __future__ import annotations

import hashlib
import json
import os
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from dyelight.cli import app
from dyelight.cli.tiny_inspection import drawn_picture
from dyelight.intake import read_photo
from dyelight.press_log.cases import today
from dyelight.simulate import simulate_photo

NAME = "Case-Marrow-7"
CONSENT = "by mail on 3 March, Zx7q"


@pytest.fixture(scope="session")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """An artwork and a simulated photo of it, turned by its Exif, with a position in it."""
    folder = tmp_path_factory.mktemp("case")
    picture = drawn_picture(500, 400, 4)
    Image.fromarray(picture).save(folder / "artwork.png")
    shot = simulate_photo(
        picture, width_mm=100.0, height_mm=80.0, capture="station", seed=9, long_side_px=600
    )
    exif = Image.Exif()
    exif[0x0112] = 3
    exif[0x0110] = "Seen-by-camera"
    exif[0x8825] = {1: "N", 2: (51.0, 30.0, 11.5), 3: "E", 4: (7.0, 12.0, 44.25)}
    (folder / "flat.jpg").write_bytes(shot.jpeg)
    with Image.open(folder / "flat.jpg") as opened:
        turned = opened.transpose(Image.Transpose.ROTATE_180)
    turned.save(folder / "photo.jpg", exif=exif.tobytes(), quality=95)
    return {"artwork": str(folder / "artwork.png"), "photo": str(folder / "photo.jpg")}


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Where this test's log lies."""
    return tmp_path / "log" / "press-log.sqlite"


def answer(files: dict[str, str], log: Path, *more: str) -> int:
    """Answer about the photo in the usual case."""
    what = ["claim", files["photo"], "--artwork", files["artwork"], "--size", "100x80"]
    return app.run([*what, "--case", NAME, "--log", str(log), *more])


def on_case(log: Path, *more: str) -> int:
    """Run claim without photos."""
    return app.run(["claim", *more, "--log", str(log)])


def shown(log: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    """The case as data."""
    capsys.readouterr()
    assert on_case(log, "--case", NAME, "--format", "json") == 0
    held: dict[str, Any] = json.loads(capsys.readouterr().out)
    return held


def bytes_under(folder: Path) -> bytes:
    """Every byte of every file in a folder, and every name."""
    paths = [path for path in folder.rglob("*") if path.is_file()]
    return b"\n".join(os.fsencode(path) + path.read_bytes() for path in paths)


def test_a_case_from_answer_to_forgetting(
    files: dict[str, str], log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Kept: result, hash of the file as received, upright pixels. Then nothing of it is left."""
    out = tmp_path / "out"
    assert answer(files, log, "--consent", CONSENT, "--out", str(out)) == 0
    captured = capsys.readouterr()
    day = today() + timedelta(days=365)
    assert f"to be deleted by {day}. Its photos are kept." in captured.err

    case = shown(log, capsys)
    assert case["delete_by"] == str(day)
    (one,) = case["answers"]
    assert one["consent"] == CONSENT
    assert one["claim"] == json.loads((out / "claim.json").read_text(encoding="utf-8"))
    assert one["letter"] == "\n\n".join(one["claim"]["letter"])
    (photo,) = one["photos"]
    assert photo["file"] == "photo.jpg"
    assert photo["sha256"] == hashlib.sha256(Path(files["photo"]).read_bytes()).hexdigest()
    with Image.open(photo["kept"]) as kept:
        assert kept.info == {}
        assert np.array_equal(np.asarray(kept), read_photo(files["photo"]).pixels)
    held = bytes_under(tmp_path)
    for word in (b"Seen-by-camera", b"Exif", b"44.25"):
        assert word not in held
    assert CONSENT.encode() in held

    assert on_case(log, "--forget", NAME) == 0
    captured = capsys.readouterr()
    # page, data and photo
    assert captured.out == f"Case {NAME} is forgotten: its rows, and 3 files.\n"
    assert captured.err == ""
    held = bytes_under(tmp_path)
    for word in (NAME.encode(), CONSENT.encode(), photo["sha256"].encode()):
        assert word not in held
    assert on_case(log, "--case", NAME) == 2
    assert "holds no case" in capsys.readouterr().err
    assert Path(files["photo"]).exists()


def test_without_consent_only_hash_and_result_are_kept(
    files: dict[str, str], log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is said, and no folder of photos is made."""
    assert answer(files, log) == 0
    assert "not kept (no --consent)" in capsys.readouterr().err
    (one,) = shown(log, capsys)["answers"]
    assert one["photos"][0]["kept"] is None
    assert len(one["photos"][0]["sha256"]) == 64
    assert [path.name for path in log.parent.iterdir() if path.is_dir()] == []


def test_a_case_is_told_with_the_letter_that_was_sent(
    files: dict[str, str], log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The page on the terminal has consent, place of the photo, day and letter."""
    assert answer(files, log, "--consent", CONSENT) == 0
    capsys.readouterr()
    letter = tmp_path / "sent.txt"
    letter.write_text("Dear customer,\n\nwe looked at it.\n", encoding="utf-8")
    assert on_case(log, "--case", NAME, "--letter", str(letter), "--delete-by", "2100-01-01") == 0
    told = capsys.readouterr().out
    assert told.startswith(f"Case {NAME}\n")
    assert "To be deleted by 2100-01-01, in " in told
    assert f"Consent: {CONSENT}" in told
    assert "The letter that was sent:\n     Dear customer,\n     we looked at it." in told
    assert "proposed" not in told


def test_due_lists_cases_whose_day_has_come(
    files: dict[str, str],
    log: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The setting says after how many days; until then none is due."""
    monkeypatch.setenv("DYELIGHT_CASE_DAYS", "5")
    assert answer(files, log, "--consent", CONSENT) == 0
    capsys.readouterr()
    assert on_case(log, "--due") == 0
    assert capsys.readouterr().out == "No case is due.\n"
    day = today() + timedelta(days=5)
    monkeypatch.setattr("dyelight.press_log.cases.today", lambda: day)
    assert on_case(log, "--due") == 0
    assert capsys.readouterr().out.splitlines()[0] == f"{day}  {NAME}  1 photo"
    assert on_case(log, "--due", "--format", "json") == 0
    data = json.loads(capsys.readouterr().out)
    assert data == {"due": [{"case": NAME, "delete_by": str(day), "photos": 1}]}


def test_copies_from_before_a_restore_are_named(
    files: dict[str, str], log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """They may hold the case still, and are not ours to remove."""
    assert answer(files, log) == 0
    copy = tmp_path / "copy.sqlite"
    assert app.run(["log", "backup", str(copy), "--log", str(log)]) == 0
    assert app.run(["log", "restore", str(copy), "--log", str(log)]) == 0
    capsys.readouterr()
    assert on_case(log, "--forget", NAME) == 0
    assert f"{log.name}.before-" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("flags", "code", "told"),
    [
        ((), 2, "neither a photo nor a case"),
        (("x.jpg",), 2, "Name it with --artwork"),
        (("x.jpg", "--artwork", "a.png", "--forget", "C"), 2, "do not go together"),
        (("--due", "--forget", "C"), 2, "do not go together"),
        (("--due", "--case", "C"), 2, "do not go together"),
        (("--forget", "C", "--consent", "yes"), 2, "belongs to a case"),
        (("--case", "C", "--consent", "yes"), 2, "together with the photos"),
        (("x.jpg", "--artwork", "a.png", "--case", "C", "--letter", "l"), 2, "once it was sent"),
        (("x.jpg", "--artwork", "a.png", "--case", " "), 2, "--case"),
        (("x.jpg", "--artwork", "a.png", "--case", "C", "--consent", " "), 2, "--consent"),
        (("x.jpg", "--artwork", "a.png", "--case", "C", "--delete-by", "soon"), 2, "is no day"),
        (("x.jpg", "--artwork", "a.png", "--case", "C", "--delete-by", "2020-01-01"), 2, "is over"),
        (("--case", "C"), 3, "no press log here"),
        (("--forget", "C"), 3, "no press log here"),
    ],
)
def test_what_does_not_fit_is_told(
    log: Path,
    capsys: pytest.CaptureFixture[str],
    flags: tuple[str, ...],
    code: int,
    told: str,
) -> None:
    """Each trouble has its exit code and a line that names it, before any file is read."""
    assert on_case(log, *flags) == code
    assert told in capsys.readouterr().err.replace("\n", " ")
    assert not log.exists()


def test_a_letter_that_cannot_be_read_exits_3(
    files: dict[str, str], log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is no text is named, and the proposed letter stays."""
    assert answer(files, log) == 0
    bad = tmp_path / "letter.txt"
    bad.write_bytes(b"\xff\xfe\x00")
    assert on_case(log, "--case", NAME, "--letter", str(bad)) == 3
    assert "letter.txt" in capsys.readouterr().err
    (one,) = shown(log, capsys)["answers"]
    assert one["sent_letter"] is None
