"""Label plates for the marked-up picture: their size, their place in the margins, their drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from PIL import ImageDraw, ImageFont

_INK = (22, 22, 22)
_PAPER = (255, 255, 255)
_SOFT = (70, 70, 70)
Font = ImageFont.FreeTypeFont | ImageFont.ImageFont


@lru_cache(maxsize=32)
def text_font(size_px: int) -> Font:
    """Pillow's own scalable font, so that no font has to be installed."""
    return ImageFont.load_default(size_px)


def text_width(text: str, size_px: int) -> int:
    """Width in pixels of one line of text."""
    return int(-(-text_font(size_px).getlength(text) // 1))


@dataclass(frozen=True)
class Plate:
    """One label: a number on dark, a name on light, a line of facts below. Pixels on the canvas."""

    key: str
    number: str
    title: str
    facts: str
    font_px: int
    x: int = 0
    y: int = 0

    @property
    def pad(self) -> int:
        """Free space around the text."""
        return max(4, self.font_px // 3)

    @property
    def _facts_px(self) -> int:
        return max(12, round(self.font_px * 0.78))

    @property
    def _number_width(self) -> int:
        return max(text_width(self.number, self.font_px) + 2 * self.pad, round(self.font_px * 1.7))

    @property
    def width(self) -> int:
        """Width of the whole plate."""
        words = max(text_width(self.title, self.font_px), text_width(self.facts, self._facts_px))
        return self._number_width + words + 2 * self.pad

    @property
    def height(self) -> int:
        """Height of the whole plate: one line, or two where there are facts."""
        facts = round(self._facts_px * 1.2) if self.facts else 0
        return round(self.font_px * 1.15) + facts + 2 * self.pad

    def draw(self, draw: ImageDraw.ImageDraw) -> None:
        """Draw the plate at its place."""
        right, bottom = self.x + self.width, self.y + self.height
        cell = self.x + self._number_width
        draw.rectangle((self.x, self.y, right, bottom), fill=_PAPER, outline=_INK, width=2)
        draw.rectangle((self.x, self.y, cell, bottom), fill=_INK)
        middle = (self.y + bottom) / 2
        draw.text(
            ((self.x + cell) / 2, middle),
            self.number,
            font=text_font(self.font_px),
            fill=_PAPER,
            anchor="mm",
        )
        left = cell + self.pad
        draw.text((left, self.y + self.pad), self.title, font=text_font(self.font_px), fill=_INK)
        if self.facts:
            draw.text(
                (left, bottom - self.pad),
                self.facts,
                font=text_font(self._facts_px),
                fill=_SOFT,
                anchor="ls",
            )


@dataclass(frozen=True)
class Wanted:
    """A plate, and the point on the canvas that it should stand level with."""

    plate: Plate
    x: float
    y: float


def split_sides(
    wanted: Sequence[Wanted], middle_x: float, room_px: int, gap_px: int
) -> tuple[list[Wanted], list[Wanted]]:
    """Share plates between the left and the right margin.

    `wanted` comes most important first; each goes to its nearer side while that has room, else to
    the side with more room left.
    """
    sides: dict[Literal["left", "right"], list[Wanted]] = {"left": [], "right": []}
    used = {"left": 0, "right": 0}
    for item in wanted:
        need = item.plate.height + gap_px
        side: Literal["left", "right"] = "left" if item.x < middle_x else "right"
        if used[side] + need > room_px + gap_px:
            side = "left" if used["left"] < used["right"] else "right"
        sides[side].append(item)
        used[side] += need
    return sides["left"], sides["right"]


def stack_heights(
    wanted: Sequence[Wanted], top: int, bottom: int, gap_px: int
) -> list[tuple[Wanted, int]]:
    """Give each plate a top edge in px: level with its point, over no other, within the margin.

    Plates keep the order of their points down the picture, so that leader lines seldom cross.
    """
    ordered = sorted(wanted, key=lambda item: (item.y, item.x))
    tops: list[int] = []
    free = top
    for item in ordered:
        level = max(free, round(item.y - item.plate.height / 2))
        tops.append(level)
        free = level + item.plate.height + gap_px
    floor = bottom
    for index in range(len(ordered) - 1, -1, -1):
        height = ordered[index].plate.height
        tops[index] = min(tops[index], floor - height)
        floor = tops[index] - gap_px
    return list(zip(ordered, tops, strict=True))
