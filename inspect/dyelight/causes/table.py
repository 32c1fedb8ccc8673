"""The cause map as rows: what `dyelight causes` prints."""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import SettingsError
from ..judge.model_file import close_name
from ..judge.rules import KINDS
from ..records import Kind
from .cause_map import CauseMap, load_causes


@dataclass(frozen=True, slots=True)
class CauseRow:
    """One cause of one kind. `share` (0..1) is its part of the kind's odds before conditions.

    `conditions` are (factor, reason) pairs that raise or lower it.
    """

    kind: Kind
    cause: str
    title: str
    share: float
    because: str
    conditions: tuple[tuple[float, str], ...]
    try_next: str
    caution: str | None


def cause_table(kind: str | None = None, cause_map: CauseMap | None = None) -> tuple[CauseRow, ...]:
    """Rows for one kind, or for every kind in order for None, the likeliest cause first.

    Raises SettingsError for a word that names no kind.
    """
    if kind is not None and kind not in KINDS:
        raise SettingsError(
            f"there is no kind {kind!r}.{close_name(kind, KINDS)}",
            remedy=f"Name one of {', '.join(KINDS)}.",
        )
    cause_map = cause_map or load_causes()
    rows: list[CauseRow] = []
    for asked in KINDS:
        if kind in (None, asked):
            rows += _rows(asked, cause_map)
    return tuple(rows)


def _rows(kind: Kind, cause_map: CauseMap) -> list[CauseRow]:
    entries = [
        (name, entry, base)
        for name, entry in cause_map.causes.items()
        if (base := entry.weight_for(kind)) is not None
    ]
    whole = cause_map.file.combine.something_else.value + sum(base.weight for _, _, base in entries)
    rows = [
        CauseRow(
            kind=kind,
            cause=name,
            title=entry.title,
            share=base.weight / whole,
            because=base.because,
            conditions=tuple(
                (condition.factor, condition.because)
                for condition in entry.condition
                if condition.kinds is None or kind in condition.kinds
            ),
            try_next=entry.try_next,
            caution=entry.caution,
        )
        for name, entry, base in entries
    ]
    return sorted(rows, key=lambda row: (-row.share, row.cause))
