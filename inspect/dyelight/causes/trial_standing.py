"""What the log says of a trial so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..press_log.rows import PanelRow
from ..press_log.trials import Sides, Trial, sides
from .factor_file import Factors
from .sequential import Standing, standing

_START_RATE = 0.1  # a first guess where the log holds nothing older; a start value of our own


@dataclass(frozen=True, slots=True)
class TrialStanding:
    """A trial, the panels of its two sides, and where it stands."""

    trial: Trial
    sides: Sides
    standing: Standing


def trial_standing(trial: Trial, rows: Sequence[PanelRow], factors: Factors) -> TrialStanding:
    """Judge a trial by the log's rows, which are by time."""
    learn = factors.learn
    parted = sides(trial, rows, int(learn.trial_baseline.value))
    guess = _START_RATE
    if parted.older:
        guess = (parted.older_hits + 0.5) / (parted.older + 1)
    return TrialStanding(
        trial,
        parted,
        standing(
            parted.old,
            parted.new,
            first_guess=guess,
            error=learn.trial_error.value,
            worth=learn.trial_worth.value,
            power=learn.trial_power.value,
        ),
    )
