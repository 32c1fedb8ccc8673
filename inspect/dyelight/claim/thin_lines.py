"""Marks that the panel's report and an answer tell apart differently: lines, and small dents."""

from __future__ import annotations

from dataclasses import replace

from ..records import Finding, Kind
from .answer_file import ClaimFile
from .line_course import LineCourse
from .measures import Look

_LINES = ("fibre", "scratch", "crease_line", "unexplained")
_THIN = ("fibre", "scratch")
_NEITHER = 0.5  # share of white light at which a pale line may as well be a cut as a crease


def told_apart(item: Finding, course: LineCourse | None, words: ClaimFile) -> Finding:
    """The finding, named by tone and course where it is a line.

    In the panel's report these are marks to look at, and width decides more than course. Here they
    are two answers. What cuts a surface is pale, throws white light back and runs nearly straight;
    lint curls, and leaves dark lines too; a crease is as straight, but there a share of the dye is
    missing. A short line is too short to curl, and stays as it was named. `course` is the line
    traced anew, None where it was not: then the finding's own measures stand for it.
    """
    limit = words.limit
    straight, long_mm = item.features.get("straightness"), item.features.get("length_mm", 0.0)
    if item.kind not in _LINES or straight is None:
        return item
    kind: Kind = item.kind
    if course is not None:
        straight, long_mm = course.straightness, max(long_mm, course.length_mm)
    if kind in _THIN and item.tone == "dark":
        kind = "fibre" if long_mm <= limit.lint_mm.value else kind
    elif kind in _THIN and item.tone == "light" and long_mm >= limit.line_mm.value:
        kind = "scratch" if straight >= limit.straight_line.value else "fibre"
    if course is not None and item.tone == "light" and straight >= limit.straight_line.value:
        if _is_cut(course, long_mm, words) and long_mm >= limit.line_mm.value:
            kind = "scratch"
        elif _is_fold(course, words) and long_mm >= limit.crease_mm.value:
            kind = "crease_line"
    if kind == item.kind:
        return item
    doubts = (f"or_{item.kind}", *(doubt for doubt in item.doubts if doubt != f"or_{kind}"))
    return replace(item, kind=kind, doubts=doubts)


def _is_cut(course: LineCourse, long_mm: float, words: ClaimFile) -> bool:
    """Whether a nearly straight pale line is a scratch.

    Its colour says so, or, since a fold in a sheet runs straight and a hand does not, how it bows,
    or that it is as thin as the blur and not in the colours of missing dye.
    """
    limit = words.limit
    thin = course.width_blurs < limit.wide_line.value and long_mm < limit.fold_mm.value
    return (
        course.white_share >= limit.white_share.value
        or course.straightness < limit.straight_fold.value
        or (thin and course.white_share > limit.dye_share.value)
    )


def _is_fold(course: LineCourse, words: ClaimFile) -> bool:
    """Whether a straight pale line is a crease: by its colour alone where that is plain, else by
    colour and width.

    Compressed colour is half as fine as light, so that a thin cut keeps some of the colour of the
    print beside it and looks as if dye were missing; but no cut is much wider than the blur.
    """
    limit = words.limit
    wide = course.width_blurs >= limit.wide_line.value
    return course.white_share <= (limit.dye_share if wide else limit.plain_dye_share).value


def dent_of(item: Finding, look: Look, words: ClaimFile) -> Finding:
    """The finding, named a dent where a small spot has a pale and a dark side.

    A dimple turns one side of the face to the light and the other from it; a speck has kept dye
    away, or left some, and has one sign.
    """
    limit = words.limit
    strong = look.spot_snr >= max(limit.spot_snr.value, look.line_snr)
    if item.kind != "dust_speck" or not strong:
        return item
    if look.opposite_lobe < limit.dent_lobe.value:
        return item
    doubts = tuple(doubt for doubt in item.doubts if doubt not in ("or_dent", "may_lie_loose"))
    return replace(item, kind="dent", doubts=("or_dust_speck", *doubts))


def kind_of_spot(look: Look, words: ClaimFile) -> Kind | None:
    """What a compact mark that only shows because its place was named may be; None for a line, or
    where it may be either.

    A line answers more to a line's filter, a spot to a spot's.
    """
    limit = words.limit
    if look.spot_snr < max(limit.spot_snr.value, look.line_snr):
        return None
    if look.opposite_lobe >= limit.dent_lobe.value:
        return "dent"
    return "dust_speck" if look.opposite_lobe <= limit.speck_lobe.value else None


def kind_of_line(course: LineCourse, dark: bool, words: ClaimFile) -> Kind | None:
    """What a line that only shows because its place was named may be; None where it may be either.

    Less is known of it than of a finding, so that more is asked of it.
    """
    limit = words.limit
    long_mm = course.length_mm
    if long_mm < limit.line_mm.value:
        # lint may be so short, and so may what a pale scratch shows of itself on a letter
        return None
    straight = course.straightness >= limit.straight_line.value
    if dark:
        return "crease_line" if straight and long_mm > limit.lint_mm.value else "fibre"
    if not straight:
        curls = course.straightness <= limit.curled_line.value
        return "fibre" if curls and long_mm <= limit.lint_mm.value else None
    if _is_cut(course, long_mm, words):
        return "scratch"
    if long_mm < limit.crease_mm.value:
        return None
    # paper folds across much of a sheet: so long a line is sooner a fold's where colour says little
    long = long_mm >= limit.fold_mm.value and course.white_share <= _NEITHER
    return "crease_line" if long or _is_fold(course, words) else None
