"""Fibre or scratch: which of the two a line is, by its tone and by how straight it runs."""

from __future__ import annotations

from dataclasses import replace

from ..records import Finding, Kind
from .answer_file import ClaimFile


def told_apart(item: Finding, words: ClaimFile) -> Finding:
    """The finding, named by tone and course where it is a line of either kind.

    In the panel's report both are marks to look at, and width decides more than course. Here they
    are two answers. What cuts a surface lets the pale base through and runs nearly straight; lint
    curls, and leaves dark lines too. A short line is too short to curl, and stays as it was named.
    """
    limit = words.limit
    straight, long_mm = item.features.get("straightness"), item.features.get("length_mm", 0.0)
    if item.kind not in ("fibre", "scratch") or straight is None:
        return item
    kind: Kind = item.kind
    if item.tone == "dark":
        kind = "fibre" if long_mm <= limit.lint_mm.value else kind
    elif item.tone == "light" and long_mm >= limit.line_mm.value:
        kind = "scratch" if straight >= limit.straight_line.value else "fibre"
    if kind == item.kind:
        return item
    doubts = (f"or_{item.kind}", *(doubt for doubt in item.doubts if doubt != f"or_{kind}"))
    return replace(item, kind=kind, doubts=doubts)
