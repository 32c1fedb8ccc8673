"""What is common to the photos of one fixed camera: its place, its light, its noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..records import F64
from .capture import BENCH_COLUMNS, BENCH_ROWS, Ambient, Around, against_plane, ambient, plane_of
from .lessons import Lesson, Outcome
from .limits import TeachLimits
from .record import TaughtCapture
from .samples import PanelSamples
from .use import TILT

# scatter of size and shape that is taken where one panel tells none (shares), and of the bench (ln)
START_SIZE, START_SHAPE, START_BENCH = 0.002, 0.001, 0.02


def of_another_camera(lessons: Mapping[int, Lesson], limits: TeachLimits) -> dict[int, Outcome]:
    """The panels, by number, whose photos have not the usual size or were not taken from the usual
    place."""
    if not lessons:
        return {}
    sizes = [one.photo_px for one in lessons.values()]
    usual = max(set(sizes), key=sizes.count)
    out: dict[int, Outcome] = {}
    for number, one in lessons.items():
        if one.photo_px != usual:
            text = f"It has {one.photo_px[0]} x {one.photo_px[1]} px, most have {usual[0]} x "
            out[number] = Outcome(one.photo, False, f"{text}{usual[1]}.")
    plane = _plane([one for number, one in lessons.items() if number not in out])
    for number, one in lessons.items():
        if number not in out:
            why = _elsewhere(*against_plane(one.grid, plane), limits)
            if why is not None:
                out[number] = Outcome(one.photo, False, f"It was taken from another place: {why}")
    return out


def _elsewhere(size: float, shape: float, limits: TeachLimits) -> str | None:
    """How a panel of this size and shape against the taught plane shows that the camera stood
    elsewhere, and what to do; None where it does not."""
    if abs(size) > limits.scale_pct.value / 100:
        return (
            f"the panel is {100 * abs(size):.1f} % {'larger' if size > 0 else 'smaller'} in it "
            "than its size asks for. Check the size, or take it again with the camera where it "
            "stood for the others."
        )
    if shape > limits.shape_pct.value / 100:
        return (
            "the panel's shape in it is another. Take it again with the camera where it stood for "
            "the others."
        )
    return None


def _plane(lessons: Sequence[Lesson]) -> F64:
    """The plane of the panel whose size is the middle one, so that one wrong size tips nothing."""
    planes = [plane_of(one.grid) for one in lessons]
    sizes = [against_plane(one.grid, planes[0])[0] for one in lessons]
    return planes[int(np.argsort(sizes)[len(sizes) // 2])]


def capture_of(lessons: Sequence[Lesson]) -> tuple[TaughtCapture, list[PanelSamples]]:
    """What the camera does, and the panels' samples under its mean light."""
    plane = _plane(lessons)
    lies = np.array([against_plane(one.grid, plane) for one in lessons])
    bench, bench_scatter, levels = bench_of([one.around for one in lessons])
    noise = np.array([one.noise for one in lessons])
    known = np.isfinite(noise).any(axis=0)
    middle = np.full(noise.shape[1], np.nan)
    middle[known] = np.nanmedian(noise[:, known], axis=0)
    several = len(lessons) > 1
    seen = [one for one in levels if one is not None]
    even = []
    covered = np.zeros((BENCH_ROWS, BENCH_COLUMNS))
    for one, level in zip(lessons, levels, strict=True):
        samples = one.samples
        if level is not None:
            light = samples.light * np.exp(-level.at(samples.photo_at))
            samples = replace(samples, light=np.asarray(light, np.float64))
        even.append(samples)
        covered[blocks(samples.photo_at)] += 1
    capture = TaughtCapture(
        width_px=lessons[0].photo_px[0],
        height_px=lessons[0].photo_px[1],
        plane=plane,
        size_scatter=float(lies[:, 0].std(ddof=1)) if several else START_SIZE,
        shape_scatter=float(lies[:, 1].mean()) if several else START_SHAPE,
        bench=bench,
        bench_scatter=bench_scatter,
        tilt_scatter=float(np.std([one.tilt for one in seen])) if len(seen) > 1 else TILT,
        noise=middle,
        covered=covered,
        lens=_middle_lens([one.lens for one in lessons]),
        flicker=float(np.std([one.level.mean() for one in seen])) if len(seen) > 1 else None,
    )
    return capture, even


def _middle_lens(lenses: Sequence[tuple[float, float]]) -> tuple[float, float]:
    k1, k2 = np.median(np.array(lenses), axis=0)
    return float(k1), float(k2)


def blocks(photo_at: F64) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The blocks of the photo, each once, in which places (N, 2) lie."""
    column = np.clip(photo_at[:, 0] * BENCH_COLUMNS, 0, BENCH_COLUMNS - 1).astype(np.intp)
    row = np.clip(photo_at[:, 1] * BENCH_ROWS, 0, BENCH_ROWS - 1).astype(np.intp)
    once = np.unique(row * BENCH_COLUMNS + column)
    return once // BENCH_COLUMNS, once % BENCH_COLUMNS


def bench_of(arounds: Sequence[Around]) -> tuple[F64, F64, list[Ambient | None]]:
    """The bench's middle ln light and scatter by block, and how each photo's light differs."""
    light = np.array([one.light for one in arounds])
    least = min(3, len(arounds))
    levels: list[Ambient | None] = [None] * len(arounds)
    bench = np.full(light.shape[1:], np.nan)
    scatter = np.full(light.shape[1:3], np.nan)
    x, y = np.meshgrid(
        (np.arange(BENCH_COLUMNS) + 0.5) / BENCH_COLUMNS, (np.arange(BENCH_ROWS) + 0.5) / BENCH_ROWS
    )
    place_of = np.stack([x, y], axis=2).reshape(-1, 2)
    for _ in range(3):
        own = light.copy()
        for number, level in enumerate(levels):
            if level is not None:
                own[number] -= level.at(place_of).reshape(BENCH_ROWS, BENCH_COLUMNS, 3)
        known = np.isfinite(own).all(axis=3).sum(axis=0) >= least
        bench[known] = np.nanmedian(own[:, known], axis=0)
        if len(arounds) > 1:
            spread = np.nanmedian(np.abs(own[:, known] - bench[known]), axis=0)
            scatter[known] = np.maximum(1.4826 * spread.mean(axis=1), 0.003)
        else:
            scatter[known] = START_BENCH
        levels = [ambient(one, bench, scatter) for one in arounds]
    return bench, scatter, levels
