"""The package's layout: traps that only show when Python is started in the right folder."""

from __future__ import annotations

import subprocess
import sys
import sysconfig
import tomllib
from pathlib import Path

import pytest

import dyelight

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = Path(dyelight.__file__).resolve().parent
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "LICENSE",
    "inspect",
    "models",
    "tests",
    "sample_images",
}


def python_at(folder: Path, code: str) -> str:
    """What a fresh Python prints that runs `code` in a folder, with that folder importable."""
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path.insert(0, ''); {code}"],
        cwd=folder,
        check=True,
        capture_output=True,
        text=True,
        timeout=120,
    )
    return done.stdout.strip()


def test_inspect_from_the_root_is_pythons_own() -> None:
    """The folder inspect/ at the root does not hide the standard library's module."""
    found = python_at(ROOT, "import inspect; print(inspect.__file__)")
    assert Path(found).parent == Path(sysconfig.get_path("stdlib"))


def test_the_source_root_is_no_package() -> None:
    """inspect/ has no __init__.py, which would make it a package of that name."""
    assert not (ROOT / "inspect" / "__init__.py").exists()


def test_top_level_names_are_the_agreed_ones() -> None:
    """The root holds the agreed names and dot files only."""
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, check=False, capture_output=True, text=True, timeout=60
    )
    if listed.returncode:
        pytest.skip("the sources are not a git checkout")  # an unpacked archive has no index
    names = {Path(line).parts[0] for line in listed.stdout.splitlines()}
    assert {name for name in names if not name.startswith(".")} <= TOP_LEVEL


def test_no_module_has_a_standard_librarys_name() -> None:
    """No package or module directly in dyelight shares its name with the standard library."""
    ours = {path.stem for path in PACKAGE.iterdir() if path.suffix == ".py" or path.is_dir()}
    assert not ours & set(sys.stdlib_module_names) - {"__init__", "__pycache__"}


def test_importing_the_package_is_light() -> None:
    """The command line's help starts without the libraries that pictures need."""
    heavy = (
        "numpy",
        "cv2",
        "skimage",
        "scipy",
        "PIL",
        "pydantic",
        "jinja2",
        "sqlalchemy",
        "alembic",
    )
    code = "import sys, dyelight.cli.app; print(*[n for n in sys.modules if '.' not in n])"
    loaded = set(python_at(ROOT.parent, code).split())
    assert not loaded & set(heavy)


def test_every_folder_of_modules_is_a_package() -> None:
    """A folder without __init__.py would be left out of what mypy and the wheel see."""
    for module in PACKAGE.rglob("*.py"):
        assert (module.parent / "__init__.py").exists(), module


def test_data_files_are_where_the_code_looks() -> None:
    """Template, models and samples are found from the installed package."""
    from dyelight.data import models_folder, samples_folder

    assert (PACKAGE / "report" / "report.html.j2").is_file()
    assert (models_folder() / "defects.toml").is_file()
    assert samples_folder().is_dir()


def test_version_and_metadata_agree() -> None:
    """The version in the code is the one in pyproject.toml."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == dyelight.__version__
