"""A claim in words: the letter to the customer, what was checked, what the photo cannot show."""

from __future__ import annotations

from ..judge.texts import kind_title
from ..records import Finding
from ..report.words import finding_name, length, shift_of, size_of, sure, value_unit
from .answer_file import AskWords, ClaimFile
from .claim import Claim
from .nearest import MAY_BE_LIGHT
from .records import Ground

# from which sureness on the letter speaks of being sure, or of the likeliest reading, as the page
SURE, _LIKELY = 0.85, 0.6
_EDGES = ("left", "top", "right", "bottom")
_DOWN = ("upper", "middle", "lower")
_ACROSS = ("left", "middle", "right")
_MOST_NAMED = 4
_MASSES = ("ghosting", "streaks", "off colour", "uneven press", "coating lift", "unexplained")
_LINE = 4.0  # times as long as wide


def answer_title(claim: Claim, words: ClaimFile) -> str:
    """The answer in a few words."""
    answer = claim.answer
    if answer.reason is not None:
        return words.cannot[answer.reason].title
    title = words.answer[answer.code].title
    if answer.kind is None or answer.code in ("mark", "other_picture"):
        return title
    named = "A pale patch" if _is_patch(claim) else kind_title(answer.kind)
    return f"{named}: {_lower(title)}"


def _is_patch(claim: Claim) -> bool:
    """Whether the answer rests on a pale patch that has no name of its own."""
    item = claim.answer.finding
    return item is not None and item.kind == "unexplained" and claim.answer.code != "mark"


def _lower(text: str) -> str:
    return text[0].lower() + text[1:]


def sure_words(claim: Claim) -> str:
    """How sure the answer is, in words and per cent."""
    of = "How sure that it cannot tell" if claim.answer.code == "cannot_tell" else "How sure"
    return f"{of}: {sure(claim.answer.sure)}"


def where_words(claim: Claim, center_mm: tuple[float, float]) -> str:
    """A place on the panel as a person would say it; `center_mm` as inspected."""
    thirds = [
        min(2, max(0, int(3 * at / side)))
        for at, side in zip(
            center_mm, (claim.artwork.width_mm, claim.artwork.height_mm), strict=True
        )
    ]
    across, down = _ACROSS[thirds[0]], _DOWN[thirds[1]]
    if (across, down) == ("middle", "middle"):
        return "in the middle of the picture"
    if across == "middle":
        return f"in the {down} part of the picture"
    if down == "middle":
        return f"in the {across} part of the picture, halfway up"
    return f"in the {down} {across} part of the picture"


def ground_row(ground: Ground, claim: Claim, words: ClaimFile) -> tuple[str, str, str]:
    """What was measured, the value and the limit, in words."""
    text = words.ground[ground.name].text
    limit = "" if ground.limit is None else _value(ground.limit, ground.unit, claim)
    return text, _value(ground.value, ground.unit, claim), limit


def _value(value: float, unit: str, claim: Claim) -> str:
    if unit == "mm":
        return _length(value, claim)
    if unit == "%":
        return f"{value:.0f} %"
    return f"ΔE00 {value:.1f}" if unit == "dE00" else value_unit(value, unit)


def _length(value_mm: float, claim: Claim) -> str:
    return length(value_mm * claim.length_factor, claim.size_known)


def names(claim: Claim) -> dict[str, str]:
    """What sentences may name in braces."""
    file, lies = claim.file, claim.lies
    names = {
        "width_px": f"{file.width_px}",
        "height_px": f"{file.height_px}",
        "pixel": _length(file.pixel_mm, claim),
        "detail": _length(file.detail_mm, claim),
        "lightness": f"{file.lightness:.0f}",
    }
    if lies is not None:
        names["where"] = where_words(claim, lies.center_mm)
        names["edge"] = _EDGES[lies.edge]
        names["past"] = _length(lies.past_edges_mm[lies.edge], claim)
    return names


def _finding_text(item: Finding, claim: Claim, words: ClaimFile) -> str:
    told = next(one for one in claim.told.findings if one.id == item.id)
    size = size_of(told, claim.size_known)
    long_mm = told.features.get("length_mm")
    if item.kind == "unexplained" and long_mm and told.features.get("elongation", 1.0) > _LINE:
        size = f"{length(long_mm, claim.size_known)} long"
    if _is_patch(claim):
        return words.letter["pale_patch"].text.format(size=size)
    return words.kind[item.kind].letter.format(
        size=size, shift=shift_of(told, claim.size_known) or ""
    )


def customer_answer(claim: Claim, words: ClaimFile) -> str:
    """The answer itself for the customer: one paragraph."""
    answer = claim.answer
    if answer.reason is not None:
        return words.cannot[answer.reason].letter
    if answer.finding is not None:
        return _finding_text(answer.finding, claim, words)
    if answer.kind is not None:
        says = words.kind[answer.kind].letter
        if answer.length_mm is None:
            return says.replace(", {size}", "")
        way = "wide" if answer.kind == "bare_edge" else "long"
        return says.format(size=f"{_length(answer.length_mm, claim)} {way}")
    text = words.answer[answer.code].letter
    return "" if text is None else text.format(**names(claim))


def letter(claim: Claim, words: ClaimFile) -> list[str]:
    """The answer to send, paragraph by paragraph, without greeting and name."""
    answer, says = claim.answer, words.letter
    count = len(claim.inspection.photos)
    opening = (
        says["opening_several"].text.format(count=count) if count > 1 else says["opening"].text
    )
    first = [opening]
    if claim.lies is not None and answer.reason != "outside":
        first.append(says["place"].text.format(**names(claim)))
    elif claim.pointed is None and claim.inspection.placement is not None:
        first.append(says["panel"].text)
    second = [customer_answer(claim, words)]
    item = answer.finding
    if item is not None and claim.lies is None and item.extent == "local":
        second.append(says["finding_place"].text.format(where=where_words(claim, item.center_mm)))
    if answer.code not in ("cannot_tell", "mark"):
        grade = "sure" if answer.sure >= SURE else "likely" if answer.sure >= _LIKELY else "guess"
        second.append(says[grade].text)
    paragraphs = [" ".join(first), " ".join(second)]
    also = [words.also[code].text.format(**names(claim)) for code in answer.also]
    if also:
        paragraphs.append(" ".join(also))
    # nobody asked about these, so that only what is sure and no light is told
    more = [
        one
        for one in other_findings(claim)
        if one.confidence >= SURE and not MAY_BE_LIGHT & set(one.doubts)
    ]
    if more:
        told = "" if item is None else finding_name(item)
        named = [_another(told) if finding_name(one) == told else _one(one) for one in more]
        unique = list(dict.fromkeys(named))[:_MOST_NAMED]
        paragraphs.append(says["more"].text.format(what=_listed(unique)))
    if answer.asks:
        wanted = [asked(claim, words)[n] for n in range(len(answer.asks))]
        lines = [f"- {one.title}: {one.text}" for one in wanted]
        paragraphs += [says["asks"].text, *lines, says["closing"].text]
    return paragraphs


def _one(item: Finding) -> str:
    name = _lower(finding_name(item))
    if name in _MASSES:
        return {"unexplained": "a mark without a name"}.get(name, name)
    return f"an {name}" if name[0] in "aeiou" else f"a {name}"


def _another(name: str) -> str:
    name = _lower(name)
    if name in _MASSES:
        return {"unexplained": "another mark without a name"}.get(name, f"more {name}")
    return f"another {name}"


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def other_findings(claim: Claim) -> list[Finding]:
    """Findings as inspected but those that the answer rests on or explains."""
    told = {item.id for item in (claim.answer.finding, claim.answer.explained) if item is not None}
    return [item for item in claim.inspection.findings if item.id not in told]


def asked(claim: Claim, words: ClaimFile) -> list[AskWords]:
    """The better photos that are asked for, in the order of the answer's `asks`."""
    return [words.ask[code] for code in claim.answer.asks]


def checked(claim: Claim, words: ClaimFile) -> list[str]:
    """What was looked at, as sentences."""
    says, told = words.checked, claim.told
    lines = [
        says["photo"].text.format(
            name=photo.file, width_px=photo.width_px, height_px=photo.height_px
        )
        for photo in told.photos
    ]
    lines += [note.text for note in claim.photo.notes if note.code == "bars_cut"]
    lines.append(says["file"].text.format(**names(claim)))
    placement, scale = claim.inspection.placement, told.capture.px_per_mm
    if placement is None or scale is None:
        lines.append(says["not_placed"].text)
        return lines
    lines.append(
        says["placed"].text.format(
            uncertainty=f"{placement.uncertainty_px:.2f}",
            scale=f"{scale:.1f}",
            unit="millimetre" if claim.size_known else "per cent of the width",
        )
    )
    lines.append(says["everywhere"].text.format(count=len(told.findings) or "nothing"))
    if claim.look is not None:
        lines.append(says["closer"].text)
    if len(told.photos) > 1:
        lines.append(says["several"].text.format(count=len(told.photos)))
    return lines


def unseen(claim: Claim, words: ClaimFile) -> list[str]:
    """What this photo cannot show, as sentences."""
    says, capture = words.unseen, claim.told.capture
    lines = []
    if capture.smallest_speck_mm is not None:
        value = length(capture.smallest_speck_mm, claim.size_known)
        lines.append(says["specks"].text.format(value=value))
    if capture.faintest_spot_de00 is not None:
        lines.append(says["spots"].text.format(value=f"{capture.faintest_spot_de00:.1f}"))
    if capture.hidden_fraction > 0:
        lines.append(says["hidden"].text.format(value=f"{100 * capture.hidden_fraction:.0f}"))
    placement = claim.inspection.placement
    if placement is not None and not placement.outline_seen:
        lines.append(says["outline"].text)
    if len(claim.inspection.photos) == 1:
        lines.append(says["one_photo"].text)
    if not claim.size_known:
        lines.append(says["size"].text.format(value=f"{words.limit.assumed_long_mm.value:.0f}"))
    return lines + [says[name].text for name in ("exposure", "colour", "touch", "when")]
