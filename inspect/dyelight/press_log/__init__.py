"""The shop's log of pressings and results."""

from .database import Database
from .entries import (
    FabricEntry,
    PanelEntry,
    PressingEntry,
    ProbeEntry,
    ProbePoint,
    RulingEntry,
    WindowEntry,
    checked,
)
from .log import PressLog
from .rows import Columns, Filter, LoggedFinding, PanelRow

__all__ = [
    "Columns",
    "Database",
    "FabricEntry",
    "Filter",
    "LoggedFinding",
    "PanelEntry",
    "PanelRow",
    "PressLog",
    "PressingEntry",
    "ProbeEntry",
    "ProbePoint",
    "RulingEntry",
    "WindowEntry",
    "checked",
]
