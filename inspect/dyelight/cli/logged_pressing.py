"""A check's way into the press log: its pressing, the evidence there, the result written back."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..records import Inspection
from ..settings import Settings
from .console import warn

if TYPE_CHECKING:
    from ..causes import CauseMap
    from ..causes.evidence import Evidence
    from .log_work import OpenLog


@dataclass(slots=True)
class LoggedPressing:
    """A panel's pressing in an open log."""

    opened: OpenLog
    code: str
    panel: str
    row: int | None = None

    def panel_row(self) -> int:
        """The panel's row; a panel that the pressing does not hold yet is added to it."""
        if self.row is None:
            self.row = self.opened.log.panel_of(self.code, self.panel)
        return self.row

    def evidence(self, cause_map: CauseMap) -> Evidence:
        """What the log says of this panel."""
        from ..causes.evidence import Evidence
        from ..causes.factor_file import load_factors
        from ..causes.history import History

        row = self.panel_row()
        history = History.of(self.opened.log.columns(), load_factors(None, cause_map), (row,))
        return Evidence(history, cause_map, row)

    def write(self, inspection: Inspection) -> None:
        """Write the result beside the pressing; warn where it left its maker's window."""
        from ..report.result_json import result_text
        from .log_work import warn_outside

        text = result_text(inspection)
        self.opened.log.add_inspection(self.panel_row(), inspection, result_json=text)
        warn_outside(self.opened, self.code)
        if inspection.verdict.word == "retake":
            warn("the log keeps this photo as one that carried no verdict.")


@contextmanager
def logged_pressing(
    settings: Settings, pressing: str | None, panel: str
) -> Iterator[LoggedPressing | None]:
    """The panel's pressing in the log, None where none was named.

    Raises SettingsError where the log holds no such pressing, before any photo is read.
    """
    if pressing is None:
        yield None
        return
    from ..press_log import PressLog
    from .log_work import OpenLog, log_place, units_of_settings

    with PressLog(log_place(settings), create=False) as log:
        log.panels_of(pressing)
        yield LoggedPressing(OpenLog(log, settings, units_of_settings(settings)), pressing, panel)
