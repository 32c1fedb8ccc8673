"""Measured values in words: sizes, places, shifts, certainty; the same in every report."""

from __future__ import annotations

import math
import unicodedata
from typing import get_args

from ..judge import texts
from ..records import ArtworkFacts, Finding, Inspection, Kind, Reading, VerdictReading

_SIMPLER = str.maketrans(
    {
        "\N{MULTIPLICATION SIGN}": "x",
        "\N{GREEK CAPITAL LETTER DELTA}": "d",
        "\N{EN DASH}": "-",
        "\N{EM DASH}": "-",
        "\N{RIGHT SINGLE QUOTATION MARK}": "'",
    }
)
_RULE_NAMES = {
    "delta_e00": "ΔE00",
    "peak_de00": "peak ΔE00",
    "delta_l": "L* difference",
    "delta_c": "C* difference",
    "snr": "signal over noise",
    "eq_diameter_mm": "diameter",
    "lbp_distance": "texture distance",
}
_LIKELY = (
    (0.95, "almost certain"),
    (0.8, "very likely"),
    (0.6, "likely"),
    (0.4, "as likely as not"),
    (0.0, "a guess"),
)


def plain_ascii(text: str) -> str:
    """Text in the letters that Pillow's own font has; what cannot be told in them becomes '?'."""
    parts = unicodedata.normalize("NFKD", text.translate(_SIMPLER))
    kept = "".join(letter for letter in parts if not unicodedata.combining(letter))
    return kept.encode("ascii", "replace").decode("ascii")


def finding_name(item: Finding) -> str:
    """The name of a finding's kind."""
    return texts.kind_title(item.kind)


def length_unit(size_known: bool) -> str:
    """The unit of lengths: mm, or per cent of the panel's width where no size was given."""
    return "mm" if size_known else "% of width"


def length(value: float, size_known: bool = True) -> str:
    """A length with the places that its size deserves: 0.24 mm, 3.1 mm, 42 mm."""
    places = 2 if abs(value) < 1 else 1 if abs(value) < 20 else 0
    return f"{value:.{places}f} {length_unit(size_known)}"


def size_of(item: Finding, size_known: bool = True) -> str:
    """Size on the panel: length of lines, width of a bare edge, else the equivalent diameter."""
    if item.extent == "panel":
        return "whole panel"
    box_side = math.hypot(item.box_mm[2] - item.box_mm[0], item.box_mm[3] - item.box_mm[1])
    long_side = item.features.get("length_mm", box_side)
    if item.kind in ("fibre", "scratch", "crease_line", "streaks"):
        return f"{length(long_side, size_known)} long"
    if item.kind == "bare_edge":
        wide = item.features.get("width_mm", item.area_mm2 / max(long_side, 1e-6))
        return f"{length(wide, size_known)} wide"
    return f"{length(item.eq_diameter_mm, size_known)} across"


def place_of(item: Finding, size_known: bool = True) -> str:
    """Where the middle of a finding lies, from the panel's left and top edge."""
    if item.extent == "panel":
        return "whole panel"
    x, y = item.center_mm
    return f"{x:.0f} from left, {y:.0f} from top ({length_unit(size_known)})"


def shift_of(item: Finding, size_known: bool = True) -> str | None:
    """Distance and direction of a second image, or None where there is none."""
    if item.vector_mm is None:
        return None
    dx, dy = item.vector_mm
    parts = []
    if abs(dx) >= 0.05:
        parts.append(f"{length(abs(dx), size_known)} {'right' if dx > 0 else 'left'}")
    if abs(dy) >= 0.05:
        parts.append(f"{length(abs(dy), size_known)} {'down' if dy > 0 else 'up'}")
    return " and ".join(parts) if parts else f"under {length(0.05, size_known)}"


def sure(confidence: float) -> str:
    """A confidence (0..1) in words and per cent."""
    word = next(name for floor, name in _LIKELY if confidence >= floor)
    return f"{word} ({sure_percent(confidence)})"


def sure_percent(confidence: float) -> str:
    """A confidence (0..1) in per cent; nothing measured is ever wholly certain."""
    return "over 99 %" if confidence > 0.99 else f"{100 * confidence:.0f} %"


def short_facts(item: Finding, size_known: bool = True) -> str:
    """Class, size or shift, and colour difference in one short line."""
    shift = shift_of(item, size_known)
    middle = f"shifted {shift}" if shift else size_of(item, size_known)
    return f"{item.severity}, {middle}, ΔE {item.delta_e00:.1f}"


def file_name(path: str) -> str:
    """A name without its folders, which say where a file lies and are nobody else's business."""
    return path.replace("\\", "/").rsplit("/", 1)[-1]


def panel_size(panel: ArtworkFacts) -> str:
    """The panel's size as a person writes it."""
    if not panel.size_known:
        return "size not given"
    return f"{panel.width_mm:g} x {panel.height_mm:g} mm"


def value_unit(value: float, unit: str) -> str:
    """A measured value with its unit, three figures; the unit "1" stands for a bare number."""
    shown = f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
    return shown if unit in ("1", "") else f"{shown} {unit}"


def rule_name(rule: str) -> str:
    """A rule's name as words: 'vapour_spot.edge_blur_ratio.min' reads 'edge blur ratio'."""
    parts = [part for part in rule.split(".") if part not in ("min", "max")]
    if len(parts) > 1 and parts[0] in get_args(Kind):
        parts = parts[1:]
    return ", ".join(_RULE_NAMES.get(part, _plain_name(part)) for part in parts)


def _plain_name(part: str) -> str:
    return part.removesuffix("_mm2").removesuffix("_mm").replace("_", " ")


def limit_text(reading: Reading) -> str:
    """A reading's limit, with which side of it was asked for: 'at least 2.5'."""
    side = {"min": "at least ", "max": "at most "}.get(reading.rule.rpartition(".")[2], "")
    return side + value_unit(reading.limit, reading.unit)


def reading_short(reading: Reading) -> str:
    """A reading in a few words: 'edge blur ratio 6.1, at least 2.5'."""
    name = rule_name(reading.rule)
    limit = limit_text(reading).removesuffix(f" {name}")
    return f"{name} {value_unit(reading.value, '1')}, {limit}"


def finding_number(item: Finding) -> str:
    """A finding's id without its leading letter: what stands on labels."""
    return item.id.lstrip("fF") or item.id


def verdict_sentence(inspection: Inspection, reasons: bool = True) -> str:
    """What the verdict asks for; with `reasons`, its first reason and how many more there are."""
    word = inspection.verdict.word
    meaning = texts.verdict_meaning(word)
    if word == "retake":
        return f"{meaning} {retake_reason(inspection)}".strip()
    if word == "pass":
        count = len(inspection.findings)
        seen = {0: "", 1: " One finding lies within the limits."}
        return meaning + seen.get(count, f" {count} findings lie within the limits.")
    because = inspection.verdict.because
    if not because or not reasons:
        return meaning
    more = len(because) - 1
    rest = {0: "", 1: " One more limit stands against it."}
    closing = rest.get(more, f" {more} more limits stand against it.")
    return f"{meaning} {verdict_reason(because[0], inspection)}{closing}"


def verdict_reason(reading: VerdictReading, inspection: Inspection) -> str:
    """One reading of a verdict as a sentence: which findings, their value, the limit."""
    if reading.rule == "photo.hidden_fraction":
        value, limit = 100 * reading.value, 100 * reading.limit
        return f"{value:.0f} % of the panel is not seen in the photo; the limit is {limit:.0f} %."
    named = [item for item in inspection.findings if item.id in reading.findings]
    bound = value_unit(reading.limit, reading.unit)
    values = f"{value_unit(reading.value, reading.unit)}, limit {bound}"
    if not named:
        return f"{rule_name(reading.rule).capitalize()}: {values}."
    kinds = list(dict.fromkeys(finding_name(item) for item in named))
    numbers = ", ".join(finding_number(item) for item in named[:6])
    more = f" and {len(named) - 6} more" if len(named) > 6 else ""
    return f"{' and '.join(kinds)} (no. {numbers}{more}): {values}."


def retake_reason(inspection: Inspection) -> str:
    """Why the photo cannot carry a verdict and how to take a better one, from its notes."""
    reasons = texts.load_texts().notes.retake
    for note in inspection.capture.notes:
        if note.code in reasons:
            return " ".join(texts.retake_text(note.code))
    return " ".join(note.text for note in inspection.capture.notes)


def cautions_of(inspection: Inspection) -> tuple[str, ...]:
    """The cautions that belong to this panel's findings, with those said every time."""
    return texts.cautions_for(item.kind for item in inspection.findings)


def all_notes(inspection: Inspection) -> list[str]:
    """The notes about photo and placement as sentences, each once."""
    placed = inspection.placement.notes if inspection.placement else ()
    notes = {note.code: note for note in (*inspection.capture.notes, *placed)}
    return [texts.note_text(note) for note in notes.values()]
