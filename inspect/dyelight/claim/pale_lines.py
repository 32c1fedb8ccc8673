"""Fibre or scratch: which of the two a pale line is, by how straight it runs."""

from __future__ import annotations

from dataclasses import replace

from ..records import Finding, Kind
from .answer_file import ClaimFile


def told_apart(item: Finding, words: ClaimFile) -> Finding:
    """The finding, named by how straight it runs where it is a pale line of either kind.

    In the panel's report both are marks to look at, and width decides more than course. Here they
    are two answers: lint curls, and what cuts a surface runs nearly straight. A short line is too
    short to curl, and stays as it was named.
    """
    limit = words.limit
    if item.kind not in ("fibre", "scratch") or item.tone != "light":
        return item
    straight, long_mm = item.features.get("straightness"), item.features.get("length_mm", 0.0)
    if straight is None or long_mm < limit.line_mm.value:
        return item
    kind: Kind = "scratch" if straight >= limit.straight_line.value else "fibre"
    if kind == item.kind:
        return item
    doubts = (f"or_{item.kind}", *(doubt for doubt in item.doubts if doubt != f"or_{kind}"))
    return replace(item, kind=kind, doubts=doubts)
