"""models/station.toml: the first look's limits and sentences."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal, get_args

from pydantic import field_validator

from ..data import models_folder
from ..judge.model_file import StrictTable, Threshold, TomlFile, Words, parse

HINT_FILE = "station.toml"
HintCode = Literal["blurred", "reflection", "cut_off", "too_far", "too_dark", "not_found"]


class Limits(StrictTable):
    """The numbers that hints hang on."""

    blur_mm: Threshold
    reflection_share: Threshold
    reflection_excess: Threshold
    cut_px: Threshold
    least_fill: Threshold
    dark: Threshold


class Hint(StrictTable):
    """What is wrong with a photo, and how to take a better one."""

    title: Words
    text: Words


class HintFile(StrictTable):
    """The shape of models/station.toml."""

    limit: Limits
    hint: dict[HintCode, Hint]

    @field_validator("hint")
    @classmethod
    def _all_hints(cls, hints: dict[HintCode, Hint]) -> dict[HintCode, Hint]:
        missing = [code for code in get_args(HintCode) if code not in hints]
        if missing:
            raise ValueError(f"the hint {missing[0]!r} is missing.")
        return hints


@lru_cache(maxsize=1)
def load_hints() -> HintFile:
    """The file that ships with dyelight, read once; RulesError where it is broken."""
    return parse(HintFile, TomlFile.read(models_folder() / HINT_FILE))
