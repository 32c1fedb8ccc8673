"""The limits of models/teach.toml."""

from __future__ import annotations

from functools import cache

from ..data import models_folder
from ..judge.model_file import StrictTable, Threshold, TomlFile, parse

TEACH_FILE = "teach.toml"


class TeachLimits(StrictTable):
    """When a camera counts as taught, and when a teaching no longer fits."""

    least_panels: Threshold
    spoilt_share: Threshold
    outlier_de00: Threshold
    outlier_scatters: Threshold
    scale_pct: Threshold
    shape_pct: Threshold
    covered_share: Threshold
    light_level: Threshold
    light_shape: Threshold
    light_uneven: Threshold
    surroundings_share: Threshold
    noise_ratio: Threshold


class _TeachFile(StrictTable):
    limits: TeachLimits


@cache
def teach_limits() -> TeachLimits:
    """The limits as they ship; RulesError where the file cannot be used."""
    return parse(_TeachFile, TomlFile.read(models_folder() / TEACH_FILE)).limits
