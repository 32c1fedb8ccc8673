"""The README says what the command line, the result and the settings really are."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import get_args

import pytest

from dyelight.cli import app, exits
from dyelight.cli.log import log
from dyelight.errors import OutputError, SettingsError, StageFault, UnreadableInput
from dyelight.judge import acceptance_names
from dyelight.judge.texts import verdict_meaning
from dyelight.records import Inspection, Kind, VerdictWord
from dyelight.report.result_json import result_dict
from dyelight.settings import Settings

README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
COMMANDS = {command.name for command in app.app.registered_commands if command.name}
LOG_COMMANDS = {command.name for command in log.registered_commands if command.name}


def help_of(command: str, capsys: pytest.CaptureFixture[str]) -> str:
    """The help text of one command."""
    assert app.run([command, "--help"]) == 0
    return capsys.readouterr().out


def section(title: str) -> str:
    """The text under one heading."""
    found = re.search(rf"^#+ {re.escape(title)}\n(.*?)(?=^#+ |\Z)", README, re.M | re.S)
    assert found, title
    return found.group(1)


def test_it_opens_with_the_job_and_two_commands() -> None:
    """The first two code blocks are the install-and-run and the install-and-test commands."""
    blocks = re.findall(r"^```\w*\n(.*?)^```", README, re.M | re.S)
    assert blocks[0].strip() == "python -m pip install . && dyelight demo"
    assert blocks[1].strip() == 'python -m pip install -e ".[dev]" && pytest'


def test_every_command_is_told_and_exists() -> None:
    """The commands of the README are the commands of the program."""
    told = set(re.findall(r"`?dyelight (\w+)", README)) & (COMMANDS | {"claim", "log"})
    assert told == COMMANDS | {"log"}
    assert set(re.findall(r"dyelight log (\w+)", README)) == LOG_COMMANDS


def test_every_flag_of_check_is_told_and_exists(capsys: pytest.CaptureFixture[str]) -> None:
    """The flag table of the README and the help of check name the same flags."""
    told = set(re.findall(r"^\| `(--[a-z-]+)", section("Check a panel"), re.M))
    offered = set(re.findall(r"--[a-z][a-z-]+", help_of("check", capsys))) - {"--help"}
    assert told == offered


def test_every_flag_that_is_named_anywhere_exists(capsys: pytest.CaptureFixture[str]) -> None:
    """No flag of the README is unknown to every command."""
    offered = {"--version", "--help"}
    for command in COMMANDS:
        offered |= set(re.findall(r"--[a-z][a-z-]+", help_of(command, capsys)))
    for command in LOG_COMMANDS:
        assert app.run(["log", command, "--help"]) == 0
        offered |= set(re.findall(r"--[a-z][a-z-]+", capsys.readouterr().out))
    told = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README))
    assert told <= offered


def test_exit_codes_agree() -> None:
    """The table of exit codes holds the codes that the program uses."""
    told = {int(code) for code in re.findall(r"^\| (\d+) \|", section("Exit codes"), re.M)}
    used = {getattr(exits, name) for name in dir(exits) if isinstance(getattr(exits, name), int)}
    assert told == used
    assert SettingsError.exit_code == exits.USAGE
    assert UnreadableInput.exit_code == exits.UNREADABLE
    assert OutputError.exit_code == exits.OUTPUT
    assert StageFault.exit_code == exits.FAULT


def test_every_result_field_is_told(make_inspection: Callable[..., Inspection]) -> None:
    """Each field of the result, at every level, stands in the README's table."""
    told = set(re.findall(r"`(\w+)`", section("The result"))) | {"rule", "value", "limit", "unit"}

    def names(value: object) -> set[str]:
        if isinstance(value, dict):
            return set(value) | {name for part in value.values() for name in names(part)}
        if isinstance(value, list):
            return {name for part in value for name in names(part)}
        return set()

    assert names(result_dict(make_inspection())) - {"code", "text"} <= told


def test_kinds_verdicts_specs_and_settings_agree() -> None:
    """Kinds, verdicts, acceptance specs and settings in the README are the program's."""
    assert set(get_args(Kind)) <= set(re.findall(r"`(\w+)`", section("The result")))
    verdicts = re.findall(r"^\| (\w+) \| ", section("The verdict"), re.M)[1:]
    assert verdicts == list(get_args(VerdictWord))
    assert all(verdict_meaning(word) for word in get_args(VerdictWord))
    for name in acceptance_names():
        assert f"`{name}`" in section("Check a panel")
    assert set(Settings.model_fields) <= set(re.findall(r"`(\w+)`", section("Settings")))
