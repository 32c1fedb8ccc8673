"""claim.html and claim.json: the answer for people in one file, and the same for programs."""

from __future__ import annotations

import json
import platform
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from ..judge.texts import doubt_text
from ..records import Finding
from ..report.result_json import result_dict
from ..report.words import finding_name, length, panel_size, place_of, size_of, sure_percent
from . import words as say
from .answer_file import ClaimFile
from .claim import Claim
from .drawings import drawing
from .pictures import beside, overview

SCHEMA_VERSION = 1


def claim_html(claim: Claim, words: ClaimFile, case: str = "") -> str:
    """The page as one HTML text that needs no network; pictures carry no metadata."""
    answer, told = claim.answer, claim.told
    side = beside(claim)
    return _template().render(
        case=case,
        files=_files(claim),
        size=panel_size(told.panel),
        title=say.answer_title(claim, words),
        code=answer.code,
        meaning=words.answer[answer.code].meaning,
        sure=say.sure_words(claim),
        percent=round(100 * answer.sure),
        overview=overview(claim),
        side=side,
        span="" if side is None else length(side.width_mm * claim.length_factor, claim.size_known),
        gain="" if side is None else f"{side.gain:.2g}",
        letter=_blocks(say.letter(claim, words)),
        grounds=[say.ground_row(one, claim, words) for one in answer.grounds],
        doubts=[] if answer.finding is None else [doubt_text(c) for c in answer.finding.doubts],
        also=[
            words.also[code].text.format(**say.names(claim))
            for code in answer.also
            # for support the doubts say the same, and more
            if code not in ("may_be_light", "other_kind", "may_lie_loose")
            or answer.finding is None
            or not answer.finding.doubts
        ],
        checked=say.checked(claim, words),
        unseen=say.unseen(claim, words),
        asks=[
            {"title": one.title, "text": one.text, "drawing": Markup(drawing(code))}
            for code, one in zip(answer.asks, say.asked(claim, words), strict=True)
        ],
        others=[_line(one, claim) for one in say.other_findings(claim)],
        record=_record(claim),
    )


@cache
def _template() -> Template:
    # StrictUndefined: a name that template and code disagree on fails instead of printing nothing
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("claim.html.j2")


def _files(claim: Claim) -> str:
    names = [claim.told.panel.file, *(photo.file for photo in claim.told.photos)]
    return ", ".join(names)


def _blocks(paragraphs: list[str]) -> list[dict[str, Any]]:
    """Paragraphs, and runs of lines that begin with a dash as lists."""
    blocks: list[dict[str, Any]] = []
    for text in paragraphs:
        if not text.startswith("- "):
            blocks.append({"text": text, "items": []})
        elif blocks and blocks[-1]["items"]:
            blocks[-1]["items"].append(text[2:])
        else:
            blocks.append({"text": "", "items": [text[2:]]})
    return blocks


def _line(item: Finding, claim: Claim) -> dict[str, str]:
    told = next(one for one in claim.told.findings if one.id == item.id)
    return {
        "name": finding_name(told),
        "place": place_of(told, claim.size_known),
        "size": size_of(told, claim.size_known),
        "delta": f"{told.delta_e00:.1f}",
        "sure": sure_percent(told.confidence),
    }


def _record(claim: Claim) -> list[tuple[str, str]]:
    told = claim.told
    rows = [("File", f"{told.panel.file}, sha256 {told.panel.sha256}")]
    for photo in told.photos:
        size = f"{photo.width_px} x {photo.height_px} px"
        rows.append(("Photo", f"{photo.file}, {size}, sha256 {photo.sha256}"))
    place = sent_place_px(claim)
    if place is not None:
        rows.append(
            ("Place", ", ".join(f"{edge:g}" for edge in place) + " (px of the first photo)")
        )
    rows.append(("Rules", f"sha256 {told.rules_sha256}"))
    rows.append(("Made by", f"dyelight {told.tool_version}, Python {platform.python_version()}"))
    return rows


def sent_place_px(claim: Claim) -> list[float] | None:
    """The place in px of the first photo as it was sent: X, Y or X0, Y0, X1, Y1."""
    if claim.pointed is None:
        return None
    place = claim.pointed.moved(*claim.bars_px)
    corners = place.box_px[:2] if place.is_point else place.box_px
    return [round(edge, 2) for edge in corners]


def claim_dict(claim: Claim, words: ClaimFile, case: str = "") -> dict[str, Any]:
    """The claim as JSON-ready data; lengths are mm, or per cent of the width without a size."""
    answer, lies = claim.answer, claim.lies
    times = claim.length_factor
    unit = "mm" if claim.size_known else "% of width"
    place = None
    if claim.pointed is not None:
        center = None
        if lies is not None:
            center = [round(at * times, 3) for at in lies.center_mm]
        place = {
            "photo_px": sent_place_px(claim),
            "center_mm": center if claim.size_known else None,
            "center_pct": None if claim.size_known else center,
            "inside": None if lies is None else round(lies.inside, 3),
        }
    return {
        "schema_version": SCHEMA_VERSION,
        "case": case,
        "place": place,
        "bars_cut_px": list(claim.bars_px),
        "answer": {
            "code": answer.code,
            "reason": answer.reason,
            "title": say.answer_title(claim, words),
            "finding": None if answer.finding is None else answer.finding.id,
            "kind": answer.kind,
            "sure": round(answer.sure, 3),
            "grounds": [
                {
                    "name": one.name,
                    "value": _rounded(one.value, one.unit, times),
                    "limit": None if one.limit is None else _rounded(one.limit, one.unit, times),
                    "unit": unit if one.unit == "mm" else one.unit,
                }
                for one in answer.grounds
            ],
            "also": list(answer.also),
            "asks": list(answer.asks),
        },
        "letter": say.letter(claim, words),
        "checked": say.checked(claim, words),
        "unseen": say.unseen(claim, words),
        "result": result_dict(claim.told),
    }


def _rounded(value: float, unit: str, times: float) -> float:
    return round(value * times if unit == "mm" else value, 4)


def claim_text(claim: Claim, words: ClaimFile, case: str = "") -> str:
    """`claim_dict` as indented JSON with a closing newline."""
    data = claim_dict(claim, words, case)
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
