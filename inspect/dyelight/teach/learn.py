"""Teach a fixed camera: good panels in, a `Teaching` out, and what became of each photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .. import __version__
from ..records import Base
from .changes import COLOURS, colours_of
from .fixed_capture import capture_of, of_another_camera
from .lessons import Lesson, Outcome, TooFewPanels, UnfitReference
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
    needed, UnfitReference where the one panel of the way `signed_off` teaches nothing.
    """
    limits = teach_limits()
    # by number: photos in two folders may have one name
    out = {number: one for number, one in enumerate(lessons) if isinstance(one, Outcome)}
    good = {number: one for number, one in enumerate(lessons) if isinstance(one, Lesson)}
    if way == "signed_off" and out:
        raise UnfitReference(next(iter(out.values())))
    least = 1 if way == "signed_off" else int(limits.least_panels.value)

    def outcomes() -> tuple[Outcome, ...]:
        return tuple(out.get(n, Outcome(one.photo, True)) for n, one in enumerate(lessons))

    out |= of_another_camera(good, limits)
    good = {number: one for number, one in good.items() if number not in out}
    if len(good) < least:
        raise TooFewPanels(len(good), least, outcomes())
    while True:
        panels = list(good.values())
        capture, even = capture_of(panels)
        look, _ = fit_look(even)
        if way == "signed_off":
            spread, colour = Spread(START_WHOLE, START_ZONE), START_COLOUR
            break
        colour, changes = crossed(even)
        spread = spread_of(changes)
        out_of_line = worst(changes, even, limits)
        if out_of_line is None:
            break
        place, seen = out_of_line
        number = list(good)[place]
        out[number] = Outcome(
            good.pop(number).photo,
            False,
            f"It stands out of the other panels: {seen.delta_e00:.1f} ΔE00 "
            f"{'in a zone' if seen.mask is not None else 'over the whole panel'}, "
            f"{seen.scatters:.1f} times their scatter.",
        )
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
            colours=_colours(panels),
            panels=tuple(one.panel for one in panels),
            # a folder's name may tell more of a customer than the file's
            left_out=tuple(f"{Path(out[n].photo).name}: {out[n].why}" for n in sorted(out)),
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
