"""The numbers that a cause's weight is made of."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Part:
    """One number that a weight is made of: what it multiplies by, why, and where it comes from.

    `told` False keeps its reason out of the sentences; `--explain` shows it all the same.
    """

    name: str
    times: float
    because: str
    origin: str
    told: bool = True
