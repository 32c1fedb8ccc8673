"""Which simulated photos a bench looks at: pictures, panels, captures and planted defects."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pictures import Half, Picture, at_hand, load

from dyelight.records import U8, Artwork, Base, Photo
from dyelight.simulate import (
    CAPTURES,
    PlantedDefect,
    SimulatedPhoto,
    artwork_size_mm,
    plan_defects,
    simulate_photo,
)

_AGAIN = 1_000_000_007  # a prime far over all seeds of one bench, so that no two photos share one
_LONG_MM = (203.0, 254.0, 305.0, 406.0, 508.0)


@dataclass(frozen=True, slots=True)
class Task:
    """One photo to simulate; all of it follows from `seed`, `index` and the picture."""

    index: int
    seed: int
    capture: str
    picture: Picture
    folder: Path | None
    faultless: bool
    long_side_px: int | None

    @property
    def photo_seed(self) -> int:
        """The seed of the simulated photo."""
        return self.seed * 100_000 + self.index


@dataclass(frozen=True, slots=True)
class Shot:
    """A simulated photo with its artwork and what was planted, in the truth's order."""

    photo: Photo
    artwork: Artwork
    simulated: SimulatedPhoto
    planted: tuple[PlantedDefect, ...]


def plan(
    photos: int,
    seed: int,
    captures: Sequence[str],
    folder: Path | None,
    half: Half,
    long_side_px: int,
) -> tuple[Task, ...]:
    """So many photos, evenly over the captures, every third of each faultless.

    `long_side_px` 0 is full size; else the larger captures are shrunk to it in proportion, so that
    a capture keeps its size beside the others.
    Raises FileNotFoundError where no picture of that half is at hand.
    """
    pictures = at_hand(folder, half)
    if not pictures:
        raise FileNotFoundError(f"no picture of the half {half!r} is in {folder}.")
    largest = max(spec.width_px for spec in CAPTURES.values())
    tasks = []
    for index in range(photos):
        capture = captures[index % len(captures)]
        turn = index // len(captures)
        # every picture comes once before any comes twice; each capture starts elsewhere
        order = np.random.default_rng([seed, turn // len(pictures)]).permutation(len(pictures))
        at = (turn + (index % len(captures)) * (len(pictures) // 3)) % len(pictures)
        long_side = None
        if long_side_px:
            long_side = round(CAPTURES[capture].width_px * long_side_px / largest)
        tasks.append(
            Task(index, seed, capture, pictures[order[at]], folder, turn % 3 == 0, long_side)
        )
    return tuple(tasks)


def shoot(task: Task, again: int = 0) -> Shot:
    """Draw the panel and take its photo; `again` numbers further photos of the same panel.

    Faulty panels carry one to four defects of usual strength, and none to two faint ones.
    """
    rng = np.random.default_rng([task.seed, task.index])
    pixels = load(task.picture, task.folder)
    bleed = 3.0 if rng.random() < 0.4 else 0.0
    base: Base = "clear" if rng.random() < 0.2 else "white"
    long_mm = float(rng.choice(_LONG_MM)) + 2 * bleed
    full = artwork_size_mm(pixels.shape[1], pixels.shape[0], long_mm)
    width, height = full[0] - 2 * bleed, full[1] - 2 * bleed
    planted: tuple[PlantedDefect, ...] = ()
    if not task.faultless:
        planted = plan_defects(rng, width, height, int(rng.integers(1, 5)))
        planted += plan_defects(rng, width, height, int(rng.integers(0, 3)), faint=True)
        planted = _one_of_each_wide(planted)
    simulated = simulate_photo(
        pixels,
        width_mm=width,
        height_mm=height,
        bleed_mm=bleed,
        capture=task.capture,
        defects=planted,
        seed=task.photo_seed + again * _AGAIN,
        base=base,
        long_side_px=task.long_side_px,
        press_seed=task.photo_seed,
    )
    name = f"{task.photo_seed}-{again}.jpg" if again else f"{task.photo_seed}.jpg"
    return Shot(
        Photo(name, _sha256(simulated.jpeg), simulated.pixels),
        artwork_record(task.picture.name, pixels, width, height, bleed, base),
        simulated,
        planted,
    )


def artwork_record(
    name: str, pixels: U8, width_mm: float, height_mm: float, bleed_mm: float, base: Base
) -> Artwork:
    """The artwork as intake would give it."""
    return Artwork(
        name,
        _sha256(pixels.tobytes()),
        pixels,
        None,
        width_mm,
        height_mm,
        bleed_mm=bleed_mm,
        base=base,
    )


def _one_of_each_wide(planted: tuple[PlantedDefect, ...]) -> tuple[PlantedDefect, ...]:
    # two ghosts or two casts on one panel could not be told apart by anybody
    seen: set[str] = set()
    kept = []
    for defect in planted:
        if defect.kind in ("ghosting", "off_colour", "streaks"):
            if defect.kind in seen:
                continue
            seen.add(defect.kind)
        kept.append(defect)
    return tuple(kept)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
