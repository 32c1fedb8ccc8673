"""Drawings of how to take a better photo, in plain lines, one for each [ask] in claim.toml."""

from __future__ import annotations

from .answer_file import Ask

# panel: a picture on a wall; phone: what it is taken with. Strokes come from the page's style
_PANEL = (
    '<g transform="translate({x} {y}) scale({s})"><rect class="panel" width="60" height="44"/>'
    '<path d="M4 38L20 18l12 13 9-9 15 16z"/><circle cx="44" cy="11" r="5"/></g>'
)
_PHONE = (
    '<g transform="translate({x} {y}) rotate({turn})">'
    '<rect class="phone" x="-9" y="-16" width="18" '
    'height="32" rx="3"/><circle cx="0" cy="-11" r="1.6"/></g>'
)
_SIGHT = '<path class="thin" d="{d}"/>'
_ARROW = '<path class="arrow" d="M{x0} {y0}H{x1}m-6 -5l6 5l-6 5"/>'


def _panel(x: float, y: float, s: float = 1.0) -> str:
    return _PANEL.format(x=x, y=y, s=s)


def _phone(x: float, y: float, turn: float = 0.0) -> str:
    return _PHONE.format(x=x, y=y, turn=turn)


def _sight(d: str) -> str:
    return _SIGHT.format(d=d)


_DRAWN: dict[Ask, str] = {
    "closer": (
        _panel(12, 10)
        + '<circle class="mark" cx="58" cy="40" r="7"/>'
        + _sight("M95 70L64 36M95 70L52 45")
        + _phone(104, 80, -40)
        + '<rect class="panel" x="106" y="10" width="44" height="34"/>'
        + '<circle class="mark" cx="128" cy="27" r="11"/>'
    ),
    "another_place": (
        _panel(50, 6)
        + _sight("M43 66L78 50M117 66L82 50")
        + _phone(36, 80, 25)
        + _phone(124, 80, -25)
        + _ARROW.format(x0=62, y0=84, x1=98)
    ),
    "whole_panel": (
        '<rect class="phone" x="22" y="6" width="116" height="92" rx="8"/>'
        '<rect class="thin" x="32" y="16" width="96" height="72"/>'
        + _panel(50, 30)
        + '<path class="arrow" d="M38 30V22h8M114 22h8v8M38 74v8h8M114 82h8v-8"/>'
    ),
    "hold_still": (
        _panel(12, 16, 0.9)
        + '<path class="thin" d="M92 90h62"/>'
        + '<rect class="panel" x="106" y="72" width="36" height="18"/>'
        + _phone(124, 55)
        + _sight("M114 52L68 38")
        + '<path class="arrow" d="M34 36h10M39 31v10"/>'
    ),
    "more_light": (
        _panel(78, 34)
        + '<rect class="panel" x="10" y="14" width="30" height="52"/>'
        + '<path class="thin" d="M25 14v52M10 40h30"/>'
        + '<path class="arrow" d="M46 30l24 10m-8 1l8 -1l-5 -6M46 54l24 4"/>'
        + '<path class="cross" d="M120 8l16 16M136 8l-16 16"/>'
        + '<path class="thin" d="M130 4l-7 12h8l-5 11"/>'
    ),
    "original": (
        _phone(28, 54)
        + _ARROW.format(x0=46, y0=54, x1=86)
        + '<path class="panel" d="M98 30h30l12 12v36H98z"/>'
        + _panel(101, 48, 0.58)
        + '<path class="thin" d="M128 30v12h12"/>'
    ),
    "wipe": (
        _panel(36, 18, 1.4)
        + '<path class="phone" d="M86 58q12 -14 24 -2t22 -4l6 24q-14 8 -26 0t-24 6z"/>'
        + '<path class="arrow" d="M58 70q10 12 24 8"/>'
    ),
    "white": (
        _panel(16, 26)
        + '<rect class="white" x="84" y="22" width="40" height="54"/>'
        + _phone(142, 84, -30)
        + _sight("M134 76L112 60M134 76L70 60")
    ),
    "ruler": (
        _panel(40, 10, 1.3)
        + '<rect class="panel" x="36" y="74" width="90" height="14"/>'
        + '<path class="thin" d="M44 74v6M54 74v9M64 74v6M74 74v9M84 74v6M94 74v9"/>'
        + '<path class="thin" d="M104 74v6M114 74v9"/>'
    ),
}


def drawing(ask: Ask) -> str:
    """An SVG element for a request; it needs no text, as its title stands beside it."""
    return f'<svg class="drawing" viewBox="0 0 160 104" aria-hidden="true">{_DRAWN[ask]}</svg>'
