"""The marked-up picture: the squared-up panel with each finding outlined, numbered and named.

Names stand on plates in the margins, joined to their outlines by leader lines, so that no label
hides the panel. Every stroke is drawn twice, light over dark, and reads on any picture; number,
name and stroke carry the meaning, colour carries none.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from PIL import Image, ImageDraw

from ..records import F64, U8, Finding, Inspection
from .card import (
    CANVAS,
    INK,
    LONG_SIDE_PX,
    cut,
    header,
    limited,
    photo_alone,
    unplaced_picture,
    wrapped,
)
from .plates import Plate, Wanted, split_sides, stack_heights, text_font
from .strokes import double_line, double_stroke, hatch_polygons, ring_around, scale_bar
from .tags import draw_tags, number_ranges, tag_boxes
from .words import finding_name, finding_number, length_unit, plain_ascii, short_facts

# with more findings than this, leader lines would cover the picture: numbers stand in it instead
MOST_PLATES = 14
_PICTURE_PX = 1800
_NUMBERED_PX = 1500
_MOST_ENLARGED = 3.0
_LEAST_SHARE = 0.5  # under which the whole is shrunk rather than the panel alone
_SEVERITY = {"critical": 0, "major": 1, "minor": 2}


@dataclass(frozen=True)
class _Layout:
    """Where the panel sits on the canvas. Pixels; `scale` is canvas px per mm of panel."""

    left: int
    top: int
    width: int
    height: int
    canvas_width: int
    canvas_height: int
    scale: float
    font_px: int

    @property
    def gap(self) -> int:
        return max(6, self.font_px // 2)

    def to_canvas(self, points_mm: F64) -> F64:
        points = np.asarray(points_mm, dtype=np.float64) * self.scale
        moved: F64 = points + np.array([self.left, self.top])
        return moved


def marked_picture(inspection: Inspection, photo: U8 | None = None) -> Image.Image:
    """Draw the marked-up picture, RGB, at most 2,400 px on its long side.

    Where the panel could not be placed, `photo` (H, W, 3) uint8 sRGB is shown as it was taken under
    the verdict; without it the verdict stands alone.
    """
    pictures = inspection.pictures
    if pictures is None:
        return unplaced_picture(inspection, photo)
    local = _by_weight(inspection)
    whole = [item for item in inspection.findings if item.extent == "panel"]
    known = inspection.panel.size_known
    size = _fitting(pictures.observed, _PICTURE_PX)
    font_px = int(np.clip(max(size) / 75, 15, 24))
    named = len(local) <= MOST_PLATES
    plates = [_plate(item, font_px, known) for item in local if named]
    notes = _notes(inspection, [] if named else local)
    scale = pictures.px_per_mm / pictures.observed.shape[1]
    lay = _layout(size, scale, plates, len(whole), notes, font_px)
    # margins and text keep their size, and the panel takes what they leave
    share = min(
        1 - (lay.canvas_width - LONG_SIDE_PX) / lay.width,
        1 - (lay.canvas_height - LONG_SIDE_PX) / lay.height,
    )
    if _LEAST_SHARE < share < 1:
        size = (int(size[0] * share), int(size[1] * share))
        lay = _layout(size, scale, plates, len(whole), notes, font_px)
    base = _fitted(pictures.observed, size)
    canvas = np.full((lay.canvas_height, lay.canvas_width, 3), CANVAS, np.uint8)
    rings = _panel_on(canvas, lay, base, inspection, local)
    placed = _stand(lay, plates, rings)
    # leaders lie under outlines: an outline says where, a leader only whose name it is
    for plate in placed:
        _leader(canvas, lay, plate, rings[plate.key])
    _outline(canvas, local, rings)
    image = Image.fromarray(canvas)
    draw = ImageDraw.Draw(image)
    for plate in placed:
        plate.draw(draw)
    if not named:
        _number(draw, lay, local, rings)
    header(draw, inspection, lay.canvas_width, font_px, lay.gap)
    _banners(draw, lay, whole, known)
    _footer(draw, lay, notes, known)
    return limited(image)


def numbered_picture(inspection: Inspection, photo: U8 | None = None) -> Image.Image:
    """The panel with outlines and numbers only, large enough to read on a phone.

    For pages that list the findings beside it; `photo` as in `marked_picture`.
    """
    pictures = inspection.pictures
    if pictures is None:
        return photo_alone(photo)
    local = _by_weight(inspection)
    width, height = size = _fitting(pictures.observed, _NUMBERED_PX)
    base = _fitted(pictures.observed, size)
    font_px = round(max(height, width) / 42)
    scale = pictures.px_per_mm * width / pictures.observed.shape[1]
    lay = _Layout(0, 0, width, height, width, height + 2 * font_px, scale, font_px)
    canvas = np.full((lay.canvas_height, width, 3), CANVAS, np.uint8)
    rings = _panel_on(canvas, lay, base, inspection, local)
    _outline(canvas, local, rings)
    image = Image.fromarray(canvas)
    draw = ImageDraw.Draw(image)
    _number(draw, lay, local, rings)
    at = (font_px // 2, height + font_px // 2)
    unit = length_unit(inspection.panel.size_known)
    scale_bar(draw, at, scale, width, round(font_px * 0.8), unit)
    return image


def _by_weight(inspection: Inspection) -> list[Finding]:
    """The local findings, gravest first."""
    local = [item for item in inspection.findings if item.extent == "local"]
    return sorted(local, key=lambda item: (_SEVERITY[item.severity], -item.delta_e00))


def _panel_on(
    canvas: U8, lay: _Layout, base: U8, inspection: Inspection, local: list[Finding]
) -> dict[str, F64]:
    """Put the panel with its hidden areas on the canvas; the outlines to draw, by finding id."""
    panel = canvas[lay.top : lay.top + lay.height, lay.left : lay.left + lay.width]
    panel[:] = base
    hidden = [np.asarray(ring) * lay.scale for ring in inspection.capture.hidden_mm]
    hatch_polygons(panel, hidden, lay.font_px)
    return {
        item.id: ring_around(lay.to_canvas(item.outline_mm), canvas.shape[:2]) for item in local
    }


def _outline(canvas: U8, local: list[Finding], rings: dict[str, F64]) -> None:
    for item in local:
        double_stroke(canvas, rings[item.id], 3 if item.severity == "critical" else 2)


def _number(
    draw: ImageDraw.ImageDraw, lay: _Layout, local: list[Finding], rings: dict[str, F64]
) -> None:
    numbers = {item.id: finding_number(item) for item in local}
    bounds = (lay.left, lay.top, lay.left + lay.width, lay.top + lay.height)
    draw_tags(draw, tag_boxes(rings, numbers, bounds, lay.font_px), numbers, lay.font_px)


def _fitting(observed: U8, long_side_px: int) -> tuple[int, int]:
    """Width and height to draw the panel at."""
    factor = min(long_side_px / max(observed.shape[:2]), _MOST_ENLARGED)
    return max(1, round(observed.shape[1] * factor)), max(1, round(observed.shape[0] * factor))


def _fitted(observed: U8, size: tuple[int, int]) -> U8:
    method = cv2.INTER_AREA if size[0] < observed.shape[1] else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(observed, size, interpolation=method), dtype=np.uint8)


def _plate(item: Finding, font_px: int, size_known: bool) -> Plate:
    return Plate(
        item.id,
        finding_number(item),
        plain_ascii(finding_name(item)),
        plain_ascii(short_facts(item, size_known)),
        font_px,
    )


def _layout(
    size: tuple[int, int],
    scale: float,
    plates: list[Plate],
    banners: int,
    notes: list[str],
    font_px: int,
) -> _Layout:
    """The layout for a panel drawn at `size` (width, height); `scale` is 1/mm of its width."""
    width, height = size
    gap = max(6, font_px // 2)
    margin = max((plate.width for plate in plates), default=0)
    side = margin + 4 * gap if margin else 2 * gap
    top = round(font_px * 3.4) + gap + banners * round(font_px * 2.4)
    lines = sum(len(wrapped(note, font_px, width)) for note in notes)
    return _Layout(
        left=side,
        top=top,
        width=width,
        height=height,
        canvas_width=width + 2 * side,
        canvas_height=top + height + round(font_px * (3 + 1.5 * lines)),
        scale=scale * width,
        font_px=font_px,
    )


def _stand(lay: _Layout, plates: list[Plate], rings: dict[str, F64]) -> list[Plate]:
    """The plates at their places in the margins, the most important nearest to their outlines."""
    wanted = [
        Wanted(plate, *(float(value) for value in rings[plate.key].mean(axis=0)))
        for plate in plates
    ]
    gap = max(4, lay.gap // 2)
    left, right = split_sides(wanted, lay.left + lay.width / 2, lay.height, gap)
    placed = []
    for side, on_left in ((left, True), (right, False)):
        for item, y in stack_heights(side, lay.top, lay.top + lay.height, gap):
            width = item.plate.width
            x = lay.left - 3 * lay.gap - width if on_left else lay.left + lay.width + 3 * lay.gap
            placed.append(replace(item.plate, x=x, y=y))
    return placed


def _notes(inspection: Inspection, tagged: list[Finding]) -> list[str]:
    """What stands under the picture, a sentence each."""
    notes = []
    kinds = list(dict.fromkeys(item.kind for item in tagged))
    for kind in kinds:
        items = [item for item in tagged if item.kind == kind]
        numbers = number_ranges([finding_number(item) for item in items])
        notes.append(plain_ascii(f"{finding_name(items[0])}: {numbers}"))
    if inspection.capture.hidden_mm:
        percent = 100 * inspection.capture.hidden_fraction
        notes.append(f"Hatched: not seen in this photo ({percent:.1f} % of the panel).")
    if not inspection.findings:
        notes.append("Nothing found.")
    return notes


def _leader(canvas: U8, lay: _Layout, plate: Plate, ring: F64) -> None:
    """From the plate's inner edge to the nearest point of the outline."""
    on_left = plate.x < lay.left
    start = np.array(
        [plate.x + plate.width if on_left else plate.x, plate.y + plate.height / 2], np.float64
    )
    edge = np.array([lay.left - lay.gap if on_left else lay.left + lay.width + lay.gap, start[1]])
    end = ring[np.argmin(np.hypot(*(ring - edge).T))]
    double_line(canvas, np.stack([start, edge, end]), 1)


def _banners(
    draw: ImageDraw.ImageDraw, lay: _Layout, whole: list[Finding], size_known: bool
) -> None:
    """One strip over the panel, as wide as the panel, for each finding of the whole panel."""
    line = round(lay.font_px * 2.4)
    y = lay.top - len(whole) * line
    for item in whole:
        right = lay.left + lay.width
        bottom = y + line - max(4, lay.gap // 2)
        cell = lay.left + round(lay.font_px * 2.2)
        middle = (y + bottom) / 2
        font = text_font(lay.font_px)
        draw.rectangle((lay.left, y, right, bottom), fill=(255, 255, 255), outline=INK, width=2)
        draw.rectangle((lay.left, y, cell, bottom), fill=INK)
        draw.text(
            ((lay.left + cell) / 2, middle),
            finding_number(item),
            font=font,
            fill=(255, 255, 255),
            anchor="mm",
        )
        words = f"{finding_name(item)}, whole panel: {short_facts(item, size_known)}"
        text = cut(plain_ascii(words), lay.font_px, right - cell - 2 * lay.gap)
        draw.text((cell + lay.gap, middle), text, font=font, fill=INK, anchor="lm")
        y += line


def _footer(draw: ImageDraw.ImageDraw, lay: _Layout, notes: list[str], size_known: bool) -> None:
    y = lay.top + lay.height + lay.gap * 2
    scale_bar(draw, (lay.left, y), lay.scale, lay.width, lay.font_px, length_unit(size_known))
    lines = [line for note in notes for line in wrapped(note, lay.font_px, lay.width)]
    for index, line in enumerate(lines):
        place = (lay.left, y + (index + 1) * lay.font_px * 1.5)
        draw.text(place, line, font=text_font(lay.font_px), fill=INK)
