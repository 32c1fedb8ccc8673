"""Cases of customers in the press log: keep, show, list what is due, forget.

Rows lie in the log, copies of photos in a folder: beside a log in a file, under the usual place of
this machine for a log on a server. So a backup of the log holds no customer's pictures. Photos are
written and removed under the log's own lock. Where a program dies in `forget`, the same again ends
the work; what it left in `keep` is a photo without a row, which `strays` finds.
"""

from __future__ import annotations

import platform
import shlex
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import date, datetime, timedelta
from pathlib import Path

from sqlalchemy import Connection, delete, func, insert, select, update

from ..errors import OutputError, SettingsError
from ..judge.model_file import close_name
from . import schema
from .case_folder import lies_there, new_photo, remove_files, write_photo
from .case_records import (
    AnswerEntry,
    Case,
    CaseAnswer,
    CaseOutput,
    CasePhoto,
    DueCase,
    Forgotten,
    ReceivedPhoto,
)
from .database import Database
from .entries import now
from .erasing import clear_remains
from .writing import insert_row

FOLDER_END = ".cases"
_PENDING = {"scope": "cases", "key": "remains"}  # rows were deleted, the files not yet cleared


def today() -> date:
    """The day on this machine's clock."""
    return datetime.now().astimezone().date()


class CaseFiles:
    """The cases of one open log. `usual_log` is where a log would lie on this machine.

    Raises SettingsError for a case that is not there and for values the log does not take,
    OutputError where something cannot be written or removed; each says what to do.
    """

    def __init__(self, database: Database, usual_log: Path) -> None:
        self._database = database
        place = database.file or usual_log
        self.folder = place.absolute().with_name(place.name + FOLDER_END)

    def keep(
        self,
        name: str,
        entry: AnswerEntry,
        photos: Sequence[ReceivedPhoto],
        outputs: Sequence[CaseOutput] = (),
        *,
        delete_by: date | None,
        days: int,
    ) -> Case:
        """Add an answer to a case, which is opened where it is new; the case as it is then.

        Photos are kept only where the entry has the customer's consent. `delete_by` None leaves
        the day as it is, or sets it `days` from today for a new case.
        """
        written: list[Path] = []
        try:
            with self._locked() as connection:
                case = self._opened(connection, name, delete_by, days)
                answer = insert_row(
                    connection,
                    schema.claim_answer,
                    claim_case_id=case,
                    at=now(),
                    machine=platform.node(),
                    **entry.model_dump(),
                )
                for photo in photos:
                    kept = ""
                    if entry.consent and photo.png is not None:
                        path = new_photo(self.folder)
                        written.append(path)
                        write_photo(path, photo.png)
                        kept = path.name
                    connection.execute(
                        insert(schema.claim_photo).values(
                            claim_answer_id=answer, file=photo.file, sha256=photo.sha256, kept=kept
                        )
                    )
                for output in outputs:
                    connection.execute(
                        insert(schema.claim_output).values(
                            claim_answer_id=answer, path=str(output.path), sha256=output.sha256
                        )
                    )
        except BaseException:
            for path in written:
                path.unlink(missing_ok=True)
            raise
        return self.show(name)

    def show(self, name: str) -> Case:
        """One case with all its answers."""
        with self._database.reading() as connection:
            return self._read(connection, name)

    def set_delete_by(self, name: str, day: date) -> None:
        """Set the day that a case is to be deleted by."""
        with self._locked() as connection:
            row = self._case_id(connection, name)
            table = schema.claim_case
            connection.execute(update(table).where(table.c.id == row).values(delete_by=day))

    def set_sent_letter(self, name: str, letter: str) -> None:
        """Note the letter that was sent for a case's last answer."""
        with self._locked() as connection:
            table = schema.claim_answer
            last = select(func.max(table.c.id)).where(
                table.c.claim_case_id == self._case_id(connection, name)
            )
            connection.execute(
                update(table).where(table.c.id == last.scalar_subquery()).values(sent_letter=letter)
            )

    def due(self, day: date | None = None) -> list[DueCase]:
        """Cases to be deleted by `day` (None: today) or before it, the oldest first."""
        case, answer, photo = schema.claim_case, schema.claim_answer, schema.claim_photo
        statement = (
            select(case.c.name, case.c.delete_by, func.count(photo.c.id))
            .outerjoin(answer, answer.c.claim_case_id == case.c.id)
            .outerjoin(photo, (photo.c.claim_answer_id == answer.c.id) & (photo.c.kept != ""))
            .where(case.c.delete_by <= (day or today()))
            .group_by(case.c.id, case.c.name, case.c.delete_by)
            .order_by(case.c.delete_by, case.c.name)
        )
        with self._database.reading() as connection:
            return [DueCase(*row) for row in connection.execute(statement)]

    def strays(self) -> list[Path]:
        """Photos in the folder that no case names, left by a restore or a program that died.

        None for a log on a server: several logs there may share the folder of one machine.
        """
        if self._database.file is None or not self.folder.is_dir():
            return []
        with self._locked() as connection:
            named = set(connection.execute(select(schema.claim_photo.c.kept)).scalars())
            return sorted(path for path in self.folder.glob("*.png") if path.name not in named)

    def forget(self, name: str) -> Forgotten:
        """Remove a case: rows, photos, files that were written for it, and remains of the rows.

        A file that was changed since, or lies on another machine, is left and named. Where photos
        lie on another machine nothing is removed: SettingsError. Run again after a failure it goes
        on, also where rows are gone and only their remains are not.
        """
        removed: list[Path] = []
        left: list[tuple[Path, str]] = []
        with self._locked() as connection:
            pending = self._pending(connection)
            held = self._holds(connection, name)
            if held or not pending:
                case = self._read(connection, name)
                self._refuse_elsewhere(case)
                remove_files(case, removed, left)
                _delete_rows(connection, self._case_id(connection, name))
                if not pending:
                    insert_row(
                        connection, schema.shared_state, **_PENDING, value_json="true", at=now()
                    )
        self._clear(name)
        with suppress(OSError):
            # other cases' photos keep it
            self.folder.rmdir()
        return Forgotten(held, tuple(removed), tuple(left))

    def _clear(self, name: str) -> None:
        try:
            clear_remains(self._database)
        except OutputError as trouble:
            raise OutputError(
                f"rows and photos of the case are removed, but the log's files could not be "
                f"cleared of what deleted rows leave: {trouble.trouble}",
                file=self._database.name,
                remedy="End other programs that use the log and run `dyelight claim --forget "
                f"{shlex.quote(name)}` again.",
            ) from trouble
        table = schema.shared_state
        with self._locked() as connection:
            connection.execute(delete(table).filter_by(**_PENDING))

    @contextmanager
    def _locked(self) -> Iterator[Connection]:
        # one transaction on cases at a time, over all programs
        with self._database.writing() as connection:
            self._database.lock(connection, "cases")
            yield connection

    def _pending(self, connection: Connection) -> bool:
        statement = select(schema.shared_state.c.id).filter_by(**_PENDING)
        return connection.execute(statement).first() is not None

    def _opened(self, connection: Connection, name: str, delete_by: date | None, days: int) -> int:
        table = schema.claim_case
        if not self._holds(connection, name):
            day = delete_by or today() + timedelta(days=days)
            return insert_row(connection, table, name=name, opened_at=now(), delete_by=day)
        row = self._case_id(connection, name)
        if delete_by is not None:
            connection.execute(update(table).where(table.c.id == row).values(delete_by=delete_by))
        return row

    def _holds(self, connection: Connection, name: str) -> bool:
        table = schema.claim_case
        statement = select(table.c.id).where(table.c.name == name)
        return connection.execute(statement).first() is not None

    def _case_id(self, connection: Connection, name: str) -> int:
        table = schema.claim_case
        row = connection.execute(
            select(table.c.id).where(table.c.name == name)
        ).scalar_one_or_none()
        if row is None:
            names = list(connection.execute(select(table.c.name)).scalars())
            raise SettingsError(
                f"the log holds no case {name!r}.{close_name(name, names)}",
                file=self._database.name,
                remedy="Nothing was changed.",
            )
        return int(row)

    def _read(self, connection: Connection, name: str) -> Case:
        table, photo, output = schema.claim_answer, schema.claim_photo, schema.claim_output
        row = self._case_id(connection, name)
        case = connection.execute(
            select(schema.claim_case).where(schema.claim_case.c.id == row)
        ).one()
        answers = []
        for one in connection.execute(
            select(table).where(table.c.claim_case_id == row).order_by(table.c.id)
        ).all():
            photos = connection.execute(
                select(photo).where(photo.c.claim_answer_id == one.id).order_by(photo.c.id)
            )
            outputs = connection.execute(
                select(output).where(output.c.claim_answer_id == one.id).order_by(output.c.id)
            )
            answers.append(
                CaseAnswer(
                    at=one.at,
                    machine=one.machine,
                    code=one.code,
                    title=one.title,
                    sure=one.sure,
                    consent=one.consent,
                    letter=one.letter,
                    sent_letter=one.sent_letter,
                    result_json=one.result_json,
                    photos=tuple(
                        CasePhoto(it.file, it.sha256, self.folder / it.kept if it.kept else None)
                        for it in photos
                    ),
                    outputs=tuple(CaseOutput(Path(it.path), it.sha256) for it in outputs),
                )
            )
        return Case(case.name, case.opened_at, case.delete_by, tuple(answers))

    def _refuse_elsewhere(self, case: Case) -> None:
        if self._database.file is not None:
            return
        for answer in case.answers:
            here = answer.machine == platform.node()
            if not here and any(one.kept and not lies_there(one.kept) for one in answer.photos):
                raise SettingsError(
                    f"photos of this case lie on the machine {answer.machine!r}.",
                    file=self._database.name,
                    remedy="Nothing was removed. Run the same command there.",
                )


def _delete_rows(connection: Connection, case: int) -> None:
    answer = schema.claim_answer
    answers = select(answer.c.id).where(answer.c.claim_case_id == case)
    for table in (schema.claim_output, schema.claim_photo):
        connection.execute(delete(table).where(table.c.claim_answer_id.in_(answers)))
    connection.execute(delete(answer).where(answer.c.claim_case_id == case))
    connection.execute(delete(schema.claim_case).where(schema.claim_case.c.id == case))
