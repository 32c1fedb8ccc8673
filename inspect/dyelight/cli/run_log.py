"""What a run takes from the press log and keeps in it: pressing facts, and the buyer's lots."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import SettingsError
from ..runs.entries import PRESSING_FACTS, Entry
from ..runs.manifest import ManifestError, RowTrouble
from ..runs.sampling import Severity
from ..runs.switching import (
    STATE_KEY,
    Lot,
    Outcome,
    Standing,
    lots_from,
    lots_to_keep,
    standing,
    with_lot,
)
from .console import warn

if TYPE_CHECKING:
    from ..press_log import PressLog


@contextmanager
def open_log(where: str | None, *, create: bool, asked_for: bool) -> Iterator[PressLog | None]:
    """The press log, None where none was named.

    `create` begins one where there is none. A log that only the settings name (`asked_for` False)
    and that was not begun yet is none; one that was asked for and is not there is UnreadableInput.
    """
    if where is None:
        yield None
        return
    from ..press_log import PressLog
    from ..press_log.database import log_file

    file = log_file(where)
    if file is not None and not file.exists():
        if create:
            warn(f"a new press log is begun at {file}.")
        elif not asked_for:
            yield None
            return
    with PressLog(where, create=create) as log:
        yield log


def with_log_facts(
    entries: Sequence[Entry], log: PressLog | None, source: Path
) -> tuple[Entry, ...]:
    """The entries with what the log knows about their pressings; what they say themselves stands.

    A panel is found by its pressing and its own code; where the pressing holds one panel that has
    no code, it is that one. ManifestError, with every such row of `source`, where pressings are not
    in the log.
    """
    if log is None:
        return tuple(entries)
    from ..press_log import Filter

    troubles: list[RowTrouble] = []
    rows: dict[str, list[Any]] = {}
    filled = []
    for entry in entries:
        pressing = entry.fact("pressing")
        if pressing is None:
            filled.append(entry)
            continue
        if pressing not in rows:
            rows[pressing] = log.rows(Filter(pressing=pressing))
        if not rows[pressing]:
            text = f"the press log has no pressing {pressing!r}."
            troubles.append(RowTrouble(entry.line, "pressing", text))
            continue
        found = [row for row in rows[pressing] if row.panel == entry.panel_id]
        if not found and len(rows[pressing]) == 1 and not rows[pressing][0].panel:
            found = rows[pressing]
        filled.append(replace(entry, facts=_merged(entry, found[0])) if found else entry)
    if troubles:
        raise ManifestError(source, troubles)
    return tuple(filled)


def _merged(entry: Entry, row: Any) -> tuple[tuple[str, str], ...]:
    own = dict(entry.facts)
    for name in PRESSING_FACTS:
        value = getattr(row, name, None)
        if name in own or value in (None, ""):
            continue
        if name == "face_up":
            own[name] = "yes" if value else "no"
        elif name == "at":
            own[name] = value.isoformat()
        else:
            own[name] = f"{value:g}" if isinstance(value, float) else str(value)
    return tuple((name, own[name]) for name in PRESSING_FACTS if name in own)


class LotLog:
    """The lots of one buyer, kept in the press log."""

    def __init__(self, log: PressLog | None, buyer: str) -> None:
        self._log, self._scope = log, f"buyer:{buyer}"
        self._buyer = buyer

    def standing(self, *, reduced_wanted: bool) -> Standing:
        """The inspection that the buyer's next lot gets; SettingsError without log or buyer."""
        if self._log is None or not self._buyer:
            raise SettingsError(
                "automatic sampling needs the buyer's lots so far.",
                remedy="Give --log and --buyer, or choose --sampling normal.",
            )
        lots = lots_from(self._log.state(self._scope, STATE_KEY))
        return standing(lots, reduced_wanted=reduced_wanted)

    def keep(self, run: str, severity: Severity, outcome: Outcome) -> None:
        """Keep what came of a lot; nothing without log or buyer. A run is counted once."""
        if self._log is None or not self._buyer:
            return

        def add(value: Any) -> Any:
            return lots_to_keep(with_lot(lots_from(value), Lot(run, severity, outcome)))

        self._log.update_state(self._scope, STATE_KEY, add)
