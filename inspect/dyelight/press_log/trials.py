"""Trials: one change, everything else held, and what the pressings since then say of it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select, update

from ..errors import SettingsError
from . import schema
from .entries import now
from .rows import PanelRow

# what a trial holds still, as far as it is known, but for what it changes
HELD = (
    "press",
    "set_c",
    "dwell_s",
    "pressure_kpa",
    "drying_s",
    "fabric",
    "transfer_paper",
    "cover_paper",
    "width_mm",
    "height_mm",
    "base",
)
_NUMBER_SLACK = 0.01  # share by which a set value may differ and still be the same; our own


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial. `old` and `new` are what the field was and is: a word, a number or a range.

    A range is a pair of bounds, None for an open one. `held` maps fields of PanelRow to values.
    """

    name: str
    cause: str
    kind: str
    field: str
    old: Any
    new: Any
    held: Mapping[str, Any]
    started_at: datetime
    ended_at: datetime | None


@dataclass(frozen=True, slots=True)
class Sides:
    """The panels of a trial by time: True where the kind showed. `left_out`: reason -> how many."""

    old: tuple[bool, ...]
    new: tuple[bool, ...]
    left_out: Mapping[str, int]
    older_hits: int
    older: int


def start_trial(
    connection: Connection,
    *,
    name: str,
    cause: str,
    kind: str,
    field: str,
    new: Any,
    last: PanelRow,
    free: Sequence[str] = (),
    by: str = "",
) -> Trial:
    """Write a new trial; `last` is the pressing whose settings are held, `free` are let go.

    SettingsError where the name is taken, or `last` has the new value already.
    """
    taken = connection.execute(
        select(schema.trial.c.id).where(schema.trial.c.name == name)
    ).scalar_one_or_none()
    if taken is not None:
        raise SettingsError(f"there is a trial {name!r} already.", remedy="Give another --name.")
    old = getattr(last, field)
    if same(old, new):
        raise SettingsError(
            f"the last pressing has {field} {old!r} already: nothing would change.",
            remedy="Name another value, or start the trial before the change.",
        )
    held = {
        item: value
        for item in HELD
        if item != field and item not in free and (value := getattr(last, item)) not in (None, "")
    }
    trial = Trial(name, cause, kind, field, old, new, held, now(), None)
    connection.execute(
        insert(schema.trial).values(
            name=name,
            cause=cause,
            kind=kind,
            factor=field,
            old_json=json.dumps(old),
            new_json=json.dumps(new),
            held_json=json.dumps(held),
            started_at=trial.started_at,
            by=by,
        )
    )
    return trial


def end_trial(connection: Connection, name: str) -> None:
    """Mark a trial as ended; SettingsError where there is none of this name."""
    table = schema.trial
    done = connection.execute(update(table).where(table.c.name == name).values(ended_at=now()))
    if done.rowcount == 0:
        raise SettingsError(f"there is no trial {name!r}.")


def read_trials(connection: Connection) -> list[Trial]:
    """All trials, the oldest first."""
    table = schema.trial
    return [
        Trial(
            row.name,
            row.cause,
            row.kind,
            row.factor,
            json.loads(row.old_json),
            json.loads(row.new_json),
            json.loads(row.held_json),
            row.started_at,
            row.ended_at,
        )
        for row in connection.execute(select(table).order_by(table.c.id))
    ]


def same(value: Any, wanted: Any) -> bool:
    """Whether a logged value is the wanted word, near the wanted number, or within the range."""
    if value is None or value == "":
        return False
    if isinstance(wanted, (list, tuple)):
        low, high = wanted
        return (low is None or value >= low) and (high is None or value <= high)
    if isinstance(wanted, (bool, str)):
        return bool(value == wanted)
    return abs(float(value) - float(wanted)) <= _NUMBER_SLACK * max(abs(float(wanted)), 1.0)


def sides(trial: Trial, rows: Sequence[PanelRow], baseline: int) -> Sides:
    """Sort the log's panels into a trial's two sides.

    `rows` are by time. Old: before the start, held alike, without the change, the latest `baseline`
    of them. New: since the start, held alike, with the change. Panels that nobody looked at belong
    to neither.
    """
    old: list[bool] = []
    new: list[bool] = []
    left_out: dict[str, int] = {}
    for row in rows:
        if row.verdict not in ("pass", "review", "remake"):
            continue
        since = row.at >= trial.started_at
        if trial.ended_at is not None and row.at >= trial.ended_at:
            continue
        changed = same(getattr(row, trial.field), trial.new)
        differing = [
            item for item, value in trial.held.items() if not same(getattr(row, item), value)
        ]
        if not since:
            if not differing and not changed:
                old.append(trial.kind in row.kinds)
            continue
        if not changed:
            reason = f"without the change of {trial.field}"
        elif differing:
            reason = f"another {differing[0]}"
        else:
            new.append(trial.kind in row.kinds)
            continue
        left_out[reason] = left_out.get(reason, 0) + 1
    older = old[:-baseline] if baseline else old
    return Sides(tuple(old[-baseline:]), tuple(new), left_out, sum(older), len(older))
