"""Teach a fixed camera: good panels in, a `Teaching` out, and what became of each photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from .. import __version__
from ..records import Base
from .changes import COLOURS, colours_of
from .fixed_capture import capture_of, of_one_camera
from .lessons import Lesson, Outcome, TooFewPanels
from .limits import teach_limits
from .look import fit_look
from .record import Teaching, Way
from .scatter import START_COLOUR, START_WHOLE, START_ZONE, crossed, spread_of, worst
from .verdicts import Spread


@dataclass(frozen=True, slots=True)
class Taught:
    """A teaching and what became of each photo."""

    teaching: Teaching
    outcomes: tuple[Outcome, ...]


def teach(
    lessons: Sequence[Lesson | Outcome],
    *,
    base: Base,
    finish: str,
    way: Way,
    today: str | None = None,
) -> Taught:
    """A teaching from looked-at panels of one base and finish.

    `today` is an ISO date, None: this day. Raises TooFewPanels where fewer are good than are
    needed, which is one for the way `signed_off`.
    """
    limits = teach_limits()
    out = {one.photo: one for one in lessons if isinstance(one, Outcome)}
    order = [one.photo if isinstance(one, Outcome) else one.panel.photo for one in lessons]
    good = [one for one in lessons if isinstance(one, Lesson)]
    least = 1 if way == "signed_off" else int(limits.least_panels.value)

    def outcomes() -> tuple[Outcome, ...]:
        return tuple(out.get(photo, Outcome(photo, True)) for photo in order)

    good = of_one_camera(good, limits, out)
    if len(good) < least:
        raise TooFewPanels(len(good), least, outcomes())
    while True:
        capture, even = capture_of(good)
        look, _ = fit_look(even)
        if way == "signed_off":
            spread, colour = Spread(START_WHOLE, START_ZONE), START_COLOUR
            break
        colour, changes = crossed(even)
        spread = spread_of(changes)
        out_of_line = worst(changes, even, limits)
        if out_of_line is None:
            break
        number, seen = out_of_line
        photo = good[number].panel.photo
        out[photo] = Outcome(
            photo,
            False,
            f"It stands out of the other panels: {seen.delta_e00:.1f} ΔE00 "
            f"{'in a zone' if seen.mask is not None else 'over the whole panel'}, "
            f"{seen.scatters:.1f} times their scatter.",
        )
        good.pop(number)
        if len(good) < least:
            raise TooFewPanels(len(good), least, outcomes())
    return Taught(
        Teaching(
            way=way,
            base=base,
            finish=finish,
            look=look,
            capture=capture,
            spread=spread,
            colour_error=colour,
            colours=_colours(good),
            panels=tuple(one.panel for one in good),
            left_out=tuple(f"{one.photo}: {one.why}" for one in out.values()),
            taught_at=date.today().isoformat() if today is None else today,
            tool_version=__version__,
        ),
        outcomes(),
    )


def _colours(lessons: Sequence[Lesson]) -> NDArray[np.intp]:
    """How many panels (343,) have each colour."""
    counts = np.zeros(COLOURS**3, np.intp)
    for one in lessons:
        counts[colours_of(one.samples.artwork)] += 1
    return counts
