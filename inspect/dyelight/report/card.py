"""The head line of the marked-up picture, its line breaking, and the card for unplaced panels."""

from __future__ import annotations

import numpy as np
from PIL import Image, ImageDraw

from ..imaging import area
from ..judge import texts
from ..records import U8, Inspection
from .plates import text_font, text_width
from .strokes import verdict_shape
from .words import all_notes, file_name, panel_size, plain_ascii

LONG_SIDE_PX = 2400
# the middle grey of a viewing booth: bright enough to print, dull enough to leave the picture alone
CANVAS = (228, 228, 228)
INK = (22, 22, 22)
_CARD_PX = 1600


def limited(image: Image.Image) -> Image.Image:
    """The picture, shrunk to `LONG_SIDE_PX` where it is larger."""
    shrink = LONG_SIDE_PX / max(image.size)
    if shrink >= 1:
        return image
    size = (max(1, round(image.width * shrink)), max(1, round(image.height * shrink)))
    # averages, in a tenth of the time that Pillow takes for its finest filter
    return Image.fromarray(area(np.asarray(image), size))


def header(
    draw: ImageDraw.ImageDraw, inspection: Inspection, width: int, font_px: int, gap: int
) -> None:
    """The verdict as shape and word on the left, panel, artwork and size on the right."""
    big = round(font_px * 1.7)
    middle = gap + font_px * 1.3
    verdict_shape(draw, inspection.verdict.word, (gap + big * 0.8, middle), big * 0.72)
    word = plain_ascii(texts.verdict_title(inspection.verdict.word)).upper()
    x = gap + 2 * big
    draw.text((x, middle), word, font=text_font(big), fill=INK, anchor="lm")
    panel = inspection.panel
    facts = "   ".join(
        part for part in (panel.panel_id, file_name(panel.file), panel_size(panel)) if part
    )
    free = width - gap - (x + text_width(word, big) + 3 * gap)
    text = cut(plain_ascii(facts), font_px, free)
    draw.text((width - gap, middle), text, font=text_font(font_px), fill=INK, anchor="rm")


def cut(text: str, font_px: int, free_px: float) -> str:
    """One line of text, shortened with dots where it is wider than `free_px`."""
    if text_width(text, font_px) <= free_px:
        return text
    while text and text_width(text + "...", font_px) > free_px:
        text = text[:-1]
    return text + "..." if text else ""


def wrapped(text: str, font_px: int, free_px: int) -> list[str]:
    """Break one sentence into lines no wider than `free_px`."""
    lines: list[str] = []
    for word in text.split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(joined, font_px) <= free_px:
            lines[-1] = joined
        else:
            lines.append(word)
    return lines


def photo_alone(photo: U8 | None) -> Image.Image:
    """The photo (H, W, 3) uint8 as it was taken, at most 1,600 px; an empty strip without one."""
    if photo is None:
        return Image.new("RGB", (_CARD_PX, 8), CANVAS)
    image = Image.fromarray(photo)
    image.thumbnail((_CARD_PX, _CARD_PX), Image.Resampling.LANCZOS)
    return image


def unplaced_picture(inspection: Inspection, photo: U8 | None) -> Image.Image:
    """The photo (H, W, 3) uint8 as it was taken, under verdict and reasons."""
    font_px, gap = 24, 12
    head = round(font_px * 3.4)
    shown = photo_alone(photo)
    notes = [plain_ascii(text) for text in all_notes(inspection)[:6]]
    lines = [line for note in notes for line in wrapped(note, font_px, _CARD_PX - 4 * gap)]
    below = round(len(lines) * font_px * 1.5) + 2 * gap
    image = Image.new("RGB", (_CARD_PX, head + below + shown.height), CANVAS)
    draw = ImageDraw.Draw(image)
    header(draw, inspection, _CARD_PX, font_px, gap)
    for index, line in enumerate(lines):
        draw.text((gap * 2, head + index * font_px * 1.5), line, font=text_font(font_px), fill=INK)
    image.paste(shown, ((_CARD_PX - shown.width) // 2, head + below))
    return limited(image)
