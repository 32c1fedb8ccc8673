"""Cases of customers on both databases: what is kept, and that a forgotten one leaves nothing."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import stat
import struct
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from alembic import command
from sqlalchemy import create_engine, text

from dyelight.claim.photo_copy import plain_png
from dyelight.errors import OutputError, SettingsError
from dyelight.press_log import PressingEntry, PressLog, case_folder
from dyelight.press_log import cases as cases_module
from dyelight.press_log.case_records import AnswerEntry, CaseOutput, ReceivedPhoto
from dyelight.press_log.cases import CaseFiles, today
from dyelight.press_log.copies import backup
from dyelight.press_log.database import SCHEMA_HEAD, log_url
from dyelight.press_log.migrate import alembic_config
from dyelight.records import Photo

# a text in every column of a case that takes one, to be looked for in the raw files afterwards
MARK = "Zx7qMarkedWord"
PNG = b"\x89PNG " + MARK.encode() + bytes(3000)
OTHER = b"\x89PNG another customer's"


@pytest.fixture
def cases(log_place: str, tmp_path: Path) -> Iterator[CaseFiles]:
    """The cases of a new log, with their folder under this test's own."""
    with PressLog(log_place) as log:
        yield CaseFiles(log.database, tmp_path / "usual.sqlite")


def answer(mark: str = MARK, **fields: Any) -> AnswerEntry:
    """An answer with the mark in every text."""
    values = {
        "code": "pressing",
        "title": f"Title {mark}",
        "sure": 0.9,
        "letter": f"Letter {mark}. " * 400,
        "result_json": f'{{"word": "{mark}"}}',
        "consent": f"Consent {mark}",
    }
    return AnswerEntry(**(values | fields))


def photo(name: str = f"{MARK}.jpg", png: bytes | None = PNG) -> ReceivedPhoto:
    """A photo as it is handed over."""
    return ReceivedPhoto(name, hashlib.sha256(name.encode()).hexdigest(), png)


def keep(cases: CaseFiles, name: str = f"Case {MARK}", **more: Any) -> Any:
    """Keep one answer with one photo."""
    values: dict[str, Any] = {
        "entry": answer(),
        "photos": [photo()],
        "delete_by": None,
        "days": 365,
    } | more
    return cases.keep(name, **values)


def raw_bytes(cases: CaseFiles) -> bytes:
    """Every byte of the log's own files: SQLite's with its journal, or the server's tables.

    Of the server its write-ahead log is left out: that is the server's own, cut by its rules.
    """
    database = cases._database
    if database.file is not None:
        parts = database.file.parent.glob(f"{database.file.name}*")
        return b"".join(path.read_bytes() for path in parts if path.is_file())
    with database.engine.connect() as plain:
        connection = plain.execution_options(isolation_level="AUTOCOMMIT")
        connection.execute(text("CHECKPOINT"))
        folder = Path(connection.execute(text("SHOW data_directory")).scalar_one())
        number = connection.execute(
            text("SELECT oid FROM pg_database WHERE datname = current_database()")
        ).scalar_one()
    return b"".join(path.read_bytes() for path in (folder / "base" / str(number)).iterdir())


def test_what_is_kept_comes_out(cases: CaseFiles) -> None:
    """Answer, hashes, consent, letter and day are as they were given; the photo is the bytes."""
    case = keep(cases)
    assert case == cases.show(f"Case {MARK}")
    assert case.delete_by == today() + timedelta(days=365)
    (one,) = case.answers
    assert (one.code, one.title, one.sure) == ("pressing", f"Title {MARK}", 0.9)
    assert one.consent == f"Consent {MARK}"
    assert one.letter == answer().letter
    assert one.sent_letter is None
    assert one.photos[0].sha256 == photo().sha256
    kept = one.photos[0].kept
    assert kept is not None
    assert kept.read_bytes() == PNG
    assert MARK not in str(kept)


@pytest.mark.skipif(os.name == "nt", reason="not run: Windows has no permission bits")
def test_photos_are_for_this_account_alone(cases: CaseFiles) -> None:
    """Neither folder nor photo can be read by others."""
    kept = keep(cases).answers[0].photos[0].kept
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert stat.S_IMODE(kept.parent.stat().st_mode) == 0o700


def test_without_consent_no_photo_is_kept(cases: CaseFiles) -> None:
    """Hashes and result stand in the log; nothing is written beside it, even where it was given."""
    case = keep(cases, entry=answer(consent=""))
    assert case.answers[0].photos[0].kept is None
    assert case.answers[0].photos[0].sha256 == photo().sha256
    assert not cases.folder.exists()


def test_consent_holds_for_the_photos_it_was_given_with(cases: CaseFiles) -> None:
    """A second answer without consent keeps none of its photos; the day stays as it was."""
    keep(cases, delete_by=date(2090, 1, 1))
    case = keep(cases, entry=answer(consent=""))
    assert [one.photos[0].kept is None for one in case.answers] == [False, True]
    assert case.delete_by == date(2090, 1, 1)
    assert keep(cases, delete_by=date(2090, 2, 2)).delete_by == date(2090, 2, 2)


def test_the_letter_that_was_sent_belongs_to_the_last_answer(cases: CaseFiles) -> None:
    """It stands beside what was proposed."""
    keep(cases)
    keep(cases)
    cases.set_sent_letter(f"Case {MARK}", "Dear customer")
    sent = [one.sent_letter for one in cases.show(f"Case {MARK}").answers]
    assert sent == [None, "Dear customer"]


def test_due_lists_the_oldest_first(cases: CaseFiles) -> None:
    """A case is due on its day and after it, with the number of photos that are kept."""
    day = date(2030, 5, 1)
    keep(cases, "later", delete_by=day + timedelta(days=1))
    keep(cases, "today", delete_by=day, photos=[photo(), photo("b.jpg")])
    keep(cases, "before", delete_by=day - timedelta(days=3), entry=answer(consent=""))
    due = [(one.name, one.photos) for one in cases.due(day)]
    assert due == [("before", 0), ("today", 2)]
    cases.set_delete_by("before", day + timedelta(days=1))
    assert [one.name for one in cases.due(day)] == ["today"]


def test_answers_at_once_make_one_case(cases: CaseFiles) -> None:
    """Eight threads that open the same case find one case with eight answers, none lost."""
    with ThreadPoolExecutor(8) as pool:
        done = [pool.submit(keep, cases, entry=answer(f"{number}")) for number in range(8)]
        for one in done:
            one.result()
    case = cases.show(f"Case {MARK}")
    assert {one.title for one in case.answers} == {f"Title {number}" for number in range(8)}
    assert len(list(cases.folder.iterdir())) == 8


def test_a_forgotten_case_leaves_no_byte(cases: CaseFiles, tmp_path: Path) -> None:
    """Rows, photos and written files are gone, from the raw files of the database too."""
    page = tmp_path / "claim.html"
    page.write_text(MARK, encoding="utf-8")
    output = CaseOutput(page, hashlib.sha256(page.read_bytes()).hexdigest())
    first = keep(cases, outputs=[output])
    keep(cases, entry=answer(letter=f"Second {MARK}"))
    cases.set_sent_letter(f"Case {MARK}", f"Sent {MARK}")
    cases.set_sent_letter(f"Case {MARK}", f"Sent again {MARK}")
    other = keep(cases, "other", entry=answer("Kept"), photos=[photo("b.jpg", OTHER)])
    # without this the search below could not fail
    assert MARK.encode() in raw_bytes(cases)

    done = cases.forget(f"Case {MARK}")

    assert MARK.encode() not in raw_bytes(cases)
    assert b"Kept" in raw_bytes(cases)
    assert done.held
    assert done.left == ()
    assert not page.exists()
    assert first.answers[0].photos[0].kept in done.removed
    assert [path.read_bytes() for path in cases.folder.iterdir()] == [OTHER]
    assert cases.show("other") == other
    with pytest.raises(SettingsError, match="holds no case"):
        cases.show(f"Case {MARK}")


def test_the_last_case_takes_the_folder_along(cases: CaseFiles) -> None:
    """An empty folder is not left."""
    keep(cases)
    cases.forget(f"Case {MARK}")
    assert not cases.folder.exists()


def test_a_wrong_name_changes_nothing(cases: CaseFiles) -> None:
    """The nearest name is offered."""
    keep(cases, "Mill-12")
    for deed in (cases.show, cases.forget, lambda name: cases.set_sent_letter(name, "x")):
        with pytest.raises(SettingsError, match="Mill-12"):
            deed("Mill-21")
    assert len(cases.show("Mill-12").answers) == 1


def test_files_that_were_changed_are_left_and_named(cases: CaseFiles, tmp_path: Path) -> None:
    """A page edited since is a person's own; one that a later answer wrote over is removed."""
    edited, twice = tmp_path / "edited.html", tmp_path / "twice.html"
    for number in (1, 2):
        edited.write_text(f"page {number}", encoding="utf-8")
        twice.write_text(f"page {number}", encoding="utf-8")
        outputs = [
            CaseOutput(path, hashlib.sha256(path.read_bytes()).hexdigest())
            for path in (edited, twice)
        ]
        keep(cases, outputs=outputs)
    edited.write_text("by hand", encoding="utf-8")
    done = cases.forget(f"Case {MARK}")
    assert [path for path, _ in done.left] == [edited]
    assert edited.read_text(encoding="utf-8") == "by hand"
    assert not twice.exists()


def test_a_photo_that_cannot_be_written_leaves_no_case(
    cases: CaseFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the second photo fails the first is taken back, and no row stands."""
    made: list[int] = []
    true_fsync = os.fsync

    def full(handle: int) -> None:
        made.append(handle)
        if len(made) == 2:
            raise OSError(28, "No space left on device")
        true_fsync(handle)

    monkeypatch.setattr(case_folder.os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        keep(cases, photos=[photo(), photo("b.jpg")])
    assert list(cases.folder.iterdir()) == []
    with pytest.raises(SettingsError, match="holds no case"):
        cases.show(f"Case {MARK}")


def test_what_could_not_be_cleared_is_cleared_by_the_same_command(
    cases: CaseFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A failure between rows and remains is told, and running it again ends the work."""

    def refuse(database: object) -> None:
        raise OutputError("another program is reading the log.")

    keep(cases)
    with monkeypatch.context() as patched:
        patched.setattr(cases_module, "clear_remains", refuse)
        with pytest.raises(OutputError, match=r"another program.*--forget"):
            cases.forget(f"Case {MARK}")
    done = cases.forget(f"Case {MARK}")
    assert not done.held
    assert MARK.encode() not in raw_bytes(cases)
    with pytest.raises(SettingsError, match="holds no case"):
        cases.forget(f"Case {MARK}")


def test_a_reader_that_holds_the_log_is_told_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a program reads an older state SQLite cannot cut its journal: that is no success."""
    monkeypatch.setattr("dyelight.press_log.database.BUSY_SECONDS", 0.2)
    place = tmp_path / "log.sqlite"
    with PressLog(place) as log:
        cases = CaseFiles(log.database, place)
        keep(cases)
        with closing(sqlite3.connect(place, isolation_level=None)) as reader:
            reader.execute("BEGIN")
            reader.execute("SELECT count(*) FROM claim_case").fetchone()
            with pytest.raises(OutputError, match="could not be cleared"):
                cases.forget(f"Case {MARK}")
        assert MARK.encode() in raw_bytes(cases)
        cases.forget(f"Case {MARK}")
        assert MARK.encode() not in raw_bytes(cases)


def test_an_older_transaction_on_the_server_is_told_of(
    postgresql: Callable[[], str], tmp_path: Path
) -> None:
    """VACUUM takes along what another transaction could still see: that is no success either."""
    with PressLog(postgresql()) as log:
        cases = CaseFiles(log.database, tmp_path / "log.sqlite")
        keep(cases)
        with log.database.engine.connect() as plain:
            reader = plain.execution_options(isolation_level="REPEATABLE READ")
            reader.execute(text("SELECT count(*) FROM press")).scalar_one()
            with pytest.raises(OutputError, match="could still see deleted rows"):
                cases.forget(f"Case {MARK}")
            assert MARK.encode() in raw_bytes(cases)
        assert not cases.forget(f"Case {MARK}").held
        assert MARK.encode() not in raw_bytes(cases)


def test_a_table_that_is_in_use_on_the_server_is_told_of(
    postgresql: Callable[[], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody waits for ever for a program that keeps a table of cases open."""
    monkeypatch.setattr("dyelight.press_log.erasing.BUSY_SECONDS", 0.3)
    with PressLog(postgresql()) as log:
        cases = CaseFiles(log.database, tmp_path / "log.sqlite")
        keep(cases)
        with log.database.engine.connect() as reader:
            reader.execute(text("SELECT count(*) FROM claim_case")).scalar_one()
            with pytest.raises(OutputError, match="lock timeout"):
                cases.forget(f"Case {MARK}")
        assert not cases.forget(f"Case {MARK}").held


def test_a_folder_that_cannot_be_looked_into_keeps_the_case(cases: CaseFiles) -> None:
    """A photo that may still be there is not taken for gone."""
    keep(cases)
    aside = cases.folder.with_name("aside")
    cases.folder.rename(aside)
    cases.folder.symlink_to(cases.folder)
    with pytest.raises(OutputError, match="still in the log"):
        cases.forget(f"Case {MARK}")
    cases.folder.unlink()
    aside.rename(cases.folder)
    assert len(cases.forget(f"Case {MARK}").removed) == 1


def test_photos_on_another_machine_are_not_lost_sight_of(
    postgresql: Callable[[], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a log on a server, the machine that holds the photos must forget them."""
    with PressLog(postgresql()) as log:
        there = CaseFiles(log.database, tmp_path / "there" / "log.sqlite")
        monkeypatch.setattr(cases_module.platform, "node", lambda: "bench-2")
        keep(there)
        monkeypatch.setattr(cases_module.platform, "node", lambda: "bench-1")
        here = CaseFiles(log.database, tmp_path / "here" / "log.sqlite")
        with pytest.raises(SettingsError, match="lie on the machine 'bench-2'"):
            here.forget(f"Case {MARK}")
        assert len(here.show(f"Case {MARK}").answers) == 1
        there.forget(f"Case {MARK}")
        assert not there.folder.exists()


def test_the_server_keeps_no_samples_of_texts(
    postgresql: Callable[[], str], tmp_path: Path
) -> None:
    """PostgreSQL's statistics, which outlive rows, hold none of a case's texts."""
    with PressLog(postgresql()) as log:
        cases = CaseFiles(log.database, tmp_path / "log.sqlite")
        for number in range(5):
            keep(cases, f"Case {number} {MARK}")
        with log.database.writing() as connection:
            connection.execute(text("ANALYZE"))
            seen = connection.execute(
                text("SELECT tablename, attname FROM pg_stats WHERE tablename LIKE 'claim%'")
            ).all()
        assert ("claim_case", "delete_by") in [tuple(row) for row in seen]
        texts = {"name", "title", "consent", "letter", "sent_letter", "result_json", "file", "path"}
        assert not texts & {row.attname for row in seen}


def test_a_backup_holds_no_photo_and_strays_are_found(tmp_path: Path) -> None:
    """A copy of the log is the log alone; photos that an older log does not name are listed."""
    place = tmp_path / "log.sqlite"
    with PressLog(place) as log:
        cases = CaseFiles(log.database, place)
        kept = keep(cases).answers[0].photos[0].kept
        backup(log.database, tmp_path / "copy.sqlite")
        assert cases.strays() == []
        with log.database.writing() as connection:
            connection.execute(text("UPDATE claim_photo SET kept = ''"))
        assert cases.strays() == [kept]
    assert PNG not in (tmp_path / "copy.sqlite").read_bytes()


def test_an_older_log_is_brought_up_with_all_it_holds(log_place: str, tmp_path: Path) -> None:
    """A log of the first version gets the tables of cases; its pressings stay."""
    address = str(log_url(log_place))
    engine = create_engine(address)
    with engine.begin() as connection:
        command.upgrade(alembic_config(connection), "0001")
        connection.execute(text("INSERT INTO press (name) VALUES ('Anvil')"))
        connection.execute(
            text(
                "INSERT INTO pressing (code, at, press_id) "
                "VALUES ('P000007', '2026-03-02 09:00:00', (SELECT id FROM press))"
            )
        )
    engine.dispose()
    with PressLog(log_place) as log:
        with log.database.reading() as connection:
            assert log.database.schema_version(connection) == SCHEMA_HEAD
            codes = list(connection.execute(text("SELECT code FROM pressing")).scalars())
        assert codes == ["P000007"]
        log.add_pressing(PressingEntry(press="Anvil"))
        case = keep(CaseFiles(log.database, tmp_path / "usual.sqlite"))
        assert len(case.answers) == 1


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_kept_photo_is_its_pixels_and_nothing_else(dtype: type[np.generic]) -> None:
    """Every value comes back, and the file has no chunk but size, pixels and end."""
    top = np.iinfo(dtype).max + 1  # type: ignore[type-var]
    pixels = np.random.default_rng(3).integers(0, top, (40, 60, 3)).astype(dtype)
    data = plain_png(Photo(file="x.jpg", sha256="0" * 64, pixels=pixels))
    back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    assert back is not None
    assert back.dtype == dtype
    assert np.array_equal(back[..., ::-1], pixels)
    at, chunks = 8, set()
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        chunks.add(data[at + 4 : at + 8])
        at += 12 + length
    assert chunks == {b"IHDR", b"IDAT", b"IEND"}
