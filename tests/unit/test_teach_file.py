"""The file of a teaching: what is written is read again, and nothing else is taken for one."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dyelight.errors import OutputError, SettingsError, UnreadableInput
from dyelight.look.colour_table import ColourTable
from dyelight.teach import TaughtPanel, Teaching, load_teaching, write_teaching
from dyelight.teach.capture import BENCH_COLUMNS, BENCH_ROWS, NOISE_BINS
from dyelight.teach.look import TaughtLook
from dyelight.teach.record import TaughtCapture
from dyelight.teach.verdicts import Spread


def made(table: bool = True) -> Teaching:
    """A teaching of arbitrary numbers, some of them unknown."""
    rng = np.random.default_rng(3)
    bench = rng.normal(-2, 0.1, (BENCH_ROWS, BENCH_COLUMNS, 3))
    bench[5:20, 8:30] = np.nan
    noise = np.full(len(NOISE_BINS), 0.004)
    noise[0] = np.nan
    nodes = rng.normal(0, 0.01, (9, 9, 9, 3)).astype(np.float32)
    return Teaching(
        way="panels",
        base="white",
        finish="gloss",
        look=TaughtLook(
            rng.normal(0, 1, (3, 3, 10)),
            ColourTable.from_nodes(nodes) if table else None,
            rng.normal(0, 0.1, (3, 7, 7)),
            rng.normal(0, 0.1, (3, 4, 4)),
        ),
        capture=TaughtCapture(
            width_px=800,
            height_px=600,
            plane=np.array([[0.1, 1e-9, 2], [0, 0.1, 3], [1e-7, 2e-8, 1]]),
            size_scatter=0.001,
            shape_scatter=0.0003,
            bench=bench,
            bench_scatter=np.where(np.isfinite(bench[..., 0]), 0.01, np.nan),
            tilt_scatter=0.004,
            noise=noise,
            covered=np.ones((BENCH_ROWS, BENCH_COLUMNS)),
            lens=(-0.002, 0.0001),
            flicker=0.008,
        ),
        spread=Spread(np.array([0.01, 0.008, 0.004]), np.array([0.004, 0.005, 0.003])),
        colour_error=np.array([0.03, 0.02, 0.015, 0.01]),
        colours=np.arange(343) % 5,
        panels=(TaughtPanel("Käfer 1.jpg", "a" * 64, "b" * 64),),
        left_out=("odd.jpg: It stands out.",),
        taught_at="2027-03-01",
        tool_version="0.1.0",
    )


def same(one: object, other: object) -> bool:
    """Whether two records hold the same, numbers to six decimals."""
    if isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        return bool(np.allclose(one, other, atol=1e-6, equal_nan=True))
    if is_dataclass(one) and not isinstance(one, type):
        return all(
            same(getattr(one, field.name), getattr(other, field.name))
            for field in fields(one)
            if field.name not in ("file", "sha256", "cells")
        )
    return one == other


@pytest.mark.parametrize("table", [True, False])
def test_what_is_written_is_read_again(tmp_path: Path, table: bool) -> None:
    """Every number, name and gap of a teaching comes back, with the file's name and hash."""
    teaching = made(table)
    written = write_teaching(teaching, tmp_path / "camera.json")
    read = load_teaching(tmp_path / "camera.json")
    assert same(teaching, read)
    assert read.file == "camera.json"
    assert len(read.sha256) == 64
    assert written.sha256 == read.sha256
    assert sorted(path.name for path in tmp_path.iterdir()) == ["camera.json"]


def test_the_same_teaching_makes_the_same_bytes(tmp_path: Path) -> None:
    """Written again, the file is the same to the last byte."""
    first = write_teaching(made(), tmp_path / "a.json")
    second = write_teaching(load_teaching(tmp_path / "a.json"), tmp_path / "b.json")
    assert first.sha256 == second.sha256


def test_no_file_and_no_folder_are_told(tmp_path: Path) -> None:
    """A missing file is unreadable input; a place that cannot be written is an output error."""
    with pytest.raises(UnreadableInput, match="no such file"):
        load_teaching(tmp_path / "none.json")
    with pytest.raises(OutputError):
        write_teaching(made(), tmp_path / "none" / "camera.json")


def _set(name: str, value: Any) -> Callable[[dict[str, Any]], None]:
    def change(tables: dict[str, Any]) -> None:
        *path, last = name.split(".")
        for part in path:
            tables = tables[part]
        tables[last] = value

    return change


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_set("extra", 1), "extra: this is no teaching that dyelight can use: unknown key."),
        (_set("capture.serial_number", "x"), "capture.serial_number"),
        (_set("way", "guess"), "it should be 'panels', 'blank' or 'signed_off'."),
        (_set("schema_version", 2), "form 2; dyelight"),
        (_set("schema_version", 2), "Install a newer dyelight"),
        (_set("schema_version", 0), "Teach the camera again with this version."),
        (_set("schema_version", "1"), "it should be 1."),
        (_set("kind", "something"), "kind"),
        (_set("capture", []), "an object in braces should stand here."),
        (_set("panels", {}), "a list should stand here."),
        (_set("finish", 4), "a text should stand here."),
        (_set("colours", [0.5]), "a whole number should stand here."),
        (_set("tool_version", None), "tool_version"),
        (_set("look.gain", [0.0] * 5), "look.gain holds 5 numbers, not 147"),
        (_set("colour_error", [0.1, -0.1, 0.1, 0.1]), "it should be 0 or more."),
        (_set("capture.width_px", 0), "it should be more than 0."),
        (_set("capture.noise", ["a"] * 6), "capture.noise.0"),
        (_set("capture.noise", ["a"] * 6), "a number should stand here."),
        (_set("spread.whole", [float("inf")] * 3), "a number should stand here."),
        (_set("spread", {}), "this key is missing."),
    ],
)
def test_what_does_not_fit_is_refused(
    tmp_path: Path, change: Callable[[dict[str, Any]], None], says: str
) -> None:
    """An unknown key, an odd value or a wrong count is told with its place and a remedy."""
    place = tmp_path / "camera.json"
    write_teaching(made(), place)
    tables = json.loads(place.read_text(encoding="utf-8"))
    change(tables)
    place.write_text(json.dumps(tables), encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_teaching(place)
    assert says in caught.value.sentence()
    assert str(place) in caught.value.sentence()
    assert caught.value.remedy


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", "{", "\x00\xff", '{"kind": NaN}', "7", "[" * 100_000, '{"a":' * 100_000],
    ids=["empty", "list", "object", "cut", "bytes", "nan", "number", "lists", "objects"],
)
def test_other_files_are_no_teachings(tmp_path: Path, text: str) -> None:
    """Whatever else a file holds, it is refused in words, and not in a checker's."""
    place = tmp_path / "other.json"
    place.write_bytes(text.encode("latin-1"))
    with pytest.raises(SettingsError, match="no teaching") as caught:
        load_teaching(place)
    assert "_TeachingFile" not in caught.value.sentence()
    assert "nput should" not in caught.value.sentence()


def test_a_file_that_was_cut_short_is_told_as_that(tmp_path: Path) -> None:
    """A copy that broke off is no JSON any more; that it may have is said."""
    place = tmp_path / "camera.json"
    write_teaching(made(), place)
    place.write_bytes(place.read_bytes()[:-500])
    with pytest.raises(SettingsError, match="no JSON text, or was cut short"):
        load_teaching(place)


def test_nothing_of_place_or_time_is_kept(tmp_path: Path) -> None:
    """The file holds names, hashes and a day, and no other fact about where photos came from."""
    place = tmp_path / "camera.json"
    write_teaching(made(), place)
    text = place.read_text(encoding="utf-8").lower()
    assert not [
        word for word in ("gps", "latitude", "serial", "exif", str(tmp_path)) if word in text
    ]
