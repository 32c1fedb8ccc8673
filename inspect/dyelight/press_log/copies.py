"""Backup and restore of a log in a file, by SQLite's backup API, while others read and write."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path
from urllib.parse import quote

from ..errors import OutputError, SettingsError, UnreadableInput
from .database import BUSY_SECONDS, Database


def backup(database: Database, target: Path) -> None:
    """Copy the log as it is now. The copy is made beside its place and moved there whole.

    Raises SettingsError for a log on a server, OutputError where the copy cannot be written.
    """
    if database.file is None:
        raise SettingsError(
            "a log on a server is backed up by the server's own means.",
            file=database.name,
            remedy="Use pg_dump, or `dyelight log export`.",
        )
    if target.is_dir():
        raise OutputError("a folder stands there.", file=target, remedy="Name a file in it.")
    beside = target.with_name(f".{target.name}.part")
    try:
        beside.unlink(missing_ok=True)
        with closing(_read_only(database.file)) as source, closing(sqlite3.connect(beside)) as copy:
            source.backup(copy)
            sound = copy.execute("PRAGMA integrity_check").fetchone()[0]
        if sound != "ok":
            raise OutputError("the copy is not sound.", file=target, remedy="Check the disk.")
        with beside.open("rb") as file:
            os.fsync(file.fileno())
        beside.replace(target)
    except (OSError, sqlite3.Error) as trouble:
        raise OutputError(
            f"the copy cannot be written ({trouble}).",
            file=target,
            remedy="Free some space, or name another place.",
        ) from trouble
    finally:
        beside.unlink(missing_ok=True)


def restore(database: Database, source: Path) -> Path:
    """Put a backup in the place of the log; where the log as it was is kept.

    Raises UnreadableInput where the backup is damaged or no press log, and changes nothing then.
    """
    if database.file is None:
        raise SettingsError(
            "a log on a server is restored by the server's own means.", file=database.name
        )
    if source.resolve() == database.file.resolve():
        raise SettingsError("backup and log are the same file.", file=source)
    # opening it checks that it is a press log, and brings an older one to today's tables
    _check_sound(source)
    kept = database.file.with_name(
        f"{database.file.name}.before-{datetime.now().astimezone():%Y%m%d-%H%M%S}"
    )
    backup(database, kept)
    with (
        database.words(),
        closing(_read_only(source)) as copy,
        closing(sqlite3.connect(database.file, timeout=BUSY_SECONDS)) as live,
    ):
        try:
            copy.backup(live)
        except sqlite3.Error as trouble:
            raise OutputError(
                f"the log cannot be written ({trouble}).",
                file=database.file,
                remedy=f"Nothing was changed. The log as it was also lies at {kept}.",
            ) from trouble
    database.close()
    return kept


def _check_sound(source: Path) -> None:
    database = Database(source, create=False, upgrade=False)
    try:
        with closing(_read_only(source)) as copy:
            sound = copy.execute("PRAGMA integrity_check").fetchone()[0]
    except sqlite3.Error as trouble:
        sound = str(trouble)
    finally:
        database.close()
    if sound != "ok":
        raise UnreadableInput(
            "this backup is damaged.", file=source, remedy="Nothing was changed. Take another."
        )


def _read_only(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True)
