"""Pairing a folder's photos with artwork: by name, by codes, and what is left out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import cv2
import numpy as np
import pytest

from dyelight.errors import SettingsError, UnreadableInput
from dyelight.runs.codes import load_reader, read_codes
from dyelight.runs.manifest import Defaults
from dyelight.runs.pairing import Pairing, natural_key, pair_folder


def folder_of(place: Path, photos: list[str], artworks: list[str]) -> Path:
    (place / "artwork").mkdir()
    for name in photos:
        (place / name).write_bytes(b"x")
    for name in artworks:
        (place / "artwork" / name).write_bytes(b"x")
    return place


def pairs(pairing: Pairing) -> dict[str, str]:
    return {entry.photo_names[0]: entry.artwork_name for entry in pairing.entries}


def left_out(pairing: Pairing) -> dict[str, str]:
    return {item.file: item.reason for item in pairing.unpaired}


def codes(seen: Mapping[str, tuple[str, ...]]) -> Callable[[Path], tuple[str, ...]]:
    return lambda path: seen.get(path.name, ())


def test_by_name_the_longest_beginning_wins(tmp_path: Path) -> None:
    """A photo belongs to the artwork whose name its own begins with, before a separator."""
    folder = folder_of(
        tmp_path,
        ["heron.jpg", "heron-7.jpg", "heron-red_2.JPG", "herons.jpg", "owl.jpg", "notes.txt"],
        ["heron.png", "heron-red.tif"],
    )
    pairing = pair_folder(folder, Defaults((100, 80)))
    assert pairs(pairing) == {
        "heron.jpg": "heron.png",
        "heron-7.jpg": "heron.png",
        "heron-red_2.JPG": "heron-red.tif",
    }
    assert set(left_out(pairing)) == {"herons.jpg", "owl.jpg"}
    assert pairing.entries[0].width_mm == 100
    assert [entry.index for entry in pairing.entries] == [0, 1, 2]


def test_nothing_is_guessed_where_names_are_the_same(tmp_path: Path) -> None:
    """Two artworks or two photos of one name are listed, and none of them is used."""
    folder = folder_of(
        tmp_path,
        ["a-1.jpg", "a-1.png", "b-1.jpg", "c-1.jpg"],
        ["a.png", "b.png", "b.jpg", "c.png"],
    )
    pairing = pair_folder(folder, Defaults())
    assert pairs(pairing) == {"c-1.jpg": "c.png"}
    assert set(left_out(pairing)) == {"a-1.jpg", "a-1.png", "b-1.jpg", "b.png", "b.jpg"}


def test_a_code_in_every_photo_counts_for_itself(tmp_path: Path) -> None:
    """Each photo's own code is its job; unknown and double ones are left out."""
    names = ["p1.jpg", "p2.jpg", "p3.jpg", "p4.jpg"]
    folder = folder_of(tmp_path, names, ["J1.png", "J2.png"])
    seen = {"p1.jpg": ("J2",), "p2.jpg": ("j1",), "p3.jpg": ("J9",), "p4.jpg": ("J1", "J2")}
    pairing = pair_folder(folder, Defaults(), read_codes=codes(seen))
    assert pairs(pairing) == {"p1.jpg": "J2.png", "p2.jpg": "J1.png"}
    assert "no job" in left_out(pairing)["p3.jpg"]
    assert "several jobs" in left_out(pairing)["p4.jpg"]


def test_job_sheets_stand_before_their_photos(tmp_path: Path) -> None:
    """Photos after a sheet belong to it, by the camera's numbers; sheets are no panels."""
    names = [f"IMG_{number}.jpg" for number in (7, 8, 9, 10, 11, 12, 13)]
    folder = folder_of(tmp_path, names, ["J1.png", "J2.png"])
    seen = {"IMG_8.jpg": ("J1",), "IMG_11.jpg": ("J7",), "IMG_13.jpg": ("J2",)}
    pairing = pair_folder(folder, Defaults(), read_codes=codes(seen))
    assert pairs(pairing) == {"IMG_9.jpg": "J1.png", "IMG_10.jpg": "J1.png"}
    reasons = left_out(pairing)
    assert set(reasons) == {"IMG_7.jpg", "IMG_11.jpg", "IMG_12.jpg", "IMG_13.jpg"}
    assert "IMG_11.jpg" in reasons["IMG_12.jpg"]
    assert "no photo follows" in reasons["IMG_13.jpg"]


def test_a_list_of_jobs_gives_sizes_and_facts(tmp_path: Path) -> None:
    """jobs.csv names each job's artwork, size and pressing facts."""
    folder = folder_of(tmp_path, ["J1-a.jpg", "J2-a.jpg"], ["x.png"])
    (folder / "jobs.csv").write_text(
        "job,artwork,width_mm,height_mm,base,press\nJ1,x.png,254,203,clear,two\nJ2,x.png,,,,\n"
    )
    one, two = pair_folder(folder, Defaults((10, 10))).entries
    assert (one.width_mm, one.base, one.fact("press")) == (254, "clear", "two")
    assert (two.width_mm, two.base, two.fact("press")) == (10, "white", None)
    assert one.artwork == folder / "artwork" / "x.png"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("job,artwork,colour\nJ1,x.png,red\n", "no column 'colour'"),
        ("job,artwork\nJ1,\n", "job and artwork are needed"),
        ("job,artwork\nJ1,x.png\nj1,x.png\n", "stands twice"),
        ("job,artwork,base\nJ1,x.png,pink\n", "'pink' is unknown"),
        ("job,artwork,width_mm\nJ1,x.png,wide\n", "no number"),
        ("job,artwork\n", "no job"),
    ],
)
def test_a_broken_list_of_jobs_is_refused(tmp_path: Path, text: str, told: str) -> None:
    """With the place of the trouble, before any photo is looked at."""
    folder = folder_of(tmp_path, ["J1.jpg"], ["x.png"])
    (folder / "jobs.csv").write_text(text)
    with pytest.raises(SettingsError, match=told):
        pair_folder(folder, Defaults())


def test_folders_without_photos_or_artwork(tmp_path: Path) -> None:
    """What is missing is named."""
    with pytest.raises(SettingsError, match="no photo"):
        pair_folder(tmp_path, Defaults())
    (tmp_path / "a.jpg").write_bytes(b"x")
    with pytest.raises(SettingsError, match="neither jobs"):
        pair_folder(tmp_path, Defaults())
    (tmp_path / "artwork").mkdir()
    with pytest.raises(SettingsError, match="no artwork"):
        pair_folder(tmp_path, Defaults())
    with pytest.raises(UnreadableInput, match="cannot be read"):
        pair_folder(tmp_path / "none", Defaults())


def test_names_sort_as_cameras_count() -> None:
    """9 comes before 10, whatever the zeros."""
    names = ["IMG_10.jpg", "IMG_9.jpg", "IMG_007.jpg"]
    assert sorted(names, key=natural_key) == ["IMG_007.jpg", "IMG_9.jpg", "IMG_10.jpg"]


@pytest.mark.parametrize("kind", ["DataMatrix", "QRCode"])
def test_codes_are_read_in_a_photo(tmp_path: Path, kind: str) -> None:
    """A turned, blurred, noisy code in a large photo is read; a photo without one gives none."""
    zxingcpp = load_reader()
    code = zxingcpp.create_barcode("J-0142", getattr(zxingcpp.BarcodeFormat, kind))
    small = np.array(zxingcpp.write_barcode_to_image(code, scale=6, add_quiet_zones=True))
    photo = np.full((1800, 2600), 150, np.uint8)
    turn = cv2.getRotationMatrix2D((small.shape[1] / 2, small.shape[0] / 2), 17, 1.0)
    turn[:, 2] += (1500, 900)
    laid = cv2.warpAffine(small, turn, (2600, 1800), borderValue=150)
    photo = cv2.GaussianBlur(laid, (0, 0), 1.2)
    noise = np.random.default_rng(1).normal(0, 5, photo.shape)
    photo = np.clip(photo + noise, 0, 255).astype(np.uint8)
    cv2.imwrite(str(tmp_path / "sheet.png"), photo)
    assert read_codes(tmp_path / "sheet.png") == ("J-0142",)
    cv2.imwrite(str(tmp_path / "plain.png"), np.full((400, 600), 150, np.uint8))
    assert read_codes(tmp_path / "plain.png") == ()
    (tmp_path / "torn.jpg").write_bytes(b"\xff\xd8\xff")
    assert read_codes(tmp_path / "torn.jpg") == ()
