"""The shop's own history, ready to be asked: levels, places, and which panels showed which kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ..press_log.rows import Columns
from ..records import Mask
from .factor_file import Factors
from .levels import Coded, Codes, code_factors
from .platen_place import Cell, Lie, cell_of, covered, lie_of

PlatenCell = tuple[str, int, int]  # press, and the cell on its platen


@dataclass(frozen=True, slots=True)
class Event:
    """A panel (its index) that showed a kind, in a cell of the platen where that is known."""

    panel: int
    cell: PlatenCell | None


@dataclass(slots=True)
class History:
    """What the log holds, panel by panel, by time.

    `looked` (N,) marks panels with a verdict that tells something: these are the history. The
    others are there to be asked about. `alike` keeps which factors go along too closely to be told
    apart, by the factors' names.
    """

    columns: Columns
    factors: Factors
    looked: Mask
    coded: dict[str, Coded]
    lies: list[Lie | None]
    alike: dict[tuple[str, ...], list[frozenset[int]]] = field(default_factory=dict)
    _cells: dict[int, dict[Cell, tuple[float, float]]] = field(default_factory=dict)
    # asked for again and again, with the same panels
    _exposures: dict[bytes, dict[PlatenCell, float]] = field(default_factory=dict)

    @classmethod
    def of(cls, columns: Columns, factors: Factors, asked: Sequence[int] = ()) -> History:
        """The history in a log's columns; `asked` are row numbers of panels to keep in any case."""
        verdicts = columns.values["verdict"]
        told = [word in ("pass", "review", "remake") for word in verdicts]
        most = int(factors.learn.most_panels.value)
        latest = [index for index, good in enumerate(told) if good][-most:]
        wanted = set(asked)
        rows = columns.values["panel_row"]
        more = [index for index, row in enumerate(rows) if row in wanted]
        kept = sorted({*latest, *more})
        if len(kept) < len(rows):
            columns = Columns(
                {name: [cells[i] for i in kept] for name, cells in columns.values.items()},
                columns.findings,
            )
        chosen = set(latest)
        looked = np.array([index in chosen for index in kept], dtype=np.bool_)
        lies = [lie_of(columns.values, index) for index in range(len(kept))]
        return cls(columns, factors, looked, code_factors(columns, looked, factors), lies)

    def __len__(self) -> int:
        """How many panels, looked at or asked about."""
        return len(self.looked)

    @property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of defect seen, each once, in the order of their number."""
        counts: dict[str, int] = {}
        for index in np.flatnonzero(self.looked).tolist():
            for kind in self.kinds_on(index):
                counts[kind] = counts.get(kind, 0) + 1
        return tuple(sorted(counts, key=lambda kind: (-counts[kind], kind)))

    def kinds_on(self, index: int) -> tuple[str, ...]:
        """The kinds on one panel, each once."""
        row = self.columns.values["panel_row"][index]
        return tuple(dict.fromkeys(item.kind for item in self.columns.findings.get(row, ())))

    def showing(self, kind: str) -> Mask:
        """(N,) which panels showed a kind."""
        hit = np.zeros(len(self), dtype=np.bool_)
        for index, row in enumerate(self.columns.values["panel_row"]):
            items = self.columns.findings.get(row)
            if items and any(item.kind == kind for item in items):
                hit[index] = True
        return hit

    def index_of(self, panel_row: int) -> int:
        """Where a panel stands."""
        return self.columns.values["panel_row"].index(panel_row)

    def cells(self, index: int) -> dict[Cell, tuple[float, float]]:
        """The cells under one panel, see `covered`; none where its place is not known."""
        if index not in self._cells:
            lie = self.lies[index]
            cell_mm = self.factors.learn.cell_mm.value
            self._cells[index] = {} if lie is None else covered(lie, cell_mm)
        return self._cells[index]

    def cell_at(self, index: int, x_mm: float | None, y_mm: float | None) -> PlatenCell | None:
        """The platen cell under a point of a panel; None where that is not known.

        A point a little off the panel counts to the nearest cell under it.
        """
        lie = self.lies[index]
        if lie is None or x_mm is None or y_mm is None:
            return None
        x, y = lie.on_platen(x_mm, y_mm)
        left, back, right, front = lie.box_mm
        edge = 1e-6
        inside = min(max(x, left), right - edge), min(max(y, back), front - edge)
        cell = cell_of(*inside, self.factors.learn.cell_mm.value)
        return (self.columns.values["press"][index], *cell)

    def events(self, kind: str, among: Mask, by_place: bool) -> list[Event]:
        """The events of a kind: one for a panel, or, by place, one for each of its cells hit."""
        rows = self.columns.values["panel_row"]
        found: list[Event] = []
        for index in np.flatnonzero(among).tolist():
            items = self.columns.findings.get(rows[index], ())
            marks = [item for item in items if item.kind == kind]
            if not marks:
                continue
            hit: dict[PlatenCell | None, None] = {}
            for mark in marks:
                cell = self.cell_at(index, mark.x_mm, mark.y_mm) if by_place else None
                hit[cell] = None
            if len(hit) > 1:
                hit.pop(None, None)
            found += [Event(index, cell) for cell in hit]
        return found

    def place_exposure(self, among: Mask) -> dict[PlatenCell, float]:
        """How often each platen cell was covered, in whole cells."""
        known = among.tobytes()
        if known not in self._exposures:
            self._exposures[known] = self._place_exposure(among)
        return self._exposures[known]

    def _place_exposure(self, among: Mask) -> dict[PlatenCell, float]:
        sums: dict[PlatenCell, float] = {}
        presses = self.columns.values["press"]
        alike: dict[tuple[str, Lie], int] = {}
        first: dict[tuple[str, Lie], int] = {}
        for index in np.flatnonzero(among).tolist():
            lie = self.lies[index]
            if lie is not None:
                key = (presses[index], lie)
                alike[key] = alike.get(key, 0) + 1
                first.setdefault(key, index)
        for (press, lie), count in alike.items():
            for cell, (_, part) in self.cells(first[press, lie]).items():
                place = (press, *cell)
                sums[place] = sums.get(place, 0.0) + count * part
        return sums


def level_counts(coded: Coded, among: Mask, hit: Mask) -> tuple[Codes, Codes]:
    """For each level how many panels showed the kind, and how many there were."""
    known = among & (coded.codes >= 0)
    size = len(coded.labels)
    return (
        np.bincount(coded.codes[known & hit], minlength=size),
        np.bincount(coded.codes[known], minlength=size),
    )
