"""The answer about the place that was pointed to, or about the whole panel, with its grounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..records import Finding
from .answer_file import AnswerCode, Ask, CannotReason, ClaimFile
from .measures import Lies, Look
from .nearest import MAY_BE_LIGHT, nearest
from .records import Answer, Evidence, Ground
from .thin_lines import told_apart

EDGES = ("left", "top", "right", "bottom")
_WIDE_KINDS = ("ghosting", "streaks")  # over the whole panel, but seen at the picture's edges
_LIGHT_LINES = ("fibre", "crease_line", "scratch")
_GROSS = 2.0  # times the soft limit from which softness is what meets the eye first
_FAR = 0.3  # sureness lost where a finding lies as far off as the place may be


def answer_of(evidence: Evidence, words: ClaimFile) -> Answer:
    """The answer, first rule that holds."""
    found = evidence.inspection.findings
    other = next((item for item in found if item.kind == "wrong_artwork"), None)
    if other is not None:
        return _of_finding(other, evidence, words, 1.0)
    lies, look = evidence.lies, evidence.look
    if evidence.inspection.placement is None or (evidence.pointed and lies is None):
        return _cannot("not_placed", (), evidence, words)
    if lies is None:
        return _of_panel(evidence, words)
    limit = words.limit
    inside = Ground("inside", 100 * lies.inside, "%", 100 * limit.least_inside.value)
    if lies.inside < limit.least_inside.value or look is None:
        return _cannot("outside", (inside,), evidence, words)
    near = nearest(found, lies)
    own = _own_sure(look, words)
    if near is not None:
        item, gap_mm = told_apart(near[0], words), near[1]
        light = _as_light(item, evidence, look, words)
        if light is not None:
            return light
        sure = item.confidence * (1 - _FAR * gap_mm / max(lies.slack_mm, 1e-6))
        if gap_mm == 0 or sure >= own:
            return _of_finding(item, evidence, words, sure / max(item.confidence, 1e-6))
    if look.spot_snr >= limit.spot_snr.value and lies.edge_mm > limit.edge_reach_mm.value:
        return _unnamed(evidence, look, words)
    lit = max(look.light_added / limit.hidden_light.value, look.reflected / limit.reflected.value)
    if own >= _sure(words, "in_file") and lit < 1:
        return _cut_edge(evidence, lies, words) or _of_picture(evidence, look, own, words)
    return (
        _light(evidence, lies, look, words)
        or _cut_edge(evidence, lies, words)
        or _of_picture(evidence, look, own, words)
    )


def _own_sure(look: Look, words: ClaimFile) -> float:
    """How surely a mark at the place is the file's own; 0 where photo and file do not agree."""
    limit = words.limit
    if not _agrees(look, words):
        return 0.0
    # noise hides how alike a small mark is, but not at the mark's own width
    if _stands_out(look, words) and look.mark_likeness >= limit.own_likeness.value:
        return _sure(words, "in_file")
    if look.likeness < limit.own_likeness.value or look.file_snr < limit.own_contrast.value:
        return 0.0
    # detail all around says nothing: what is pointed to may lie in it, too small for the photo
    return limit.agrees_sure.value


def _stands_out(look: Look, words: ClaimFile) -> bool:
    """Whether the file has a spot or line at the place that catches the eye."""
    return look.stands_out >= words.limit.stands_out.value


def _agrees(look: Look, words: ClaimFile) -> bool:
    """Whether the file explains what the photo shows at the place, but for noise and level."""
    limit = words.limit
    # where the file has much contrast, a small error of place leaves a share of it
    spare = max(limit.own_unlike.value, limit.own_unlike_share.value * look.file_snr)
    return look.unlike <= spare


def _sure(words: ClaimFile, code: AnswerCode) -> float:
    known = words.answer[code].sure
    return 0.5 if known is None else known.value


def _of_finding(item: Finding, evidence: Evidence, words: ClaimFile, share: float) -> Answer:
    code = words.kind[item.kind].answer
    limit = words.limit
    sure = item.confidence * share
    asks: list[Ask] = []
    also = []
    if MAY_BE_LIGHT & set(item.doubts):
        sure = min(sure, limit.doubtful_sure.value)
        asks.append("another_place")
        also.append("may_be_light")
    if item.kind in _LIGHT_LINES and item.tone == "light":
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
    if item.kind in ("fibre", "scratch") and "straightness" in item.features:
        straight = item.features["straightness"]
        grounds.append(Ground("straightness", straight, "1", words.limit.straight_line.value))
    photos = item.features.get("photos_seen")
    if photos is not None and len(evidence.inspection.photos) > 1:
        grounds.append(Ground("photos_seen", photos, "1"))
    return _answer(code, sure, grounds, evidence, words, finding=item, also=also, asks=asks)


def _as_light(item: Finding, evidence: Evidence, look: Look, words: ClaimFile) -> Answer | None:
    """A reflection, where a pale patch keeps its detail as under added light, or where a broad
    zone that may be light is far brighter than its surroundings."""
    limit = words.limit
    likeness = item.features.get("reflection_likeness", 0.0)
    added = Ground("light_added", 100 * look.light_added, "%")
    if "may_be_reflection" in item.doubts and likeness >= limit.reflection_likeness.value:
        grounds = [
            Ground("reflection_likeness", likeness, "1", limit.reflection_likeness.value),
            added,
        ]
    elif (
        item.kind == "uneven_press"
        and "may_be_light" in item.doubts
        and look.light_added >= limit.hidden_light.value
        and _agrees(look, words)
    ):
        grounds = [
            replace(added, limit=100 * limit.hidden_light.value),
            Ground("unlike", look.unlike, "1", limit.own_unlike.value),
        ]
    else:
        return None
    sure = min(_sure(words, "reflection"), limit.doubtful_sure.value)
    answer = _answer(
        "reflection", sure, grounds, evidence, words, also=["moves"], asks=["another_place"]
    )
    return replace(answer, explained=item)


def _unnamed(evidence: Evidence, look: Look, words: ClaimFile) -> Answer:
    """A small mark that only shows because one place was named, too weak or strange to be named."""
    grounds = [
        Ground("spot_snr", look.spot_snr, "1", words.limit.spot_snr.value),
        Ground("delta_e00", look.delta_e00, "dE00"),
        Ground("likeness", look.likeness, "1"),
    ]
    sure = _sure(words, "mark")
    return _answer("mark", sure, grounds, evidence, words, asks=["closer", "another_place"])


def _light(evidence: Evidence, lies: Lies, look: Look, words: ClaimFile) -> Answer | None:
    """A reflection, or a place that light or the frame hides."""
    limit = words.limit
    added = Ground("light_added", 100 * look.light_added, "%", 100 * limit.light_added.value)
    hidden = Ground("hidden", 100 * look.hidden, "%", 100 * limit.most_hidden.value)
    reflected = Ground("reflected", 100 * look.reflected, "%", 100 * limit.reflected.value)
    sure = _sure(words, "reflection")
    if look.hidden >= limit.most_hidden.value:
        if look.light_added < limit.hidden_light.value:
            return _cannot("hidden", (hidden, added), evidence, words)
        grounds = [hidden, added]
        if look.light_added < limit.plain_light.value:
            sure = min(sure, limit.doubtful_sure.value)
    elif look.reflected >= limit.reflected.value:
        grounds = [reflected, added, Ground("likeness", look.likeness, "1")]
        detail = look.file_snr >= limit.own_contrast.value and _agrees(look, words)
        proven = detail or look.over_white >= limit.reflected.value
        if not proven or lies.edge_mm <= limit.edge_reach_mm.value:
            # lost dye in a flat part, or bare bright metal at an edge, looks much like light
            sure = min(sure, limit.doubtful_sure.value)
    elif (
        look.light_added >= limit.light_added.value
        and _agrees(look, words)
        and lies.edge_mm > limit.edge_reach_mm.value
    ):
        grounds = [added, Ground("unlike", look.unlike, "1", limit.own_unlike.value)]
        sure = min(sure, limit.doubtful_sure.value)
    else:
        return None
    return _answer(
        "reflection", sure, grounds, evidence, words, also=["moves"], asks=["another_place"]
    )


def _cut_edge(evidence: Evidence, lies: Lies, words: ClaimFile) -> Answer | None:
    limit = words.limit
    if lies.past_edges_mm is None or lies.edge_mm > limit.edge_reach_mm.value:
        return None
    past = lies.past_edges_mm[lies.edge]
    if past < limit.past_edge_mm.value:
        return None
    grounds = [
        Ground("past_edge", past, "mm", limit.past_edge_mm.value),
        Ground("edge", lies.edge_mm, "mm", limit.edge_reach_mm.value),
        Ground("bleed", evidence.artwork.bleed_mm, "mm"),
    ]
    return _answer("cut_edge", _sure(words, "cut_edge"), grounds, evidence, words)


def _of_picture(evidence: Evidence, look: Look, own: float, words: ClaimFile) -> Answer:
    """No difference at the place: the file's own detail, its fineness, the whole print, or none."""
    limit = words.limit
    grounds = [
        Ground("likeness", look.likeness, "1", limit.own_likeness.value),
        Ground("file_snr", look.file_snr, "1", limit.own_contrast.value),
        Ground("unlike", look.unlike, "1", limit.own_unlike.value),
        Ground("stands_out", look.stands_out, "1", limit.stands_out.value),
        Ground("mark_likeness", look.mark_likeness, "1", limit.own_likeness.value),
        Ground("delta_e00", look.delta_e00, "dE00"),
    ]
    stands_out = _stands_out(look, words)
    wide = [item for item in evidence.inspection.findings if item.extent == "panel"]
    doubled = next((item for item in wide if item.kind in _WIDE_KINDS and own > 0), None)
    if doubled is not None:
        return _of_finding(doubled, evidence, words, 1.0)
    soft = _soft(evidence, words)
    gross = evidence.file.pixel_mm >= _GROSS * limit.soft_mm.value
    if (
        soft is not None
        and look.likeness >= limit.soft_likeness.value
        and (gross or not stands_out)
    ):
        sure = _sure(words, "soft_file") if own > 0 else limit.unsure_kind_sure.value
        return _answer("soft_file", sure, [*soft, *grounds[:1]], evidence, words)
    other = next((item for item in wide if item.kind not in _WIDE_KINDS), None)
    if other is not None and not stands_out:
        return _of_finding(other, evidence, words, 1.0)
    if own > 0 and stands_out:
        return _answer("in_file", own, grounds, evidence, words)
    differs = own == 0 and look.file_snr >= limit.own_contrast.value
    return _cannot("unclear" if differs else "nothing_shown", tuple(grounds), evidence, words)


def _soft(evidence: Evidence, words: ClaimFile) -> list[Ground] | None:
    """Why the file is small for the panel; None where it is not, or where no size is known."""
    limit = words.limit.soft_mm.value
    file = evidence.file
    if not evidence.size_known or file.pixel_mm < limit:
        return None
    return [
        Ground("pixel", file.pixel_mm, "mm", limit),
        Ground("detail", file.detail_mm, "mm"),
    ]


def _of_panel(evidence: Evidence, words: ClaimFile) -> Answer:
    """The answer where no place was named: the gravest finding, or that there is none."""
    inspection = evidence.inspection
    if inspection.findings:
        return _of_finding(told_apart(inspection.findings[0], words), evidence, words, 1.0)
    hidden = Ground("hidden_panel", 100 * inspection.capture.hidden_fraction, "%")
    if not inspection.usable:
        return _cannot("nothing_shown", (hidden,), evidence, words)
    soft = _soft(evidence, words)
    if soft is not None:
        return _answer("soft_file", _sure(words, "soft_file"), soft, evidence, words)
    grounds = [hidden]
    capture = inspection.capture
    if capture.smallest_speck_mm is not None:
        grounds.append(Ground("smallest_speck", capture.smallest_speck_mm, "mm"))
    if capture.faintest_spot_de00 is not None:
        grounds.append(Ground("faintest_spot", capture.faintest_spot_de00, "dE00"))
    return _answer("nothing_found", _sure(words, "nothing_found"), grounds, evidence, words)


def _cannot(
    reason: CannotReason, grounds: tuple[Ground, ...], evidence: Evidence, words: ClaimFile
) -> Answer:
    asks = list(words.cannot[reason].asks)
    notes = {note.code for note in evidence.inspection.capture.notes}
    if reason == "not_placed" and "too_blurred" in notes:
        asks.insert(0, "hold_still")
    if reason == "not_placed" and "too_dark" in notes:
        asks.insert(0, "more_light")
    made = list(grounds)
    capture = evidence.inspection.capture
    if reason in ("nothing_shown", "unclear") and capture.smallest_speck_mm is not None:
        made.append(Ground("smallest_speck", capture.smallest_speck_mm, "mm"))
    sure = words.cannot[reason].sure.value
    return _answer("cannot_tell", sure, made, evidence, words, reason=reason, asks=asks)


def _answer(
    code: AnswerCode,
    sure: float,
    grounds: Sequence[Ground],
    evidence: Evidence,
    words: ClaimFile,
    *,
    reason: CannotReason | None = None,
    finding: Finding | None = None,
    also: Sequence[str] = (),
    asks: Sequence[Ask] = (),
) -> Answer:
    """An answer with what else is to be said and asked in every case."""
    limit, file = words.limit, evidence.file
    told, wanted = list(also), list(asks)
    if code not in ("other_picture", "soft_file") and _soft(evidence, words) is not None:
        told.append("soft_file")
    if code != "other_picture" and file.lightness < limit.dark_file.value:
        told.append("dark_file")
    small = evidence.long_side_px < limit.small_photo_px.value
    if small and wanted:
        wanted.append("original")
    speck = evidence.inspection.capture.smallest_speck_mm
    coarse = speck is not None and speck > limit.small_speck_mm.value
    if coarse and code in ("cannot_tell", "mark"):
        wanted.insert(0, "closer")
    if wanted and not evidence.size_known:
        wanted.append("ruler")
    return Answer(
        code=code,
        sure=min(sure, 0.99),
        grounds=tuple(grounds),
        reason=reason,
        finding=finding,
        also=tuple(dict.fromkeys(told)),
        asks=tuple(dict.fromkeys(wanted)),
    )
