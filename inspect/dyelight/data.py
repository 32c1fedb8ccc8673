"""Where the data that ships with dyelight lies: rules, causes, acceptance specs, demo pictures."""

from __future__ import annotations

from pathlib import Path

from .errors import SettingsError

_PACKAGE = Path(__file__).resolve().parent


def _first_existing(name: str) -> Path:
    # inside an installed wheel the data sit in the package; in a checkout they sit at the top level
    for folder in (_PACKAGE / name, _PACKAGE.parents[1] / name):
        if folder.is_dir():
            return folder
    raise SettingsError(
        f"the folder {name!r} that belongs to dyelight is missing.",
        remedy="Install dyelight again.",
    )


def models_folder() -> Path:
    """The folder with rules, cause map and acceptance specs."""
    return _first_existing("models")


def samples_folder() -> Path:
    """The folder with the demo pictures and their MANIFEST.toml."""
    return _first_existing("sample_images")
