"""A place on the panel frame, held as a mask in a window just around it.

Work on a spot then costs as much as the spot, not as much as the panel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..records import Mask

Window = tuple[slice, slice]


@dataclass(frozen=True, eq=False)
class Place:
    """A mask (h, w) bool whose first pixel is (x0, y0) px of the panel frame."""

    mask: Mask
    x0: int
    y0: int

    @classmethod
    def of(cls, mask: Mask, x0: int = 0, y0: int = 0) -> Place:
        """The place of a mask (H, W) with at least one pixel, its window drawn tight."""
        rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
        tight = mask[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        return cls(np.ascontiguousarray(tight), x0 + int(columns[0]), y0 + int(rows[0]))

    @property
    def window(self) -> Window:
        """Rows and columns of the panel frame under the mask."""
        height, width = self.mask.shape
        return slice(self.y0, self.y0 + height), slice(self.x0, self.x0 + width)

    @property
    def box(self) -> tuple[int, int, int, int]:
        """x0, y0, x1, y1 in px, the last two outside."""
        height, width = self.mask.shape
        return self.x0, self.y0, self.x0 + width, self.y0 + height

    @cached_property
    def count(self) -> int:
        """Pixels of the mask."""
        return int(self.mask.sum())

    @property
    def diameter_px(self) -> float:
        """Diameter of the circle of the same area."""
        return 2 * float(np.sqrt(self.count / np.pi))

    def grown(self, reach: int, shape: tuple[int, int]) -> Place:
        """The same mask in a window `reach` px wider on each side, within a frame of `shape`."""
        x0, y0 = max(self.x0 - reach, 0), max(self.y0 - reach, 0)
        _, _, x1, y1 = self.box
        return Place(
            self.within((x0, y0, min(x1 + reach, shape[1]), min(y1 + reach, shape[0]))), x0, y0
        )

    def window_in(self, wider: Place) -> Window:
        """Rows and columns of a wider place's mask under this one's."""
        height, width = self.mask.shape
        x, y = self.x0 - wider.x0, self.y0 - wider.y0
        return slice(y, y + height), slice(x, x + width)

    def within(self, box: tuple[int, int, int, int]) -> Mask:
        """What of the mask lies in a box x0, y0, x1, y1 px, (y1 - y0, x1 - x0) bool."""
        x0, y0, x1, y1 = box
        out = np.zeros((y1 - y0, x1 - x0), bool)
        a, b, c, d = self.box
        left, top, right, bottom = max(a, x0), max(b, y0), min(c, x1), min(d, y1)
        if left < right and top < bottom:
            out[top - y0 : bottom - y0, left - x0 : right - x0] = self.mask[
                top - b : bottom - b, left - a : right - a
            ]
        return out

    def shared(self, other: Place) -> int:
        """Pixels that lie in both."""
        return int(np.count_nonzero(self.within(other.box) & other.mask))


def joined(places: Sequence[Place]) -> Place:
    """All of the places as one."""
    boxes = np.array([place.box for place in places])
    x0, y0 = (int(v) for v in boxes[:, :2].min(axis=0))
    x1, y1 = (int(v) for v in boxes[:, 2:].max(axis=0))
    masks = [place.within((x0, y0, x1, y1)) for place in places]
    return Place(np.logical_or.reduce(masks), x0, y0)
