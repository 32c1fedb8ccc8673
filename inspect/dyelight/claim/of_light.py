"""Where light lies over a place, or hides it."""

from __future__ import annotations

from dataclasses import replace

from ..records import Finding
from .answer_file import ClaimFile
from .made import as_sure_as_shown, cannot, make_answer, sure_of
from .measures import Lies, Look
from .of_picture import agrees, cut_edge
from .records import Answer, Evidence, Ground


def as_light(item: Finding, evidence: Evidence, look: Look, words: ClaimFile) -> Answer | None:
    """A reflection, where a pale patch keeps its detail as under added light, or where a broad
    zone that may be light is far brighter than its surroundings."""
    limit = words.limit
    likeness = item.features.get("reflection_likeness", 0.0)
    added = Ground("light_added", 100 * look.light_added, "%")
    # light is added and never taken away: what has a dark side is no reflection
    pale = item.features.get("opposite_lobe", 0.0) < limit.patch_lobe.value
    if pale and "may_be_reflection" in item.doubts and likeness >= limit.reflection_likeness.value:
        grounds = [
            Ground("reflection_likeness", likeness, "1", limit.reflection_likeness.value),
            added,
        ]
    elif (
        item.kind == "uneven_press"
        and "may_be_light" in item.doubts
        and look.light_added >= limit.hidden_light.value
        and agrees(look, words)
    ):
        grounds = [
            replace(added, limit=100 * limit.hidden_light.value),
            Ground("unlike", look.unlike, "1", limit.own_unlike.value),
        ]
    else:
        return None
    sure = min(sure_of(words, "reflection"), limit.doubtful_sure.value)
    answer = make_answer(
        "reflection", sure, grounds, evidence, words, also=["moves"], asks=["another_place"]
    )
    return replace(answer, explained=item)


def of_light(evidence: Evidence, lies: Lies, look: Look, words: ClaimFile) -> Answer | None:
    """A reflection, or a place that light or the frame hides."""
    limit = words.limit
    added = Ground("light_added", 100 * look.light_added, "%", 100 * limit.light_added.value)
    hidden = Ground("hidden", 100 * look.hidden, "%", 100 * limit.most_hidden.value)
    reflected = Ground("reflected", 100 * look.reflected, "%", 100 * limit.reflected.value)
    sure = as_sure_as_shown(sure_of(words, "reflection"), look, words)
    if look.hidden >= limit.most_hidden.value:
        clipped = Ground(
            "bright_clipped", 100 * look.bright_clipped, "%", 100 * limit.bright_clipped.value
        )
        if look.bright_clipped >= limit.bright_clipped.value:
            # a lamp burns out a patch; exposure alone burns out all that is as bright
            return cannot("hidden", (hidden, clipped), evidence, words)
        if look.light_added < limit.hidden_light.value:
            edge = None if look.over_white > 0 else cut_edge(evidence, lies, words)
            return edge or cannot("hidden", (hidden, added), evidence, words)
        grounds = [hidden, added]
        if look.light_added < limit.plain_light.value:
            sure = min(sure, limit.doubtful_sure.value)
    elif look.reflected >= limit.reflected.value:
        grounds = [reflected, added, Ground("likeness", look.likeness, "1")]
        detail = look.file_snr >= limit.own_contrast.value and agrees(look, words)
        proven = detail or look.over_white >= limit.reflected.value
        proven &= in_thrown_light(look, words)
        if not proven or lies.edge_mm <= limit.edge_reach_mm.value:
            # lost dye in a flat part, or bare bright metal at an edge, looks much like light
            sure = min(sure, limit.doubtful_sure.value)
    elif (
        (look.light_added >= limit.light_added.value or is_veiled(look, words))
        and agrees(look, words)
        and lies.edge_mm > limit.edge_reach_mm.value
    ):
        grounds = [added, Ground("unlike", look.unlike, "1", limit.own_unlike.value)]
        sure = min(sure, limit.doubtful_sure.value)
    else:
        return None
    return make_answer(
        "reflection", sure, grounds, evidence, words, also=["moves"], asks=["another_place"]
    )


def in_thrown_light(look: Look, words: ClaimFile) -> bool:
    """Whether the place lies in a patch of thrown-back light, and not just at its faint hem."""
    limit = words.limit
    bright = look.light_added >= limit.light_added.value
    return look.reflected >= limit.reflected.value and bright


def is_veiled(look: Look, words: ClaimFile) -> bool:
    """Whether little light makes a place plainly lighter, as it does where the print is dark."""
    limit = words.limit
    lighter = look.delta_l >= limit.veiled_l.value
    return lighter and look.light_added >= limit.faint_light.value
