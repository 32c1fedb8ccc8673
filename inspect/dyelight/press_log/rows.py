"""Read the log as rows: one for each pressed panel, with all that is known of its pressing."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, func, select, true

from . import schema


@dataclass(frozen=True, slots=True)
class LoggedFinding:
    """A finding that stands: what was seen, as a person ruled it where one did.

    `x_mm`, `y_mm` is its centre on the panel as the artwork reads, None where that is not known.
    """

    code: str
    kind: str
    x_mm: float | None
    y_mm: float | None


@dataclass(frozen=True, slots=True)
class PanelRow:
    """One pressed panel, or a pressing without panels, where `panel_row` is None.

    Texts are "" and numbers None where nobody wrote them down.

    `probe_over_set_c` is by how much the press's last probe readings before lay over what was set,
    the mean over the platen. `fabric_use` is how often the vent fabric had been used with this
    pressing. `verdict` and `findings` are those of the last inspection as ruled since; `verdict`
    None: not looked at.
    """

    panel_row: int | None
    inspection_row: int | None
    pressing: str
    panel: str
    at: datetime
    press: str
    set_c: float | None
    true_c: float | None
    dwell_s: float | None
    pressure_kpa: float | None
    drying_s: float | None
    cleaned: bool | None
    stack: str
    back_print: bool | None
    operator: str
    fabric: str
    fabric_use: int | None
    fabric_limit: int | None
    transfer_paper: str
    transfer_paper_lot: str
    ink: str
    ink_lot: str
    cover_paper: str
    cover_paper_lot: str
    room_c: float | None
    room_humidity_pct: float | None
    job: str
    width_mm: float | None
    height_mm: float | None
    base: str
    finish: str
    lot: str
    x_mm: float | None
    y_mm: float | None
    quarter_turns: int
    face_up: bool
    verdict: str | None
    probe_over_set_c: float | None
    findings: tuple[LoggedFinding, ...]

    @property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of defect that stand, each once."""
        return tuple(dict.fromkeys(item.kind for item in self.findings))


@dataclass(frozen=True, slots=True)
class Filter:
    """Which rows are wanted; None and "" ask for nothing."""

    since: datetime | None = None
    until: datetime | None = None
    pressing: str = ""
    panel: str = ""
    press: str = ""
    operator: str = ""
    fabric: str = ""
    kind: str = ""
    verdict: str = ""
    job: str = ""
    last: int | None = None


@dataclass(frozen=True, slots=True)
class Columns:
    """The log column by column, one entry for each pressed panel, by time.

    `values` holds the fields of PanelRow without findings. `findings` maps a panel's row number to
    what stands on it; panels without findings are left out.
    """

    values: Mapping[str, Sequence[Any]]
    findings: Mapping[int, tuple[LoggedFinding, ...]]

    def __len__(self) -> int:
        """How many panels."""
        return len(self.values["panel_row"])


def read_rows(connection: Connection, wanted: Filter | None = None) -> list[PanelRow]:
    """The rows that a filter asks for, by time."""
    columns = read_columns(connection, wanted)
    names = list(columns.values)
    rows = []
    for cells in zip(*columns.values.values(), strict=True):
        values = dict(zip(names, cells, strict=True))
        rows.append(PanelRow(**values, findings=columns.findings.get(values["panel_row"], ())))
    return rows


def read_columns(connection: Connection, wanted: Filter | None = None) -> Columns:
    """The log, or the part of it that a filter asks for, column by column."""
    wanted = wanted or Filter()
    statement = _statement(wanted)
    names = [column.name for column in statement.selected_columns]
    found = connection.execute(statement).all()
    cells: Iterable[Sequence[Any]] = zip(*found, strict=True) if found else [[] for _ in names]
    values = {name: list(cell) for name, cell in zip(names, cells, strict=True)}
    if wanted.last is not None:
        values = {name: cell[::-1] for name, cell in values.items()}
    findings = _standing(connection, values)
    values["probe_over_set_c"] = _probed(connection, values)
    names_of = {
        "press": _names(connection, schema.press),
        "fabric": _names(connection, schema.vent_fabric),
    }
    for field, known in names_of.items():
        values[field] = [known.get(row, "") for row in values[field]]
    columns = Columns(values, findings)
    return _only(columns, wanted) if wanted.kind or wanted.verdict else columns


def _probed(connection: Connection, values: dict[str, list[Any]]) -> list[float | None]:
    """For each panel the offset of its press as last probed; `press` still holds row numbers."""
    done, point = schema.probe_set.c, schema.probe_point.c
    over = (
        select(done.press_id, done.at, (func.avg(point.true_c) - done.set_c).label("over"))
        .join(schema.probe_point, point.probe_set_id == done.id)
        .group_by(done.id, done.press_id, done.at, done.set_c)
        .order_by(done.at)
    )
    rounds: dict[int, tuple[list[datetime], list[float]]] = {}
    for row in connection.execute(over):
        times, offsets = rounds.setdefault(row.press_id, ([], []))
        times.append(row.at)
        offsets.append(float(row.over))
    if not rounds:
        return [None] * len(values["at"])
    found: list[float | None] = []
    for press, at in zip(values["press"], values["at"], strict=True):
        times, offsets = rounds.get(press, ([], []))
        before = bisect_right(times, at)
        found.append(offsets[before - 1] if before else None)
    return found


def _names(connection: Connection, table: Any) -> dict[int | None, str]:
    return {row.id: row.name for row in connection.execute(select(table.c.id, table.c.name))}


def _statement(wanted: Filter) -> Select[Any]:
    pressing, panel, stock = schema.pressing.c, schema.pressed_panel.c, schema.panel_stock.c
    fabric, press = schema.vent_fabric.c, schema.press.c
    supplies = {
        kind: schema.supply.alias(kind) for kind in ("transfer_paper", "ink", "cover_paper")
    }
    # a fabric's uses are counted from its pressings by time, so that no count can go wrong
    uses = select(
        pressing.id.label("id"),
        func.row_number()
        .over(partition_by=pressing.vent_fabric_id, order_by=(pressing.at, pressing.id))
        .label("nth"),
    ).where(pressing.vent_fabric_id.is_not(None))
    if wanted.fabric:
        uses = uses.join(schema.vent_fabric).where(fabric.name == wanted.fabric)
    counted = uses.subquery("uses")
    looked = schema.inspection
    last = (
        select(looked.c.pressed_panel_id, func.max(looked.c.id).label("id"))
        .group_by(looked.c.pressed_panel_id)
        .subquery("last")
    )
    plain = [
        pressing[name]
        for name in (
            "set_c", "true_c", "dwell_s", "pressure_kpa", "drying_s", "cleaned", "stack",
            "back_print", "operator", "room_c", "room_humidity_pct", "job",
        )
    ]  # fmt: skip
    source = (
        schema.pressing.outerjoin(schema.pressed_panel, panel.pressing_id == pressing.id)
        .outerjoin(schema.panel_stock, panel.panel_stock_id == stock.id)
        .outerjoin(schema.vent_fabric, pressing.vent_fabric_id == fabric.id)
        .outerjoin(counted, counted.c.id == pressing.id)
        .outerjoin(last, last.c.pressed_panel_id == panel.id)
        .outerjoin(looked, looked.c.id == last.c.id)
    )
    named = []
    for kind, table in supplies.items():
        source = source.outerjoin(table, pressing[f"{kind}_id"] == table.c.id)
        named += [
            func.coalesce(table.c.name, "").label(kind),
            func.coalesce(table.c.lot, "").label(f"{kind}_lot"),
        ]
    statement = select(
        panel.id.label("panel_row"),
        looked.c.id.label("inspection_row"),
        pressing.code.label("pressing"),
        func.coalesce(panel.code, "").label("panel"),
        pressing.at,
        pressing.press_id.label("press"),
        *plain,
        pressing.vent_fabric_id.label("fabric"),
        (fabric.uses_before + counted.c.nth).label("fabric_use"),
        fabric.uses_limit.label("fabric_limit"),
        *named,
        stock.width_mm,
        stock.height_mm,
        func.coalesce(stock.base, "").label("base"),
        func.coalesce(stock.finish, "").label("finish"),
        func.coalesce(stock.lot, "").label("lot"),
        panel.x_mm,
        panel.y_mm,
        func.coalesce(panel.quarter_turns, 0).label("quarter_turns"),
        func.coalesce(panel.face_up, true()).label("face_up"),
        looked.c.verdict,
    ).select_from(source)
    tests = {
        "pressing": pressing.code,
        "panel": panel.code,
        "operator": pressing.operator,
        "fabric": fabric.name,
        "job": pressing.job,
    }
    for name, column in tests.items():
        if getattr(wanted, name):
            statement = statement.where(column == getattr(wanted, name))
    if wanted.press:
        of_press = select(press.id).where(press.name == wanted.press).scalar_subquery()
        statement = statement.where(pressing.press_id == of_press)
    if wanted.since is not None:
        statement = statement.where(pressing.at >= wanted.since)
    if wanted.until is not None:
        statement = statement.where(pressing.at < wanted.until)
    if wanted.last is not None:
        order = (pressing.at.desc(), pressing.id.desc(), panel.id.desc())
        return statement.order_by(*order).limit(wanted.last)
    return statement.order_by(pressing.at, pressing.id, panel.id)


def _standing(
    connection: Connection, values: dict[str, list[Any]]
) -> dict[int, tuple[LoggedFinding, ...]]:
    """Findings of the last inspections as ruled; verdicts in `values` are set as ruled too."""
    panel_of = {
        row: panel
        for panel, row in zip(values["panel_row"], values["inspection_row"], strict=True)
        if row is not None
    }
    if not panel_of:
        return {}
    ruling, finding = schema.ruling.c, schema.finding.c
    ruled_verdict: dict[int, str] = {}
    ruled_finding: dict[int, str] = {}
    few = list(panel_of) if len(panel_of) <= 500 else None
    rulings = select(ruling.inspection_id, ruling.finding_id, ruling.ruled).order_by(ruling.id)
    seen = select(
        finding.id, finding.inspection_id, finding.code, finding.kind, finding.x_mm, finding.y_mm
    ).order_by(finding.id)
    if few is not None:
        rulings = rulings.where(ruling.inspection_id.in_(few))
        seen = seen.where(finding.inspection_id.in_(few))
    for row in connection.execute(rulings):
        if row.finding_id is None:
            ruled_verdict[row.inspection_id] = row.ruled
        else:
            ruled_finding[row.finding_id] = row.ruled
    if ruled_verdict:
        values["verdict"] = [
            ruled_verdict.get(row, word)
            for row, word in zip(values["inspection_row"], values["verdict"], strict=True)
        ]
    stands: dict[int, list[LoggedFinding]] = {}
    for item in connection.execute(seen):
        panel = panel_of.get(item.inspection_id)
        kind = ruled_finding.get(item.id, item.kind)
        if panel is not None and kind != "nothing":
            stands.setdefault(panel, []).append(
                LoggedFinding(item.code, kind, item.x_mm, item.y_mm)
            )
    return {panel: tuple(items) for panel, items in stands.items()}


def _only(columns: Columns, wanted: Filter) -> Columns:
    kept = [
        index
        for index, (panel, verdict) in enumerate(
            zip(columns.values["panel_row"], columns.values["verdict"], strict=True)
        )
        if (not wanted.verdict or verdict == wanted.verdict)
        and (
            not wanted.kind
            or any(item.kind == wanted.kind for item in columns.findings.get(panel, ()))
        )
    ]
    return Columns(
        {name: [cells[index] for index in kept] for name, cells in columns.values.items()},
        columns.findings,
    )
