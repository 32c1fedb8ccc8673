"""An answer put together: what else is to be said, which photos to ask for."""

from __future__ import annotations

from collections.abc import Sequence

from ..records import Finding, Kind
from .answer_file import AnswerCode, Ask, CannotReason, ClaimFile
from .measures import Look
from .records import Answer, Evidence, Ground


def sure_of(words: ClaimFile, code: AnswerCode) -> float:
    """How often such an answer was right."""
    known = words.answer[code].sure
    return 0.5 if known is None else known.value


def as_sure_as_shown(sure: float, look: Look, words: ClaimFile) -> float:
    """How sure an answer may be that nothing is in the print at the place but what the file has.

    What is left over there and is more than faultless places have is too little to be named, and
    too much to be denied.
    """
    limit = words.limit
    left = max(look.spot_snr, look.line_snr) > limit.scattered_snr.value
    return min(sure, limit.unsure_kind_sure.value) if left else sure


def make_answer(
    code: AnswerCode,
    sure: float,
    grounds: Sequence[Ground],
    evidence: Evidence,
    words: ClaimFile,
    *,
    reason: CannotReason | None = None,
    finding: Finding | None = None,
    kind: Kind | None = None,
    length_mm: float | None = None,
    also: Sequence[str] = (),
    asks: Sequence[Ask] = (),
) -> Answer:
    """An answer with what else is to be said and asked in every case."""
    limit, file = words.limit, evidence.file
    told, wanted = list(also), list(asks)
    if code not in ("other_picture", "soft_file") and small_file(evidence, words) is not None:
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
        kind=kind if finding is None else finding.kind,
        length_mm=length_mm,
        also=tuple(dict.fromkeys(told)),
        asks=tuple(dict.fromkeys(wanted)),
    )


def cannot(
    reason: CannotReason, grounds: tuple[Ground, ...], evidence: Evidence, words: ClaimFile
) -> Answer:
    """The answer that the photo cannot tell."""
    asks = list(words.cannot[reason].asks)
    notes = {note.code for note in evidence.inspection.capture.notes}
    if reason == "not_placed" and "too_blurred" in notes:
        asks.insert(0, "hold_still")
    if reason == "not_placed" and "too_dark" in notes:
        asks.insert(0, "more_light")
    told = list(grounds)
    capture = evidence.inspection.capture
    if reason in ("nothing_shown", "unclear") and capture.smallest_speck_mm is not None:
        told.append(Ground("smallest_speck", capture.smallest_speck_mm, "mm"))
    sure = words.cannot[reason].sure.value
    return make_answer("cannot_tell", sure, told, evidence, words, reason=reason, asks=asks)


def small_file(evidence: Evidence, words: ClaimFile) -> list[Ground] | None:
    """Why the file is small for the panel; None where it is not, or where no size is known."""
    limit = words.limit.soft_mm.value
    file = evidence.file
    if not evidence.size_known or file.pixel_mm < limit:
        return None
    return [
        Ground("pixel", file.pixel_mm, "mm", limit),
        Ground("detail", file.detail_mm, "mm"),
    ]
