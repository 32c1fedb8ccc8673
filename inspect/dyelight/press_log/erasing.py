"""Clear a log of what deleted rows leave behind in its files.

SQLite: `secure_delete` overwrites what is deleted, but pages that were rearranged may hold copies,
and the write-ahead log holds whole old pages. VACUUM writes every table anew, the checkpoint
carries that into the file and cuts the write-ahead log to nothing. PostgreSQL keeps deleted rows
until they are vacuumed; VACUUM FULL writes the tables of cases anew and drops the old files. It
takes along deleted rows that an older transaction could still see, and tells of them.
"""

from __future__ import annotations

import re
from typing import Any

from sqlalchemy import bindparam, text

from ..errors import OutputError
from . import schema
from .database import BUSY_SECONDS, Database

CASE_TABLES = (schema.claim_output, schema.claim_photo, schema.claim_answer, schema.claim_case)


def clear_remains(database: Database) -> None:
    """Write the log's files anew without deleted rows; OutputError where that cannot be done."""
    with database.words():
        if database.is_sqlite:
            _clear_sqlite(database)
        else:
            _clear_postgresql(database)


def _clear_sqlite(database: Database) -> None:
    with database.engine.connect() as plain:
        # neither can run inside a transaction
        raw = plain.connection.driver_connection
        assert raw is not None
        raw.execute("VACUUM")
        busy = raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
    if busy:
        raise OutputError("another program is reading the log.", file=database.name)


def _clear_postgresql(database: Database) -> None:
    names = [table.name for table in CASE_TABLES]
    owned = text(
        "SELECT bool_and(pg_has_role(relowner, 'USAGE')) FROM pg_class "
        "WHERE relnamespace = current_schema()::regnamespace AND relname IN :names"
    ).bindparams(bindparam("names", expanding=True))
    with database.engine.connect() as plain:
        connection = plain.execution_options(isolation_level="AUTOCOMMIT")
        if not connection.execute(owned, {"names": names}).scalar_one():
            # VACUUM would leave the tables out with no more than a warning
            raise OutputError(
                "this account does not own the tables of cases, so it cannot clear them.",
                file=database.name,
            )
        raw: Any = plain.connection.driver_connection
        details: list[str] = []

        def hear(said: Any) -> None:
            details.append(said.message_detail or "")

        raw.add_notice_handler(hear)
        try:
            connection.execute(text(f"SET lock_timeout = {round(1000 * BUSY_SECONDS)}"))
            connection.execute(text(f"VACUUM (FULL, VERBOSE) {', '.join(names)}"))
        finally:
            raw.remove_notice_handler(hear)
            connection.execute(text("RESET lock_timeout"))
    # the detail begins with the number of dead rows that stay, in every language of the server
    counts = [re.search(r"[0-9]+", detail) for detail in details if detail]
    if any(count is not None and int(count[0]) for count in counts):
        raise OutputError(
            "an older transaction of another program could still see deleted rows.",
            file=database.name,
        )
