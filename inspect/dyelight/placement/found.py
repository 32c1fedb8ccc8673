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
# fine tiles, and the share of them in agreement, that prove a map by themselves
_MANY_FINE = 24
_FINE_PROOF = 0.8


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
    """Whether tiles prove the map: one look must, and the other must not speak against it.

    The coarse look proves most pictures. Fine texture averages out in it, and is proved by many
    tiles of the fine look instead; there, in turn, little detail may stand above the noise.
    """
    if fine_look.textured >= 2 * LEAST_TEXTURED and fine_look.agreeing < _FINE_SHARE:
        return False
    if look.textured >= LEAST_TEXTURED and look.agreeing >= SURE_SHARE:
        return True
    against = look.textured >= LEAST_TEXTURED and look.agreeing < _FINE_SHARE
    return fine_look.textured >= _MANY_FINE and fine_look.agreeing >= _FINE_PROOF and not against
