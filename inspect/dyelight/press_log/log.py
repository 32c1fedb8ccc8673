"""The press log: everything that can be written into it, one transaction each."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import func, insert, select, update

from ..errors import SettingsError
from ..judge.model_file import close_name
from ..records import Inspection, Kind
from . import schema
from .database import Database
from .entries import (
    FabricEntry,
    NoteEntry,
    PressingEntry,
    ProbeEntry,
    RulingEntry,
    SeenDefect,
    WindowEntry,
    checked,
    now,
)
from .exchange import Reading
from .names import Names
from .rows import Columns, Filter, PanelRow, read_columns, read_rows
from .story import Story, read_story
from .writing import (
    Json,
    insert_row,
    panel_of,
    pressing_id,
    read_state,
    without_taken,
    write_inspection,
    write_pressing,
    write_ruling,
)


class PressLog:
    """One open press log. Use it as a context manager.

    `where` is a file name (SQLite) or an address (`postgresql://user@host/name`). A log that does
    not exist is made, unless `create` is False. Every method is one transaction: all of it is kept
    or nothing. Raises SettingsError for values the log does not take, UnreadableInput for a log of
    a newer version or no log, OutputError where it cannot be written; each says what to do.
    """

    def __init__(self, where: str | Path, *, create: bool = True) -> None:
        self.database = Database(where, create=create)

    def __enter__(self) -> Self:
        """The log itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        self.close()

    def close(self) -> None:
        """Let go of every connection."""
        self.database.close()

    # pressings

    def add_pressing(self, entry: PressingEntry) -> int:
        """Write one pressing with its panels and their results; its row number."""
        return self.add_pressings((entry,))[0]

    def add_pressings(self, entries: Iterable[PressingEntry]) -> list[int]:
        """Write many pressings in one transaction; their row numbers.

        SettingsError, and nothing written, where a code is in the log already.
        """
        with self.database.writing() as connection:
            names = Names(connection)
            return [write_pressing(connection, names, entry) for entry in entries]

    def import_entries(self, reading: Reading, *, partial: bool = False) -> int:
        """Write the pressings that a file holds, in one transaction; how many.

        Numbers that the log or the file holds already are added to `reading.bad`. Where any row is
        bad nothing is written, unless `partial` asks for the good ones.
        """
        with self.database.writing() as connection:
            good = without_taken(connection, reading)
            if reading.bad and not partial:
                return 0
            names = Names(connection)
            for entry in good:
                write_pressing(connection, names, entry)
            return len(good)

    def add_note(self, pressing: str, text: str, *, by: str = "") -> None:
        """Write a note beside a pressing, named by its code; SettingsError for an empty one."""
        entry = checked(NoteEntry, {"text": text, "by": by}, place="the note")
        with self.database.writing() as connection:
            row = pressing_id(connection, pressing)
            connection.execute(
                insert(schema.note).values(pressing_id=row, at=now(), by=entry.by, text=entry.text)
            )

    def amend(
        self, pressing: str, changes: Mapping[str, Json], *, why: str = "", by: str = ""
    ) -> None:
        """Change values of a pressing; the old ones stay in the log as amendments.

        `changes` maps fields of PressingEntry (without code, note and panels) to new values.
        """
        from .amending import amend_pressing

        with self.database.writing() as connection:
            amend_pressing(connection, pressing, changes, why=why, by=by)

    # inspections and rulings

    def panel_of(self, pressing: str, panel: str = "") -> int:
        """The row number of a panel in a pressing, for `add_inspection`.

        `panel` is the panel's code; "" will do where the pressing holds one panel. A panel that the
        pressing does not hold yet is added to it. SettingsError where it is not clear which.
        """
        with self.database.writing() as connection:
            return panel_of(connection, pressing_id(connection, pressing), pressing, panel)

    def find_panel(self, code: str) -> int | None:
        """The row number of the panel with this code, pressed last; None where there is none."""
        table = schema.pressed_panel
        with self.database.reading() as connection:
            row = connection.execute(
                select(func.max(table.c.id)).where(table.c.code == code)
            ).scalar_one()
        return None if row is None else int(row)

    def add_inspection(
        self,
        panel: int,
        inspection: Inspection,
        *,
        at: datetime | None = None,
        result_json: str | None = None,
    ) -> int:
        """Write an inspection of a pressed panel, with photos' hashes and findings; its number.

        `panel` is what `panel_of`, `find_panel` or `panels_of` gave. `result_json` is the whole
        result to keep beside it, as `report.result_json.result_text` makes it; None keeps none.
        """
        seen = [
            SeenDefect(
                code=item.id,
                kind=item.kind,
                severity=item.severity,
                confidence=min(max(item.confidence, 0.0), 1.0),
                x_mm=item.center_mm[0] if _placed(inspection, item.extent) else None,
                y_mm=item.center_mm[1] if _placed(inspection, item.extent) else None,
            )
            for item in inspection.findings
        ]
        with self.database.writing() as connection:
            row = write_inspection(
                connection,
                panel,
                source="photo",
                verdict=inspection.verdict.word,
                findings=seen,
                at=at or now(),
                artwork_sha256=inspection.panel.sha256,
                rules_sha256=inspection.rules_sha256,
                tool_version=inspection.tool_version,
                result_json=result_json,
            )
            for photo in inspection.photos:
                connection.execute(
                    insert(schema.inspection_photo).values(
                        inspection_id=row, file=photo.file, sha256=photo.sha256
                    )
                )
        return row

    def panels_of(self, pressing: str) -> dict[str, int]:
        """The panels of a pressing: code -> row number, in the order they were entered."""
        table = schema.pressed_panel
        with self.database.reading() as connection:
            row = pressing_id(connection, pressing)
            found = connection.execute(
                select(table.c.code, table.c.id)
                .where(table.c.pressing_id == row)
                .order_by(table.c.id)
            )
            return {str(row.code): int(row.id) for row in found}

    def last_inspection(self, panel: int) -> int | None:
        """The number of a panel's last inspection, None where it was never looked at."""
        table = schema.inspection
        with self.database.reading() as connection:
            row = connection.execute(
                select(func.max(table.c.id)).where(table.c.pressed_panel_id == panel)
            ).scalar_one()
        return None if row is None else int(row)

    def add_ruling(self, inspection: int, entry: RulingEntry) -> None:
        """Write what a person says of an inspection's verdict or of one of its findings."""
        with self.database.writing() as connection:
            write_ruling(connection, inspection, entry)

    def add_missed(
        self,
        inspection: int,
        kind: Kind,
        place_mm: tuple[float, float] | None,
        *,
        why: str = "",
        by: str = "",
    ) -> str:
        """Write a finding that an inspection missed and a person saw; its code, as m1.

        `place_mm` is its middle on the panel as the artwork reads, None where that is not known.
        """
        from .agreement import write_missed

        with self.database.writing() as connection:
            return write_missed(connection, inspection, kind, place_mm, why=why, by=by)

    def inspection_of(self, panel: int, photo_sha256: str) -> int | None:
        """The number of a panel's inspection by this photo, None where there is none."""
        table, photo = schema.inspection, schema.inspection_photo
        with self.database.reading() as connection:
            row = connection.execute(
                select(func.max(table.c.id))
                .join(photo, photo.c.inspection_id == table.c.id)
                .where(table.c.pressed_panel_id == panel, photo.c.sha256 == photo_sha256)
            ).scalar_one()
        return None if row is None else int(row)

    # reading

    def code_of(self, row: int) -> str:
        """The number of the pressing in this row."""
        table = schema.pressing
        with self.database.reading() as connection:
            return str(
                connection.execute(select(table.c.code).where(table.c.id == row)).scalar_one()
            )

    def story(self, pressing: str) -> Story:
        """All that was ever written about one pressing; SettingsError where there is none."""
        with self.database.reading() as connection:
            return read_story(connection, pressing)

    def notes(self) -> dict[str, str]:
        """The notes beside each pressing, by its number, one after the other."""
        found: dict[str, list[str]] = {}
        with self.database.reading() as connection:
            statement = (
                select(schema.pressing.c.code, schema.note.c.text)
                .join(schema.note, schema.note.c.pressing_id == schema.pressing.c.id)
                .order_by(schema.note.c.id)
            )
            for row in connection.execute(statement):
                found.setdefault(row.code, []).append(row.text)
        return {code: "; ".join(texts) for code, texts in found.items()}

    def rows(self, wanted: Filter | None = None) -> list[PanelRow]:
        """One row for each pressed panel that a filter asks for, by time; None asks for all."""
        with self.database.reading() as connection:
            return read_rows(connection, wanted)

    def columns(self, wanted: Filter | None = None) -> Columns:
        """The same as `rows`, column by column: what statistics over the whole log start from."""
        with self.database.reading() as connection:
            return read_columns(connection, wanted)

    # presses, windows, fabrics

    def add_probe_readings(self, entry: ProbeEntry) -> int:
        """Write one round of probe readings; its number."""
        with self.database.writing() as connection:
            row = insert_row(
                connection,
                schema.probe_set,
                press_id=Names(connection).press(entry.press),
                at=entry.at,
                set_c=entry.set_c,
                by=entry.by,
                notes=entry.note,
            )
            for point in entry.points:
                insert_row(connection, schema.probe_point, probe_set_id=row, **point.model_dump())
        return row

    def set_platen(self, press: str, width_mm: float, depth_mm: float) -> None:
        """Write how large a press's platen is; the press is added where the log lacks it."""
        with self.database.writing() as connection:
            row = Names(connection).press(press)
            connection.execute(
                update(schema.press)
                .where(schema.press.c.id == row)
                .values(platen_width_mm=width_mm, platen_depth_mm=depth_mm)
            )

    def add_window(self, entry: WindowEntry) -> int:
        """Write a maker's posted window; a later one for the same panel takes its place."""
        with self.database.writing() as connection:
            return insert_row(connection, schema.heat_window, at=now(), **entry.model_dump())

    def set_fabric(self, entry: FabricEntry) -> None:
        """Write a vent fabric; where the log knows the name, size and limit are written anew.

        The uses that it has had in the log stay counted.
        """
        table = schema.vent_fabric
        values = entry.model_dump()
        values["notes"] = values.pop("note")
        with self.database.writing() as connection:
            row = Names(connection).fabric(entry.name)
            connection.execute(update(table).where(table.c.id == row).values(**values))

    def retire_fabric(self, name: str, *, at: datetime | None = None) -> None:
        """Mark a vent fabric as thrown away."""
        table = schema.vent_fabric
        with self.database.writing() as connection:
            names = list(connection.execute(select(table.c.name)).scalars())
            if name not in names:
                raise SettingsError(
                    f"the log knows no vent fabric {name!r}.{close_name(name, names)}",
                    file=self.database.name,
                )
            connection.execute(
                update(table).where(table.c.name == name).values(retired_at=at or now())
            )

    # state that other parts keep here

    def state(self, scope: str, key: str) -> Json | None:
        """What was kept under a scope (as "buyer:Northgate") and a key; None where nothing was."""
        with self.database.reading() as connection:
            return read_state(connection, scope, key)

    def set_state(self, scope: str, key: str, value: Json) -> None:
        """Keep a value under a scope and a key, in the place of the old one."""
        self.update_state(scope, key, lambda _: value)

    def update_state(self, scope: str, key: str, change: Callable[[Json | None], Json]) -> Json:
        """Read, change and keep a value in one transaction; the new value.

        Two programs at once come one after the other, so that no change is lost. Old values stay in
        the log as amendments.
        """
        from .amending import keep_old

        table = schema.shared_state
        with self.database.writing() as connection:
            self.database.lock(connection, f"{scope}\n{key}")
            found = connection.execute(
                select(table.c.id, table.c.value_json).where(
                    table.c.scope == scope, table.c.key == key
                )
            ).one_or_none()
            value = change(None if found is None else json.loads(found.value_json))
            kept = json.dumps(value)
            if found is None:
                insert_row(connection, table, scope=scope, key=key, value_json=kept, at=now())
            elif kept != found.value_json:
                keep_old(connection, table, found.id, "value_json", found.value_json, kept)
                connection.execute(
                    update(table).where(table.c.id == found.id).values(value_json=kept, at=now())
                )
        return value


def _placed(inspection: Inspection, extent: str) -> bool:
    return inspection.panel.size_known and extent == "local"
