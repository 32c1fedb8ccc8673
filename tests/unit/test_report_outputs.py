"""Writing the three files: all or none, and never at the cost of the last good ones."""

from __future__ import annotations

import errno
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from dyelight.errors import OutputError
from dyelight.records import Inspection, Photo
from dyelight.report import outputs
from dyelight.report.outputs import (
    photo_preview,
    refuse_unwritable,
    write_outputs,
    write_together,
)


def test_three_files_are_written(
    make_inspection: Callable[..., Inspection], tmp_path: Path
) -> None:
    """Result, marked picture and report lie in a folder that was made for them; nothing else."""
    folder = tmp_path / "new" / "deep"
    paths = write_outputs(make_inspection(), folder)
    assert sorted(path.name for path in folder.iterdir()) == [
        "marked.jpg",
        "report.html",
        "result.json",
    ]
    assert json.loads(paths.result.read_text(encoding="utf-8"))["schema_version"] == 1
    with Image.open(paths.marked) as picture:
        assert picture.format == "JPEG"
        assert not picture.getexif()


def test_a_failed_write_keeps_the_old_files(
    make_inspection: Callable[..., Inspection], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the disk fills up halfway, all three old files stay and no part is left lying."""
    write_outputs(make_inspection(word="pass"), tmp_path)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    calls = 0

    def full(descriptor: int) -> None:
        nonlocal calls
        calls += 1
        if calls == 2:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(outputs.os, "fsync", full)
    with pytest.raises(OutputError, match="No space left") as caught:
        write_outputs(make_inspection(word="remake"), tmp_path)
    assert caught.value.exit_code == 5
    assert caught.value.remedy
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_file_in_the_folders_place_is_refused(
    make_inspection: Callable[..., Inspection], tmp_path: Path
) -> None:
    """An output folder that is a file is told as such, before and after the work."""
    place = tmp_path / "out"
    place.write_text("a file")
    with pytest.raises(OutputError, match="a file stands"):
        refuse_unwritable(place / "deeper")
    with pytest.raises(OutputError, match="a file stands"):
        write_outputs(make_inspection(), place)
    assert place.read_text() == "a file"


def test_a_folder_in_a_files_place_is_refused(
    make_inspection: Callable[..., Inspection], tmp_path: Path
) -> None:
    """Where a folder bears the name of one of the files, none of the others is replaced."""
    (tmp_path / "report.html").mkdir()
    with pytest.raises(OutputError, match=r"report\.html is a folder"):
        write_outputs(make_inspection(), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]


def test_sixteen_bit_photos_are_shown_at_eight() -> None:
    """A preview of a deep photo keeps its brightness and its shape within the limit."""
    pixels = np.full((3000, 4000, 3), 0x8080, np.uint16)
    preview = photo_preview(Photo("p.tif", "0" * 64, pixels))
    assert preview.dtype == np.uint8
    assert max(preview.shape) <= 1800
    assert (preview == 0x80).all()


def test_names_that_are_no_text_can_be_written(
    make_inspection: Callable[..., Inspection], tmp_path: Path
) -> None:
    """A file name with a byte that is no character does not stop the report."""
    inspection = make_inspection()
    photo = inspection.photos[0]
    odd = replace(inspection, photos=(replace(photo, file="panel\udcff.jpg"),))
    paths = write_outputs(odd, tmp_path)
    told = json.loads(paths.result.read_text(encoding="utf-8"))
    assert told["photos"][0]["file"] == "panel\udcff.jpg"


def test_a_disk_that_may_only_be_read_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A read-only disk refuses even to take a part away that was never written."""

    def refused(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(Path, "open", refused)
    monkeypatch.setattr(Path, "unlink", refused)
    with pytest.raises(OutputError, match="Read-only file system"):
        write_together(tmp_path, {"a.txt": b"a"})
