"""Settings: which source wins, and how a wrong one is told."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dyelight.errors import SettingsError
from dyelight.settings import Settings, load_settings, user_settings_file


def load(tmp_path: Path, **sources: Any) -> Settings:
    """Load settings from texts and dicts instead of the machine's own."""
    user, project = tmp_path / "home" / "user.toml", tmp_path / "shop" / "dyelight.toml"
    for path, text in ((user, sources.get("user")), (project, sources.get("project"))):
        path.parent.mkdir(exist_ok=True)
        if text is not None:
            path.write_text(text, encoding="utf-8")
    return load_settings(
        sources.get("flags", {}),
        environment=sources.get("environment", {}),
        user_file=user,
        project_file=project,
    )


def test_each_source_beats_the_next(tmp_path: Path) -> None:
    """Flag beats environment beats project file beats user file beats default."""
    assert load(tmp_path).bleed == 0.0
    assert load(tmp_path, user="bleed = 1").bleed == 1.0
    assert load(tmp_path, project="bleed = 2").bleed == 2.0
    environment = {"DYELIGHT_BLEED": "3"}
    assert load(tmp_path, environment=environment).bleed == 3.0
    assert load(tmp_path, environment=environment, flags={"bleed": 4.0}).bleed == 4.0


def test_a_flag_that_was_not_given_changes_nothing(tmp_path: Path) -> None:
    """None stands for a flag left out."""
    assert load(tmp_path, project='finish = "matt"', flags={"finish": None}).finish == "matt"


def test_paths_in_a_file_are_meant_from_its_folder(tmp_path: Path) -> None:
    """Rules named in a project file lie beside that file, wherever the command runs."""
    settings = load(tmp_path, project='rules = "own.toml"\nacceptance = "ours.toml"')
    assert settings.rules == tmp_path / "shop" / "own.toml"
    assert settings.acceptance == str(tmp_path / "shop" / "ours.toml")


@pytest.mark.parametrize(
    ("sources", "told"),
    [
        ({"project": "bleeed = 3"}, r"dyelight\.toml: bleeed: there is no such setting.*'bleed'"),
        ({"user": "bleed = -1"}, r"user\.toml: bleed:"),
        ({"user": "bleed = nan"}, r"user\.toml: bleed:"),
        ({"project": "size = '254'"}, r"dyelight\.toml: size: '254' is not a size"),
        ({"project": "base ="}, r"dyelight\.toml: the settings file is not valid TOML"),
        ({"environment": {"DYELIGHT_BASE": "blue"}}, r"DYELIGHT_BASE: "),
        ({"environment": {"DYELIGHT_COLOR": "1"}}, r"DYELIGHT_COLOR: there is no such setting"),
        ({"flags": {"size": "0x203"}}, r"--size: "),
        ({"flags": {"format": "yaml"}}, r"--format: "),
    ],
)
def test_a_wrong_value_is_told_with_its_place(
    tmp_path: Path, sources: dict[str, Any], told: str
) -> None:
    """The message names file or variable, and the key."""
    with pytest.raises(SettingsError, match=told) as caught:
        load(tmp_path, **sources)
    assert caught.value.exit_code == 2


def test_a_settings_file_that_is_no_text_is_told(tmp_path: Path) -> None:
    """Bytes that are no UTF-8 give a message, not a traceback."""
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="cannot be read"):
        load_settings(
            {}, environment={}, user_file=tmp_path / "none", project_file=tmp_path / "bad.toml"
        )


def test_the_user_file_follows_the_platforms_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On Linux the configuration folder of the environment is used."""
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert user_settings_file() == tmp_path / "dyelight" / "settings.toml"
