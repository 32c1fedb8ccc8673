"""The whole log in counts, made by the database: what a long log is too long to be read for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, Subquery, func, select

from . import schema


@dataclass(frozen=True, slots=True)
class Summary:
    """Counts over the whole log; results as ruled.

    `days` holds (day as 2026-03-02, verdict or None, panels), `kinds` (kind, panels that show it),
    the most frequent first. `missing` maps fields of a pressing or panel to the number of pressings
    or panels on which they were not written down.
    """

    pressings: int
    panels: int
    first: datetime | None
    last: datetime | None
    days: tuple[tuple[str, str | None, int], ...]
    kinds: tuple[tuple[str, int], ...]
    missing: dict[str, int]


def read_summary(connection: Connection, asked: Sequence[str]) -> Summary:
    """Count; `asked` are columns of pressings or of pressed panels to count the gaps of."""
    pressing, panel = schema.pressing.c, schema.pressed_panel.c
    pressings, first, last = connection.execute(
        select(func.count(), func.min(pressing.at), func.max(pressing.at))
    ).one()
    panels = connection.execute(select(func.count(panel.id))).scalar_one()
    standing = _standing_inspections()
    day = func.date(pressing.at)
    counted = connection.execute(
        select(day, standing.c.verdict, func.count())
        .select_from(
            schema.pressed_panel.join(schema.pressing, panel.pressing_id == pressing.id).outerjoin(
                standing, standing.c.pressed_panel_id == panel.id
            )
        )
        .group_by(day, standing.c.verdict)
        .order_by(day)
    )
    days = tuple((str(when), verdict, int(count)) for when, verdict, count in counted)
    missing = {}
    for name in asked:
        table = schema.pressing if name in pressing else schema.pressed_panel
        column = table.c[name]
        gap = (
            column.is_(None) | (column == "")
            if column.type.python_type is str
            else column.is_(None)
        )
        missing[name] = int(
            connection.execute(select(func.count()).select_from(table).where(gap)).scalar_one()
        )
    return Summary(
        int(pressings), int(panels), first, last, days, _kinds(connection, standing), missing
    )


def _last_rulings(finding: bool) -> Subquery:
    """The last ruling on each verdict, or on each finding."""
    ruling = schema.ruling.c
    of = ruling.finding_id if finding else ruling.inspection_id
    asked = ruling.finding_id.is_not(None) if finding else ruling.finding_id.is_(None)
    last = select(func.max(ruling.id)).where(asked).group_by(of)
    return select(of.label("of"), ruling.ruled).where(ruling.id.in_(last)).subquery()


def _standing_inspections() -> Subquery:
    """Each panel's last inspection with its verdict as ruled."""
    looked = schema.inspection.c
    last = select(func.max(looked.id)).group_by(looked.pressed_panel_id)
    ruled = _last_rulings(False)
    return (
        select(
            looked.id,
            looked.pressed_panel_id,
            func.coalesce(ruled.c.ruled, looked.verdict).label("verdict"),
        )
        .select_from(schema.inspection.outerjoin(ruled, ruled.c.of == looked.id))
        .where(looked.id.in_(last))
        .subquery()
    )


def _kinds(connection: Connection, standing: Subquery) -> tuple[tuple[str, int], ...]:
    finding = schema.finding.c
    ruled = _last_rulings(True)
    kind = func.coalesce(ruled.c.ruled, finding.kind)
    panels = func.count(func.distinct(standing.c.pressed_panel_id))
    rows = connection.execute(
        select(kind, panels)
        .select_from(
            schema.finding.join(standing, standing.c.id == finding.inspection_id).outerjoin(
                ruled, ruled.c.of == finding.id
            )
        )
        .where(kind != "nothing", standing.c.verdict.in_(("pass", "review", "remake")))
        .group_by(kind)
        .order_by(panels.desc(), kind)
    )
    return tuple((str(name), int(count)) for name, count in rows)
