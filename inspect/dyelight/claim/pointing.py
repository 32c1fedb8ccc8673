"""What the customer points to: a point or a box in a photo, and bars around the photo cut away."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..errors import SettingsError
from ..records import F64, U8, Mask, Note, Photo, Pixels

_SLACK = 0.008  # share of the photo's long side that a finger or a mouse is off by
_LEAST_SLACK_PX = 4.0
_ALIKE = 1  # code values between pixels of one bar; no camera leaves so little over a whole row
_NEARLY, _RAGGED_PX = 30, 16  # compression blurs a bar's end over one or two of its blocks
_BAR_SHARE = 0.8  # share of a row that a bar's colour fills; signs and text take the rest
_LEAST_BAR = 0.02  # of the photo's side; a thinner bar harms nothing
_MOST_BARS = 0.8


@dataclass(frozen=True, slots=True)
class Pointed:
    """A place in a photo: a box (x0, y0, x1, y1) in px, and how far off it may be, in px.

    A point is a box without a size.
    """

    box_px: tuple[float, float, float, float]
    slack_px: float

    @property
    def is_point(self) -> bool:
        """Whether a point was named, not a box."""
        return self.box_px[0] == self.box_px[2] and self.box_px[1] == self.box_px[3]

    @property
    def center_px(self) -> tuple[float, float]:
        """The middle of the place."""
        x0, y0, x1, y1 = self.box_px
        return (x0 + x1) / 2, (y0 + y1) / 2

    def moved(self, dx_px: float, dy_px: float) -> Pointed:
        """The same place counted from another first pixel."""
        x0, y0, x1, y1 = self.box_px
        return replace(self, box_px=(x0 + dx_px, y0 + dy_px, x1 + dx_px, y1 + dy_px))

    def outline_px(self, grow_px: float | None = None) -> F64:
        """The place as a polygon (N, 2), grown by `grow_px`, or by its slack."""
        grow = self.slack_px if grow_px is None else grow_px
        x0, y0, x1, y1 = self.box_px
        if self.is_point:
            turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
            return np.stack([x0 + grow * np.cos(turn), y0 + grow * np.sin(turn)], axis=1)
        low, high = (x0 - grow, y0 - grow), (x1 + grow, y1 + grow)
        return np.array([low, (high[0], low[1]), high, (low[0], high[1])], np.float64)


def pointed_place(at: str | None, box: str | None, photo: Photo) -> Pointed | None:
    """The place that `X,Y` or `X0,Y0,X1,Y1` names, in px of the upright photo; None for neither.

    Raises SettingsError where both are given, where a text is no place, or where the place lies
    outside the photo.
    """
    if at is not None and box is not None:
        raise SettingsError(
            "--at and --box both name a place.", remedy="Give one of them: a point or a box."
        )
    if at is None and box is None:
        return None
    width, height = photo.width_px, photo.height_px
    if at is not None:
        x, y = _numbers(at, 2, "--at", "two numbers, such as 812,640")
        corners = (x, y, x, y)
    else:
        a = _numbers(str(box), 4, "--box", "four numbers, such as 780,600,860,690")
        corners = (min(a[0], a[2]), min(a[1], a[3]), max(a[0], a[2]), max(a[1], a[3]))
        if corners[0] == corners[2] or corners[1] == corners[3]:
            raise SettingsError(
                "the box has no size.", place="--box", remedy="Give two opposite corners, or --at."
            )
    x0, y0, x1, y1 = corners
    if x0 < 0 or y0 < 0 or x1 > width - 1 or y1 > height - 1:
        raise SettingsError(
            f"the place lies outside the photo, which is {width} x {height} px.",
            file=photo.file,
            place="--at" if at is not None else "--box",
            remedy="Count from the upright photo's top left pixel, which is 0,0.",
        )
    slack = max(_SLACK * max(width, height), _LEAST_SLACK_PX)
    # a box is drawn around what is meant, so that it needs to give way less
    return Pointed(corners, slack if at is not None else slack / 2)


def _numbers(text: str, count: int, flag: str, shape: str) -> list[float]:
    parts = text.replace(" ", "").split(",")
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        numbers = []
    if len(numbers) != count or not all(map(math.isfinite, numbers)):
        shown = text if len(text) <= 40 else text[:37] + "..."
        raise SettingsError(
            f"{shown!r} is no place.", place=flag, remedy=f"Give {shape}, in photo pixels."
        )
    return numbers


def filled(points_px: F64, shape: tuple[int, ...]) -> Mask:
    """A polygon (N, 2) in px as a mask (H, W) of `shape`."""
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(points_px).astype(np.int32)], 1)
    return np.asarray(mask > 0)


def without_bars(photo: Photo) -> tuple[Photo, tuple[int, int]]:
    """A photo without the even bars that a screenshot leaves around it; its first pixel (x, y).

    A bar is rows or columns at a border of which most pixels have one and the same colour, as no
    camera makes them. Returns the photo itself where it has none.
    """
    full: Pixels = photo.pixels
    pixels: U8 = np.asarray(full if full.dtype == np.uint8 else full >> 8, np.uint8)
    top, bottom = _bars(pixels)
    inner = pixels[top : pixels.shape[0] - bottom]
    left, right = _bars(inner.swapaxes(0, 1))
    height, width = pixels.shape[:2]
    if top + bottom > _MOST_BARS * height or left + right > _MOST_BARS * width:
        return photo, (0, 0)
    if not (top or bottom or left or right):
        return photo, (0, 0)
    cut: Pixels = full[top : height - bottom, left : width - right].copy()
    note = Note(
        "bars_cut",
        f"Bars around the photo were cut away ({left}, {top}, {right}, {bottom} px from left, top, "
        "right and bottom): it looks like a screenshot.",
    )
    return replace(photo, pixels=cut, notes=(*photo.notes, note)), (left, top)


def _bars(pixels: U8) -> tuple[int, int]:
    """Rows of a bar at the top and at the bottom of pixels (H, W, 3)."""
    height = pixels.shape[0]
    found = []
    for rows in (pixels, pixels[::-1]):
        colour = np.median(rows[0], axis=0)
        even = _alike(rows, colour, _ALIKE)
        end = height if even.all() else int(np.argmin(even))
        if not _LEAST_BAR * height <= end < height:
            found.append(0)
            continue
        ragged = _alike(rows[end : end + _RAGGED_PX], colour, _NEARLY)
        found.append(end + (ragged.size if ragged.all() else int(np.argmin(ragged))))
    return found[0], found[1]


def _alike(rows: U8, colour: F64, within: int) -> Mask:
    """Which rows (H,) of pixels (H, W, 3) are of one colour for the most part."""
    step = rows[:, :: max(1, rows.shape[1] // 400)].astype(np.int16)
    near = np.abs(step - colour.astype(np.int16)).max(axis=2) <= within
    return np.asarray(near.mean(axis=1) >= _BAR_SHARE)
