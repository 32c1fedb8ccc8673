"""The file of a teaching: JSON, checked key by key, written whole or not at all."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from .. import __version__
from ..errors import SettingsError, UnreadableInput
from ..look.colour_table import NODES, ColourTable
from ..records import F64, Base
from ..report.outputs import write_together
from .capture import BENCH_COLUMNS, BENCH_ROWS, NOISE_BINS
from .changes import COLOURS
from .look import CURVE_SPANS, GAIN_SPANS, TONE_SPANS, TaughtLook
from .record import TaughtCapture, TaughtPanel, Teaching, Way
from .verdicts import Spread

SCHEMA_VERSION = 1
_MOST_BYTES = 20_000_000
_DIGITS = 6
_Number = Annotated[float, Field(allow_inf_nan=False)]
_Share = Annotated[float, Field(ge=0, allow_inf_nan=False)]
_Numbers = list[_Number]
_Shape = tuple[int, ...]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class _Panel(_Table):
    photo: str
    sha256: str
    artwork_sha256: str


class _Look(_Table):
    curves: _Numbers
    table: _Numbers | None
    gain: _Numbers
    tone: _Numbers


class _Capture(_Table):
    width_px: Annotated[int, Field(gt=0)]
    height_px: Annotated[int, Field(gt=0)]
    plane: _Numbers
    size_scatter: _Share
    shape_scatter: _Share
    bench: list[_Number | None]
    bench_scatter: list[_Number | None]
    tilt_scatter: _Share
    noise: list[_Number | None]
    covered: list[_Share]
    lens: list[_Number]
    flicker: _Share | None


class _Spread(_Table):
    whole: list[_Share]
    zone: list[_Share]


class _TeachingFile(_Table):
    schema_version: Literal[1]
    tool_version: str
    kind: Literal["dyelight teaching"]
    way: Way
    taught_at: str
    base: Base
    finish: str
    panels: list[_Panel]
    left_out: list[str]
    capture: _Capture
    look: _Look
    spread: _Spread
    colour_error: list[_Share]
    colours: list[Annotated[int, Field(ge=0)]]


def teaching_bytes(teaching: Teaching) -> bytes:
    """The file's bytes."""
    capture, look = teaching.capture, teaching.look
    tables: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "tool_version": teaching.tool_version,
        "kind": "dyelight teaching",
        "way": teaching.way,
        "taught_at": teaching.taught_at,
        "base": teaching.base,
        "finish": teaching.finish,
        "panels": [
            {"photo": p.photo, "sha256": p.sha256, "artwork_sha256": p.artwork_sha256}
            for p in teaching.panels
        ],
        "left_out": list(teaching.left_out),
        "capture": {
            "width_px": capture.width_px,
            "height_px": capture.height_px,
            "plane": [float(v) for v in capture.plane.ravel()],
            "size_scatter": capture.size_scatter,
            "shape_scatter": capture.shape_scatter,
            "bench": _rounded(capture.bench),
            "bench_scatter": _rounded(capture.bench_scatter),
            "tilt_scatter": capture.tilt_scatter,
            "noise": _rounded(capture.noise),
            "covered": _rounded(capture.covered),
            "lens": list(capture.lens),
            "flicker": capture.flicker,
        },
        "look": {
            "curves": _rounded(look.curves),
            "table": None if look.table is None else _rounded(look.table.nodes.astype(np.float64)),
            "gain": _rounded(look.gain),
            "tone": _rounded(look.tone),
        },
        "spread": {
            "whole": _rounded(teaching.spread.whole),
            "zone": _rounded(teaching.spread.zone),
        },
        "colour_error": _rounded(teaching.colour_error),
        "colours": teaching.colours.tolist(),
    }
    lines = ",\n".join(
        f" {json.dumps(key)}: {json.dumps(value, allow_nan=False, ensure_ascii=False)}"
        for key, value in tables.items()
    )
    return ("{\n" + lines + "\n}\n").encode("utf-8", "backslashreplace")


def _rounded(values: F64) -> list[float | None]:
    return [None if not np.isfinite(v) else round(float(v), _DIGITS) for v in values.ravel()]


def write_teaching(teaching: Teaching, path: Path) -> Teaching:
    """Write a teaching, whole or not at all; the teaching as it stands in the file.

    Raises OutputError where that place cannot be written.
    """
    data = teaching_bytes(teaching)
    write_together(path.absolute().parent, {path.name: data})
    return replace(read_bytes(data, str(path)), file=path.name)


def load_teaching(path: str | Path) -> Teaching:
    """Read a teaching. Raises UnreadableInput where the file cannot be read, SettingsError where it
    is no teaching or holds something that this version does not know."""
    file = Path(path)
    try:
        if file.stat().st_size > _MOST_BYTES:
            raise _no_teaching(file, "it is far too large.")
        data = file.read_bytes()
    except FileNotFoundError as trouble:
        raise UnreadableInput(
            "there is no such file.",
            file=file,
            remedy="Check the name and the folder, or teach the camera with dyelight teach.",
        ) from trouble
    except OSError as trouble:
        raise UnreadableInput(
            f"the teaching cannot be read ({trouble.strerror or trouble}).",
            file=file,
            remedy="Check the name and the rights.",
        ) from trouble
    return replace(read_bytes(data, str(file)), file=file.name)


def read_bytes(data: bytes, file: str) -> Teaching:
    """A teaching from its file's bytes; SettingsError where they are none."""
    try:
        tables = json.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as trouble:
        raise _no_teaching(file, "it is no JSON text, or was cut short.") from trouble
    if isinstance(tables, dict) and isinstance(tables.get("schema_version"), int):
        version = tables["schema_version"]
        if version != SCHEMA_VERSION:
            raise SettingsError(
                f"this teaching has the form {version}; dyelight {__version__} reads "
                f"{SCHEMA_VERSION}.",
                file=file,
                place="schema_version",
                remedy="Install a newer dyelight, or teach the camera again with this one."
                if version > SCHEMA_VERSION
                else "Teach the camera again with this version.",
            )
    try:
        held = _TeachingFile.model_validate(tables)
        return _from_file(held, hashlib.sha256(data).hexdigest())
    except ValidationError as trouble:
        first = trouble.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or None
        raise _no_teaching(file, _why(first), place) from trouble
    except ValueError as trouble:
        raise _no_teaching(file, f"{trouble}.") from trouble


def _why(details: ErrorDetails) -> str:
    """What is wrong at one key, in plain words."""
    words = {
        "missing": "this key is missing.",
        "extra_forbidden": "unknown key.",
        "model_type": "an object in braces should stand here.",
        "list_type": "a list should stand here.",
        "string_type": "a text should stand here.",
        "int_type": "a whole number should stand here.",
        "float_type": "a number should stand here.",
        "finite_number": "a number should stand here.",
        "literal_error": "it should be {expected}.",
        "greater_than": "it should be more than {gt:g}.",
        "greater_than_equal": "it should be {ge:g} or more.",
    }
    known = words.get(details["type"], "its value is none that can stand here.")
    return known.format(**details.get("ctx", {}))


def _no_teaching(file: str | Path, why: str, place: str | None = None) -> SettingsError:
    return SettingsError(
        f"this is no teaching that dyelight can use: {why}",
        file=file,
        place=place,
        remedy="Name the file that dyelight teach wrote, or teach the camera again.",
    )


def _from_file(held: _TeachingFile, sha256: str) -> Teaching:
    capture, look = held.capture, held.look
    curve, gain, tone = CURVE_SPANS + 3, GAIN_SPANS + 3, TONE_SPANS + 3
    table = None
    if look.table is not None:
        nodes = _array(look.table, (NODES, NODES, NODES, 3), "look.table")
        table = ColourTable.from_nodes(nodes.astype(np.float32))
    lens = _array(capture.lens, (2,), "capture.lens")
    return Teaching(
        way=held.way,
        base=held.base,
        finish=held.finish,
        look=TaughtLook(
            _array(look.curves, (3, 3, curve), "look.curves"),
            table,
            _array(look.gain, (3, gain, gain), "look.gain"),
            _array(look.tone, (3, tone, tone), "look.tone"),
        ),
        capture=TaughtCapture(
            width_px=capture.width_px,
            height_px=capture.height_px,
            plane=_array(capture.plane, (3, 3), "capture.plane"),
            size_scatter=capture.size_scatter,
            shape_scatter=capture.shape_scatter,
            bench=_array(capture.bench, (BENCH_ROWS, BENCH_COLUMNS, 3), "capture.bench"),
            bench_scatter=_array(
                capture.bench_scatter, (BENCH_ROWS, BENCH_COLUMNS), "capture.bench_scatter"
            ),
            tilt_scatter=capture.tilt_scatter,
            noise=_array(capture.noise, (len(NOISE_BINS),), "capture.noise"),
            covered=_array(capture.covered, (BENCH_ROWS, BENCH_COLUMNS), "capture.covered"),
            lens=(float(lens[0]), float(lens[1])),
            flicker=capture.flicker,
        ),
        spread=Spread(
            _array(held.spread.whole, (3,), "spread.whole"),
            _array(held.spread.zone, (3,), "spread.zone"),
        ),
        colour_error=_array(held.colour_error, (4,), "colour_error"),
        colours=_array(held.colours, (COLOURS**3,), "colours").astype(np.intp),
        panels=tuple(TaughtPanel(p.photo, p.sha256, p.artwork_sha256) for p in held.panels),
        left_out=tuple(held.left_out),
        taught_at=held.taught_at,
        tool_version=held.tool_version,
        sha256=sha256,
    )


def _array(values: Any, shape: _Shape, name: str) -> F64:
    array = np.array([np.nan if v is None else v for v in values], np.float64)
    if array.size != int(np.prod(shape)):
        raise ValueError(f"{name} holds {array.size} numbers, not {int(np.prod(shape))}")
    return array.reshape(shape)
