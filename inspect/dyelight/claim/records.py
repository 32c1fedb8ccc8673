"""What an answer is made from, and the answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ..records import Artwork, Finding, Inspection, Kind
from .answer_file import AnswerCode, Ask, CannotReason
from .file_facts import FileFacts
from .line_course import LineCourse
from .measures import Lies, Look


@dataclass(frozen=True, slots=True)
class Ground:
    """One measured value behind an answer. `limit` None: it is told, nothing was decided by it."""

    name: str
    value: float
    unit: str
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What is there, as far as the photos can say.

    `reason` is set for `cannot_tell` alone. `finding` is the finding that it rests on, `explained`
    the one that is nothing else than what the answer says, such as light. `kind` is the finding's,
    or what a mark is that was not found but shows at the place, `length_mm` a line's length or a
    bare strip's width. `sure` is how often such an answer is right (0..1), `also` what else holds
    (codes of claim.toml), `asks` which better photos would settle it.
    """

    code: AnswerCode
    sure: float
    grounds: tuple[Ground, ...]
    reason: CannotReason | None = None
    finding: Finding | None = None
    explained: Finding | None = None
    kind: Kind | None = None
    length_mm: float | None = None
    also: tuple[str, ...] = ()
    asks: tuple[Ask, ...] = ()


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that an answer is made from.

    `artwork` is as it was inspected: where no size is known, on a panel of an assumed size. `lies`
    is None where no place was named or its photo could not be placed, `look` also where no print is
    at the place. `long_side_px` is the larger side of the photo that was pointed into. `courses`
    are the lines near the place as traced anew, by their findings' ids.
    """

    inspection: Inspection
    artwork: Artwork
    size_known: bool
    file: FileFacts
    pointed: bool
    lies: Lies | None
    look: Look | None
    long_side_px: int
    courses: Mapping[str, LineCourse] = field(default_factory=dict)
