"""The demo set's manifest: its shape, and files that are not what it lists."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from dyelight.errors import UnreadableInput
from dyelight.samples import checked_path, load_manifest

HEAD = 'schema_version = 1\nlab = "Lab"\nscenario = "A scenario."\n'


def entry(path: str, role: str, data: bytes, more: str = "") -> str:
    """One [[file]] table."""
    digest = hashlib.sha256(data).hexdigest()
    return (
        f'[[file]]\npath = "{path}"\nrole = "{role}"\nsha256 = "{digest}"\n'
        f'origin = "drawn"\nlicence = "CC0-1.0"\n{more}\n'
    )


PHOTO = 'artwork = "a.png"\nsize_mm = [100, 80]\npanel_id = "P-1"'


def written(folder: Path, text: str) -> Path:
    """A folder with a manifest and an artwork in it."""
    (folder / "MANIFEST.toml").write_text(HEAD + text, encoding="utf-8")
    (folder / "a.png").write_bytes(b"artwork")
    return folder


def test_a_whole_set_is_read(tmp_path: Path) -> None:
    """Photos keep their order and know their artwork; defaults fill the rest."""
    text = entry("a.png", "artwork", b"artwork") + entry("p.jpg", "photo", b"photo", PHOTO)
    manifest = load_manifest(written(tmp_path, text))
    assert [item.path for item in manifest.photos] == ["p.jpg"]
    assert manifest.photos[0].size_mm == (100, 80)
    assert manifest.photos[0].base == "white"
    assert checked_path(manifest.file[0], tmp_path) == tmp_path / "a.png"


def test_a_changed_file_is_refused(tmp_path: Path) -> None:
    """A file whose bytes are not the listed ones is told."""
    manifest = load_manifest(written(tmp_path, entry("a.png", "artwork", b"other")))
    with pytest.raises(UnreadableInput, match="not the one that the manifest lists"):
        checked_path(manifest.file[0], tmp_path)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    """A listed file that is not there is told."""
    manifest = load_manifest(written(tmp_path, entry("b.png", "artwork", b"artwork")))
    with pytest.raises(UnreadableInput, match="cannot be read"):
        checked_path(manifest.file[0], tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        entry("p.jpg", "photo", b"photo"),
        entry("p.jpg", "photo", b"photo", PHOTO),
        entry("../a.png", "artwork", b"artwork"),
        entry("a.png", "artwork", b"artwork", 'colour = "red"'),
        "not toml",
    ],
    ids=["photo without size", "artwork not listed", "outside the folder", "unknown key", "text"],
)
def test_a_malformed_manifest_is_told(tmp_path: Path, text: str) -> None:
    """What the shape forbids is refused with the manifest's name."""
    with pytest.raises(UnreadableInput, match=r"MANIFEST\.toml"):
        load_manifest(written(tmp_path, text))


def test_no_manifest_is_told(tmp_path: Path) -> None:
    """An empty folder gives a message and a remedy."""
    with pytest.raises(UnreadableInput, match="no manifest") as caught:
        load_manifest(tmp_path)
    assert caught.value.remedy
