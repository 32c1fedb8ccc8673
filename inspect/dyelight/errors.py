"""The error tree.

DyelightError                    exit  what it says
├── SettingsError                  2   a flag, size or setting cannot be used
│   └── RulesError                 2   a rules file cannot be read or holds an unknown key
├── UnreadableInput                3   a photo or artwork cannot be opened or decoded
├── OutputError                    5   a result cannot be written
└── StageFault                    70   a fault of ours inside a stage

A photo that cannot carry a verdict is a result (`retake`), not an error.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar


class DyelightError(Exception):
    """Anything that dyelight tells its user about.

    `trouble` is one plain sentence, `file` the file it is about (None where there is none), `place`
    the row, key or stage inside it, and `remedy` the next thing to do.
    """

    exit_code: ClassVar[int] = 70

    def __init__(
        self,
        trouble: str,
        *,
        file: str | Path | None = None,
        place: str | None = None,
        remedy: str | None = None,
    ) -> None:
        self.trouble = trouble
        self.file = None if file is None else str(file)
        self.place = place
        self.remedy = remedy
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """File, place, trouble and remedy in one line of plain text."""
        where = ": ".join(part for part in (self.file, self.place) if part)
        text = f"{where}: {self.trouble}" if where else self.trouble
        return f"{text} {self.remedy}" if self.remedy else text


class SettingsError(DyelightError):
    """A flag, size or setting that cannot be used."""

    exit_code = 2


class RulesError(SettingsError):
    """A rules file that cannot be read, or holds a key that nothing here understands."""


class UnreadableInput(DyelightError):
    """A photo or artwork that cannot be opened or decoded."""

    exit_code = 3


class OutputError(DyelightError):
    """A result that cannot be written."""

    exit_code = 5


class StageFault(DyelightError):
    """A fault of dyelight's own, with the name of the stage it happened in."""

    exit_code = 70
