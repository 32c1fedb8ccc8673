"""Open a press log: where it lies, its transactions, its schema version, its failures in words.

SQLite runs with a write-ahead log and `synchronous = FULL`: a commit that returned survives a
killed process and a lost current, costs one flush of the disk, and readers are never kept waiting.
Writers take the lock at their start (BEGIN IMMEDIATE) and wait for each other; readers never
upgrade to writers. A file or folder that may only be read is opened as one that does not change.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, DatabaseError, DataError, IntegrityError, OperationalError

from ..errors import DyelightError, OutputError, SettingsError, UnreadableInput

SCHEMA_HEAD = "0002"
KNOWN_SCHEMAS = ("0001", "0002")
BUSY_SECONDS = 20.0
_READ = "press_log_read"


def log_url(where: str | Path) -> str:
    """The database URL of a log given as file name or as URL."""
    name = str(where)
    if "://" not in name:
        return f"sqlite:///{Path(name).absolute()}"
    if name.startswith(("postgres://", "postgresql://")):
        # psycopg 3, the driver of the extra `postgres`
        return "postgresql+psycopg://" + name.partition("://")[2]
    return name


def _parsed(where: str | Path) -> URL:
    try:
        return make_url(log_url(where))
    except (ArgumentError, ValueError) as trouble:
        raise SettingsError(
            "this is neither a file nor the address of a database.",
            place="log",
            remedy="Name a file, or an address like postgresql://user@host/name.",
        ) from trouble


def log_file(where: str | Path) -> Path | None:
    """The file of a log that lies in one; None for an address. SettingsError for neither."""
    url = _parsed(where)
    return Path(url.database or "") if url.get_backend_name() == "sqlite" else None


class Database:
    """One open log. `file` is None where it lies on a server.

    `create` makes a log that is not there, `upgrade` brings an older one to today's tables.
    """

    def __init__(self, where: str | Path, *, create: bool = True, upgrade: bool = True) -> None:
        self._url = _parsed(where)
        if self._url.get_backend_name() not in ("sqlite", "postgresql"):
            raise SettingsError(
                f"a log cannot lie in {self._url.get_backend_name()}.",
                place="log",
                remedy="Name an SQLite file, or an address like postgresql://user@host/name.",
            )
        self.file = Path(self._url.database or "") if self.is_sqlite else None
        self.name = str(self.file or self._url.render_as_string(hide_password=True))
        if self.file is not None and not self.file.exists():
            self._refuse_missing(create)
        self.engine = self._engine()
        try:
            with self.words():
                self._check_version(upgrade)
        except BaseException:
            self.close()
            raise

    @property
    def is_sqlite(self) -> bool:
        """Whether the log is an SQLite file."""
        return self._url.get_backend_name() == "sqlite"

    def close(self) -> None:
        """Let go of every connection."""
        self.engine.dispose()

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction that writes: all of it is kept, or, where anything fails, none."""
        with self.words(), self.engine.begin() as connection:
            yield connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One transaction that reads: it sees the log as it was at one moment."""
        with self.words(), self.engine.connect() as plain:
            connection = plain.execution_options(**{_READ: True})
            with connection.begin():
                yield connection

    def lock(self, connection: Connection, name: str) -> None:
        """Let one transaction at a time past this point for one name.

        SQLite has one writer anyway; PostgreSQL takes an advisory lock until the commit.
        """
        if not self.is_sqlite:
            connection.execute(
                text("SELECT pg_advisory_xact_lock(hashtext('press_log'), hashtext(:name))"),
                {"name": name},
            )

    def _refuse_missing(self, create: bool) -> None:
        assert self.file is not None
        if not create:
            raise UnreadableInput(
                "there is no press log here.",
                file=self.file,
                remedy="Name the right file with --log, or start one with `dyelight log add`.",
            )
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
        except OSError as trouble:
            raise OutputError(
                f"the folder for the press log cannot be made ({trouble.strerror}).",
                file=self.file.parent,
                remedy="Name a file in a folder that you may write with --log.",
            ) from trouble

    def _engine(self) -> Engine:
        if not self.is_sqlite:
            try:
                return create_engine(self._url, connect_args={"connect_timeout": 10})
            except ModuleNotFoundError as trouble:
                raise SettingsError(
                    "the driver for PostgreSQL is not installed.",
                    place="log",
                    remedy='Install it with: python -m pip install "dyelight[postgres]".',
                ) from trouble
        engine = create_engine(self._sqlite_url(), connect_args={"timeout": BUSY_SECONDS})

        @event.listens_for(engine, "connect")
        def _set_up(connection: Any, _: object) -> None:
            # the driver's own BEGIN comes too late, and is never IMMEDIATE
            connection.isolation_level = None
            # secure_delete: what is changed or deleted is overwritten, not only let go
            for pragma in ("foreign_keys = ON", "synchronous = FULL", "secure_delete = ON"):
                connection.execute(f"PRAGMA {pragma}")

        @event.listens_for(engine, "begin")
        def _begin(connection: Connection) -> None:
            reads = connection.get_execution_options().get(_READ, False)
            connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")

        return engine

    def _sqlite_url(self) -> URL:
        assert self.file is not None
        places = (self.file, self.file.parent)
        if not self.file.exists() or all(os.access(place, os.W_OK) for place in places):
            return self._url
        waiting = self.file.with_name(self.file.name + "-wal")
        if waiting.exists() and waiting.stat().st_size:
            raise UnreadableInput(
                "the log may only be read, and its last entries still wait in the file beside it.",
                file=self.file,
                remedy="Open it once with an account that may write there.",
            )
        # without the right to write, SQLite cannot lay its index of the write-ahead log beside it
        plain = quote(str(self.file.absolute()))
        return make_url(f"sqlite:///file:{plain}?mode=ro&immutable=1&uri=true")

    def schema_version(self, connection: Connection) -> str | None:
        """The schema's version in this log, None where the log is empty."""
        names = (
            "SELECT name FROM sqlite_master WHERE type = 'table'"
            if self.is_sqlite
            else "SELECT tablename FROM pg_tables WHERE schemaname = current_schema()"
        )
        tables = {row[0] for row in connection.execute(text(names))}
        if not tables:
            return None
        if "alembic_version" not in tables or "pressing" not in tables:
            raise UnreadableInput(
                "this database holds something else than a press log.",
                file=self.name,
                remedy="Name the press log, or a file that does not exist yet, with --log.",
            )
        query = text("SELECT version_num FROM alembic_version")
        return str(connection.execute(query).scalar_one())

    def _check_version(self, upgrade: bool) -> None:
        with self.reading() as connection:
            version = self.schema_version(connection)
        if version == SCHEMA_HEAD:
            return
        if version is not None and version not in KNOWN_SCHEMAS:
            raise UnreadableInput(
                f"this log was written by a newer dyelight (its version is {version}, this program "
                f"knows up to {SCHEMA_HEAD}).",
                file=self.name,
                remedy="Install the newer dyelight. Nothing was changed.",
            )
        if not upgrade:
            return
        from .migrate import upgrade as bring_up_to_date

        with self.writing() as connection:
            # two programs may start the same log at once
            self.lock(connection, "schema")
            bring_up_to_date(connection)
        if self.is_sqlite and version is None:
            self._write_ahead()

    def _write_ahead(self) -> None:
        """Let readers in beside a writer from now on; the file remembers it."""
        until = time.monotonic() + BUSY_SECONDS
        with self.engine.connect() as plain:
            # outside a transaction
            raw = plain.connection.driver_connection
            assert raw is not None
            while True:
                try:
                    raw.execute("PRAGMA journal_mode = WAL")
                    return
                except sqlite3.OperationalError as trouble:
                    # SQLite does not wait by itself here while another program writes
                    if "locked" not in str(trouble) or time.monotonic() > until:
                        raise
                    time.sleep(0.02)

    @contextmanager
    def words(self) -> Iterator[None]:
        """Turn what the database refuses into errors that say what to do."""
        try:
            yield
        except (IntegrityError, DataError) as trouble:
            raise SettingsError(
                f"the log does not take this entry ({_first_line(trouble)}).",
                file=self.name,
                remedy="Nothing was written. Correct the entry.",
            ) from trouble
        except (UnicodeEncodeError, OverflowError) as trouble:
            # SQLite's driver refuses these itself, outside the errors of databases
            what = "bytes that are no text" if isinstance(trouble, UnicodeError) else "a number"
            also = "" if isinstance(trouble, UnicodeError) else " that is too large"
            raise SettingsError(
                f"what was given holds {what}{also}.",
                file=self.name,
                remedy="Nothing was written. Type it anew.",
            ) from trouble
        except DatabaseError as trouble:
            raise self._said(trouble) from trouble

    def _said(self, trouble: DatabaseError) -> DyelightError:
        reason = _first_line(trouble)
        low = reason.lower()
        if not self.is_sqlite:
            if isinstance(trouble, OperationalError):
                return OutputError(
                    f"the database of the log cannot be reached or used ({reason}).",
                    file=self.name,
                    remedy="Check that it runs and that address, name and password are right.",
                )
            return OutputError(
                f"the database of the log refused ({reason}).",
                file=self.name,
                remedy="Nothing was written.",
            )
        if "readonly" in low or "read-only" in low:
            return OutputError(
                "the log may only be read.",
                file=self.name,
                remedy="Nothing was written. Give this account the right to write the file and "
                "its folder, or name another log with --log.",
            )
        if "full" in low or "disk i/o" in low:
            return OutputError(
                f"the log cannot be written: the disk is full or failing ({reason}).",
                file=self.name,
                remedy="Nothing of this entry was written, everything before it is safe. Free "
                "some space and enter it again.",
            )
        if "locked" in low or "busy" in low:
            return OutputError(
                f"another program has been writing to the log for {BUSY_SECONDS:.0f} s.",
                file=self.name,
                remedy="Nothing was written. Wait until it has finished and try again.",
            )
        if "unable to open" in low:
            return OutputError(
                "the log cannot be opened.",
                file=self.name,
                remedy="Check that the folder is there and that this account may write in it.",
            )
        return UnreadableInput(
            f"the file cannot be read as a press log ({reason}).",
            file=self.name,
            remedy="If it is damaged, take the last backup with `dyelight log restore`.",
        )


def _first_line(trouble: DatabaseError) -> str:
    return str(trouble.orig or trouble).strip().splitlines()[0].rstrip(".")
