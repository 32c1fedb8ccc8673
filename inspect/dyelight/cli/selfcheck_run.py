"""The checks behind `dyelight selfcheck`, each of which says what it saw and the way out."""

from __future__ import annotations

import importlib
import importlib.metadata
import platform
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from .. import __version__
from ..errors import DyelightError
from .console import say
from .exits import FAULT, OPENCV_REMEDY, PASS, visible

_LIBRARIES = (
    "numpy",
    "scipy",
    "scikit-image",
    "Pillow",
    "tifffile",
    "pydantic",
    "typer",
    "rich",
    "Jinja2",
    "SQLAlchemy",
    "alembic",
)
_OPENCV = ("opencv-python", "opencv-python-headless", "opencv-contrib-python")
# what an extra brings: its distribution, its module, what it is for
_EXTRAS = {
    "heic": ("pillow-heif", "pillow_heif", "HEIC photos"),
    "codes": ("zxing-cpp", "zxingcpp", "codes in photos of a run"),
    "postgres": ("psycopg", "psycopg", "a press log in PostgreSQL"),
    "station": ("uvicorn", "uvicorn", "the page beside the press"),
    "cluster": ("distributed", "distributed", "runs over several machines"),
}


@dataclass(frozen=True, slots=True)
class Seen:
    """What one check saw. `needed` False: its lack takes nothing from the main job."""

    ok: bool
    text: str
    needed: bool = True


def run_selfcheck() -> int:
    """Run every check, print a line for each, and return the exit code."""
    say(f"dyelight {__version__}, Python {platform.python_version()}, {platform.platform()}")
    failed = 0
    for check in (
        _python,
        _libraries,
        _opencv,
        _extras,
        _models,
        _samples,
        _temporary_files,
        _inspection,
    ):
        for seen in _outcome(check):
            mark = "ok  " if seen.ok else "FAIL" if seen.needed else "--  "
            say(f"{mark} {visible(seen.text)}")
            failed += seen.needed and not seen.ok
    say("everything needed is here." if not failed else f"{failed} of the checks failed.")
    return FAULT if failed else PASS


def _outcome(check: Callable[[], list[Seen]]) -> list[Seen]:
    # one broken part must not hide the state of the others
    try:
        return check()
    except DyelightError as trouble:
        return [Seen(False, trouble.sentence())]
    except Exception as trouble:
        name = check.__name__.strip("_").replace("_", " ")
        return [Seen(False, f"{name}: {type(trouble).__name__}: {trouble}")]


def _python() -> list[Seen]:
    fits = sys.version_info >= (3, 11)
    return [
        Seen(fits, f"Python {platform.python_version()}" + ("" if fits else ": 3.11 is needed"))
    ]


def _version(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return None


def _libraries() -> list[Seen]:
    seen = []
    for name in _LIBRARIES:
        version = _version(name)
        text = (
            f"{name} {version}" if version else f"{name} is missing: python -m pip install {name}"
        )
        seen.append(Seen(version is not None, text))
    return seen


def _opencv() -> list[Seen]:
    installed = [f"{name} {version}" for name in _OPENCV if (version := _version(name))]
    try:
        cv2 = importlib.import_module("cv2")
    except ImportError as trouble:
        return [Seen(False, f"OpenCV cannot be loaded ({trouble}). {OPENCV_REMEDY}")]
    return [Seen(True, f"OpenCV {cv2.__version__} ({', '.join(installed) or 'not from a wheel'})")]


def _extras() -> list[Seen]:
    seen = []
    for extra, (distribution, module, purpose) in _EXTRAS.items():
        try:
            importlib.import_module(module)
        except ImportError:
            how = f'python -m pip install "dyelight[{extra}]"'
            seen.append(Seen(False, f"{distribution} is not here ({purpose}): {how}", needed=False))
        else:
            seen.append(Seen(True, f"{distribution} {_version(distribution)} ({purpose})", False))
    return seen


def _models() -> list[Seen]:
    from ..causes import load_causes
    from ..data import models_folder
    from ..judge import acceptance_names, load_acceptance, load_rules, rules_sha256
    from ..judge.texts import load_texts

    rules = load_rules()
    specs = [load_acceptance(name, rules) for name in acceptance_names()]
    causes = load_causes(None, rules)
    load_texts()
    digest = rules_sha256(rules, *specs, causes)
    names = ", ".join(acceptance_names())
    return [Seen(True, f"models in {models_folder()}: specs {names}; sha256 {digest[:16]}")]


def _samples() -> list[Seen]:
    from ..samples import checked_path, load_manifest

    manifest = load_manifest()
    for item in manifest.file:
        checked_path(item)
    return [Seen(True, f"samples: {len(manifest.file)} files as the manifest lists them")]


def _temporary_files() -> list[Seen]:
    from ..report.outputs import write_together

    with tempfile.TemporaryDirectory(prefix="dyelight-") as folder:
        write_together(Path(folder), {"probe.txt": b"probe"})
    return [Seen(True, f"temporary files can be written in {tempfile.gettempdir()}")]


def _inspection() -> list[Seen]:
    from .tiny_inspection import found_speck

    found, text = found_speck()
    return [Seen(found, text)]
