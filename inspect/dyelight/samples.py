"""The demo pictures that ship with dyelight, and their MANIFEST.toml.

```
schema_version = 1
lab = "..."             the invented lab of the scenario
scenario = "..."        what the lab wants to know, in a sentence or two

[[file]]
path = "artwork/x.jpg"  beneath sample_images/, with forward slashes
role = "artwork"        or "photo"
sha256 = "..."
origin = "..."          where it comes from, or how it was made
licence = "..."         SPDX name

# photos only
artwork = "artwork/x.jpg"
panel_id = "..."
size_mm = [254, 203]
bleed_mm = 3            default 0
base = "white"          default "white"
finish = "gloss"        default "gloss"
scenario = "..."        what this panel is about
truth = [{ kind = "...", center_mm = [x, y], eq_diameter_mm = d, delta_e00 = e }]
```
"""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    model_validator,
)

from .data import samples_folder
from .errors import UnreadableInput
from .records import Base, Kind

MANIFEST = "MANIFEST.toml"
_Text = Annotated[str, StringConstraints(min_length=1, strip_whitespace=True)]
_Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
_Length = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PlantedTruth(_Table):
    """A defect known to be on the panel: artwork mm, `delta_e00` as a clean camera sees it."""

    kind: Kind
    center_mm: tuple[float, float]
    eq_diameter_mm: _Length
    delta_e00: float


class SampleFile(_Table):
    """One file of the demo set. `path` is beneath the folder of the manifest."""

    path: _Text
    role: Literal["artwork", "photo"]
    sha256: _Sha256
    origin: _Text
    licence: _Text
    artwork: str | None = None
    panel_id: str = ""
    size_mm: tuple[_Length, _Length] | None = None
    bleed_mm: Annotated[float, Field(ge=0)] = 0.0
    base: Base = "white"
    finish: str = "gloss"
    scenario: str = ""
    truth: tuple[PlantedTruth, ...] = ()

    @model_validator(mode="after")
    def _complete_photo(self) -> SampleFile:
        if self.role == "photo" and (self.artwork is None or self.size_mm is None):
            raise ValueError("a photo needs artwork and size_mm")
        if Path(self.path).is_absolute() or ".." in Path(self.path).parts:
            raise ValueError("path must stay beneath the manifest's folder")
        return self


class Manifest(_Table):
    """The whole demo set."""

    schema_version: Literal[1]
    lab: _Text
    scenario: _Text
    file: tuple[SampleFile, ...]

    @model_validator(mode="after")
    def _artworks_are_listed(self) -> Manifest:
        artworks = {item.path for item in self.file if item.role == "artwork"}
        for item in self.photos:
            if item.artwork not in artworks:
                raise ValueError(f"{item.path} names an artwork that is not listed")
        return self

    @property
    def photos(self) -> tuple[SampleFile, ...]:
        """The photos, in the manifest's order."""
        return tuple(item for item in self.file if item.role == "photo")


def load_manifest(folder: Path | None = None) -> Manifest:
    """Read the manifest of the demo set; `UnreadableInput` where it is missing or malformed."""
    path = (samples_folder() if folder is None else folder) / MANIFEST
    try:
        return Manifest.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError as trouble:
        raise UnreadableInput(
            "the demo set has no manifest.", file=path, remedy="Install dyelight again."
        ) from trouble
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as trouble:
        raise UnreadableInput(
            f"the manifest cannot be read ({trouble}).", file=path, remedy="Install dyelight again."
        ) from trouble
    except ValidationError as failure:
        details = failure.errors()[0]
        place = ".".join(str(part) for part in details["loc"])
        raise UnreadableInput(
            f"{details['msg']}.", file=path, place=place, remedy="Correct the manifest."
        ) from failure


def checked_path(item: SampleFile, folder: Path | None = None) -> Path:
    """The file of a manifest entry, once its sha256 was found right; else `UnreadableInput`."""
    path = (samples_folder() if folder is None else folder) / item.path
    try:
        data = path.read_bytes()
    except OSError as trouble:
        raise UnreadableInput(
            "this file of the demo set cannot be read.", file=path, remedy="Install dyelight again."
        ) from trouble
    if hashlib.sha256(data).hexdigest() != item.sha256:
        raise UnreadableInput(
            "this file of the demo set is not the one that the manifest lists.",
            file=path,
            remedy="Install dyelight again.",
        )
    return path
