"""Settings: flag over environment over project file over user file over default.

One key has one meaning everywhere: `--bleed 3` on the command line, `DYELIGHT_BLEED=3` in the
environment and `bleed = 3` in a settings file. Unknown keys are refused by name.
"""

from __future__ import annotations

import difflib
import os
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from .errors import SettingsError
from .records import Base
from .sizes import parse_size

ENV_PREFIX = "DYELIGHT_"
PROJECT_FILE = "dyelight.toml"
USER_FILE = "settings.toml"
LOG_FILE = "press-log.sqlite"
# a relative path in a settings file is meant from that file's folder
_PATH_KEYS = ("rules", "causes", "taught", "out")


class Settings(BaseModel):
    """Everything that can be set, with its default. Lengths in mm."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    size: str | None = None
    bleed: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    base: Base = "white"
    finish: Annotated[str, Field(min_length=1, max_length=40)] = "gloss"
    acceptance: Annotated[str, Field(min_length=1)] = "gallery"
    rules: Path | None = None
    causes: Path | None = None
    taught: Path | None = None
    out: Path | None = None
    format: Literal["table", "json"] = "table"
    log: Annotated[str, Field(min_length=1)] | None = None
    temperature_unit: Literal["C", "F"] = "C"
    length_unit: Literal["mm", "in"] = "mm"
    time_unit: Literal["s", "min"] = "s"
    pressure_unit: Literal["kPa", "bar", "psi"] = "kPa"
    case_days: Annotated[int, Field(ge=1, le=3650)] = 365

    @field_validator("size")
    @classmethod
    def _a_size(cls, text: str | None) -> str | None:
        if text is not None:
            try:
                parse_size(text)
            except SettingsError as trouble:
                raise ValueError(str(trouble)) from trouble
        return text

    @property
    def size_mm(self) -> tuple[float, float] | None:
        """Width and height of the panel in mm, None where no size is set."""
        return None if self.size is None else parse_size(self.size)


def user_settings_file() -> Path:
    """Where a person's own settings lie on this platform."""
    return _config_home() / "dyelight" / USER_FILE


def user_log_file() -> Path:
    """Where the press log lies on this platform, unless the setting `log` names another place."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "dyelight" / LOG_FILE


def _config_home() -> Path:
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support"
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")


def load_settings(
    flags: Mapping[str, Any],
    *,
    environment: Mapping[str, str] | None = None,
    project_file: Path | None = None,
    user_file: Path | None = None,
) -> Settings:
    """Merge all sources. Flags that are None were not given.

    The project file is `dyelight.toml` in the working folder. Raises `SettingsError` that names the
    source and key of the first value that cannot be used.
    """
    environment = os.environ if environment is None else environment
    project_file = Path(PROJECT_FILE) if project_file is None else project_file
    user_file = user_settings_file() if user_file is None else user_file
    layers: list[tuple[str, dict[str, Any]]] = [
        (str(user_file), _from_file(user_file)),
        (str(project_file), _from_file(project_file)),
        ("environment", _from_environment(environment)),
        ("command line", {key: value for key, value in flags.items() if value is not None}),
    ]
    merged: dict[str, Any] = {}
    for source, values in layers:
        # each layer alone first, so that a trouble is told with the place it came from
        _checked(values, source)
        merged.update(values)
    return _checked(merged, "settings")


def _from_file(path: Path) -> dict[str, Any]:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as trouble:
        raise SettingsError(
            "the settings file cannot be read.",
            file=path,
            remedy="Make it a plain UTF-8 file that you may read, or move it away.",
        ) from trouble
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        raise SettingsError(
            f"the settings file is not valid TOML: {trouble}.",
            file=path,
            remedy="Correct that line.",
        ) from trouble
    for key in _PATH_KEYS:
        if isinstance(values.get(key), str):
            values[key] = path.parent / values[key]
    log = values.get("log")
    if isinstance(log, str) and "://" not in log:
        values["log"] = str(path.parent / log)
    acceptance = values.get("acceptance")
    if isinstance(acceptance, str) and acceptance.endswith(".toml"):
        values["acceptance"] = str(path.parent / acceptance)
    return values


def _from_environment(environment: Mapping[str, str]) -> dict[str, str]:
    return {
        name.removeprefix(ENV_PREFIX).lower(): value
        for name, value in environment.items()
        if name.startswith(ENV_PREFIX) and value
    }


def _checked(values: Mapping[str, Any], source: str) -> Settings:
    try:
        return Settings.model_validate(dict(values))
    except ValidationError as failure:
        details = failure.errors()[0]
        key = str(details["loc"][0]) if details["loc"] else ""
        raise _trouble(source, key, details["type"], details["msg"]) from failure


def _trouble(source: str, key: str, kind: str, message: str) -> SettingsError:
    shown = {
        "environment": f"{ENV_PREFIX}{key.upper()}",
        "command line": f"--{key.replace('_', '-')}",
    }.get(source, key)
    file = None if source in ("environment", "command line", "settings") else source
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(key, Settings.model_fields, n=1)
        hint = (
            f"Did you mean {near[0]!r}?" if near else f"Known: {', '.join(Settings.model_fields)}."
        )
        return SettingsError("there is no such setting.", file=file, place=shown, remedy=hint)
    text = message.removeprefix("Value error, ")
    return SettingsError(text if text.endswith(".") else f"{text}.", file=file, place=shown)
