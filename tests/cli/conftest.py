"""A command line that touches nobody's own settings or state."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Settings, state and working folder of their own for each test; no DYELIGHT_ variables."""
    for name in list(os.environ):
        if name.startswith("DYELIGHT_"):
            monkeypatch.delenv(name)
    home = tmp_path_factory.mktemp("home")
    for name in (
        "XDG_CONFIG_HOME",
        "XDG_STATE_HOME",
        "XDG_DATA_HOME",
        "APPDATA",
        "LOCALAPPDATA",
        "HOME",
    ):
        monkeypatch.setenv(name, str(home))
    monkeypatch.setenv("COLUMNS", "100")
    work = tmp_path_factory.mktemp("work")
    monkeypatch.chdir(work)
    return home
