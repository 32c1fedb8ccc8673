"""Make the demo set again: artworks, simulated photos and MANIFEST.toml.

    python tests/bench/make_samples.py CACHE [--out sample_images]

CACHE is the folder that pictures.py filled. The same releases of the libraries give the same bytes.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from pictures import Picture, listed, load
from PIL import Image

from dyelight.records import U8
from dyelight.simulate import PlantedDefect, SimulatedPhoto, simulate_photo

LAB = "Marrowfield Panel Lab"
SCENARIO = (
    "Marrowfield, an invented lab, presses photographs into coated metal panels. Five panels wait: "
    "four on the bench after peeling, and one that a customer has photographed at home."
)
_LONG_PX = 2000
_PHOTO_PX = 2800


@dataclass(frozen=True, slots=True)
class Work:
    """An artwork: a picture cropped to the panel's shape with its bleed."""

    path: str
    picture: str
    size_mm: tuple[float, float]
    bleed_mm: float
    credit: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel and how it was photographed."""

    path: str
    work: str
    panel_id: str
    scenario: str
    capture: str
    seed: int
    long_side_px: int
    defects: tuple[PlantedDefect, ...]


WORKS = (
    Work(
        "artwork/meadow.jpg",
        "lomiri_aitzgorri_by_Aitzol_Berasategi.jpg",
        (305.0, 203.0),
        0.0,
        "photograph 'Aitzgorri' by Aitzol Berasategi",
    ),
    Work(
        "artwork/dandelion.jpg",
        "lomiri_seeding_by_Clements_Engelhardt.jpg",
        (305.0, 203.0),
        3.0,
        "photograph 'Seeding' by Clements Engelhardt",
    ),
    Work(
        "artwork/fig.jpg",
        "lomiri_Picture_0B_by_freespace.jpg",
        (254.0, 203.0),
        3.0,
        "photograph 'Picture 0B' by freespace",
    ),
)

PANELS = (
    Panel(
        "photos/MF-2041.jpg",
        "artwork/meadow.jpg",
        "MF-2041",
        "A panel that came out well.",
        "station",
        41,
        _PHOTO_PX,
        (),
    ),
    Panel(
        "photos/MF-2042.jpg",
        "artwork/dandelion.jpg",
        "MF-2042",
        "Pale, soft spots, pressed on a damp morning.",
        "station",
        42,
        _PHOTO_PX,
        (
            PlantedDefect("vapour_spot", (226, 62), 24, strength=0.42, shape_seed=1),
            PlantedDefect("vapour_spot", (219, 178), 13, strength=0.45, shape_seed=2),
            PlantedDefect("vapour_spot", (290, 112), 17, strength=0.38, shape_seed=3),
        ),
    ),
    Panel(
        "photos/MF-2043.jpg",
        "artwork/fig.jpg",
        "MF-2043",
        "Dust and a fibre lay between transfer and panel.",
        "handheld",
        43,
        _PHOTO_PX,
        (
            PlantedDefect("dust_speck", (196, 122), 1.1, strength=0.95, shape_seed=4),
            PlantedDefect("dust_speck", (104, 96), 0.8, strength=0.95, shape_seed=5),
            PlantedDefect("dust_speck", (42, 60), 1.2, strength=0.9, tone="dark", shape_seed=6),
            PlantedDefect("dust_speck", (160, 178), 0.9, strength=0.9, shape_seed=7),
            PlantedDefect("fibre", (206, 78), 11, 0.32, 0.95, "light", 35.0, shape_seed=8),
        ),
    ),
    Panel(
        "photos/MF-2044.jpg",
        "artwork/fig.jpg",
        "MF-2044",
        "The same picture again: the transfer slipped while the press opened.",
        "station",
        44,
        _PHOTO_PX,
        (
            PlantedDefect(
                "ghosting",
                (127, 101.5),
                203,
                strength=0.3,
                vector_mm=(2.0, 1.1),
                pattern="slip",
                shape_seed=9,
            ),
        ),
    ),
    Panel(
        "photos/MF-1987.jpg",
        "artwork/meadow.jpg",
        "MF-1987",
        "A customer's photo from home, with reflections across the panel.",
        "customer",
        65,
        2304,
        (),
    ),
)


def cropped(pixels: U8, work: Work) -> U8:
    """The middle of a picture in the shape of the panel with its bleed, 2000 px long."""
    width, height = (side + 2 * work.bleed_mm for side in work.size_mm)
    rows, cols = pixels.shape[:2]
    scale = min(cols / width, rows / height)
    w, h = int(width * scale), int(height * scale)
    x0, y0 = (cols - w) // 2, (rows - h) // 2
    size = (_LONG_PX, round(_LONG_PX * height / width))
    part = pixels[y0 : y0 + h, x0 : x0 + w]
    return np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.uint8)


def picture_named(name: str) -> Picture:
    """The row of pictures.csv with this name."""
    return next(picture for picture in listed() if picture.name == name)


def as_jpeg(pixels: U8) -> tuple[bytes, U8]:
    """JPEG at quality 92, and what it decodes to."""
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=92, subsampling=0)
    with Image.open(io.BytesIO(file.getvalue())) as picture:
        return file.getvalue(), np.asarray(picture.convert("RGB"), np.uint8)


def work_table(work: Work, data: bytes) -> str:
    """The manifest's table of an artwork."""
    picture = picture_named(work.picture)
    origin = f"{work.credit}, Debian package {picture.package}, cropped and made smaller"
    return _table(work.path, "artwork", data, origin, picture.licence)


def panel_table(panel: Panel, work: Work, photo: SimulatedPhoto) -> str:
    """The manifest's table of a photo, with what was planted."""
    lines = [
        f'artwork = "{work.path}"',
        f'panel_id = "{panel.panel_id}"',
        f"size_mm = [{work.size_mm[0]:g}, {work.size_mm[1]:g}]",
        f"bleed_mm = {work.bleed_mm:g}",
        f'scenario = "{panel.scenario}"',
    ]
    if photo.truth.defects:
        lines.append("truth = [")
        for seen in photo.truth.defects:
            x, y = seen.center_mm
            across = 2 * float(np.sqrt(seen.area_mm2 / np.pi))
            lines.append(
                f'    {{ kind = "{seen.kind}", center_mm = [{x:.1f}, {y:.1f}], '
                f"eq_diameter_mm = {across:.2f}, delta_e00 = {seen.delta_e00:.1f} }},"
            )
        lines.append("]")
    origin = (
        f"simulated photo, capture {panel.capture}, seed {panel.seed}, "
        f"by tests/bench/make_samples.py from {work.path}"
    )
    if panel.capture == "customer":
        origin += ", with photographs from scikit-image (CC0-1.0) lying behind the panel"
    licence = picture_named(work.picture).licence
    return _table(panel.path, "photo", photo.jpeg, origin, licence) + "\n".join(lines) + "\n"


def _table(path: str, role: str, data: bytes, origin: str, licence: str) -> str:
    return (
        f'\n[[file]]\npath = "{path}"\nrole = "{role}"\n'
        f'sha256 = "{hashlib.sha256(data).hexdigest()}"\n'
        f'origin = "{origin}"\nlicence = "{licence}"\n'
    )


def make(cache: Path, out: Path) -> int:
    """Write the whole set into `out`; its size in bytes.

    Raises FileNotFoundError where a picture is not in the cache.
    """
    total = 0
    text = (
        "# The demo set. All photos are simulated; lab and panel numbers are invented.\n"
        "# Made by tests/bench/make_samples.py.\n\n"
        f'schema_version = 1\nlab = "{LAB}"\nscenario = "{SCENARIO}"\n'
    )
    drawn: dict[str, tuple[Work, U8]] = {}
    for work in WORKS:
        data, pixels = as_jpeg(cropped(load(picture_named(work.picture), cache), work))
        drawn[work.path] = (work, pixels)
        total += _write(out / work.path, data)
        text += work_table(work, data)
    for panel in PANELS:
        work, pixels = drawn[panel.work]
        photo = simulate_photo(
            pixels,
            width_mm=work.size_mm[0],
            height_mm=work.size_mm[1],
            bleed_mm=work.bleed_mm,
            capture=panel.capture,
            defects=panel.defects,
            seed=panel.seed,
            long_side_px=panel.long_side_px,
        )
        total += _write(out / panel.path, photo.jpeg)
        text += panel_table(panel, work, photo)
    return total + _write(out / "MANIFEST.toml", text.encode("utf-8"))


def _write(path: Path, data: bytes) -> int:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return len(data)


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the set; 0 where it went well."""
    parser = argparse.ArgumentParser(description="Make the demo set again.")
    parser.add_argument("cache", type=Path, help="the cache that pictures.py filled")
    default = Path(__file__).parents[2] / "sample_images"
    parser.add_argument("--out", type=Path, default=default)
    chosen = parser.parse_args(arguments)
    size = make(chosen.cache, chosen.out)
    print(f"{size / 1e6:.2f} MB in {chosen.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
