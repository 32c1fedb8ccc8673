"""The pictures that benches press: listed in pictures.csv, fetched from Debian packages or drawn.

    python tests/bench/pictures.py CACHE            fetch what is missing into CACHE
    python tests/bench/pictures.py CACHE --list     say which half each picture belongs to

Packages are fetched by name with apt-get and unpacked with dpkg; nothing is installed. Photographs
that scikit-image ships in its wheel and drawn pictures need no fetching.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

import cv2
import numpy as np

from dyelight.records import U8
from dyelight.simulate import drawn_artwork

Half = Literal["set", "test"]

LISTING = Path(__file__).with_name("pictures.csv")
_LEAST_LONG_PX = 1800


@dataclass(frozen=True, slots=True)
class Picture:
    """One row of pictures.csv. `package` is a Debian package, "scikit-image" or "drawn"."""

    name: str
    package: str
    path: str
    licence: str
    shows: str

    @property
    def half(self) -> Half:
        """The half that this picture belongs to."""
        return half_of(self.name)


def half_of(name: str) -> Half:
    """`set` for pictures that thresholds may be set on, `test` for those kept apart.

    The first byte of the SHA-256 of the file's name decides, below 128 is `set`: so the split needs
    no list, and a new picture falls on a side that nobody chose.
    """
    return "set" if hashlib.sha256(name.encode("utf-8")).digest()[0] < 128 else "test"


def listed() -> tuple[Picture, ...]:
    """All pictures of pictures.csv, in its order."""
    with LISTING.open(newline="", encoding="utf-8") as rows:
        return tuple(Picture(**row) for row in csv.DictReader(rows))


def at_hand(folder: Path | None, half: Half | None = None) -> tuple[Picture, ...]:
    """The listed pictures of a half (None: both) that can be loaded with this cache folder."""
    return tuple(
        picture
        for picture in listed()
        if half in (None, picture.half)
        and (picture.package == "drawn" or _is_file(_file(picture, folder)))
    )


def load(picture: Picture, folder: Path | None) -> U8:
    """The picture's pixels (H, W, 3) uint8 sRGB, small ones enlarged to 1800 px as a shop would.

    Raises FileNotFoundError where it is not in the folder.
    """
    if picture.package == "drawn":
        name, seed = picture.path.split(":")
        return drawn_artwork(name, seed=int(seed))
    file = _file(picture, folder)
    pixels = None if file is None else cv2.imread(str(file), cv2.IMREAD_COLOR)
    if pixels is None:
        raise FileNotFoundError(f"{picture.name} is not in {folder}; fetch it with pictures.py.")
    rgb = cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB)
    long_px = max(rgb.shape[:2])
    if long_px < _LEAST_LONG_PX:
        scale = _LEAST_LONG_PX / long_px
        rgb = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    return np.asarray(rgb, np.uint8)


def _file(picture: Picture, folder: Path | None) -> Path | None:
    if picture.package != "scikit-image":
        return None if folder is None else folder / picture.name
    # found without importing: skimage.data would offer to download what the wheel lacks
    spec = find_spec("skimage")
    if spec is None or spec.origin is None:
        return None
    return Path(spec.origin).parent.parent / picture.path


def _is_file(path: Path | None) -> bool:
    return path is not None and path.is_file()


def fetch(folder: Path, packages: Sequence[str] = ()) -> int:
    """Fetch what is missing from `folder`, of these packages or of all; how many files came.

    Raises CalledProcessError where apt-get or dpkg fail.
    """
    folder.mkdir(parents=True, exist_ok=True)
    missing: dict[str, list[Picture]] = {}
    for picture in listed():
        wanted = not packages or picture.package in packages
        if picture.package in ("drawn", "scikit-image") or not wanted:
            continue
        if not (folder / picture.name).is_file():
            missing.setdefault(picture.package, []).append(picture)
    count = 0
    for package, pictures in missing.items():
        print(f"fetching {package}", file=sys.stderr)
        with tempfile.TemporaryDirectory(dir=folder) as scratch:
            subprocess.run(["apt-get", "download", "--quiet", package], cwd=scratch, check=True)
            for archive in Path(scratch).glob("*.deb"):
                subprocess.run(["dpkg", "-x", str(archive), f"{scratch}/files"], check=True)
            for picture in pictures:
                shutil.copyfile(Path(scratch, "files", picture.path), folder / picture.name)
                count += 1
    return count


def main(arguments: Sequence[str] | None = None) -> int:
    """Fetch or list; 0 where it went well."""
    parser = argparse.ArgumentParser(description="Fetch the pictures that benches press.")
    parser.add_argument("cache", type=Path, help="the folder to keep them in")
    parser.add_argument("--package", action="append", default=[], help="only this package")
    parser.add_argument("--list", action="store_true", help="list pictures with their half")
    chosen = parser.parse_args(arguments)
    if chosen.list:
        for picture in at_hand(chosen.cache):
            print(f"{picture.half:5}{picture.name:45}{picture.licence}")
        return 0
    print(f"{fetch(chosen.cache, chosen.package)} pictures fetched into {chosen.cache}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
