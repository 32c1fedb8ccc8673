"""What is said of a panel that is held against another job's artwork, on simulated photos.

    python tests/bench mixups --pictures CACHE --photos 45 --seed 1

Each photo is laid against the artwork of another picture of the plan twice, as that is and cut to
this panel's size, and against its own. Shown for each capture: how often the panel is told to carry
another picture, and, what must not be, how often its own artwork is told to be another's.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from intervals import wilson
from one_thread import keep_to_one_thread
from pictures import Half
from shots import plan, shoot
from tables import rate

from dyelight.placement import place
from dyelight.records import Artwork, NoPlacement, Photo

WAYS = ("another size", "the same size", "its own")


def cut_to(artwork: Artwork, width_mm: float, height_mm: float) -> Artwork:
    """The middle of an artwork as one of another size, without bleed, on a panel without holes."""
    height, width = artwork.pixels.shape[:2]
    wide = min(width, round(height * width_mm / height_mm))
    tall = min(height, round(width * height_mm / width_mm))
    x, y = (width - wide) // 2, (height - tall) // 2
    pixels = np.ascontiguousarray(artwork.pixels[y : y + tall, x : x + wide])
    return replace(
        artwork,
        pixels=pixels,
        width_mm=width_mm,
        height_mm=height_mm,
        bleed_mm=0.0,
        alpha=None,
    )


def told(photo: Photo, artwork: Artwork) -> str:
    """`placed`, or the reason why not."""
    answer = place(photo, artwork)
    return answer.reason if isinstance(answer, NoPlacement) else "placed"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench; 0 always."""
    parser = argparse.ArgumentParser(description="Panels against other jobs' artworks.")
    parser.add_argument("--photos", type=int, default=45)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--captures", default="station,handheld,customer")
    parser.add_argument("--pictures", type=Path, help="the cache that pictures.py filled")
    parser.add_argument("--long-side", type=int, default=1600, help="in px; 0: full size")
    parser.add_argument("--split", choices=("test", "set"), default="test")
    chosen = parser.parse_args(arguments)
    keep_to_one_thread()
    half: Half = chosen.split
    captures = chosen.captures.split(",")
    tasks = plan(chosen.photos, chosen.seed, captures, chosen.pictures, half, chosen.long_side)
    counts: Counter[tuple[str, str, str]] = Counter()
    last: tuple[str, Artwork] | None = None
    for task in tasks:
        shot = shoot(task)
        own = shot.artwork
        if last is not None and last[0] != task.picture.name:
            cut = cut_to(last[1], own.width_mm, own.height_mm)
            for way, artwork in zip(WAYS, (last[1], cut, own), strict=True):
                counts[task.capture, way, told(shot.photo, artwork)] += 1
        last = (task.picture.name, own)
    for capture in captures:
        print(f"\n=== {capture}, simulated photos ===")
        for way in WAYS:
            here = {w: n for (c, a, w), n in sorted(counts.items()) if (c, a) == (capture, way)}
            other = rate(wilson(here.get("wrong_artwork", 0), sum(here.values())))
            rest = ", ".join(f"{n} {word}" for word, n in here.items() if word != "wrong_artwork")
            print(f"{way:14} another picture {other}; {rest}")
    return 0
