"""How near the program's scores come to what an ideal observer could reach.

    python tests/bench/limit.py --pictures CACHE [--pairs 4] [--capture station] [--long-side 0]

Pairs of simulated photos with and without defects share their noise. At each planted place the
score with the defect, less the score without, in units of the scatter of all scores without, is the
program's d'. The ideal observer's d' knows light, blur, noise and all other things, and sees raw
pixels in three channels (truth.snr_ideal). The efficiency (d' ours / d' ideal)^2 is the share of
the information that is used (Tanner and Birdsall, J. Acoust. Soc. Am. 30, 1958).

Ours has lost, before any fault of its own, what developing and JPEG lose, and what the panel's own
grain hides. Both placements, with and without, are the program's own.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from intervals import bootstrap
from one_thread import keep_to_one_thread
from pictures import Picture, at_hand, load
from shots import artwork_record

from dyelight.detect.patch_levels import patch_view
from dyelight.detect.scores import score_levels
from dyelight.look import Difference, compare
from dyelight.placement import place
from dyelight.records import F32, F64, Artwork, Kind, Photo, Placement
from dyelight.simulate import (
    CAPTURES,
    PlantedDefect,
    SimulatedPhoto,
    artwork_size_mm,
    simulate_pair,
)

_STRENGTHS = (0.05, 0.1, 0.2, 0.4, 0.8)
_SPECK_MM = (0.3, 0.6, 1.2)
_SPOT_MM = (5.0, 10.0, 20.0)
_LONG_MM = 254.0


@dataclass(frozen=True, slots=True)
class Reading:
    """One planted defect: both d', and its place on the scale of strengths."""

    kind: Kind
    size_mm: float
    strength: float
    ours: float
    ideal: float

    @property
    def efficiency(self) -> float:
        """The share of the ideal observer's information that is used."""
        return (self.ours / self.ideal) ** 2


def planted(
    rng: np.random.Generator, width_mm: float, height_mm: float
) -> tuple[PlantedDefect, ...]:
    """Specks and spots of every size and strength, each in its own cell of the panel."""
    wanted: list[tuple[Kind, float, float]] = [
        *(("dust_speck", size, strength) for size in _SPECK_MM for strength in _STRENGTHS),
        *(("vapour_spot", size, strength) for size in _SPOT_MM for strength in _STRENGTHS),
    ]
    cols, rows = 6, 5
    cells = rng.permutation(cols * rows)
    out = []
    for (kind, size, strength), cell in zip(wanted, cells, strict=True):
        x = (cell % cols + rng.uniform(0.4, 0.6)) / cols * width_mm
        y = (cell // cols + rng.uniform(0.4, 0.6)) / rows * height_mm
        out.append(
            PlantedDefect(
                kind,
                (float(x), float(y)),
                size,
                strength=strength,
                shape_seed=int(rng.integers(2**31)),
            )
        )
    return tuple(out)


def difference_of(photo: SimulatedPhoto, artwork: Artwork) -> Difference | None:
    """What the program sees, None where it cannot place the photo."""
    shot = Photo("simulated.jpg", "", photo.pixels)
    placed = place(shot, artwork)
    return compare(shot, artwork, placed) if isinstance(placed, Placement) else None


def speck_scores(difference: Difference) -> list[tuple[F32, int]]:
    """Every score map of small marks with its step in px of the photo frame."""
    return [(level.score, level.step) for level in score_levels(difference.photo)]


def spot_scores(difference: Difference) -> list[tuple[F32, int]]:
    """Weighted means of the squared-up difference at doubling widths, as patches are looked for."""
    view = patch_view(difference)
    light = view.residual
    maps = []
    for width_px in (3.0, 6.0, 12.0, 24.0):
        top = cv2.GaussianBlur(light * view.weight, (0, 0), width_px)
        bottom = cv2.GaussianBlur(view.weight, (0, 0), width_px)
        score = top / np.maximum(bottom, 1e-6 * float(view.weight.max()))
        score[~view.usable] = 0
        maps.append((np.asarray(score, np.float32), 1))
    return maps


def _at(score: F32, step: int, xy: F64) -> tuple[int, int]:
    x, y = np.rint((xy + 0.5) / step - 0.5).astype(int)
    return int(np.clip(y, 0, score.shape[0] - 1)), int(np.clip(x, 0, score.shape[1] - 1))


def d_prime(
    with_it: list[tuple[F32, int]],
    without: list[tuple[F32, int]],
    xy: F64,
    xy_without: F64,
    reach_px: float,
) -> float:
    """The best width's score difference at a place, in units of that width's scatter."""
    best = 0.0
    for (a, step), (b, _) in zip(with_it, without, strict=False):
        seen = b[b != 0]
        scatter = float(np.std(np.clip(seen, *np.quantile(seen, [0.001, 0.999]))))
        reach = round(reach_px / step)
        (r, c), (rb, cb) = _at(a, step, xy), _at(b, step, xy_without)
        rise = _around(a, r, c, reach) - float(b[rb, cb])
        best = max(best, rise / max(scatter, 1e-9))
    return best


def _around(score: F32, row: int, col: int, reach: int) -> float:
    # the mask's centroid may lie beside its peak, since shapes are irregular
    part = score[max(row - reach, 0) : row + reach + 1, max(col - reach, 0) : col + reach + 1]
    return float(part.max())


def read_pair(
    picture: Picture, folder: Path | None, capture: str, seed: int, long_side: int | None
) -> list[Reading]:
    """All readings of one pair; none where the photo cannot be placed."""
    rgb = load(picture, folder)
    size = artwork_size_mm(rgb.shape[1], rgb.shape[0], _LONG_MM)
    defects = planted(np.random.default_rng(seed), *size)
    pair = simulate_pair(
        rgb,
        width_mm=size[0],
        height_mm=size[1],
        capture=capture,
        defects=defects,
        seed=seed,
        long_side_px=long_side,
    )
    artwork = artwork_record(picture.name, rgb, *size, 0.0, "white")
    seen = [difference_of(photo, artwork) for photo in pair]
    if seen[0] is None or seen[1] is None:
        return []
    with_it, without = seen[0], seen[1]
    specks = speck_scores(with_it), speck_scores(without)
    spots = spot_scores(with_it), spot_scores(without)
    out = []
    for truth, defect in zip(pair[0].truth.defects, defects, strict=True):
        if truth.hidden_fraction > 0.1 or truth.snr_ideal < 1:
            continue
        mm = np.array([truth.center_mm])
        small = defect.kind == "dust_speck"
        maps = specks if small else spots
        here, there = (_place(one, mm, small) for one in (with_it, without))
        scale = with_it.photo.px_per_mm if small else with_it.panel.px_per_mm
        ours = d_prime(*maps, here, there, 0.25 * defect.diameter_mm * scale + 1)
        out.append(Reading(defect.kind, defect.diameter_mm, defect.strength, ours, truth.snr_ideal))
    return out


def _place(difference: Difference, mm: F64, small: bool) -> F64:
    if not small:
        return np.asarray(difference.panel.to_px(mm)[0], np.float64)
    frame = difference.photo
    px = difference.picture.to_photo(mm)[0]
    return np.asarray(px - np.array([frame.x0, frame.y0]), np.float64)


def print_table(readings: Sequence[Reading]) -> None:
    """Efficiency by kind, size and strength."""
    heads = f"{'kind':13}{'mm':>5}{'strength':>10}{'n':>4}{'ideal d':>10}{'our d':>9}"
    print(f"{heads}  efficiency, median")
    for cell in sorted({(r.kind, r.size_mm, r.strength) for r in readings}):
        some = [r for r in readings if (r.kind, r.size_mm, r.strength) == cell]
        ideal = float(np.median([r.ideal for r in some]))
        ours = float(np.median([r.ours for r in some]))
        got = bootstrap([r.efficiency for r in some])
        head = f"{cell[0]:13}{cell[1]:5g}{cell[2]:10g}{len(some):4}{ideal:10.1f}{ours:9.1f}"
        print(f"{head}  {got.value:.4f} [{got.low:.4f} {got.high:.4f}]")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench; 0 where at least one pair could be read."""
    parser = argparse.ArgumentParser(description="Scores beside the ideal observer's.")
    parser.add_argument("--pictures", type=Path, help="the cache that pictures.py filled")
    parser.add_argument("--pairs", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--capture", choices=tuple(CAPTURES), default="station")
    parser.add_argument("--long-side", type=int, default=0, help="in px; 0: full size")
    chosen = parser.parse_args(arguments)
    keep_to_one_thread()
    pictures = [p for p in at_hand(chosen.pictures, "test") if p.package != "drawn"]
    order = np.random.default_rng(chosen.seed).permutation(len(pictures))
    readings: list[Reading] = []
    for i in range(chosen.pairs):
        picture = pictures[order[i % len(pictures)]]
        seed = chosen.seed * 1000 + i
        some = read_pair(picture, chosen.pictures, chosen.capture, seed, chosen.long_side or None)
        print(f"{picture.name}: {len(some)} readings", file=sys.stderr)
        readings += some
    print(f"{chosen.pairs} simulated pairs, {chosen.capture}, seed {chosen.seed}")
    print_table(readings)
    return 0 if readings else 1


if __name__ == "__main__":
    sys.exit(main())
