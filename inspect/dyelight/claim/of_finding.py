"""The answer that a finding gives."""

from __future__ import annotations

from ..records import Finding
from .answer_file import Ask, ClaimFile
from .made import make_answer
from .nearest import MAY_BE_LIGHT
from .records import Answer, Evidence, Ground

LINES = ("fibre", "crease_line", "scratch")


def of_finding(item: Finding, evidence: Evidence, words: ClaimFile, share: float) -> Answer:
    """The answer of a finding; `share` of its own sureness is left where it lies off the place."""
    patch = is_pale_patch(item, words)
    code = "pressing" if patch else words.kind[item.kind].answer
    limit = words.limit
    sure = item.confidence * share
    asks: list[Ask] = []
    also = []
    if MAY_BE_LIGHT & set(item.doubts):
        sure = min(sure, limit.doubtful_sure.value)
        asks.append("another_place")
        also.append("may_be_light")
    if patch:
        sure = min(sure, limit.unsure_kind_sure.value)
    if item.kind in LINES and item.tone == "light":
        # a scratch lets the base through, and a thin fibre kept the dye out: both are pale lines
        sure = min(sure, limit.unsure_kind_sure.value)
        also.append("other_kind")
    others = [doubt.removeprefix("or_") for doubt in item.doubts if doubt.startswith("or_")]
    answers = {str(kind): entry.answer for kind, entry in words.kind.items()}
    if any(answers.get(other) not in (code, None) for other in others):
        sure = min(sure, limit.unsure_kind_sure.value)
        asks.append("closer")
        also.append("other_kind")
    if not evidence.size_known or item.kind == "wrong_artwork":
        # a picture that repeats itself may fail to be found, and pass for another one
        sure = min(sure, limit.unsure_kind_sure.value)
    if "may_lie_loose" in item.doubts:
        asks.append("wipe")
        also.append("may_lie_loose")
    if item.kind == "wrong_artwork":
        asks.append("whole_panel")
    if code == "whole_print":
        asks += ["white", "another_place"]
    grounds = [
        Ground("confidence", 100 * item.confidence, "%"),
        Ground("delta_e00", item.delta_e00, "dE00"),
        Ground("snr", item.snr, "1"),
    ]
    if item.extent == "local":
        grounds.append(Ground("eq_diameter", item.eq_diameter_mm, "mm"))
    if item.kind in LINES and "straightness" in item.features:
        course = evidence.courses.get(item.id)
        straight = item.features["straightness"] if course is None else course.straightness
        grounds.append(Ground("straightness", straight, "1", limit.straight_line.value))
        if course is not None and item.tone == "light":
            grounds.append(Ground("white_share", course.white_share, "1", limit.white_share.value))
            grounds.append(Ground("line_width", course.width_blurs, "1", limit.wide_line.value))
    photos = item.features.get("photos_seen")
    if photos is not None and len(evidence.inspection.photos) > 1:
        grounds.append(Ground("photos_seen", photos, "1"))
    return make_answer(code, sure, grounds, evidence, words, finding=item, also=also, asks=asks)


def is_pale_patch(item: Finding, words: ClaimFile) -> bool:
    """Whether a mark without a name is a patch in which dye or coating is missing.

    Lines may be cuts, dark marks dirt, and a patch with a dark side a dent: none of these is one.
    """
    known, limit = item.features, words.limit
    return (
        item.kind == "unexplained"
        and item.tone == "light"
        and item.extent == "local"
        and known.get("elongation", limit.patch_elongation.value) < limit.patch_elongation.value
        and known.get("opposite_lobe", limit.patch_lobe.value) < limit.patch_lobe.value
        and "may_be_reflection" not in item.doubts
    )
