"""A map that was found, and the tests that it must stand."""

from __future__ import annotations

from dataclasses import dataclass

from ..records import F64, Artwork, Note
from .picture_map import FittedMap
from .refine import Refined, Survey, spread
from .spline_fit import FitResult

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

    `fit` is None where the picture lies where the outline puts it; `uncertainty_px` the standard
    error of a picture point; `blur_px` the sd by which the photo is softer than the artwork;
    `panel_px` (4, 2) the panel's corners where its outline was measured all round; `by_outline`
    tells that the outline, not features, found the picture. Where tiles were measured, `survey` is
    their look and `spread` the share of the panel that they span.
    """

    fit: FitResult | None
    picture: FittedMap
    uncertainty_px: float
    blur_px: float
    by_outline: bool
    panel_px: F64 | None = None
    survey: Survey | None = None
    spread: float = 0.0
    notes: tuple[Note, ...] = ()

    @classmethod
    def of(
        cls, refined: Refined, artwork: Artwork, *, by_outline: bool, panel_px: F64 | None = None
    ) -> Found:
        """What was found by refining."""
        fit = refined.fit
        return cls(
            fit,
            fit.map,
            fit.standard_error_px,
            refined.blur_px,
            by_outline,
            panel_px,
            refined.survey,
            spread(refined.observations.points_mm, artwork),
        )


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
