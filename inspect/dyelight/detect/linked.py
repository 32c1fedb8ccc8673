"""Things that hang together, directly or by way of others."""

from __future__ import annotations

from collections.abc import Callable


def linked(count: int, together: Callable[[int, int], bool]) -> list[list[int]]:
    """Indices 0..count - 1 in groups of those that `together` links, in order of the first."""
    owner = list(range(count))

    def root(i: int) -> int:
        while owner[i] != i:
            i = owner[i]
        return i

    for i in range(count):
        for j in range(i):
            if root(i) != root(j) and together(i, j):
                owner[root(i)] = root(j)
    groups: dict[int, list[int]] = {}
    for i in range(count):
        groups.setdefault(root(i), []).append(i)
    return list(groups.values())
