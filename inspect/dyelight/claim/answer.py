"""The answer about the place that was pointed to, or about the whole panel, with its grounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..records import Finding, Kind
from .answer_file import Ask, ClaimFile
from .made import cannot, make_answer, small_file, sure_of
from .measures import Lies, Look
from .nearest import nearest
from .of_finding import of_finding
from .of_light import as_light, in_thrown_light, is_veiled, of_light
from .of_picture import agrees, cut_edge, of_picture, own_sure
from .records import Answer, Evidence, Ground
from .thin_lines import dent_of, kind_of_line, kind_of_spot, told_apart

# a mark of the file's own may be lighter or darker in the photo than expected, by so much more
_BESIDE_OWN = 1.5
_PIECES = 1.5  # how much longer than a speck a line must be of which it is a piece
_SHORT = 0.8  # share of a spot's answer from which one that may not be a spot is a short line
_FAR = 0.3  # sureness lost where a finding lies as far off as the place may be


def answer_of(evidence: Evidence, words: ClaimFile) -> Answer:
    """The answer, first rule that holds."""
    found = evidence.inspection.findings
    other = next((item for item in found if item.kind == "wrong_artwork"), None)
    if other is not None:
        return of_finding(other, evidence, words, 1.0)
    lies, look = evidence.lies, evidence.look
    if evidence.inspection.placement is None or (evidence.pointed and lies is None):
        return cannot("not_placed", (), evidence, words)
    if lies is None:
        return _of_panel(evidence, words)
    limit = words.limit
    inside = Ground("inside", 100 * lies.inside, "%", 100 * limit.least_inside.value)
    if lies.inside < limit.least_inside.value or look is None:
        return cannot("outside", (inside,), evidence, words)
    near = nearest(found, lies)
    own = own_sure(look, words)
    if near is not None:
        item, gap_mm = near
        item = told_apart(item, evidence.courses.get(item.id), words)
        item = dent_of(item, look, words)
        thin = _is_line(near[0], look, words)
        # a mirrored lamp lies behind the face and out of focus: it is no thin line
        light = None if thin else as_light(item, evidence, look, words)
        if light is not None:
            return light
        line = _of_line(evidence, look, words) if thin and _may_be_piece(item, look) else None
        if line is not None:
            return replace(line, explained=item)
        if _same_patch(item, lies, look):
            gap_mm = 0.0
        sure = item.confidence * (1 - _FAR * gap_mm / max(lies.slack_mm, 1e-6))
        # what is left over at the place is that finding's, and no mark of the file
        shows = _is_small(item, lies) and _left_over(lies, look, words, times=_BESIDE_OWN)
        if gap_mm == 0 or sure >= own or shows:
            return of_finding(item, evidence, words, sure / max(item.confidence, 1e-6))
    bare = _bare_edge(lies, look, evidence, words)
    if bare is not None:
        return bare
    own_is_sure = own >= sure_of(words, "in_file")
    if _left_over(lies, look, words, times=_BESIDE_OWN if own_is_sure else 1.0):
        return _unnamed(evidence, look, words)
    lit = look.light_added >= limit.hidden_light.value or in_thrown_light(look, words)
    lit = lit or is_veiled(look, words)
    light = None if own_is_sure and not lit else of_light(evidence, lies, look, words)
    answer = light or cut_edge(evidence, lies, words) or of_picture(evidence, look, own, words)
    if near is not None and answer.code == "in_file":
        # the finding beside it may have been meant as well
        sure = min(answer.sure, limit.unsure_kind_sure.value)
        return replace(answer, sure=sure, also=(*answer.also, "other_kind"))
    return answer


def _may_be_piece(item: Finding, look: Look) -> bool:
    """Whether the line at the place may be what the finding is: one without a name, or a speck that
    is a piece of a longer line, which the picture's own detail has broken."""
    if item.kind == "unexplained":
        return True
    own_mm = max(item.features.get("length_mm", 0.0), item.eq_diameter_mm)
    longer = look.line is not None and look.line.length_mm >= _PIECES * own_mm
    return item.kind == "dust_speck" and longer


def _is_small(item: Finding, lies: Lies) -> bool:
    """Whether a finding is a line, or no wider than the place may be off."""
    return "straightness" in item.features or item.eq_diameter_mm <= 2 * lies.slack_mm


def _same_patch(item: Finding, lies: Lies, look: Look) -> bool:
    """Whether a place beside a wide patch is within it for all that its ragged outline says."""
    return item.eq_diameter_mm >= 2 * lies.slack_mm and look.delta_e00 >= item.delta_e00


def _is_line(item: Finding, look: Look, words: ClaimFile) -> bool:
    """Whether a finding is a line, as thin as the photo shows any."""
    limit, line = words.limit, look.line
    return (
        line is not None
        and look.line_snr >= max(limit.line_snr.value, look.spot_snr)
        and line.length_mm >= limit.line_mm.value
        and item.features.get("elongation", 1.0) >= limit.patch_elongation.value
    )


def _left_over(lies: Lies, look: Look, words: ClaimFile, times: float) -> bool:
    """Whether the photo has a small mark at the place that the file has not, `times` the limits."""
    limit = words.limit
    if lies.edge_mm <= limit.edge_reach_mm.value and not lies.outline_seen:
        # what lies beside the panel differs from the file as well
        return False
    strength = max(look.spot_snr / limit.spot_snr.value, look.line_snr / limit.line_snr.value)
    return strength >= times


def _bare_edge(lies: Lies, look: Look, evidence: Evidence, words: ClaimFile) -> Answer | None:
    """A strip at the edge that the print does not reach, at a place within it."""
    limit = words.limit
    if look.bare_mm < limit.bare_mm.value or lies.edge_mm > look.bare_mm + lies.slack_mm:
        return None
    grounds = [
        Ground("bare_strip", look.bare_mm, "mm", limit.bare_mm.value),
        Ground("delta_e00", look.delta_e00, "dE00"),
    ]
    return _doubtful("bare_edge", grounds, evidence, words, length_mm=look.bare_mm)


def _unnamed(evidence: Evidence, look: Look, words: ClaimFile) -> Answer:
    """A small mark that only shows because one place was named, too weak or strange to be found."""
    grounds = [*_left_over_grounds(look, words), Ground("likeness", look.likeness, "1")]
    asks: list[Ask] = ["closer", "another_place"]
    found = _of_patch(evidence, look, words) or _at_rim(evidence, look, words)
    found = found or _of_spot(evidence, look, words) or _of_line(evidence, look, words)
    return found or make_answer("mark", sure_of(words, "mark"), grounds, evidence, words, asks=asks)


def _doubtful(
    kind: Kind,
    grounds: list[Ground],
    evidence: Evidence,
    words: ClaimFile,
    *,
    length_mm: float | None = None,
    also: Sequence[str] = (),
) -> Answer:
    """What a mark without a name is likely to be, told with doubt and with a wish for more."""
    return make_answer(
        words.kind[kind].answer,
        words.limit.doubtful_sure.value,
        grounds,
        evidence,
        words,
        kind=kind,
        length_mm=length_mm,
        also=also,
        asks=["closer", "another_place"],
    )


def _of_patch(evidence: Evidence, look: Look, words: ClaimFile) -> Answer | None:
    """Coating that has come away at an edge, where it begins to.

    A line as thin as the blur covers little of the place: where most of it differs, and not as
    under light, it is a patch, of which the edge leaves a shape like a line's or a spot's.
    """
    limit, lies = words.limit, evidence.lies
    if lies is None or lies.edge_mm > limit.edge_reach_mm.value or agrees(look, words):
        return None
    if look.delta_e00 < limit.differs_de00.value or look.reflected >= limit.reflected.value:
        return None
    grounds = [
        Ground("delta_e00", look.delta_e00, "dE00", limit.differs_de00.value),
        Ground("edge", lies.edge_mm, "mm", limit.edge_reach_mm.value),
    ]
    return _doubtful("coating_lift", grounds, evidence, words, also=["other_kind"])


def _at_rim(evidence: Evidence, look: Look, words: ClaimFile) -> Answer | None:
    """A compact mark at an edge, where coating comes away first and nothing else is likely.

    The coating's raised rim throws light to one side and shade to the other, as a dent does, and
    small pieces answer to a line's filter as well. What is longer than such pieces is a line, and
    so is lint, which is dark.
    """
    limit, lies, line = words.limit, evidence.lies, look.line
    if lies is None or lies.edge_mm > limit.edge_reach_mm.value:
        return None
    if look.reflected >= limit.reflected.value:
        return None
    plain = line is not None and (look.line_dark or line.length_mm > limit.lift_mm.value)
    if look.line_snr >= look.spot_snr and (plain or look.line_at_edge):
        return None
    grounds = _left_over_grounds(look, words)
    grounds.append(Ground("edge", lies.edge_mm, "mm", limit.edge_reach_mm.value))
    return _doubtful("coating_lift", grounds, evidence, words, also=["other_kind"])


def _of_spot(evidence: Evidence, look: Look, words: ClaimFile) -> Answer | None:
    """A compact mark without a name whose two sides, or one, tell what it is."""
    limit = words.limit
    kind = kind_of_spot(look, words)
    if kind is None:
        return None
    grounds = _left_over_grounds(look, words)
    grounds.append(Ground("opposite_lobe", look.opposite_lobe, "1", limit.dent_lobe.value))
    return _doubtful(kind, grounds, evidence, words, also=["other_kind"])


def _of_line(evidence: Evidence, look: Look, words: ClaimFile) -> Answer | None:
    """A line without a name whose course, tone and colour tell what it is."""
    limit, line = words.limit, look.line
    if line is None or look.line_snr < max(limit.line_snr.value, _SHORT * look.spot_snr):
        # a spot answers to a line's filter as well, but more to its own; a line much shorter than
        # the filter does so by little
        return None
    if look.line_at_edge:
        # the shadow or the rim of the panel's own edge
        return None
    kind = kind_of_line(line, look.line_dark, words)
    if kind is None:
        return None
    grounds = _left_over_grounds(look, words)
    grounds.append(Ground("straightness", line.straightness, "1", limit.straight_line.value))
    if not look.line_dark:
        grounds.append(Ground("white_share", line.white_share, "1", limit.white_share.value))
        grounds.append(Ground("line_width", line.width_blurs, "1", limit.wide_line.value))
    return _doubtful(kind, grounds, evidence, words, length_mm=line.length_mm, also=["other_kind"])


def _left_over_grounds(look: Look, words: ClaimFile) -> list[Ground]:
    return [
        Ground("spot_snr", look.spot_snr, "1", words.limit.spot_snr.value),
        Ground("line_snr", look.line_snr, "1", words.limit.line_snr.value),
        Ground("delta_e00", look.delta_e00, "dE00"),
    ]


def _of_panel(evidence: Evidence, words: ClaimFile) -> Answer:
    """The answer where no place was named: the gravest finding, or that there is none."""
    inspection = evidence.inspection
    if inspection.findings:
        return of_finding(told_apart(inspection.findings[0], None, words), evidence, words, 1.0)
    hidden = Ground("hidden_panel", 100 * inspection.capture.hidden_fraction, "%")
    if not inspection.usable:
        return cannot("nothing_shown", (hidden,), evidence, words)
    soft = small_file(evidence, words)
    if soft is not None:
        return make_answer("soft_file", sure_of(words, "soft_file"), soft, evidence, words)
    grounds = [hidden]
    capture = inspection.capture
    if capture.smallest_speck_mm is not None:
        grounds.append(Ground("smallest_speck", capture.smallest_speck_mm, "mm"))
    if capture.faintest_spot_de00 is not None:
        grounds.append(Ground("faintest_spot", capture.faintest_spot_de00, "dE00"))
    return make_answer("nothing_found", sure_of(words, "nothing_found"), grounds, evidence, words)
