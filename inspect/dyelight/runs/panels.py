"""The panels of a run as its analyses read them: few numbers each, whatever the photos' size."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, cast, get_args

from ..errors import SettingsError
from ..judge.model_file import close_name
from ..records import DefectClass, Kind, Tone, VerdictWord
from .entries import Entry
from .manifest import read_rows
from .work import Row, read_result, result_path

_GRAVITY: tuple[DefectClass, ...] = ("minor", "major", "critical")
LOOKED = ("pass", "remake")


@dataclass(frozen=True, slots=True)
class Mark:
    """One finding. Places are mm on the panel, per cent of its width where no size is known."""

    kind: Kind
    tone: Tone
    whole: bool
    center_mm: tuple[float, float]
    severity: DefectClass
    confidence: float
    delta_e00: float
    vector_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """A person's look at a panel: what they ruled, who, and why."""

    verdict: Literal["pass", "remake"]
    by: str
    note: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel of a run after its inspection.

    `verdict` is the machine's, None where the panel failed (`error`) or was not drawn
    (`drawn` False). `gravest` is the class of the gravest finding that stands against the spec.
    `look` is a person's ruling, which counts in the verdict's place.
    """

    index: int
    panel_id: str
    verdict: VerdictWord | None
    gravest: DefectClass | None = None
    marks: tuple[Mark, ...] = ()
    error: str | None = None
    code: int = 0
    width_mm: float = 0.0
    height_mm: float = 0.0
    size_known: bool = True
    artwork: str = ""
    photo: str = ""
    hidden_fraction: float = 0.0
    facts: Mapping[str, str] = field(default_factory=dict)
    drawn: bool = True
    look: Look | None = None
    notes: tuple[str, ...] = ()

    @property
    def ruling(self) -> VerdictWord | None:
        """What counts: a person's look where there is one, else the machine's verdict."""
        return self.look.verdict if self.look is not None else self.verdict

    @property
    def undecided(self) -> bool:
        """Whether nobody can say yet what becomes of the panel."""
        return self.drawn and self.ruling in (None, "review", "retake")

    @property
    def usable(self) -> bool:
        """Whether the machine saw the panel well enough for its findings to count."""
        return self.verdict in ("pass", "review", "remake")

    @property
    def kinds(self) -> dict[Kind, int]:
        """How many findings there are of each kind that there is."""
        counts: dict[Kind, int] = {}
        for mark in self.marks:
            counts[mark.kind] = counts.get(mark.kind, 0) + 1
        return counts


def panel_of(entry: Entry, row: Row | None, out: Path) -> Panel:
    """A panel from its entry, its row (None: not drawn for the sample) and its result file."""
    plain = Panel(
        index=entry.index,
        panel_id=entry.panel_id,
        verdict=None,
        code=0 if row is None else row.code,
        error=None if row is None else row.error,
        width_mm=entry.width_mm or 0.0,
        height_mm=entry.height_mm or 0.0,
        size_known=entry.width_mm is not None,
        artwork=entry.artwork_name,
        photo="; ".join(entry.photo_names),
        facts=dict(entry.facts),
        drawn=row is not None,
    )
    if row is None or row.error is not None:
        return plain
    result = read_result(result_path(out, entry))
    if result is None:
        return replace(plain, error="its result was taken away while the run went on.", code=70)
    marks = tuple(_mark(finding) for finding in result["findings"])
    return replace(
        plain,
        verdict=cast(VerdictWord, result["verdict"]),
        gravest=_gravest(result),
        marks=marks,
        hidden_fraction=float(result["capture"]["hidden_fraction"]),
        notes=tuple(note["text"] for note in result["capture"]["notes"]),
    )


def _mark(finding: Mapping[str, Any]) -> Mark:
    # where no size was given, lengths stand in per cent of the width
    center = finding["center_mm"] or finding["center_pct"]
    vector = finding["vector_mm"] or finding.get("vector_pct")
    return Mark(
        kind=finding["kind"],
        tone=finding["tone"],
        whole=finding["extent"] == "panel",
        center_mm=(float(center[0]), float(center[1])),
        severity=finding["class"],
        confidence=float(finding["confidence"]),
        delta_e00=float(finding["delta_e00"]),
        vector_mm=None if vector is None else (float(vector[0]), float(vector[1])),
    )


def _gravest(result: Mapping[str, Any]) -> DefectClass | None:
    """The gravest class among findings that the verdict rests on; a stopped panel has one."""
    if result["verdict"] in ("pass", "retake"):
        return None
    against = {name for reading in result["verdict_because"] for name in reading["findings"]}
    classes = [item["class"] for item in result["findings"] if item["id"] in against]
    # a panel that is stopped by what was not seen carries no class of its own
    return max(classes, key=_GRAVITY.index) if classes else "major"


def read_looks(path: Path) -> dict[str, Look]:
    """What people ruled on panels that were pulled: a CSV with panel_id, verdict, by and note.

    The verdict is `pass` or `remake`. Raises UnreadableInput and SettingsError.
    """
    looks: dict[str, Look] = {}
    for line, row in read_rows(path):
        place = f"line {line}"
        missing = [name for name in ("panel_id", "verdict", "by") if not row.get(name)]
        if missing:
            raise SettingsError(f"{missing[0]} is missing.", file=path, place=place)
        if row["verdict"] not in LOOKED:
            raise SettingsError(
                f"{row['verdict']!r} is no ruling.",
                file=path,
                place=place,
                remedy=f"Write {' or '.join(LOOKED)}.",
            )
        if row["panel_id"] in looks:
            raise SettingsError(f"{row['panel_id']!r} is ruled on twice.", file=path, place=place)
        verdict: Literal["pass", "remake"] = "pass" if row["verdict"] == "pass" else "remake"
        looks[row["panel_id"]] = Look(verdict, row["by"], row.get("note", ""))
    return looks


def check_looks(looks: Mapping[str, Look], panel_ids: Sequence[str], path: Path) -> None:
    """SettingsError for a ruling on a panel that the run lacks."""
    known = set(panel_ids)
    for panel_id in looks:
        if panel_id not in known:
            raise SettingsError(
                f"the run has no panel {panel_id!r}.{close_name(panel_id, panel_ids)}",
                file=path,
                remedy="Correct or take away that line.",
            )


def with_looks(panels: Sequence[Panel], looks: Mapping[str, Look], path: Path) -> list[Panel]:
    """The panels with people's rulings; SettingsError for one on a panel that the run lacks."""
    check_looks(looks, [panel.panel_id for panel in panels], path)
    return [
        replace(panel, look=looks[panel.panel_id]) if panel.panel_id in looks else panel
        for panel in panels
    ]


VERDICTS: tuple[VerdictWord, ...] = get_args(VerdictWord)
