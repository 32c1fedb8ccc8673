"""Where photo and file agree: the file's own marks and fineness, its cut edges, or nothing."""

from __future__ import annotations

from dataclasses import replace

from .answer_file import ClaimFile
from .made import as_sure_as_shown, cannot, make_answer, small_file, sure_of
from .measures import Lies, Look
from .of_finding import of_finding
from .records import Answer, Evidence, Ground

_WIDE_KINDS = ("ghosting", "streaks")  # over the whole panel, but seen at the picture's edges


def own_sure(look: Look, words: ClaimFile) -> float:
    """How surely a mark at the place is the file's own; 0 where photo and file do not agree."""
    limit = words.limit
    if not agrees(look, words):
        return 0.0
    # noise hides how alike a small mark is, but not at the mark's own width
    if (
        stands_out(look, words)
        and look.mark_snr >= limit.mark_snr.value
        and look.mark_likeness >= limit.own_likeness.value
    ):
        return sure_of(words, "in_file")
    if look.likeness < limit.own_likeness.value or look.file_snr < limit.own_contrast.value:
        return 0.0
    # detail all around says nothing: what is pointed to may lie in it, too small for the photo
    return limit.agrees_sure.value


def stands_out(look: Look, words: ClaimFile) -> bool:
    """Whether the file has a spot or line at the place that catches the eye."""
    return look.stands_out >= words.limit.stands_out.value


def agrees(look: Look, words: ClaimFile) -> bool:
    """Whether the file explains what the photo shows at the place, but for noise and level."""
    limit = words.limit
    # where the file has much contrast, a small error of place leaves a share of it
    spare = max(limit.own_unlike.value, limit.own_unlike_share.value * look.file_snr)
    if look.unlike <= spare:
        return True
    # sharpening and compression change letters and other hard edges by more than that, but all
    # along them, where a mark stands in one place
    scattered = max(look.spot_snr, look.line_snr) <= limit.scattered_snr.value
    return scattered and look.likeness >= limit.own_likeness.value


def cut_edge(evidence: Evidence, lies: Lies, words: ClaimFile) -> Answer | None:
    """What the edge cuts off, where the place is at an edge beyond which part of the file lies."""
    limit = words.limit
    if lies.edge_mm > limit.edge_reach_mm.value:
        return None
    past = lies.past_edges_mm[lies.edge]
    if past < limit.past_edge_mm.value:
        return None
    grounds = [
        Ground("past_edge", past, "mm", limit.past_edge_mm.value),
        Ground("edge", lies.edge_mm, "mm", limit.edge_reach_mm.value),
        Ground("bleed", evidence.artwork.bleed_mm, "mm"),
    ]
    sure = sure_of(words, "cut_edge")
    if not lies.outline_seen:
        # the bleed says how much is cut, the photo does not show where
        sure = min(sure, limit.unsure_kind_sure.value)
    return make_answer("cut_edge", sure, grounds, evidence, words)


def of_picture(evidence: Evidence, look: Look, own: float, words: ClaimFile) -> Answer:
    """No difference at the place: the file's own detail, its fineness, the whole print, or none."""
    limit = words.limit
    grounds = [
        Ground("likeness", look.likeness, "1", limit.own_likeness.value),
        Ground("file_snr", look.file_snr, "1", limit.own_contrast.value),
        Ground("unlike", look.unlike, "1", limit.own_unlike.value),
        Ground("stands_out", look.stands_out, "1", limit.stands_out.value),
        Ground("mark_snr", look.mark_snr, "1", limit.mark_snr.value),
        Ground("mark_likeness", look.mark_likeness, "1", limit.own_likeness.value),
        Ground("delta_e00", look.delta_e00, "dE00"),
    ]
    plain_mark = stands_out(look, words)
    wide = [item for item in evidence.inspection.findings if item.extent == "panel"]
    doubled = next((item for item in wide if item.kind in _WIDE_KINDS and own > 0), None)
    # a streak is a line, and shows where it is pointed to
    shows = look.line_snr >= limit.streak_snr.value
    soft = small_file(evidence, words)
    if doubled is not None and (doubled.kind != "streaks" or shows):
        answer = of_finding(doubled, evidence, words, 1.0)
        # a small file's own pixels run in lines through the print, and its edges are wide
        sure = answer.sure if soft is None else min(answer.sure, limit.unsure_kind_sure.value)
        return replace(answer, sure=sure)
    if soft is not None and max(look.likeness, look.mark_likeness) >= limit.soft_likeness.value:
        sure = sure_of(words, "soft_file") if own > 0 else limit.unsure_kind_sure.value
        also = []
        if plain_mark and own > 0:
            # whether its softness or the mark itself was meant, nobody but the customer knows
            sure = min(sure, limit.unsure_kind_sure.value)
            also.append("in_file")
        return make_answer("soft_file", sure, [*soft, *grounds[:1]], evidence, words, also=also)
    other = next((item for item in wide if item.kind not in _WIDE_KINDS), None)
    if other is not None and not plain_mark:
        return of_finding(other, evidence, words, 1.0)
    if own > 0 and plain_mark:
        sure = as_sure_as_shown(own, look, words)
        if look.delta_e00 >= limit.tinted_de00.value:
            # the mark is the file's, but something lies over it
            sure = min(sure, limit.unsure_kind_sure.value)
        return make_answer("in_file", sure, grounds, evidence, words)
    differs = own == 0 and look.file_snr >= limit.own_contrast.value
    differs |= look.delta_e00 >= limit.differs_de00.value
    return cannot("unclear" if differs else "nothing_shown", tuple(grounds), evidence, words)
