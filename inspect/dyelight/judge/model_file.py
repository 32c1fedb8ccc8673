"""Read the TOML files of models/ and say everything that is wrong with one at once.

Each file is checked by a pydantic model that forbids unknown keys. A trouble names its key as it
stands in the file (`kind.fibre.rule[2].unit`) and what to do about it.
"""

from __future__ import annotations

import difflib
import hashlib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Protocol, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, Strict, StringConstraints, ValidationError
from pydantic_core import ErrorDetails

from ..errors import RulesError

Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Whole = Annotated[int, Strict(), Field(ge=0)]
Flag = Annotated[bool, Strict()]
Words = Annotated[str, StringConstraints(strict=True, min_length=1, strip_whitespace=True)]


class StrictTable(BaseModel):
    """A table of a models file: unknown keys are refused and nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Threshold(StrictTable):
    """One number that decides something, with its unit, what it means and where it comes from."""

    value: Number
    unit: Words
    meaning: Words
    origin: Words


@dataclass(frozen=True, slots=True)
class FileDigest:
    """One models file as it was used: its name and the sha256 of its bytes."""

    name: str
    sha256: str


class Loaded(Protocol):
    """Anything that was loaded from models files and knows which."""

    @property
    def files(self) -> tuple[FileDigest, ...]:
        """The files that it was read from."""
        ...


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing wrong in a models file: the key, and what is wrong with the way out."""

    key: str
    text: str


@dataclass(frozen=True, slots=True)
class TomlFile:
    """A TOML file as read: its path, its tables and the digest of its bytes."""

    path: Path
    tables: Mapping[str, Any]
    digest: FileDigest

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read a file; RulesError where it is missing, unreadable or not TOML."""
        try:
            data = path.read_bytes()
        except FileNotFoundError:
            raise RulesError(
                "the file is not there.", file=path, remedy="Check the path, or leave it out."
            ) from None
        except OSError as trouble:
            raise RulesError(
                f"the file cannot be read ({trouble.strerror or 'unknown reason'}).",
                file=path,
                remedy="Name a TOML file that you may read.",
            ) from trouble
        try:
            tables = tomllib.loads(data.decode("utf-8"))
        except UnicodeDecodeError as trouble:
            raise RulesError(
                f"the file is not UTF-8 text (byte {trouble.start}).",
                file=path,
                remedy="Save it as plain UTF-8 text.",
            ) from trouble
        except tomllib.TOMLDecodeError as trouble:
            raise RulesError(
                f"the file is not valid TOML: {trouble}.",
                file=path,
                remedy="Correct that line.",
            ) from trouble
        return cls(path, tables, FileDigest(path.name, hashlib.sha256(data).hexdigest()))


Model = TypeVar("Model", bound=BaseModel)


def parse(
    model: type[Model],
    source: TomlFile,
    *,
    context: Mapping[str, Any] | None = None,
    troubles: Iterable[Trouble] = (),
) -> Model:
    """Check a file's tables against a model.

    `context` reaches the model's validators; `troubles` were found by other means and are reported
    with the model's own. Raises RulesError with every trouble found.
    """
    found = list(troubles)
    parsed: Model | None = None
    try:
        parsed = model.model_validate(dict(source.tables), context=dict(context or {}))
    except ValidationError as failure:
        names = sorted(_field_names(model))
        found += [_trouble(details, names) for details in failure.errors()]
    if parsed is None or found:
        raise rules_error(source.path, found)
    return parsed


def rules_error(path: Path, troubles: list[Trouble]) -> RulesError:
    """One RulesError that lists every trouble with its key."""
    first, *rest = troubles
    text = "".join([first.text, *(f"\n  {other.key}: {other.text}" for other in rest)])
    count = "this key" if not rest else f"these {len(troubles)} keys"
    return RulesError(
        text,
        file=path,
        place=first.key,
        remedy=f"Correct {count}; the file that ships with dyelight shows the shape.",
    )


def rules_sha256(*parts: Loaded) -> str:
    """One sha256 over every models file that a result rests on, whatever their order and place."""
    lines = sorted({f"{file.name} {file.sha256}\n" for part in parts for file in part.files})
    return hashlib.sha256("".join(lines).encode("utf-8")).hexdigest()


def close_name(name: str, known: Iterable[str]) -> str:
    """A hint that names the known word nearest to a misspelt one, or an empty text."""
    near = difflib.get_close_matches(name, list(known), n=1)
    return f" Did you mean {near[0]!r}?" if near else ""


def _key(location: tuple[int | str, ...]) -> str:
    key = ""
    for part in location:
        if isinstance(part, int):
            key += f"[{part + 1}]"
        elif part != "[key]":
            key += f".{part}" if key else part
    return key


def _trouble(details: ErrorDetails, names: list[str]) -> Trouble:
    location = details["loc"]
    last = str(location[-1]) if location else ""
    kind = details["type"]
    if kind == "extra_forbidden":
        return Trouble(_key(location), f"unknown key.{close_name(last, names)}")
    if kind == "missing":
        return Trouble(_key(location), "this key is missing.")
    if location and location[-1] == "[key]":
        asked = str(details["input"])
        words = str(details.get("ctx", {}).get("expected", "")).replace("'", "").split(", ")
        known = [word for part in words for word in part.split(" or ")]
        return Trouble(_key(location), f"unknown name {asked!r}.{close_name(asked, known)}")
    message = details["msg"].removeprefix("Value error, ")
    message = message[0].upper() + message[1:] if message else "Not understood"
    return Trouble(_key(location), message if message.endswith((".", "?")) else f"{message}.")


def _field_names(model: type[BaseModel], seen: set[type[BaseModel]] | None = None) -> set[str]:
    seen = set() if seen is None else seen
    if model in seen:
        return set()
    seen.add(model)
    names: set[str] = set()
    for name, info in model.model_fields.items():
        names.add(info.alias or name)
        for inner in _models_in(info.annotation):
            names |= _field_names(inner, seen)
    return names


def _models_in(annotation: Any) -> Iterable[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in getattr(annotation, "__args__", ()):
        yield from _models_in(inner)
