"""Which photos a camera is taught from, and what they show: from the command line or a list."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..errors import SettingsError, UnreadableInput
from ..records import Base
from ..runs.entries import Entry
from ..runs.manifest import Defaults, ManifestError, read_manifest
from ..settings import Settings
from ..teach.lessons import FEWER_WAYS
from ..teach.limits import teach_limits
from .console import warn


@dataclass(frozen=True, slots=True)
class TeachOrder:
    """What was asked for on the command line beside the settings."""

    photos: tuple[Path, ...]
    artworks: tuple[Path, ...]
    out: Path
    blank: bool = False
    signed_off: bool = False


@dataclass(frozen=True, slots=True)
class Pair:
    """One photo of a panel, the artwork that was printed, and what the panel is. `line` is that of
    the list which names them, None where they were named on the command line."""

    photo: Path
    name: str
    artwork: Path
    size_mm: tuple[float, float]
    bleed_mm: float
    base: Base
    finish: str
    line: int | None = None


def pairs_of(order: TeachOrder, settings: Settings) -> list[Pair]:
    """What to look at. Raises SettingsError where it cannot teach, UnreadableInput where a file is
    missing, both before any photo is opened."""
    first = order.photos[0]
    if first.suffix.lower() == ".csv":
        if len(order.photos) > 1 or order.artworks:
            raise SettingsError(
                "a list stands alone: it names photos and artwork itself.",
                file=first,
                remedy="Leave other photos and --artwork out.",
            )
        pairs = _listed(first, settings)
    else:
        pairs = _given(order, settings)
    if order.signed_off and len(pairs) != 1:
        raise SettingsError(
            f"--signed-off takes one photo, not {len(pairs)}.",
            remedy="Leave it out to teach from several good panels.",
        )
    kinds = {(pair.base, pair.finish) for pair in pairs}
    if len(kinds) > 1:
        words = "; ".join(sorted(f"{base} {finish}" for base, finish in kinds))
        raise SettingsError(
            f"a teaching holds for panels of one base and finish, and these have several: {words}.",
            remedy="Teach each of them into a file of its own.",
        )
    least = int(teach_limits().least_panels.value)
    if not order.signed_off and len(pairs) < least:
        raise SettingsError(
            f"{len(pairs)} photo{'s are' if len(pairs) != 1 else ' is'} too few to teach a camera "
            f"from; {least} good panels are needed.",
            remedy=FEWER_WAYS,
        )
    _refuse_missing(pairs, first)
    return pairs


def _refuse_missing(pairs: Sequence[Pair], source: Path) -> None:
    """Tell every file that is not there; `source` is the list where there is one."""
    missing: dict[Path, UnreadableInput] = {}
    for pair in pairs:
        for path in (pair.photo, pair.artwork):
            if path not in missing and not os.path.exists(path):  # noqa: PTH110  # Path raises on names too long
                listed = pair.line is not None
                missing[path] = UnreadableInput(
                    f"there is no file {path}." if listed else "there is no such file.",
                    file=source if listed else path,
                    place=f"line {pair.line}" if listed else None,
                    remedy="Check the name and the folder.",
                )
    troubles = list(missing.values())
    for trouble in troubles[:-1]:
        warn(trouble.sentence())
    if troubles:
        raise troubles[-1]


def _given(order: TeachOrder, settings: Settings) -> list[Pair]:
    if not order.artworks:
        raise SettingsError(
            "the photos need their artwork.",
            remedy="Name it with --artwork, once for all or once for each photo in their order, "
            "or give a CSV list.",
        )
    if len(order.artworks) not in (1, len(order.photos)):
        raise SettingsError(
            f"there are {len(order.photos)} photos and {len(order.artworks)} artworks.",
            remedy="Name --artwork once for all photos, or once for each in their order.",
        )
    if settings.size_mm is None:
        raise SettingsError(
            "the panels' size is needed: it tells whether the camera still stands where it stood.",
            remedy="Name it with --size, as 254x203.",
        )
    artworks = order.artworks * (len(order.photos) if len(order.artworks) == 1 else 1)
    return [
        Pair(
            photo,
            str(photo),
            artwork,
            settings.size_mm,
            settings.bleed,
            settings.base,
            settings.finish,
        )
        for photo, artwork in zip(order.photos, artworks, strict=True)
    ]


def _listed(source: Path, settings: Settings) -> list[Pair]:
    defaults = Defaults(settings.size_mm, settings.bleed, settings.base, settings.finish)
    try:
        entries = read_manifest(source, defaults)
    except ManifestError as trouble:
        for row in trouble.rows:
            warn(f"{source}: {row.sentence()}")
        raise
    return [pair for entry in entries for pair in _of_entry(entry, source)]


def _of_entry(entry: Entry, source: Path) -> list[Pair]:
    if entry.width_mm is None or entry.height_mm is None:
        raise SettingsError(
            "the panel's size is needed: it tells whether the camera still stands where it stood.",
            file=source,
            place=f"line {entry.line}",
            remedy="Fill in width_mm and height_mm, or give --size for all.",
        )
    size = (entry.width_mm, entry.height_mm)
    return [
        Pair(photo, name, entry.artwork, size, entry.bleed_mm, entry.base, entry.finish, entry.line)
        for photo, name in zip(entry.photos, entry.photo_names, strict=True)
    ]
