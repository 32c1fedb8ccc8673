"""Reading a run's list: what is taken, and each trouble told with its row and column."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dyelight.errors import DyelightError, SettingsError, UnreadableInput
from dyelight.runs.entries import file_stem
from dyelight.runs.manifest import Defaults, ManifestError, read_manifest

HEAD = "panel_id,photo,artwork,width_mm,height_mm"
NONE = Defaults()


def manifest(folder: Path, text: str) -> Path:
    path = folder / "run.csv"
    path.write_text(text, encoding="utf-8")
    return path


def troubles(folder: Path, text: str) -> list[str]:
    with pytest.raises(ManifestError) as caught:
        read_manifest(manifest(folder, text), NONE)
    return [row.sentence() for row in caught.value.rows]


def test_a_whole_row_is_read(tmp_path: Path) -> None:
    """Photos are split, files count from the list's folder, facts are kept in their order."""
    text = (
        f"{HEAD},bleed_mm,base,operator,press\n"
        "K-1, a.jpg; sub/b.jpg ,art/x.png,254,203.5,3,clear,B,two\n"
    )
    (entry,) = read_manifest(manifest(tmp_path, text), NONE)
    assert entry.photos == (tmp_path / "a.jpg", tmp_path / "sub/b.jpg")
    assert entry.photo_names == ("a.jpg", "sub/b.jpg")
    assert entry.artwork == tmp_path / "art/x.png"
    assert (entry.width_mm, entry.height_mm, entry.bleed_mm) == (254.0, 203.5, 3.0)
    assert entry.base == "clear"
    assert entry.finish == "gloss"
    assert entry.facts == (("press", "two"), ("operator", "B"))
    assert entry.fact("press") == "two"
    assert entry.fact("fabric") is None


def test_what_a_row_leaves_out_comes_from_the_defaults(tmp_path: Path) -> None:
    """Size, bleed, base and finish fall back; without a size it stays unknown."""
    text = "panel_id,photo,artwork\nK-1,a.jpg,x.png\n"
    (entry,) = read_manifest(
        manifest(tmp_path, text), Defaults((100.0, 80.0), 2.0, "other", "matt")
    )
    assert (entry.width_mm, entry.bleed_mm, entry.base, entry.finish) == (100, 2, "other", "matt")
    (entry,) = read_manifest(manifest(tmp_path, text), NONE)
    assert entry.width_mm is None


def test_spreadsheets_of_other_countries_are_read(tmp_path: Path) -> None:
    """A mark at the beginning, semicolons between cells, decimal commas and empty rows."""
    text = (
        '\ufeffpanel_id;photo;artwork;width_mm;height_mm\n\n1;"a.jpg;b.jpg";x.png;254,5;203\n;;;;\n'
    )
    (entry,) = read_manifest(manifest(tmp_path, text), NONE)
    assert entry.width_mm == 254.5
    assert entry.photo_names == ("a.jpg", "b.jpg")


def test_every_trouble_of_every_row_is_told(tmp_path: Path) -> None:
    """Nothing is given up at the first bad row."""
    text = (
        f"{HEAD},base,quarter_turns,face_up,dwell_s\n"
        "K-1,a.jpg,x.png,254,203,,,,\n"
        ",a.jpg,x.png,254,203,,,,\n"
        "k-1,a.jpg,,wide,203,pink,5,maybe,long\n"
        "K-3,a.jpg,x.png,254,,,,,\n"
        "K-4,;,x.png,254,203,,,,\n"
        "K-5,a.jpg,x.png,2,203,,,,\n"
    )
    found = troubles(tmp_path, text)
    assert "line 3, panel_id: nothing is given." in found
    assert "line 4, artwork: nothing is given." in found
    assert "line 4, panel_id: 'k-1' stands in line 2 already." in found
    assert "line 4, width_mm: 'wide' is no number." in found
    assert "line 4, base: 'pink' is not one of white, clear, other." in found
    assert "line 4, quarter_turns: it must be 0, 1, 2 or 3." in found
    assert "line 4, face_up: it must be yes or no." in found
    assert "line 4, dwell_s: 'long' is no number." in found
    assert "line 5, width_mm: width and height belong together." in found
    assert "line 6, photo: nothing is given." in found
    assert any(text.startswith("line 7: the panel's width of 2 mm is under") for text in found)
    assert len(found) == 11


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "holds no panel"),
        (f"{HEAD}\n", "holds no panel"),
        ("panel_id,photo\nK-1,a.jpg\n", "'artwork' is missing"),
        (f"{HEAD},oprator\nK-1,a,b,1,1,x\n", "Did you mean 'operator'"),
        (f"{HEAD},photo\nK-1,a,b,9,9,c\n", "stands twice"),
        (f'{HEAD}\nK-1,"a"b.jpg,b.png,254,203\n', "no CSV"),
    ],
)
def test_a_list_that_cannot_be_used_is_refused_whole(tmp_path: Path, text: str, told: str) -> None:
    """Columns that are missing, unknown or named twice, and rows that are torn."""
    with pytest.raises(SettingsError, match=told):
        read_manifest(manifest(tmp_path, text), NONE)


def test_torn_rows_are_told_with_all_others(tmp_path: Path) -> None:
    """A row with too many cells hides no other trouble."""
    told = troubles(tmp_path, f"{HEAD}\nK-1,a.jpg,b.png,1,1,more\nK-2,,b.png,1,1\n")
    assert told[0].startswith("line 2: the row has 6 cells, the header 5.")
    assert told[1:] == ["line 3, photo: nothing is given."]
    assert len(troubles(tmp_path, f"{HEAD}\nK-1,a.jpg,b.png,1,1,more\n")) == 1


def test_what_spreadsheets_leave_behind(tmp_path: Path) -> None:
    """Empty columns at the end, and a comma in a header that semicolons divide."""
    (entry,) = read_manifest(manifest(tmp_path, f"{HEAD},,\nK-1,a.jpg,b.png,9,8,,\n"), NONE)
    assert (entry.width_mm, entry.height_mm) == (9, 8)
    assert "8 cells" in troubles(tmp_path, f"{HEAD},,\nK-1,a.jpg,b.png,9,8,,,x\n")[0]
    text = "panel_id;photo;artwork;a, b\n"
    with pytest.raises(SettingsError, match="no column 'a, b'"):
        read_manifest(manifest(tmp_path, text + "K;a;b;c\n"), NONE)


def test_files_that_are_no_text_or_not_there(tmp_path: Path) -> None:
    """Both are unreadable input."""
    with pytest.raises(UnreadableInput, match="no such file"):
        read_manifest(tmp_path / "none.csv", NONE)
    (tmp_path / "run.csv").write_bytes(b"panel_id\xff\xfe\n")
    with pytest.raises(UnreadableInput, match="UTF-8"):
        read_manifest(tmp_path / "run.csv", NONE)


CELLS = st.text(st.characters(codec="utf-8"), max_size=12) | st.sampled_from(
    ["K-1", "a.jpg", "254", "-1", "1e999", "nan", '"', ";", "\0", "\n", "white", "254,5", "=1"]
)


@settings(
    deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200
)
@given(st.lists(st.lists(CELLS, max_size=9), max_size=5), st.sampled_from(",;\t"), st.booleans())
def test_no_list_is_a_fault(
    tmp_path: Path, rows: list[list[str]], delimiter: str, quoted: bool
) -> None:
    """Whatever stands in it, a list is read or refused in our own words."""
    head = [*HEAD.split(","), "bleed_mm", "base", "quarter_turns", "press"]
    text = io.StringIO()
    if quoted:
        csv.writer(text, delimiter=delimiter).writerows([head, *rows])
    else:
        text.write("\n".join(delimiter.join(row) for row in [head, *rows]))
    path = tmp_path / "run.csv"
    path.write_text(text.getvalue(), encoding="utf-8", newline="")
    try:
        entries = read_manifest(path, NONE)
    except DyelightError as trouble:
        code, entries = trouble.exit_code, ()
    else:
        code = 0
    assert code in (0, 2, 3)
    assert len({file_stem(entry.panel_id).casefold() for entry in entries}) == len(entries)


@pytest.mark.parametrize(
    ("panel_id", "stem"),
    [
        ("K-0142", "K-0142"),
        ("a/b\\c", "a%2Fb%5Cc"),
        ("../../etc", "%2E.%2F..%2Fetc"),
        ("100%", "100%25"),
        ("CON", "%43ON"),
        ("nul.x", "%6Eul.x"),
        ("end.", "end%2E"),
        ("\u00e9", "%C3%A9"),
        (" ", "%20"),
    ],
)
def test_panel_ids_become_safe_file_names(panel_id: str, stem: str) -> None:
    """Nothing in an id leaves the folder, hides the file or names a device."""
    assert file_stem(panel_id) == stem


def test_long_ids_stay_apart() -> None:
    """Two ids that differ only at their end get two names, none too long."""
    one, two = file_stem("x" * 150 + "1"), file_stem("x" * 150 + "2")
    assert one != two
    assert len(one) <= 100
