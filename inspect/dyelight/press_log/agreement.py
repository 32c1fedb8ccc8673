"""How often the tool was right: what people ruled on its verdicts and findings, and what it missed.

Only inspections of photos count, and of each verdict or finding only the last ruling. A finding
that a person added has the code m1, m2, ...: the tool had not seen it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from sqlalchemy import Connection, func, insert, select

from ..errors import SettingsError
from ..records import Kind
from . import schema
from .entries import RulingEntry, SeenDefect, checked
from .writing import write_ruling

MISSED = "m"
_DECIDED = ("pass", "remake")


@dataclass(frozen=True, slots=True)
class Agreement:
    """Counts over the whole log.

    `verdicts` maps (said, ruled) to how many; `findings` maps (kind said, kind ruled or "nothing")
    to how many; `missed` maps kinds to findings that people added and that stand.
    """

    verdicts: dict[tuple[str, str], int]
    findings: dict[tuple[str, str], int]
    missed: dict[str, int]

    @property
    def decided(self) -> int:
        """Verdicts of pass or remake that a person ruled on."""
        return sum(count for (said, _), count in self.verdicts.items() if said in _DECIDED)

    @property
    def decided_right(self) -> int:
        """Those of them that stood."""
        return sum(self.verdicts.get((word, word), 0) for word in _DECIDED)

    @property
    def handed_over(self) -> int:
        """Verdicts of review that a person decided: there the tool had asked."""
        return sum(count for (said, _), count in self.verdicts.items() if said == "review")

    @property
    def ruled_findings(self) -> int:
        """Findings of the tool that a person ruled on."""
        return sum(self.findings.values())

    @property
    def right_findings(self) -> int:
        """Those of them that stood with their kind."""
        return sum(count for (said, ruled), count in self.findings.items() if said == ruled)

    @property
    def empty_findings(self) -> int:
        """Those of them where nothing was."""
        return sum(count for (_, ruled), count in self.findings.items() if ruled == "nothing")


def read_agreement(connection: Connection) -> Agreement:
    """Count what was ruled."""
    ruling, looked, finding = schema.ruling.c, schema.inspection.c, schema.finding.c
    last = select(func.max(ruling.id)).group_by(
        ruling.inspection_id, func.coalesce(ruling.finding_id, -1)
    )
    rows = connection.execute(
        select(looked.verdict, finding.code, finding.kind, ruling.ruled)
        .select_from(
            schema.ruling.join(schema.inspection, ruling.inspection_id == looked.id).outerjoin(
                schema.finding, ruling.finding_id == finding.id
            )
        )
        .where(looked.source == "photo", ruling.id.in_(last))
    )
    verdicts: Counter[tuple[str, str]] = Counter()
    findings: Counter[tuple[str, str]] = Counter()
    missed: Counter[str] = Counter()
    for verdict, code, kind, ruled in rows:
        if code is None:
            verdicts[verdict, ruled] += 1
        elif not code.startswith(MISSED):
            findings[kind, ruled] += 1
        elif ruled != "nothing":
            missed[ruled] += 1
    return Agreement(dict(verdicts), dict(findings), dict(missed))


def write_missed(
    connection: Connection,
    inspection: int,
    kind: Kind,
    place_mm: tuple[float, float] | None,
    *,
    why: str,
    by: str,
) -> str:
    """Write a finding that the tool missed, as a ruling; its code. SettingsError as for rulings."""
    table = schema.finding
    known = connection.execute(
        select(schema.inspection.c.id).where(schema.inspection.c.id == inspection)
    ).first()
    if known is None:
        raise SettingsError(f"the log holds no inspection {inspection}.")
    codes = connection.execute(
        select(table.c.code).where(table.c.inspection_id == inspection)
    ).scalars()
    code = f"{MISSED}{1 + sum(item.startswith(MISSED) for item in codes)}"
    values = {
        "code": code,
        "kind": kind,
        "x_mm": None if place_mm is None else place_mm[0],
        "y_mm": None if place_mm is None else place_mm[1],
    }
    seen = checked(SeenDefect, values, place="the missed finding")
    connection.execute(insert(table).values(inspection_id=inspection, **seen.model_dump()))
    entry = checked(
        RulingEntry,
        {"finding": code, "ruled": kind, "why": why, "by": by},
        place="the missed finding",
    )
    write_ruling(connection, inspection, entry, agreed=False)
    return code
