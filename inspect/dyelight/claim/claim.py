"""From photos, file and place to the answer: inspection, a closer look at the place, rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ..causes import CauseMap
from ..judge import AcceptanceSpec, Rules
from ..look import Difference, compare
from ..pipeline import inspect_panel, stage
from ..records import Artwork, Finding, Inspection, Photo
from ..sizes import check_bleed
from .answer import answer_of
from .answer_file import ClaimFile
from .file_facts import FileFacts, file_facts
from .line_course import LineCourse, course_of
from .measures import Lies, Look, look_at, where_it_lies
from .nearest import near_by
from .pointing import Pointed, pointed_place, without_bars
from .records import Answer, Evidence


@dataclass(frozen=True, slots=True)
class Claim:
    """A customer's photos against the file, and the answer.

    `photo` is the first photo as it was looked at, its first pixel at `bars_px` (left, top) of the
    one that was sent; `pointed` counts in `photo`. `inspection` is as it was made: where no size is
    known, on a panel of an assumed size. `told` is the same for people: its lengths are in per cent
    of the panel's width where no size is known.
    """

    photo: Photo
    bars_px: tuple[int, int]
    artwork: Artwork
    size_known: bool
    pointed: Pointed | None
    inspection: Inspection
    told: Inspection
    lies: Lies | None
    look: Look | None
    file: FileFacts
    answer: Answer

    @property
    def length_factor(self) -> float:
        """What takes lengths as inspected to lengths as told."""
        return 1.0 if self.size_known else 100.0 / self.artwork.width_mm


def answer_claim(
    photos: Sequence[Photo],
    artwork: Artwork,
    at: str | None,
    box: str | None,
    *,
    rules: Rules,
    acceptance: AcceptanceSpec,
    causes: CauseMap,
    words: ClaimFile,
) -> Claim:
    """Answer for one panel. `at` or `box` name a place in px of the first photo; None for neither.

    Raises SettingsError for a place that cannot be used, StageFault where a stage fails. A photo
    that cannot carry an answer is an answer.
    """
    pointed = pointed_place(at, box, photos[0])
    # a page that is sent on need not say in which folders of whose machine the files lie
    artwork = replace(artwork, file=Path(artwork.file).name)
    cut = [without_bars(replace(photo, file=Path(photo.file).name)) for photo in photos]
    first, bars_px = cut[0]
    if pointed is not None:
        pointed = pointed.moved(-bars_px[0], -bars_px[1])
    size_known = artwork.size_known
    if not size_known:
        artwork = with_assumed_size(artwork, words.limit.assumed_long_mm.value)
    inspection = inspect_panel(
        [photo for photo, _ in cut], artwork, rules=rules, acceptance=acceptance, causes=causes
    )
    lies = look = None
    courses: dict[str, LineCourse] = {}
    placement = inspection.placement
    in_first = placement is not None and inspection.photos[0].sha256 == first.sha256
    if pointed is not None and placement is not None and in_first:
        with stage("claim", first.file):
            lies = where_it_lies(pointed, artwork, placement)
            if lies.inside > 0:
                difference = compare(first, artwork, placement, every_pixel=True)
                look = look_at(difference, pointed, lies)
                courses = _courses(inspection.findings, difference, lies)
    file = file_facts(artwork)
    evidence = Evidence(
        inspection=inspection,
        artwork=artwork,
        size_known=size_known,
        file=file,
        pointed=pointed is not None,
        lies=lies,
        look=look,
        long_side_px=max(photos[0].width_px, photos[0].height_px),
        courses=courses,
    )
    return Claim(
        photo=first,
        bars_px=bars_px,
        artwork=artwork,
        size_known=size_known,
        pointed=pointed,
        inspection=inspection,
        told=inspection if size_known else in_per_cent(inspection),
        lies=lies,
        look=look,
        file=file,
        answer=answer_of(evidence, words),
    )


def _courses(
    findings: Sequence[Finding], difference: Difference, lies: Lies
) -> dict[str, LineCourse]:
    """The lines near a place, traced anew, by their findings' ids."""
    found = {}
    for item, _ in near_by(findings, lies):
        course = course_of(item, difference) if "straightness" in item.features else None
        if course is not None:
            found[item.id] = course
    return found


def with_assumed_size(artwork: Artwork, long_mm: float) -> Artwork:
    """The artwork on a panel whose long side is assumed, so that rules in mm can be used at all.

    The bleed is in mm, and what it leaves of the file is the panel. Raises SettingsError for a
    bleed that leaves none.
    """
    height_px, width_px = artwork.pixels.shape[:2]
    per_px = (long_mm + 2 * artwork.bleed_mm) / max(width_px, height_px)
    width_mm = width_px * per_px - 2 * artwork.bleed_mm
    height_mm = height_px * per_px - 2 * artwork.bleed_mm
    check_bleed(artwork.bleed_mm, max(width_mm, 0.0), max(height_mm, 0.0))
    return replace(artwork, width_mm=width_mm, height_mm=height_mm, size_known=True)


def in_per_cent(inspection: Inspection) -> Inspection:
    """An inspection on a panel of an assumed size, told in per cent of the panel's width.

    Without placement, whose map knows the assumed size only.
    """
    panel, capture = inspection.panel, inspection.capture
    times = 100.0 / panel.width_mm
    return replace(
        inspection,
        panel=replace(
            panel,
            width_mm=100.0,
            height_mm=panel.height_mm * times,
            bleed_mm=panel.bleed_mm * times,
            size_known=False,
        ),
        capture=replace(
            capture,
            px_per_mm=None if capture.px_per_mm is None else capture.px_per_mm / times,
            hidden_mm=tuple(polygon * times for polygon in capture.hidden_mm),
            smallest_speck_mm=(
                None if capture.smallest_speck_mm is None else capture.smallest_speck_mm * times
            ),
        ),
        placement=None,
        findings=tuple(_scaled(item, times) for item in inspection.findings),
    )


def _scaled(item: Finding, times: float) -> Finding:
    x0, y0, x1, y1 = (edge * times for edge in item.box_mm)
    vector = item.vector_mm
    areas = {name: value * times**2 for name, value in item.features.items() if "_mm2" in name}
    lengths = {name: value * times for name, value in item.features.items() if name.endswith("_mm")}
    return replace(
        item,
        center_mm=(item.center_mm[0] * times, item.center_mm[1] * times),
        box_mm=(x0, y0, x1, y1),
        outline_mm=item.outline_mm * times,
        area_mm2=item.area_mm2 * times**2,
        eq_diameter_mm=item.eq_diameter_mm * times,
        vector_mm=None if vector is None else (vector[0] * times, vector[1] * times),
        doubts=tuple(dict.fromkeys((*item.doubts, "size_unknown"))),
        features=item.features | areas | lengths,
    )
