"""What a taught camera adds, on simulated photos of one fixed camera, with and without it.

    python tests/bench taught --pictures CACHE --seed 1 --panels 40

One camera, light, bench and shop are drawn from the seed. `--teach` good panels of different
pictures teach it; then panels come that are faultless, off colour or unevenly pressed, visibly or
faintly. Every picture comes from the half `test`, which no limit was set on.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from intervals import wilson
from matching import Planted, planted_of, touches
from one_thread import keep_to_one_thread
from pictures import Half, Picture, at_hand, load
from rows import models
from shots import artwork_record

from dyelight.pipeline import inspect_panel
from dyelight.records import U8, Artwork, Finding, Inspection, Kind, Photo
from dyelight.simulate import FixedStation, PlantedDefect, artwork_size_mm, simulate_photo
from dyelight.teach import Teaching
from dyelight.teach.learn import teach
from dyelight.teach.lessons import Lesson, Outcome, lesson_of

_LONG_MM = (203.0, 254.0, 305.0)
_TALLEST_MM = 229.0
_SORTS = ("faultless", "off_colour", "off_colour faint", "uneven_press", "uneven_press faint")
_WIDE: tuple[Kind, ...] = ("off_colour", "uneven_press")


@dataclass(frozen=True, slots=True)
class Look:
    """What one way of looking said of a panel: whether the planted defect was found, its name, how
    many findings of the colour of panel or zone were false, how many others, and the verdict."""

    found: bool
    named: Kind | None
    false_wide: int
    others: int
    stopped: bool
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """One panel: what was planted, None where nothing, and what was said with and without."""

    picture: str
    sort: str
    planted: Planted | None
    looks: tuple[Look, Look]


def _size(pixels: U8, rng: np.random.Generator) -> tuple[float, float]:
    width, height = artwork_size_mm(pixels.shape[1], pixels.shape[0], float(rng.choice(_LONG_MM)))
    if height > _TALLEST_MM:
        width, height = width * _TALLEST_MM / height, _TALLEST_MM
    return width, height


def _plant(sort: str, rng: np.random.Generator, size: tuple[float, float]) -> list[PlantedDefect]:
    """Strengths as the accuracy bench draws them."""
    width, height = size
    weak = 0.35 if sort.endswith("faint") else 1.0
    shape = int(rng.integers(2**31))
    if sort.startswith("off_colour"):
        tone = "light" if rng.random() < 0.6 else "dark"
        strength = float(rng.uniform(0.1, 0.3)) * weak
        middle = (width / 2, height / 2)
        return [
            PlantedDefect(
                "off_colour",
                middle,
                min(size),
                strength=strength,
                tone="light" if tone == "light" else "dark",
                shape_seed=shape,
            )
        ]
    if sort.startswith("uneven_press"):
        at = (float(rng.uniform(0.04, 0.96) * width), float(rng.uniform(0.04, 0.96) * height))
        return [
            PlantedDefect(
                "uneven_press",
                at,
                float(rng.uniform(0.35, 0.7)) * min(size),
                strength=float(rng.uniform(0.15, 0.35)) * weak,
                tone="light" if rng.random() < 0.7 else "dark",
                shape_seed=shape,
            )
        ]
    return []


def _speaks_of(finding: Finding, planted: Planted) -> bool:
    box = np.array([finding.box_mm], np.float64)
    if planted.kind == "off_colour":
        return finding.kind == "off_colour"
    return bool(touches(box, planted)[0]) and finding.kind in (*_WIDE, "vapour_spot", "unexplained")


def _assess(result: Inspection, planted: Planted | None) -> Look:
    about = [f for f in result.findings if planted is not None and _speaks_of(f, planted)]
    rest = [f for f in result.findings if f not in about]
    false_wide = [f for f in rest if f.kind in _WIDE]
    # the matching finding that covers the planted one best gives the name
    about.sort(key=lambda f: (f.kind not in _WIDE, -f.area_mm2))
    return Look(
        bool(about),
        about[0].kind if about else None,
        len(false_wide),
        len(rest) - len(false_wide),
        result.verdict.word in ("review", "remake"),
        tuple(n.code for n in result.capture.notes if n.code.startswith("taught")),
    )


class _Shop:
    """One simulated shop with its fixed camera."""

    def __init__(self, folder: Path | None, seed: int, long_side_px: int) -> None:
        self.folder, self.seed, self.long_side_px = folder, seed, long_side_px
        self.station = FixedStation(seed, (max(_LONG_MM), _TALLEST_MM))

    def shoot(
        self, picture: Picture, number: int, sort: str
    ) -> tuple[Photo, Artwork, Planted | None]:
        rng = np.random.default_rng([self.seed, number])
        pixels = load(picture, self.folder)
        size = _size(pixels, rng)
        defects = tuple(_plant(sort, rng, size))
        simulated = simulate_photo(
            pixels,
            width_mm=size[0],
            height_mm=size[1],
            capture="station",
            defects=defects,
            seed=self.seed * 100_000 + number,
            long_side_px=self.long_side_px,
            station=self.station,
        )
        photo = Photo(f"{number}.jpg", f"{number:064d}", simulated.pixels)
        artwork = artwork_record(picture.name, pixels, *size, 0.0, "white")
        planted = planted_of(simulated.truth, defects, size, from_outline=True)
        return photo, artwork, planted[0] if planted else None


def _taught(shop: _Shop, pictures: Sequence[Picture]) -> Teaching:
    lessons: list[Lesson | Outcome] = []
    for number, picture in enumerate(pictures):
        photo, artwork, _ = shop.shoot(picture, number, "faultless")
        lessons.append(lesson_of(photo, artwork))
    taught = teach(lessons, base="white", finish="gloss", way="panels")
    for one in taught.outcomes:
        if not one.taken:
            print(f"left out of the teaching: {one.photo}: {one.why}", file=sys.stderr)
    return taught.teaching


def run(
    folder: Path | None, half: Half, seed: int, panels: int, to_teach: int, long_side_px: int
) -> list[Row]:
    """One shop: teach it, then look at every panel with and without the teaching."""
    rules, acceptance, causes = models()
    pictures = at_hand(folder, half)
    shop = _Shop(folder, seed, long_side_px)
    order = np.random.default_rng([seed, 1]).permutation(len(pictures))
    began = time.process_time()
    teaching = _taught(shop, [pictures[order[i % len(order)]] for i in range(to_teach)])
    print(
        f"shop {seed}: taught from {len(teaching.panels)} panels, "
        f"{time.process_time() - began:.0f} CPU s with their simulation",
        file=sys.stderr,
    )
    # panels to judge begin with pictures that the teaching did not see
    later = [pictures[order[(to_teach + i) % len(order)]] for i in range(panels)]
    rows = []
    for i, picture in enumerate(later):
        sort = _SORTS[i % len(_SORTS)]
        photo, artwork, planted = shop.shoot(picture, to_teach + i, sort)
        both = []
        for one in (None, teaching):
            result = inspect_panel(
                [photo], artwork, rules=rules, acceptance=acceptance, causes=causes, taught=one
            )
            both.append(_assess(result, planted))
        row = Row(picture.name, sort, planted, (both[0], both[1]))
        rows.append(row)
        size = "" if planted is None else f"{planted.visibility} {planted.delta_e00:.1f} ΔE00"
        said = " | ".join(
            f"{'-' if look.named is None else look.named}"
            f"{f' false {look.false_wide}' if look.false_wide else ''}"
            for look in row.looks
        )
        print(
            f"{i:3d} {picture.name[:24]:24s} {sort:18s} {size:18s} {said} "
            f"{','.join(row.looks[1].notes)}",
            file=sys.stderr,
            flush=True,
        )
    return rows


def _rate(hits: int, n: int) -> str:
    one = wilson(hits, n)
    return "-" if n == 0 else f"{one.value:.2f} ({one.low:.2f}-{one.high:.2f}) of {n}"


def print_rows(rows: Sequence[Row]) -> None:
    """Print the table, without and with the teaching side by side."""
    lines: list[tuple[str, list[str]]] = []
    for kind in _WIDE:
        for visibility, word in (("visible", "visible"), ("faint", "faint")):
            some = [
                r
                for r in rows
                if r.planted is not None
                and r.planted.kind == kind
                and r.planted.visibility == visibility
            ]
            lines.append(
                (
                    f"{word} {kind} found",
                    [_rate(sum(r.looks[k].found for r in some), len(some)) for k in (0, 1)],
                )
            )
            found = [[r for r in some if r.looks[k].found] for k in (0, 1)]
            lines.append(
                (
                    "  of these the right kind",
                    [
                        _rate(sum(r.looks[k].named == kind for r in found[k]), len(found[k]))
                        for k in (0, 1)
                    ],
                )
            )
    plain = [r for r in rows if r.planted is None]
    lines.append(
        (
            "panels with a false off_colour or uneven_press",
            [_rate(sum(r.looks[k].false_wide > 0 for r in rows), len(rows)) for k in (0, 1)],
        )
    )
    lines.append(
        (
            "  among faultless ones",
            [_rate(sum(r.looks[k].false_wide > 0 for r in plain), len(plain)) for k in (0, 1)],
        )
    )
    lines.append(
        (
            "other findings a panel",
            [f"{sum(r.looks[k].others for r in rows) / max(len(rows), 1):.2f}" for k in (0, 1)],
        )
    )
    lines.append(
        (
            "faultless panels stopped",
            [_rate(sum(r.looks[k].stopped for r in plain), len(plain)) for k in (0, 1)],
        )
    )
    lines.append(
        (
            "photos that the teaching did not fit",
            ["-", _rate(sum("taught" not in r.looks[1].notes for r in rows), len(rows))],
        )
    )
    print(f"{'':48s}{'without':30s}{'taught':30s}")
    for name, (without, taught) in lines:
        print(f"{name:48s}{without:30s}{taught:30s}")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench; 0 where it went through."""
    parser = argparse.ArgumentParser(description="A taught camera, on simulated photos.")
    parser.add_argument("--pictures", type=Path, help="the cache that pictures.py filled")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shops", type=int, default=1, help="so many shops, seeds from --seed on")
    parser.add_argument("--panels", type=int, default=40, help="to judge, of each shop")
    parser.add_argument("--teach", type=int, default=12, help="good panels to teach from")
    parser.add_argument("--long-side", type=int, default=2000, help="of the photo in px")
    parser.add_argument("--split", choices=("test", "set"), default="test")
    chosen = parser.parse_args(arguments)
    keep_to_one_thread()
    cv2.setNumThreads(1)
    half: Half = chosen.split
    rows: list[Row] = []
    for seed in range(chosen.seed, chosen.seed + chosen.shops):
        rows += run(chosen.pictures, half, seed, chosen.panels, chosen.teach, chosen.long_side)
    print(
        f"{len(rows)} simulated photos of {chosen.shops} simulated fixed camera"
        f"{'s' if chosen.shops > 1 else ''}, long side {chosen.long_side} px, pictures of the half "
        f"{half}, seed {chosen.seed}; taught from {chosen.teach} simulated panels each"
    )
    print("Intervals hold 95 % (Wilson).")
    print_rows(rows)
    return 0


if __name__ == "__main__":
    sys.exit(main())
