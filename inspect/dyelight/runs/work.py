"""Inspect one panel of a run: the function that worker processes and cluster workers call.

Everything a task needs travels in it, and everything that must outlive it is written before it
returns, so that a task may be done twice, or by another worker, with the same outcome.
"""

from __future__ import annotations

import hashlib
import json
import traceback
from dataclasses import dataclass, replace
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any

import cv2

from .. import __version__
from ..causes import CauseMap, load_causes
from ..errors import DyelightError, OutputError, SettingsError, StageFault, UnreadableInput
from ..intake import read_photo
from ..intake.files import read_whole
from ..intake.pictures import ARTWORK_LIMIT_PX, PHOTO_LIMIT_PX
from ..judge import AcceptanceSpec, Rules, load_acceptance, load_rules, rules_sha256
from ..pipeline import inspect_panel
from ..records import Inspection
from ..report.marked import marked_picture
from ..report.outputs import photo_preview, write_together
from ..report.result_json import result_dict
from ..teach import Teaching, load_teaching
from .artworks import Artworks, stamp
from .entries import Entry, file_stem

RESULTS, MARKED = "results", "marked"
_MARKED_QUALITY = 88
# artwork kept decoded in a worker beside the one in use, so that memory stays flat
_KEPT_BYTES = 96 * 2**20
_EXIT_CODES = {"pass": 0, "review": 1, "remake": 1, "retake": 4}


@dataclass(frozen=True, slots=True)
class Judging:
    """What panels are judged by: files and the hash over what they held when the run began.

    `taught` is the file of a taught camera, with its own hash; None where none was named.
    """

    rules: str | None
    acceptance: str
    causes: str | None
    sha256: str
    tool_version: str = __version__
    taught: str | None = None
    taught_sha256: str = ""


@dataclass(frozen=True, slots=True)
class Task:
    """One panel to inspect, and the folder of the run."""

    entry: Entry
    judging: Judging
    out: str


@dataclass(frozen=True, slots=True)
class Row:
    """What became of one panel: its exit code and, where it failed, why.

    `reused`: the result of an earlier, interrupted run still holds. `lost`: the worker was lost
    over it.
    """

    index: int
    panel_id: str
    code: int
    reused: bool = False
    error: str | None = None
    details: str | None = None
    lost: bool = False


@dataclass(frozen=True, slots=True)
class Knowledge:
    """Rules, acceptance spec, cause map and teaching as loaded."""

    rules: Rules
    acceptance: AcceptanceSpec
    causes: CauseMap
    taught: Teaching | None = None

    @property
    def sha256(self) -> str:
        """The hash over all files that they came from."""
        return rules_sha256(self.rules, self.acceptance, self.causes)


def load_knowledge(
    rules: str | None, acceptance: str, causes: str | None, taught: str | None = None
) -> Knowledge:
    """Load what panels are judged by; RulesError, SettingsError or UnreadableInput where a file
    cannot be used."""
    loaded = load_rules(rules)
    return Knowledge(
        loaded,
        load_acceptance(acceptance, loaded),
        load_causes(causes, loaded),
        None if taught is None else load_teaching(taught),
    )


@lru_cache(maxsize=2)
def _knowledge(judging: Judging) -> Knowledge:
    if judging.tool_version != __version__:
        raise SettingsError(
            f"a worker runs dyelight {__version__}, the run was started by {judging.tool_version}.",
            remedy="Install the same version everywhere.",
        )
    knowledge = load_knowledge(judging.rules, judging.acceptance, judging.causes, judging.taught)
    taught_sha256 = "" if knowledge.taught is None else knowledge.taught.sha256
    if (knowledge.sha256, taught_sha256) != (judging.sha256, judging.taught_sha256):
        raise SettingsError(
            "rules, acceptance spec, cause map or teaching changed after the run began.",
            remedy="Start the run again: panels judged by the old ones are done anew.",
        )
    return knowledge


def inspect_task(task: Task) -> Row:
    """Inspect one panel, write its marked picture and result, and say what became of it.

    A panel whose result is there already, for the same photos, artwork, size, rules and version, is
    not done again. Raises OutputError where results cannot be written and SettingsError where this
    worker cannot judge for the run; every other trouble becomes a row.
    """
    cv2.setNumThreads(1)
    entry, out = task.entry, Path(task.out)
    knowledge = _knowledge(task.judging)
    try:
        earlier = _earlier(out, entry)
        if earlier is not None and earlier["run"]["key"] == panel_key(entry, task.judging):
            return Row(entry.index, entry.panel_id, _EXIT_CODES[earlier["verdict"]], reused=True)
        inspection = _inspected(entry, knowledge, out, task.judging)
    except (OutputError, SettingsError) as trouble:
        if isinstance(trouble, SettingsError) and trouble.file is not None:
            return _failed(entry, out, trouble)
        raise
    except DyelightError as trouble:
        return _failed(entry, out, trouble)
    except MemoryError:
        return _failed(
            entry, out, StageFault("there was not enough memory.", file=entry.photo_names[0])
        )
    except Exception as trouble:
        # one panel's fault, whatever it is, must not end a run of thousands
        fault = StageFault(f"{type(trouble).__name__}: {trouble}.", file=entry.photo_names[0])
        return _failed(entry, out, fault, trouble)
    return Row(entry.index, entry.panel_id, _EXIT_CODES[inspection.verdict.word])


def panel_key(entry: Entry, judging: Judging) -> str:
    """A hash over all that a panel's result rests on.

    Raises UnreadableInput where a file cannot be read.
    """
    parts = {
        "panel": entry.panel_id,
        "photos": [
            [name, read_whole(path, PHOTO_LIMIT_PX)[1]]
            for name, path in zip(entry.photo_names, entry.photos, strict=True)
        ],
        "artwork": [entry.artwork_name, _artwork_sha256(entry.artwork, stamp(entry.artwork))],
        **_key_rest(entry, judging),
    }
    return _digest(parts)


def _key_rest(entry: Entry, judging: Judging) -> dict[str, Any]:
    return {
        "size": [entry.width_mm, entry.height_mm, entry.bleed_mm],
        "base": entry.base,
        "finish": entry.finish,
        "rules": judging.sha256,
        "version": judging.tool_version,
        # absent where no camera was taught, so that results from before still hold
        **({"taught": judging.taught_sha256} if judging.taught_sha256 else {}),
    }


def _digest(parts: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode("utf-8")).hexdigest()


@lru_cache(maxsize=64)
def _artwork_sha256(path: Path, stamp: tuple[int, int]) -> str:
    return read_whole(path, ARTWORK_LIMIT_PX)[1]


def result_path(out: Path, entry: Entry) -> Path:
    """Where a panel's result lies."""
    return out / RESULTS / f"{file_stem(entry.panel_id)}.json"


def marked_path(out: Path, entry: Entry) -> Path:
    """Where a panel's marked picture lies."""
    return out / MARKED / f"{file_stem(entry.panel_id)}.jpg"


def read_result(path: Path) -> dict[str, Any] | None:
    """A result file as plain data; None where there is none that can be used."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    usable = (
        isinstance(data, dict)
        and isinstance(data.get("run"), dict)
        and isinstance(data["run"].get("key"), str)
        and data.get("verdict") in _EXIT_CODES
    )
    return data if usable else None


def _earlier(out: Path, entry: Entry) -> dict[str, Any] | None:
    earlier = read_result(result_path(out, entry))
    return earlier if earlier is not None and marked_path(out, entry).is_file() else None


def _inspected(entry: Entry, knowledge: Knowledge, out: Path, judging: Judging) -> Inspection:
    artwork = _artworks.get(entry)
    photos = [
        replace(read_photo(path), file=name)
        for path, name in zip(entry.photos, entry.photo_names, strict=True)
    ]
    inspection = inspect_panel(
        photos,
        artwork,
        rules=knowledge.rules,
        acceptance=knowledge.acceptance,
        causes=knowledge.causes,
        taught=knowledge.taught,
    )
    key = _digest(
        {
            "panel": entry.panel_id,
            "photos": [[photo.file, photo.sha256] for photo in photos],
            "artwork": [entry.artwork_name, artwork.sha256],
            **_key_rest(entry, judging),
        }
    )
    # the photo as it was taken is shown only where the panel was not found in it
    preview = photo_preview(photos[0]) if inspection.pictures is None else None
    del photos
    picture = BytesIO()
    marked_picture(inspection, preview).save(picture, "JPEG", quality=_MARKED_QUALITY)
    place = marked_path(out, entry)
    write_together(place.parent, {place.name: picture.getvalue()})
    # the result last: where it lies, the panel is finished
    result = {**result_dict(inspection), "run": {"key": key, "marked": f"{MARKED}/{place.name}"}}
    text = json.dumps(result, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    place = result_path(out, entry)
    write_together(place.parent, {place.name: text.encode("utf-8", "backslashreplace")})
    return inspection


def _failed(
    entry: Entry, out: Path, trouble: DyelightError, cause: BaseException | None = None
) -> Row:
    """The row of a panel that could not be inspected; an older result of it is taken away."""
    try:
        result_path(out, entry).unlink(missing_ok=True)
        marked_path(out, entry).unlink(missing_ok=True)
    except OSError as refused:
        raise OutputError(
            f"an old result cannot be taken away ({refused.strerror or refused}).",
            file=result_path(out, entry),
            remedy="Name a folder that you may write with --out.",
        ) from refused
    details = None
    if isinstance(trouble, StageFault):
        details = "".join(traceback.format_exception(cause or trouble))
    return Row(
        entry.index, entry.panel_id, trouble.exit_code, error=trouble.sentence(), details=details
    )


_artworks = Artworks(_KEPT_BYTES)


def lost_row(task: Task) -> Row:
    """The row of a panel over which worker processes ended, twice."""
    trouble = UnreadableInput(
        "the worker process ended while it looked at this photo, twice.",
        file=task.entry.photo_names[0],
        remedy="The photo may need more memory than there is: export it smaller, or give --workers "
        "a lower number. The same command tries it again.",
    )
    out = Path(task.out)
    row = _failed(task.entry, out, trouble)
    return replace(row, code=StageFault.exit_code, lost=True)
