"""Backup and restore of a log in a file, by SQLite's backup API, while others read and write."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress
from datetime import datetime
from itertools import count
from pathlib import Path
from urllib.parse import quote

from ..errors import OutputError, SettingsError, UnreadableInput
from .database import BUSY_SECONDS, Database, log_file

_MAGIC = b"SQLite format 3\0"  # what every SQLite file begins with


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
    if _same(target, database.file):
        raise SettingsError(
            "backup and log are the same file.", file=target, remedy="Name another file."
        )
    _copy(database.file, target)


def _copy(live: Path, target: Path) -> None:
    beside = target.with_name(f".{target.name}.part")
    try:
        beside.unlink(missing_ok=True)
        with closing(_read_only(live)) as source, closing(sqlite3.connect(beside)) as copy:
            source.backup(copy)
            sound = copy.execute("PRAGMA integrity_check").fetchone()[0]
        if sound != "ok":
            raise _damaged(live)
        with beside.open("rb") as file:
            os.fsync(file.fileno())
        beside.replace(target)
    except (OSError, sqlite3.OperationalError) as trouble:
        raise OutputError(
            f"the copy cannot be written ({trouble}).",
            file=target,
            remedy="Free some space, or name another place.",
        ) from trouble
    except sqlite3.DatabaseError as trouble:
        # what is no matter of space or rights is one of the file that is read
        raise _damaged(live) from trouble
    finally:
        # where nothing may be written nothing was left either
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def _damaged(live: Path) -> UnreadableInput:
    return UnreadableInput(
        "the log is damaged, so no copy of it was kept.",
        file=live,
        remedy="Take the last backup with `dyelight log restore`.",
    )


def restore(where: str | Path, source: Path) -> Path | None:
    """Put a backup in the place of the log; where the log as it was is kept, None without one.

    A log that is sound is overwritten under its lock, so that programs that have it open go on
    with what was restored. A damaged one is moved aside, since nothing can be written into it.
    Raises UnreadableInput where the backup is damaged or no press log, and changes nothing then.
    """
    live = log_file(where)
    if live is None:
        raise SettingsError(
            "a log on a server is restored by the server's own means.",
            place="log",
            remedy="Use the server's own backup, or `dyelight log import` into an empty log.",
        )
    if live.exists() and _same(source, live):
        raise SettingsError(
            "backup and log are the same file.", file=source, remedy="Name another file."
        )
    _check_sound(source)
    if not live.exists():
        Database(live).close()
        _overwrite(live, source, None)
        return None
    kept = _kept_name(live)
    if _is_damaged(live):
        _move_aside(live, kept)
        Database(live).close()
    else:
        # what is no press log, or one of a newer version, is refused here
        Database(live, create=False).close()
        _copy(live, kept)
    _overwrite(live, source, kept)
    return kept


def _is_damaged(live: Path) -> bool:
    """Whether a log's file cannot be used; UnreadableInput where it was never a database."""
    try:
        with live.open("rb") as file:
            start = file.read(len(_MAGIC))
        with closing(_read_only(live)) as held:
            return bool(held.execute("PRAGMA integrity_check").fetchone()[0] != "ok")
    except (OSError, sqlite3.OperationalError) as trouble:
        raise OutputError(
            f"the log cannot be opened ({trouble}).",
            file=live,
            remedy="Check that this account may write it and its folder.",
        ) from trouble
    except sqlite3.DatabaseError as trouble:
        if start.strip(b"\0") and start != _MAGIC:
            raise UnreadableInput(
                "this file holds something else than a press log.",
                file=live,
                remedy="Nothing was changed. Name the press log with --log.",
            ) from trouble
        return True


def _overwrite(live: Path, source: Path, kept: Path | None) -> None:
    with (
        closing(_read_only(source)) as copy,
        closing(sqlite3.connect(live, timeout=BUSY_SECONDS)) as target,
    ):
        try:
            copy.backup(target)
        except sqlite3.Error as trouble:
            also = f" The log as it was also lies at {kept}." if kept else ""
            raise OutputError(
                f"the log cannot be written ({trouble}).",
                file=live,
                remedy=f"Nothing was changed.{also}",
            ) from trouble


def _kept_name(live: Path) -> Path:
    stem = f"{live.name}.before-{datetime.now().astimezone():%Y%m%d-%H%M%S}"
    names = (stem if again == 0 else f"{stem}-{again}" for again in count())
    return next(path for name in names if not (path := live.with_name(name)).exists())


def _move_aside(live: Path, kept: Path) -> None:
    try:
        for end in ("-wal", "-shm", ""):
            # the log's last entries may still wait in the files beside it
            part = live.with_name(live.name + end)
            if part.exists():
                part.rename(kept.with_name(kept.name + end))
    except OSError as trouble:
        raise OutputError(
            f"the damaged log cannot be moved aside ({trouble.strerror}).",
            file=live,
            remedy="Give this account the right to write its folder.",
        ) from trouble


def _same(one: Path, other: Path) -> bool:
    return one.exists() and one.samefile(other)


def _check_sound(source: Path) -> None:
    # opening it checks that it is a press log of a version that is known
    database = Database(source, create=False, upgrade=False)
    try:
        with database.reading() as connection:
            empty = database.schema_version(connection) is None
        with closing(_read_only(source)) as copy:
            sound = copy.execute("PRAGMA integrity_check").fetchone()[0]
    except sqlite3.Error as trouble:
        sound = str(trouble)
    finally:
        database.close()
    if empty:
        raise UnreadableInput(
            "this file is empty, and no backup of a press log.",
            file=source,
            remedy="Nothing was changed. Take another.",
        )
    if sound != "ok":
        raise UnreadableInput(
            "this backup is damaged.", file=source, remedy="Nothing was changed. Take another."
        )


def _read_only(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True)
