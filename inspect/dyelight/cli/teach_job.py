"""From photos of good panels to the file of a taught camera, with what became of each photo."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..errors import SettingsError
from ..heap import keep_freed_memory
from ..intake import read_artwork, read_photo
from ..records import Artwork
from ..report.outputs import make_folder, refuse_unwritable
from ..settings import Settings
from ..teach import Teaching, write_teaching
from ..teach.blank import teach_blank
from ..teach.capture import photon_transfer
from ..teach.learn import teach
from ..teach.lessons import Lesson, Outcome, TooFewPanels, lesson_of
from .console import data_console, say, warn
from .exits import PASS
from .teach_pairs import Pair, TeachOrder, pairs_of


def run_teach(order: TeachOrder, settings: Settings) -> int:
    """Do what was asked for; the exit code. Raises the errors of all parts, the cheapest first."""
    if order.blank and order.signed_off:
        raise SettingsError(
            "--blank and --signed-off exclude each other.", remedy="Leave one of them out."
        )
    if order.out.is_dir():
        raise SettingsError(
            "--out names a folder.", file=order.out, remedy="Name a file, as camera.json."
        )
    folder = order.out.absolute().parent
    refuse_unwritable(folder)
    keep_freed_memory()
    if order.blank:
        teaching = _blank(order, settings)
        make_folder(folder)
        return _told(write_teaching(teaching, order.out), (), order, settings)
    pairs = pairs_of(order, settings)
    make_folder(folder)
    try:
        taught = teach(
            list(_lessons(pairs)),
            base=pairs[0].base,
            finish=pairs[0].finish,
            way="signed_off" if order.signed_off else "panels",
        )
    except TooFewPanels as trouble:
        for one in trouble.outcomes:
            if not one.taken:
                warn(f"left out: {one.photo}: {one.why}")
        raise
    return _told(write_teaching(taught.teaching, order.out), taught.outcomes, order, settings)


def _blank(order: TeachOrder, settings: Settings) -> Teaching:
    if order.artworks or len(order.photos) != 1 or settings.size_mm is None:
        raise SettingsError(
            "--blank takes one photo of a blank panel and its --size, and no artwork.",
            remedy="As in: dyelight teach blank.jpg --blank --size 254x203 --out camera.json",
        )
    photo = read_photo(order.photos[0])
    width_mm, height_mm = settings.size_mm
    return teach_blank(
        photo,
        width_mm,
        height_mm,
        base=settings.base,
        finish=settings.finish,
    )


def _lessons(pairs: Sequence[Pair]) -> Iterator[Lesson | Outcome]:
    """Look at one photo after the other; none is held longer than that."""
    first: dict[str, str] = {}
    artwork: Artwork | None = None
    shown: tuple[object, ...] = ()
    for number, pair in enumerate(pairs, start=1):
        _progress(f"Looking at photo {number} of {len(pairs)}")
        photo = replace(read_photo(pair.photo), file=pair.name)
        if photo.sha256 in first:
            why = f"It is the same photo as {first[photo.sha256]}."
            yield Outcome(f"{pair.name} (photo {number})", False, why)
            continue
        first[photo.sha256] = f"{Path(pair.name).name} (photo {number})"
        # photos of one picture in a row share its decoding
        if artwork is None or shown != (pair.artwork, pair.size_mm, pair.bleed_mm):
            shown = (pair.artwork, pair.size_mm, pair.bleed_mm)
            artwork = read_artwork(
                pair.artwork,
                *pair.size_mm,
                bleed_mm=pair.bleed_mm,
                base=pair.base,
                finish=pair.finish,
                panel_id="",
            )
        yield lesson_of(photo, artwork)
    if len(pairs) > 1:
        _progress("Learning what they have in common")


def _progress(text: str) -> None:
    print(f"dyelight: {text} ...", file=sys.stderr, flush=True)


def _told(
    teaching: Teaching, outcomes: Sequence[Outcome], order: TeachOrder, settings: Settings
) -> int:
    if settings.format == "json":
        say(json.dumps(_facts(teaching, outcomes, order.out), indent=1, ensure_ascii=False))
        return PASS
    console = data_console()
    for one in outcomes:
        if not one.taken:
            console.print(f"left out  {one.photo}: {one.why}", soft_wrap=True)
    for line in _summary(teaching, order.out):
        console.print(line, soft_wrap=True)
    return PASS


def _summary(teaching: Teaching, out: Path) -> list[str]:
    count, capture = len(teaching.panels), teaching.capture
    if teaching.way == "blank":
        lines = [
            "Taught from one blank panel: the light over the photo.",
            "Colours are not learnt: with this file an uneven press is judged absolutely, off "
            "colour over the whole panel only suspected.",
        ]
    elif teaching.way == "signed_off":
        lines = [
            "Taught from one signed-off panel, as a reference for panels of the same artwork.",
            "How much good panels differ among each other is not known from one; usual values "
            "stand in for it.",
        ]
    else:
        level, warm, _ = teaching.spread.whole
        lines = [
            f"Taught from {count} good panels of {len(_artworks(teaching))} artworks.",
            f"They differ among each other by up to {100 * level:.1f} % in light and "
            f"{100 * warm:.1f} % between red and blue; limits follow from that.",
        ]
    if capture.flicker is not None:
        lines.append(f"Exposure flickers by {100 * capture.flicker:.1f} % from photo to photo.")
    if not np.isfinite(capture.bench).any():
        lines.append(
            "No bench shows around the panels, so that a changed lamp can pass for an off colour. "
            "Leave some ground in sight on all sides and teach again."
        )
    lines.append(f"Written to {out}. Use it with --taught {out}.")
    return lines


def _artworks(teaching: Teaching) -> set[str]:
    # a blank panel has none
    return {panel.artwork_sha256 for panel in teaching.panels} - {""}


def _facts(teaching: Teaching, outcomes: Sequence[Outcome], out: Path) -> dict[str, object]:
    capture = teaching.capture
    noise = photon_transfer(capture.noise)
    return {
        "file": str(out),
        "sha256": teaching.sha256,
        "way": teaching.way,
        "base": teaching.base,
        "finish": teaching.finish,
        "panels": [panel.photo for panel in teaching.panels],
        "left_out": [{"photo": one.photo, "why": one.why} for one in outcomes if not one.taken],
        "artworks": len(_artworks(teaching)),
        "exposure_flicker_ln": capture.flicker,
        "scatter_ln": [round(float(v), 5) for v in teaching.spread.whole],
        "zone_scatter_ln": [round(float(v), 5) for v in teaching.spread.zone],
        "lens_k1_k2": [round(v, 6) for v in capture.lens],
        "noise_dark_variance": None if noise is None else noise[0],
        "noise_gain": None if noise is None else noise[1],
        "bench_seen": bool(np.isfinite(capture.bench).any()),
    }
