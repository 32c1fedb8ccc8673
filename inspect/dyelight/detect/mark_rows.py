"""Marks that lie in an even row, as the wheels that feed a transfer through the printer leave them.

Dust falls where it falls: of marks at random hardly five lie in line at one and the same pitch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..records import F64, Candidate
from .shapes import is_mark

LEAST_IN_ROW = 5
_STRONGEST = 80  # marks that are asked
_NEIGHBOURS = 4
_LEAST_PITCH_MM, _MOST_PITCH_MM = 0.8, 15.0
_OFF, _OFF_MM = 0.15, 0.5  # of the pitch, and no more than this
_GAPS = 1  # wheels leave no mark where nothing is printed


def with_rows(found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates, those of an even row of marks with the feature `row_count` added: how many
    marks the row has."""
    marks = sorted((c for c in found if is_mark(c)), key=lambda c: -c.snr)[:_STRONGEST]
    if len(marks) < LEAST_IN_ROW:
        return list(found)
    places = np.array([mark.center_mm for mark in marks])
    away = np.linalg.norm(places[:, None] - places[None], axis=2)
    counts = np.zeros(len(marks), np.intp)
    for first in range(len(marks)):
        for second in np.argsort(away[first])[1 : _NEIGHBOURS + 1]:
            if _LEAST_PITCH_MM < away[first, second] < _MOST_PITCH_MM:
                row = _row(places, first, int(second))
                counts[row] = np.maximum(counts[row], len(row))
    count_of = {id(mark): int(count) for mark, count in zip(marks, counts, strict=True)}
    return [
        replace(c, features=c.features | {"row_count": float(count_of[id(c)])})
        if count_of.get(id(c), 0) >= LEAST_IN_ROW
        else c
        for c in found
    ]


def _row(places: F64, first: int, second: int) -> list[int]:
    """The row that goes on from two of the places (N, 2), as far as it stays even."""
    row, steps, gaps = [first, second], 1, 0
    pitch = places[second] - places[first]
    near_mm = min(_OFF * float(np.linalg.norm(pitch)), _OFF_MM)
    while gaps <= _GAPS:
        due = places[row[-1]] + (gaps + 1) * pitch
        off = np.linalg.norm(places - due, axis=1)
        nearest = int(off.argmin())
        if off[nearest] > near_mm or nearest in row:
            gaps += 1
            continue
        row.append(nearest)
        steps += gaps + 1
        gaps = 0
        # the farther it goes the better its pitch is known
        pitch = (places[nearest] - places[first]) / steps
    return row
