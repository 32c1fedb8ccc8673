"""Places for a press log: a file, and a database on a PostgreSQL server of the test run's own."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

# set where PostgreSQL must be there: then its tests fail instead of being left out
REQUIRED = "TESTS_NEED_POSTGRESQL"
OWNER = "press"


def postgresql_programs() -> Path | None:
    """The folder with initdb and pg_ctl, where Debian puts it or on the path; None without."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    on_path = shutil.which("initdb")
    if found:
        return found[-1].parent
    return Path(on_path).resolve().parent if on_path else None


def free_port() -> int:
    """A port of the loopback that nobody listens on."""
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


@pytest.fixture(scope="session")
def postgresql(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[], str]]:
    """Makes empty databases on a server on the loopback, started for this run, never as root."""
    programs = postgresql_programs()
    if programs is None:
        if os.environ.get(REQUIRED):
            pytest.fail("PostgreSQL is asked for and not installed")
        pytest.skip("not run: PostgreSQL is not installed")  # a machine may well lack it
    folder = tmp_path_factory.mktemp("postgresql")
    as_user: list[str] = []
    if os.geteuid() == 0:
        # initdb refuses root; the package made this account
        as_user = ["runuser", "-u", "postgres", "--"]
        shutil.chown(folder, "postgres")
        for parent in folder.parents:
            if parent.stat().st_uid == 0 and parent != Path("/") and parent != Path("/tmp"):
                parent.chmod(parent.stat().st_mode | 0o011)
    data, port = folder / "data", free_port()

    def call(program: str, *arguments: str) -> None:
        done = subprocess.run(
            [*as_user, str(programs / program), *arguments],
            capture_output=True,
            text=True,
            timeout=120,
            cwd=folder,
        )
        assert done.returncode == 0, done.stdout + done.stderr

    call("initdb", "-D", str(data), "-U", OWNER, "--auth=trust", "-E", "UTF8", "--no-sync")
    options = f"-c listen_addresses=127.0.0.1 -p {port} -k {folder} -c fsync=off"
    call("pg_ctl", "-D", str(data), "-w", "-l", str(folder / "log"), "-o", options, "start")

    def make() -> str:
        name = f"log_{uuid.uuid4().hex[:12]}"
        call("createdb", "-h", "127.0.0.1", "-p", str(port), "-U", OWNER, name)
        return f"postgresql://{OWNER}@127.0.0.1:{port}/{name}"

    yield make
    call("pg_ctl", "-D", str(data), "-w", "-m", "immediate", "stop")


@pytest.fixture(params=["sqlite", "postgresql"])
def log_place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new log can be made: the tests that use it run on both databases."""
    if request.param == "sqlite":
        return str(tmp_path / "log.sqlite")
    make: Callable[[], str] = request.getfixturevalue("postgresql")
    return make()
