"""The demo set that ships: whole, small, licensed, and what its manifest says it is."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from dyelight.data import samples_folder
from dyelight.samples import MANIFEST, Manifest, SampleFile, checked_path, load_manifest

# licences that let anybody pass the pictures on with nothing but a credit
_FREE = {"CC0-1.0", "CC-BY-4.0"}


@pytest.fixture(scope="module")
def manifest() -> Manifest:
    """The manifest that ships."""
    return load_manifest()


def test_every_file_is_the_listed_one(manifest: Manifest) -> None:
    """Each file is there, with the bytes that the manifest lists."""
    for item in manifest.file:
        assert checked_path(item).is_file()


def test_nothing_lies_there_unlisted(manifest: Manifest) -> None:
    """The folder holds the manifest and what it lists, nothing else."""
    folder = samples_folder()
    there = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert there == {MANIFEST} | {item.path for item in manifest.file}


def test_the_set_is_small() -> None:
    """All of it stays under 8 MB."""
    assert sum(p.stat().st_size for p in samples_folder().rglob("*") if p.is_file()) < 8e6


def test_every_file_may_be_passed_on(manifest: Manifest) -> None:
    """Each file has a free licence, and a photo the licence of the picture that it shows."""
    licences = {item.path: item.licence for item in manifest.file}
    for item in manifest.file:
        assert item.licence in _FREE
        assert item.origin
        if item.artwork is not None:
            assert item.licence == licences[item.artwork]


def test_photos_are_called_simulated(manifest: Manifest) -> None:
    """Nobody can take a photo of the set for a real one."""
    assert all(item.origin.startswith("simulated photo") for item in manifest.photos)


def test_the_set_shows_what_it_is_for(manifest: Manifest) -> None:
    """A good panel, and one each with vapour spots, dust with a fibre, and a double image."""
    kinds = [frozenset(truth.kind for truth in item.truth) for item in manifest.photos]
    assert frozenset() in kinds
    assert {frozenset({"vapour_spot"}), frozenset({"ghosting"})} <= set(kinds)
    assert frozenset({"dust_speck", "fibre"}) in kinds


def test_what_was_planted_lies_on_the_panel(manifest: Manifest) -> None:
    """Planted defects lie inside their panel and can be seen."""
    for item in manifest.photos:
        assert item.size_mm is not None
        for truth in item.truth:
            assert all(0 <= c <= s for c, s in zip(truth.center_mm, item.size_mm, strict=True))
            assert truth.delta_e00 >= (6 if truth.kind in ("dust_speck", "fibre") else 3)


def _shape(item: SampleFile) -> tuple[int, ...]:
    data = np.frombuffer(checked_path(item).read_bytes(), np.uint8)
    return cv2.imdecode(data, cv2.IMREAD_COLOR).shape


def test_artworks_have_the_shape_of_their_panels(manifest: Manifest) -> None:
    """An artwork covers panel and bleed within a pixel, so that nothing is stretched."""
    artworks = {item.path: _shape(item) for item in manifest.file if item.role == "artwork"}
    for item in manifest.photos:
        assert item.size_mm is not None
        assert item.artwork is not None
        width, height = (side + 2 * item.bleed_mm for side in item.size_mm)
        rows, cols, _ = artworks[item.artwork]
        assert abs(cols * height / width - rows) <= 1


def test_photos_are_as_large_as_phones_make_them(manifest: Manifest) -> None:
    """Photos have at least 3.5 MP, so that the demo is a fair one."""
    for item in manifest.photos:
        rows, cols, _ = _shape(item)
        assert rows * cols >= 3.5e6


def test_paths_are_plain(manifest: Manifest) -> None:
    """Paths use forward slashes and sort into artwork and photos."""
    for item in manifest.file:
        folder = {"artwork": "artwork", "photo": "photos"}[item.role]
        assert Path(item.path).parent.as_posix() == folder
