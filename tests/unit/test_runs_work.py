"""One panel's work: what is written, what is done again, and what becomes a row."""

from __future__ import annotations

import json
import os
import pickle
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from dyelight.errors import OutputError, SettingsError, StageFault, UnreadableInput
from dyelight.records import Inspection
from dyelight.runs import work
from dyelight.runs.artworks import Artworks
from dyelight.runs.drive import gravest_code, inspect_all, safe_cell
from dyelight.runs.entries import Entry
from dyelight.runs.panels import panel_of, read_looks, with_looks
from dyelight.runs.store import run_folder
from dyelight.runs.work import Judging, Row, Task, inspect_task, load_knowledge, lost_row


class Stub:
    """Stands in for the inspection: counts calls and returns what it was given."""

    def __init__(self, inspection: Inspection) -> None:
        self.inspection = inspection
        self.photos: list[str] = []
        self.artworks: list[Any] = []
        self.trouble: BaseException | None = None

    def __call__(self, photos: Any, artwork: Any, **knowledge: Any) -> Inspection:
        self.photos.append(photos[0].file)
        self.artworks.append(artwork.pixels)
        if self.trouble is not None:
            raise self.trouble
        return self.inspection


@pytest.fixture
def stub(make_inspection: Callable[..., Inspection], monkeypatch: pytest.MonkeyPatch) -> Stub:
    stub = Stub(make_inspection())
    monkeypatch.setattr(work, "inspect_panel", stub)
    monkeypatch.setattr(work, "_artworks", Artworks(10_000_000))
    return stub


@pytest.fixture(scope="module")
def judging() -> Judging:
    return Judging(None, "gallery", None, load_knowledge(None, "gallery", None).sha256)


@pytest.fixture
def out(tmp_path: Path) -> Path:
    out = tmp_path / "out"
    with run_folder(out):
        pass
    return out


def picture(path: Path, seed: int = 0) -> Path:
    pixels = np.random.default_rng(seed).integers(0, 255, (60, 80, 3), np.uint8)
    Image.fromarray(pixels).save(path)
    return path


@pytest.fixture
def entry(tmp_path: Path) -> Entry:
    photo, artwork = picture(tmp_path / "photo.png"), picture(tmp_path / "art.png", 1)
    return Entry(
        index=0,
        line=2,
        panel_id="K/1",
        photos=(photo,),
        photo_names=("photo.png",),
        artwork=artwork,
        artwork_name="art.png",
        width_mm=80.0,
        height_mm=60.0,
        bleed_mm=0.0,
        base="white",
        finish="gloss",
        facts=(("press", "two"),),
    )


def done(entry: Entry, judging: Judging, out: Path) -> Row:
    return inspect_task(Task(entry, judging, str(out)))


def test_result_and_marked_picture_are_written(
    entry: Entry, judging: Judging, out: Path, stub: Stub
) -> None:
    """Under names that no id can break out of; the result says what it rests on."""
    row = done(entry, judging, out)
    assert row == Row(0, "K/1", 1)
    result = json.loads((out / "results" / "K%2F1.json").read_text(encoding="utf-8"))
    assert result["verdict"] == "remake"
    assert result["run"] == {
        "key": work.panel_key(entry, judging),
        "marked": "marked/K%2F1.jpg",
    }
    with Image.open(out / "marked" / "K%2F1.jpg") as marked:
        assert marked.format == "JPEG"
    assert stub.photos == ["photo.png"]


def test_what_is_finished_is_not_done_again(
    entry: Entry, judging: Judging, out: Path, stub: Stub
) -> None:
    """The same files, rules and version: the result stays, to the byte."""
    done(entry, judging, out)
    before = (out / "results" / "K%2F1.json").read_bytes()
    row = done(entry, judging, out)
    assert row.reused
    assert row.code == 1
    assert len(stub.photos) == 1
    assert (out / "results" / "K%2F1.json").read_bytes() == before


@pytest.mark.parametrize("change", ["photo", "artwork", "size", "base", "result", "marked", "torn"])
def test_whatever_changes_is_done_again(
    change: str, entry: Entry, judging: Judging, out: Path, stub: Stub
) -> None:
    """A change of anything that a result rests on, or of the result itself."""
    done(entry, judging, out)
    result, marked = out / "results" / "K%2F1.json", out / "marked" / "K%2F1.jpg"
    if change == "photo":
        picture(entry.photos[0], 5)
    elif change == "artwork":
        picture(entry.artwork, 6)
    elif change == "size":
        entry = replace(entry, width_mm=80.1)
    elif change == "base":
        entry = replace(entry, base="clear")
    elif change == "torn":
        result.write_bytes(result.read_bytes()[:-40])
    else:
        (result if change == "result" else marked).unlink()
    assert not done(entry, judging, out).reused
    assert done(entry, judging, out).reused


def test_other_rules_do_a_panel_again(
    entry: Entry, judging: Judging, out: Path, stub: Stub
) -> None:
    """Another acceptance spec is another judgement."""
    done(entry, judging, out)
    strict = Judging(None, "strict", None, load_knowledge(None, "strict", None).sha256)
    assert not done(entry, strict, out).reused


def test_pressing_facts_do_not_do_a_panel_again(
    entry: Entry, judging: Judging, out: Path, stub: Stub
) -> None:
    """What was seen does not hang on who pressed."""
    done(entry, judging, out)
    assert done(replace(entry, facts=()), judging, out).reused


def test_an_artwork_is_decoded_once_for_many_panels(
    entry: Entry, judging: Judging, out: Path, stub: Stub
) -> None:
    """Panels share its pixels; a changed file, or one of many more, is decoded anew."""
    for number in range(3):
        done(replace(entry, panel_id=f"K{number}"), judging, out)
    assert stub.artworks[0] is stub.artworks[1] is stub.artworks[2]
    os.utime(entry.artwork, ns=(1, 1))
    done(replace(entry, panel_id="K9"), judging, out)
    assert stub.artworks[3] is not stub.artworks[0]


def test_only_so_many_artworks_are_kept(entry: Entry, tmp_path: Path) -> None:
    """The ones used last, up to the limit, and always the one in use."""
    kept = Artworks(2 * 80 * 60 * 3)
    entries = [
        replace(entry, artwork=picture(tmp_path / f"a{n}.png", n), artwork_name=f"a{n}.png")
        for n in range(4)
    ]
    first = kept.get(entries[0]).pixels
    kept.get(entries[1])
    assert kept.get(entries[0]).pixels is first
    kept.get(entries[2])
    kept.get(entries[3])
    assert kept.get(entries[0]).pixels is not first
    small = Artworks(1)
    assert small.get(entries[0]).pixels is small.get(entries[0]).pixels


@pytest.mark.parametrize(
    ("trouble", "code"),
    [
        (UnreadableInput("torn.", file="photo.png"), 3),
        (StageFault("fault.", file="photo.png"), 70),
        (MemoryError(), 70),
        (ValueError("x"), 70),
    ],
)
def test_a_panels_trouble_is_a_row(
    trouble: Exception, code: int, entry: Entry, judging: Judging, out: Path, stub: Stub
) -> None:
    """With its error; an older result is taken away, and the next run tries again."""
    done(entry, judging, out)
    picture(entry.photos[0], 9)
    stub.trouble = trouble
    row = done(entry, judging, out)
    assert (row.code, row.reused) == (code, False)
    assert row.error
    assert bool(row.details) == (code == 70)
    assert list((out / "results").iterdir()) == []
    stub.trouble = None
    assert done(entry, judging, out).error is None


def test_missing_photos_and_wrong_sizes_are_rows(
    entry: Entry, judging: Judging, out: Path, stub: Stub
) -> None:
    """Each says which file, and what to do."""
    gone = done(replace(entry, photos=(entry.photos[0].with_name("no.jpg"),)), judging, out)
    assert gone.code == 3
    assert "no such file" in (gone.error or "")
    flat = done(replace(entry, height_mm=20.0), judging, out)
    assert flat.code == 2
    assert "art.png" in (flat.error or "")


def test_a_full_disk_ends_the_run(
    entry: Entry, judging: Judging, out: Path, stub: Stub, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is no fault of the panel, and nothing half-written stays."""

    def full(*arguments: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        done(entry, judging, out)
    assert list((out / "results").iterdir()) == []
    assert list((out / "marked").iterdir()) == []


def test_a_worker_that_judges_differently_refuses(
    entry: Entry, judging: Judging, out: Path
) -> None:
    """Another version, or rules that changed on the way, would mix two judgements in one run."""
    with pytest.raises(SettingsError, match=r"runs dyelight .*, the run was started by 0\.0"):
        done(entry, replace(judging, tool_version="0.0"), out)
    with pytest.raises(SettingsError, match="changed after the run began"):
        done(entry, replace(judging, sha256="0" * 64), out)


def test_tasks_and_rows_cross_processes(entry: Entry, judging: Judging, out: Path) -> None:
    """Both are plain enough to be pickled."""
    task = Task(entry, judging, str(out))
    assert pickle.loads(pickle.dumps(task)) == task
    row = lost_row(task)
    assert pickle.loads(pickle.dumps(row)) == row
    assert (row.code, row.lost) == (70, True)


def test_a_run_holds_its_folder(tmp_path: Path) -> None:
    """A second one is refused; what a killed one left half-written is cleared."""
    out = tmp_path / "o"
    with run_folder(out):
        (out / "results" / ".a.json.1234.part").write_text("half")
        with pytest.raises(OutputError, match="another run"), run_folder(out):
            pass
    with run_folder(out):
        assert list((out / "results").iterdir()) == []
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="a file stands"), run_folder(tmp_path / "file"):
        pass


def test_panels_are_read_back(
    entry: Entry, judging: Judging, out: Path, stub: Stub, tmp_path: Path
) -> None:
    """What analyses need of each panel, and people's rulings on top."""
    row = done(entry, judging, out)
    panel = panel_of(entry, row, out)
    assert (panel.verdict, panel.gravest, panel.usable) == ("remake", "critical", True)
    assert panel.kinds["vapour_spot"] == 1
    assert panel.facts == {"press": "two"}
    assert any(mark.vector_mm == (0.8, -0.3) for mark in panel.marks)
    (out / "results" / "K%2F1.json").unlink()
    assert panel_of(entry, row, out).code == 70
    assert not panel_of(entry, None, out).drawn
    looks = tmp_path / "looks.csv"
    looks.write_text("panel_id,verdict,by,note\nK/1,pass,N.,a hair on the lens\n")
    (looked,) = with_looks([panel], read_looks(looks), looks)
    assert looked.ruling == "pass"
    assert looked.verdict == "remake"
    for text, told in (
        ("panel_id,verdict,by\nK/1,maybe,N.\n", "no ruling"),
        ("panel_id,verdict,by\nK/1,pass,\n", "by is missing"),
        ("panel_id,verdict,by\nK/1,pass,N\nK/1,pass,N\n", "twice"),
    ):
        looks.write_text(text)
        with pytest.raises(SettingsError, match=told):
            read_looks(looks)
    looks.write_text("panel_id,verdict,by\nK/2,pass,N.\n")
    with pytest.raises(SettingsError, match="no panel 'K/2'"):
        with_looks([panel], read_looks(looks), looks)


def test_nothing_to_do_starts_no_worker(judging: Judging, out: Path) -> None:
    """An empty sample has no rows."""
    rows = inspect_all([], judging, out, workers=2, cluster=None, follow=lambda row: None)
    assert rows == {}


def test_the_less_is_known_the_graver() -> None:
    """Faults outrank unreadable files, those retakes, those stopped panels."""
    assert gravest_code([]) == 0
    assert gravest_code([0, 1, 0]) == 1
    assert gravest_code([1, 4]) == 4
    assert gravest_code([4, 3, 1]) == 3
    assert gravest_code([3, 70, 4]) == 70


@pytest.mark.parametrize("text", ["=1+1", "+x", "-x", "@x", "\tx", "|x", "%x"])
def test_no_cell_is_a_formula(text: str) -> None:
    """Whatever a spreadsheet might run begins with an apostrophe."""
    assert safe_cell(text) == f"'{text}"
    assert safe_cell("K-1") == "K-1"
