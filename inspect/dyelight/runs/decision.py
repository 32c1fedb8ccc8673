"""May the run ship: the panels' verdicts, people's looks and the sampling plans put together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from ..records import DefectClass
from .panels import Panel
from .sampling import Drawn, Plan, Severity
from .switching import Outcome

Word = Literal["ship", "ship_without", "hold", "reject"]
TITLES: Mapping[Word, str] = {
    "ship": "Ship",
    "ship_without": "Ship without some",
    "hold": "Hold",
    "reject": "Do not ship",
}


@dataclass(frozen=True, slots=True)
class Sampling:
    """How the sample was taken: one plan for each class, and the panels as they were drawn."""

    lot: int
    level: str
    severity: Severity
    because: str
    plans: Mapping[DefectClass, Plan]
    drawn: Drawn


@dataclass(frozen=True, slots=True)
class ClassResult:
    """What one class's plan says: panels of this class in its sample, and what that means."""

    kind: DefectClass
    plan: Plan
    bad: int
    undecided: int
    outcome: Outcome | Literal["undecided"]


@dataclass(frozen=True, slots=True)
class Decision:
    """Whether the run may ship, in a word and a sentence, and the panels that it speaks of.

    `pull` are the panels to take out, `press_again` those to make anew, `undecided` those that a
    person must look at or that need a new photo.
    """

    word: Word
    sentence: str
    pull: tuple[Panel, ...]
    press_again: tuple[Panel, ...]
    undecided: tuple[Panel, ...]
    classes: tuple[ClassResult, ...] = ()

    @property
    def outcome(self) -> Outcome | None:
        """What the lot counts as for switching; None while it is undecided or all were taken."""
        outcomes = [result.outcome for result in self.classes]
        if not outcomes or (self.word == "hold" and "rejected" not in outcomes):
            return None
        if "rejected" in outcomes:
            return "rejected"
        return "gap" if "gap" in outcomes else "accepted"


def gravest_class(panel: Panel) -> DefectClass | None:
    """The class that a panel counts in, after a person's look; None where it conforms."""
    if panel.ruling == "pass":
        return None
    if panel.look is not None:
        # a person who rejects a panel for what the machine passed gives it no class
        return panel.gravest or "major"
    return panel.gravest


def decide(panels: Sequence[Panel], sampling: Sampling | None) -> Decision:
    """Decide over a run; `panels` in the run's order, those not drawn among them."""
    drawn = [panel for panel in panels if panel.drawn]
    again = tuple(panel for panel in drawn if panel.ruling == "remake")
    undecided = tuple(panel for panel in drawn if panel.undecided)
    pull = tuple(panel for panel in drawn if panel.ruling != "pass")
    if sampling is None:
        word, sentence = _of_all(len(drawn), len(again), len(undecided))
        return Decision(word, sentence, pull, again, undecided)
    classes = tuple(
        _class_result(kind, plan, panels, sampling) for kind, plan in sampling.plans.items()
    )
    word, sentence = _of_sample(classes, sampling, len(again), len(undecided))
    return Decision(word, sentence, pull, again, undecided, classes)


def _of_all(count: int, again: int, undecided: int) -> tuple[Word, str]:
    if undecided:
        return "hold", (
            f"{_panels(undecided)} of {count} cannot be decided by the photos alone: look at "
            f"{'it' if undecided == 1 else 'them'} or take new photos. "
            f"{_panels(again)} must be made again."
        )
    if again == count:
        return "reject", f"{_panels(count).capitalize()} of {count} must be made again."
    if again:
        return "ship_without", (
            f"{_panels(count - again)} of {count} may ship; {_panels(again)} must be made again."
        )
    return "ship", f"{count} of {_panels(count)} may ship: all that there are."


def _of_sample(
    classes: Sequence[ClassResult], sampling: Sampling, again: int, undecided: int
) -> tuple[Word, str]:
    taken = f"{len(sampling.drawn.order)} of {sampling.lot} panels were taken"
    rejected = [result for result in classes if result.outcome == "rejected"]
    if rejected:
        reasons = "; ".join(
            f"{result.kind}: {result.bad}, rejected from {result.plan.reject} on"
            for result in rejected
        )
        return "reject", f"{taken}. The lot is rejected ({reasons}). Look at every panel of it."
    if any(result.outcome == "undecided" for result in classes):
        return "hold", (
            f"{taken}. {_panels(undecided)} of them cannot be decided by the photos alone, and "
            "the lot's acceptance hangs on them."
        )
    gap = " Inspection goes back to normal." if any(r.outcome == "gap" for r in classes) else ""
    left = f" {_panels(again + undecided)} found in the sample must not ship."
    if again or undecided:
        return "ship_without", f"{taken}. The lot is accepted.{left}{gap}"
    return "ship", f"{taken}. The lot is accepted.{gap}"


def _panels(count: int) -> str:
    return "no panel" if count == 0 else "1 panel" if count == 1 else f"{count} panels"


def _class_result(
    kind: DefectClass, plan: Plan, panels: Sequence[Panel], sampling: Sampling
) -> ClassResult:
    sample = [panels[place] for place in sampling.drawn.order[: plan.n]]
    bad = sum(gravest_class(panel) == kind and not panel.undecided for panel in sample)
    # a panel that waits for a person would count in its own class, one that was not seen in any
    undecided = sum(panel.undecided and panel.gravest in (kind, None) for panel in sample)
    outcome: Outcome | Literal["undecided"]
    if bad >= plan.reject:
        outcome = "rejected"
    elif bad + undecided <= plan.accept:
        outcome = "accepted"
    elif undecided:
        outcome = "undecided"
    else:
        # between the two numbers: only reduced plans have such a gap
        outcome = "gap"
    return ClassResult(kind, plan, bad, undecided, outcome)
