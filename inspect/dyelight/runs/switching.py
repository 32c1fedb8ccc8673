"""When inspection of a buyer's lots becomes tightened, reduced or normal again, or stops.

MIL-STD-105E, 4.7 and 4.8. The limit number of its Table VIII, which reduced inspection needs as
well, is not at hand: reduced inspection is only begun where a person asks for it and says that
production is steady, and the record says that this condition was not checked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from ..errors import SettingsError
from .sampling import SEVERITIES, Severity

Outcome = Literal["accepted", "gap", "rejected"]
OUTCOMES: tuple[Outcome, ...] = ("accepted", "gap", "rejected")
STATE_KEY = "sampling"
_REJECTED_OF = (2, 5)
_ACCEPTED_TO_NORMAL = 5
_ACCEPTED_TO_REDUCED = 10
_REJECTED_TO_STOP = 5
# more lots than any rule looks back on
_KEPT = 200


@dataclass(frozen=True, slots=True)
class Lot:
    """A lot that was inspected for the first time, and what came of it.

    `run` names the run, so that one that is done again is not counted twice. `gap` is a reduced
    lot between acceptance and rejection number: accepted, but back to normal.
    """

    run: str
    severity: Severity
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class Standing:
    """What the next lot is inspected by, and the rule that says so. `stopped`: take no lots."""

    severity: Severity
    because: str
    stopped: bool = False


def standing(lots: Sequence[Lot], *, steady: bool = True, reduced_wanted: bool = False) -> Standing:
    """The inspection that the next lot gets, from all lots so far, the oldest first.

    `steady` says that production runs at an even pace without interruption, `reduced_wanted` that
    whoever is responsible wants reduced inspection.
    """
    severity: Severity = "normal"
    because = "Inspection begins as normal."
    since: list[Lot] = []
    stopped = False
    for lot in lots:
        if stopped or (severity == "normal" and lot.severity == "reduced"):
            # a lot after the stop was let in by a person, on tightened inspection; a reduced one
            # after normal ones by a person who asked for it
            severity, since, stopped = ("tightened" if stopped else "reduced"), [], False
        since.append(lot)
        rejected = sum(one.outcome == "rejected" for one in since[-_REJECTED_OF[1] :])
        if severity == "normal" and rejected >= _REJECTED_OF[0]:
            severity, since = "tightened", []
            because = f"{_REJECTED_OF[0]} of {_REJECTED_OF[1]} or fewer lots were rejected."
        elif severity == "tightened" and _all_accepted(since, _ACCEPTED_TO_NORMAL):
            severity, since = "normal", []
            because = f"{_ACCEPTED_TO_NORMAL} lots in a row were accepted on tightened inspection."
        elif severity == "tightened" and _rejected(since) >= _REJECTED_TO_STOP:
            stopped = True
            because = f"{_REJECTED_TO_STOP} lots were rejected on tightened inspection."
        elif severity == "reduced":
            because = "Reduced inspection goes on while every lot is accepted."
            if lot.outcome != "accepted":
                severity, since = "normal", []
                because = "A reduced lot was rejected, or lay between the two numbers."
    if severity == "reduced" and not (steady and reduced_wanted):
        return Standing("normal", "Production is not steady, or reduced inspection is not wanted.")
    wanted = reduced_wanted and steady
    if severity == "normal" and wanted and _all_accepted(since, _ACCEPTED_TO_REDUCED):
        return Standing(
            "reduced",
            f"{_ACCEPTED_TO_REDUCED} normal lots in a row were accepted, and production is said to "
            "be steady. The limit number of Table VIII was not checked.",
        )
    return Standing(severity, because, stopped)


def _rejected(lots: Sequence[Lot]) -> int:
    return sum(lot.outcome == "rejected" for lot in lots)


def _all_accepted(lots: Sequence[Lot], count: int) -> bool:
    return len(lots) >= count and all(lot.outcome == "accepted" for lot in lots[-count:])


def lots_from(value: Any) -> list[Lot]:
    """Lots from what was kept (None: none yet); SettingsError where it is damaged."""
    if value is None:
        return []
    try:
        lots = [Lot(str(run), severity, outcome) for run, severity, outcome in value]
    except (TypeError, ValueError) as trouble:
        raise SettingsError("the lots kept for this buyer are damaged.") from trouble
    for lot in lots:
        if lot.severity not in SEVERITIES or lot.outcome not in OUTCOMES:
            raise SettingsError("the lots kept for this buyer are damaged.")
    return lots


def lots_to_keep(lots: Sequence[Lot]) -> list[list[str]]:
    """Lots as plain data, the newest last."""
    return [[lot.run, lot.severity, lot.outcome] for lot in lots[-_KEPT:]]


def with_lot(lots: Sequence[Lot], lot: Lot) -> list[Lot]:
    """The lots with one more; a run that is there already keeps its place with the new outcome."""
    if any(one.run == lot.run for one in lots):
        return [lot if one.run == lot.run else one for one in lots]
    return [*lots, lot]
