"""The list of jobs: where it comes from, and what happens when it changes."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from dyelight.errors import SettingsError
from dyelight.runs.manifest import Defaults
from dyelight.station.jobs import FolderJobs, JobBook, job_id


def artwork(folder: Path, name: str) -> None:
    """A small artwork."""
    (folder / "artwork").mkdir(exist_ok=True)
    Image.fromarray(np.zeros((20, 30, 3), np.uint8)).save(folder / "artwork" / name)


def test_pictures_are_jobs_by_their_names(tmp_path: Path) -> None:
    """Without a list, each artwork is a job with the size that was set."""
    artwork(tmp_path, "heron.png")
    artwork(tmp_path, "Lake 10.png")
    artwork(tmp_path, "Lake 9.png")
    book = JobBook(FolderJobs(tmp_path, Defaults((254.0, 203.0), 3.0)))
    assert [job.code for job in book.all()] == ["heron", "Lake 9", "Lake 10"]
    job = book.by_code(" LAKE 9 ")
    assert job is not None
    assert (job.width_mm, job.bleed_mm, job.size_text()) == (254, 3, "254 x 203 mm")
    assert book.by_id(job_id("heron")) is book.by_code("heron")
    assert book.by_id("../heron") is None
    assert [job.code for job in book.search("lake 1", 5)] == ["Lake 10"]


def test_a_list_says_more_and_is_read_again_when_it_changes(tmp_path: Path) -> None:
    """Sizes come from jobs.csv; a list saved badly is told and heals."""
    artwork(tmp_path, "heron.png")
    listed = tmp_path / "jobs.csv"
    listed.write_text(
        "job,artwork,width_mm,height_mm,base\nK-1,heron.png,305,203,clear\n", encoding="utf-8"
    )
    source = FolderJobs(tmp_path, Defaults())
    book = JobBook(source)
    (job,) = book.all()
    assert (job.code, job.width_mm, job.base) == ("K-1", 305, "clear")
    listed.write_text("job,artwork,colour\nK-1,heron.png,red\n", encoding="utf-8")
    os.utime(listed, (1, 1))
    assert book.all() == ()
    assert book.trouble is not None
    assert "no column 'colour'" in book.trouble
    with pytest.raises(SettingsError):
        source.all()
    listed.write_text("job,artwork\nK-2,heron.png\n", encoding="utf-8")
    os.utime(listed, (2, 2))
    assert [job.code for job in book.all()] == ["K-2"]
    assert book.trouble is None
    assert book.all()[0].size_text() == "size not given"
