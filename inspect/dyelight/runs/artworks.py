"""Artwork that is held decoded in a worker, so that many panels of one picture decode it once."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..errors import SettingsError
from ..intake import read_artwork
from ..records import Artwork
from .entries import Entry


def stamp(path: Path) -> tuple[int, int]:
    """Time and size of a file, so that one that was changed is not taken for the one held."""
    try:
        facts = path.stat()
    except OSError:
        return (0, 0)
    return facts.st_mtime_ns, facts.st_size


class Artworks:
    """The artworks last used, decoded, up to a number of bytes beside the one in use."""

    def __init__(self, limit_bytes: int) -> None:
        self._limit_bytes = limit_bytes
        self._kept: OrderedDict[tuple[Any, ...], Artwork] = OrderedDict()

    def get(self, entry: Entry) -> Artwork:
        """The artwork of one panel; decoded only where it is not held, or its file changed."""
        key = (
            entry.artwork,
            stamp(entry.artwork),
            entry.width_mm,
            entry.height_mm,
            entry.bleed_mm,
            entry.base,
            entry.finish,
        )
        held = self._kept.pop(key, None)
        if held is None:
            # room is made first: the new one and all old ones never stand side by side
            self._drop_over(self._limit_bytes)
            held = _read_artwork(entry)
        self._kept[key] = held
        self._drop_over(max(self._limit_bytes, _bytes(held)))
        return replace(held, file=entry.artwork_name, panel_id=entry.panel_id)

    def _drop_over(self, limit_bytes: int) -> None:
        while self._kept and sum(map(_bytes, self._kept.values())) > limit_bytes:
            self._kept.popitem(last=False)


def _bytes(artwork: Artwork) -> int:
    return artwork.pixels.nbytes + (0 if artwork.alpha is None else artwork.alpha.nbytes)


def _read_artwork(entry: Entry) -> Artwork:
    try:
        return read_artwork(
            entry.artwork,
            entry.width_mm,
            entry.height_mm,
            bleed_mm=entry.bleed_mm,
            base=entry.base,
            finish=entry.finish,
        )
    except SettingsError as trouble:
        # a size that does not fit its artwork is this panel's trouble, not the worker's
        raise SettingsError(
            trouble.trouble, file=entry.artwork_name, place=trouble.place, remedy=trouble.remedy
        ) from trouble
