"""A trial in words: what it changes, what it holds, and where it stands."""

from __future__ import annotations

from typing import Any

from ..causes.trial_standing import TrialStanding
from ..judge import texts
from ..press_log.fields import PANEL_FIELDS, PRESSING_FIELDS, Field
from ..press_log.trials import Trial
from ..press_log.units import Units

_FIELDS: dict[str, Field] = {field.name: field for field in (*PRESSING_FIELDS, *PANEL_FIELDS)}


def field_text(name: str, value: Any, units: Units) -> str:
    """A field's value in the user's units; a pair of bounds as a range."""
    field = _FIELDS[name]
    if isinstance(value, (list, tuple)):
        low, high = value
        if low is None:
            return f"at most {field.shown(high, units)}"
        if high is None:
            return f"at least {field.shown(low, units)}"
        return f"{field.shown(low, units)} to {field.shown(high, units)}"
    return field.shown(value, units)


def change_text(trial: Trial, units: Units) -> str:
    """The one change of a trial."""
    title = _FIELDS[trial.field].title
    return (
        f"{title}: {field_text(trial.field, trial.new, units)} in the place of "
        f"{field_text(trial.field, trial.old, units)}"
    )


def held_text(trial: Trial, units: Units) -> str:
    """What a trial holds still."""
    parts = [
        f"{_FIELDS[name].title.lower()} {field_text(name, value, units)}"
        for name, value in trial.held.items()
    ]
    return ", ".join(parts) or "nothing"


def standing_text(item: TrialStanding) -> str:
    """Where a trial stands, with its counts, in two or three sentences."""
    old, new = item.sides.old, item.sides.new
    kind = texts.kind_title(item.trial.kind).lower()  # type: ignore[arg-type]  # text in the log
    counts = (
        f"{kind.capitalize()} on {sum(new)} of {len(new)} panels with the change, on {sum(old)} of "
        f"{len(old)} like them before."
    )
    if not old:
        return (
            f"{counts} Cannot tell: the log holds no earlier panel with the same settings. "
            "Let some settings go with --free."
        )
    if item.standing.word == "helped":
        return f"It helped. {counts}"
    if item.standing.word == "worse":
        return f"It made it worse. {counts}"
    more = item.standing.more
    if item.trial.ended_at is not None:
        return f"It ended undecided. {counts}"
    if more is None:
        return f"Cannot tell yet. {counts} The defect is too rare here for a trial to end soon."
    return f"Cannot tell yet. {counts} About {more} more panels are needed to see the rate halved."


def left_out_text(item: TrialStanding) -> str:
    """How many later panels do not count, and why."""
    left = item.sides.left_out
    if not left:
        return ""
    parts = ", ".join(f"{count} {reason}" for reason, count in left.items())
    return f"Later panels that do not count: {parts}."
