"""A map that was found, and the tests that it must stand."""

from __future__ import annotations

from dataclasses import dataclass

from ..records import Note
from .picture_map import FittedMap
from .refine import Refined, Survey

LEAST_TEXTURED = 6
# share of the tiles with clear detail that must agree with the artwork
SURE_SHARE = 0.65
_FINE_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Found:
    """A map that stood its tests.

    `refined` is None where no tile could be measured; `by_outline` tells that the panel's outline,
    not features, found it.
    """

    refined: Refined | None
    picture: FittedMap
    uncertainty_px: float
    notes: tuple[Note, ...]
    by_outline: bool


def agrees(fine_look: Survey, look: Survey) -> bool:
    """Whether tiles prove the map: the coarse look must, and the fine one must not speak against
    it.

    In the fine look little detail may stand above the noise.
    """
    if fine_look.textured >= 2 * LEAST_TEXTURED and fine_look.agreeing < _FINE_SHARE:
        return False
    return look.textured >= LEAST_TEXTURED and look.agreeing >= SURE_SHARE
