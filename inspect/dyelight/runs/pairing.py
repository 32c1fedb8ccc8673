"""Pair a folder's photos with artwork by name or by job codes; what is not sure is listed.

Artwork lies in the folder `artwork` beneath the photos' folder, or in one that is named. A file
`jobs.csv` beside the photos may say more about each job: columns job, artwork, and those of a
manifest for size, bleed, base, finish and pressing. Without it a job is an artwork's name without
its suffix.

By name, a photo belongs to the job that its own name is, or begins with before one of `-_. `; the
longest such job wins. By code, the text of a Data Matrix or QR code is the job. Where every photo
shows a code, each photo's own code counts; where only some do, those are job sheets or backs, and
the photos after one, in the order of their names, belong to it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast, get_args

from ..errors import SettingsError, UnreadableInput
from ..records import Base
from .entries import PRESSING_FACTS, Entry, file_stem
from .manifest import OPTIONAL, SIZES, Defaults, number, read_rows

ARTWORK_FOLDER = "artwork"
JOBS_FILE = "jobs.csv"
PICTURES = frozenset(
    (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".jpe", ".jfif")
)
_JOB_COLUMNS = ("job", "artwork", *SIZES, *OPTIONAL, *PRESSING_FACTS)


@dataclass(frozen=True, slots=True)
class Job:
    """An artwork and what is known about its panels."""

    name: str
    artwork: Path
    artwork_name: str
    row: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Unpaired:
    """A file that was left out, and why."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True)
class Pairing:
    """The panels that could be paired for sure, and every file that could not."""

    entries: tuple[Entry, ...]
    unpaired: tuple[Unpaired, ...]


ReadCodes = Callable[[Path], Sequence[str]]


def natural_key(name: str) -> list[tuple[int, int, str]]:
    """A key that sorts names as cameras number them: IMG_9 before IMG_10."""
    return [
        (0, int(part), "") if part.isdigit() else (1, 0, part.casefold())
        for part in re.split(r"([0-9]{1,18})", name)
        if part
    ]


def pair_folder(
    folder: Path,
    defaults: Defaults,
    *,
    artwork_folder: Path | None = None,
    read_codes: ReadCodes | None = None,
) -> Pairing:
    """Pair the photos of `folder`: by `read_codes` where it is given, else by name.

    Raises UnreadableInput where a folder or jobs.csv cannot be read, SettingsError where there are
    no photos or no artwork, or jobs.csv holds what cannot be used.
    """
    artworks = folder / ARTWORK_FOLDER if artwork_folder is None else artwork_folder
    photos = pictures_in(folder)
    if not photos:
        raise SettingsError(
            "there is no photo in the folder.",
            file=folder,
            remedy="Name the folder that the photos lie in themselves.",
        )
    jobs, left_out = read_jobs(folder, artworks)
    if read_codes is None:
        chosen = {path: _by_name(path.stem, jobs) for path in photos}
    else:
        chosen = _by_codes(photos, jobs, read_codes)
    stems: dict[str, list[Path]] = {}
    for path, job in chosen.items():
        if isinstance(job, Job):
            stems.setdefault(file_stem(path.stem).casefold(), []).append(path)
    entries: list[Entry] = []
    for path in photos:
        picked = chosen.get(path)
        if isinstance(picked, Job):
            alike = stems[file_stem(path.stem).casefold()]
            if len(alike) > 1:
                names = ", ".join(other.name for other in alike if other != path)
                left_out.append(Unpaired(path.name, f"its name is the same as that of {names}."))
            else:
                entries.append(_entry(len(entries), path, picked, defaults))
        elif picked is not None:
            left_out.append(Unpaired(path.name, picked))
    return Pairing(tuple(entries), tuple(left_out))


def pictures_in(folder: Path) -> list[Path]:
    """The pictures directly in a folder, by the numbers in their names; UnreadableInput."""
    try:
        found = [
            path
            for path in folder.iterdir()
            if path.suffix.lower() in PICTURES and path.is_file() and path.name[:1] != "."
        ]
    except OSError as trouble:
        raise UnreadableInput(
            f"the folder cannot be read ({trouble.strerror or trouble}).",
            file=folder,
            remedy="Check the name and the rights.",
        ) from trouble
    return sorted((path.absolute() for path in found), key=lambda path: natural_key(path.name))


def read_jobs(folder: Path, artworks: Path) -> tuple[dict[str, Job], list[Unpaired]]:
    """The jobs by their names in small letters, and artworks that no job can be told by.

    Raises UnreadableInput where a folder or jobs.csv cannot be read, SettingsError where there is
    no artwork, or jobs.csv holds what cannot be used.
    """
    listed = folder / JOBS_FILE
    if listed.is_file():
        return _listed_jobs(listed, artworks), []
    if not artworks.is_dir():
        raise SettingsError(
            f"there is neither {JOBS_FILE} nor a folder {ARTWORK_FOLDER}.",
            file=folder,
            remedy="Put the artwork there, or name its folder with --artwork-folder.",
        )
    jobs: dict[str, Job] = {}
    alike: dict[str, list[Path]] = {}
    for path in pictures_in(artworks):
        alike.setdefault(path.stem.casefold(), []).append(path)
    left_out: list[Unpaired] = []
    for name, paths in alike.items():
        if len(paths) == 1:
            jobs[name] = Job(paths[0].stem, paths[0], paths[0].name, {})
        for path in paths if len(paths) > 1 else ():
            left_out.append(Unpaired(path.name, "two artworks have this name."))
    if not jobs:
        raise SettingsError("there is no artwork in the folder.", file=artworks)
    return jobs, left_out


def _listed_jobs(path: Path, artworks: Path) -> dict[str, Job]:
    jobs: dict[str, Job] = {}
    for line, row in read_rows(path):
        place = f"line {line}"
        for name in row:
            if name not in _JOB_COLUMNS:
                raise SettingsError(
                    f"there is no column {name!r}.",
                    file=path,
                    place="line 1",
                    remedy=f"Known columns: {', '.join(_JOB_COLUMNS)}.",
                )
        if not row.get("job") or not row.get("artwork"):
            raise SettingsError("job and artwork are needed.", file=path, place=place)
        for name in (*SIZES, "bleed_mm"):
            if row.get(name) and number(row[name]) is None:
                raise SettingsError(f"{row[name]!r} is no number.", file=path, place=place)
        if row.get("base") and row["base"] not in get_args(Base):
            raise SettingsError(
                f"the base {row['base']!r} is unknown.",
                file=path,
                place=place,
                remedy=f"Use one of {', '.join(get_args(Base))}.",
            )
        if row["job"].casefold() in jobs:
            raise SettingsError(f"the job {row['job']!r} stands twice.", file=path, place=place)
        artwork = path.parent.absolute() / row["artwork"]
        if not artwork.exists():
            artwork = artworks.absolute() / row["artwork"]
        jobs[row["job"].casefold()] = Job(row["job"], artwork, row["artwork"], row)
    if not jobs:
        raise SettingsError("the list holds no job.", file=path)
    return jobs


def _by_name(stem: str, jobs: Mapping[str, Job]) -> Job | str:
    """The job of a photo by its name, or why there is none."""
    name = stem.casefold()
    fitting = [
        job
        for key, job in jobs.items()
        if name == key or (name.startswith(key) and name[len(key)] in "-_. ")
    ]
    if not fitting:
        return "no artwork's name is the beginning of its name."
    return max(fitting, key=lambda job: len(job.name))


def _by_codes(
    photos: Sequence[Path], jobs: Mapping[str, Job], read_codes: ReadCodes
) -> dict[Path, Job | str]:
    """The job of each photo by codes, or why there is none; job sheets are left out.

    A photo without a code after one whose code is unclear belongs to nobody.
    """
    codes = {path: tuple(dict.fromkeys(read_codes(path))) for path in photos}
    in_photo = all(codes.values())
    chosen: dict[Path, Job | str] = {}
    current: Job | str = "no job sheet was photographed before it."
    sheet: tuple[Path, Job | str] | None = None
    for path in photos:
        found = codes[path]
        if not found:
            if isinstance(current, str) and sheet is not None:
                chosen[path] = f"the job sheet before it, {sheet[0].name}: {current}"
            else:
                chosen[path] = current
            sheet = None if isinstance(current, Job) else sheet
            continue
        job = _by_code(found, jobs)
        if in_photo:
            chosen[path] = job
            continue
        if sheet is not None and isinstance(sheet[1], Job):
            chosen[sheet[0]] = "it shows a code like a job sheet, but no photo follows it."
        elif isinstance(job, str):
            chosen[path] = job
        current, sheet = job, (path, job)
    if sheet is not None and isinstance(sheet[1], Job) and not in_photo:
        chosen[sheet[0]] = "it shows a code like a job sheet, but no photo follows it."
    return chosen


def _by_code(found: Sequence[str], jobs: Mapping[str, Job]) -> Job | str:
    known = [jobs[text.casefold()] for text in found if text.casefold() in jobs]
    if len(known) == 1:
        return known[0]
    shown = ", ".join(repr(text[:60]) for text in found)
    if not known:
        return f"its code {shown} is no job."
    return f"it shows the codes of several jobs: {shown}."


def _entry(index: int, path: Path, job: Job, defaults: Defaults) -> Entry:
    row = job.row
    size: tuple[float | None, float | None] = defaults.size_mm or (None, None)
    if row.get("width_mm") and row.get("height_mm"):
        size = (number(row["width_mm"]), number(row["height_mm"]))
    bleed_mm = number(row["bleed_mm"]) if row.get("bleed_mm") else defaults.bleed_mm
    base = cast(Base, row["base"]) if row.get("base") else defaults.base
    return Entry(
        index=index,
        line=index + 1,
        panel_id=path.stem,
        photos=(path,),
        photo_names=(path.name,),
        artwork=job.artwork,
        artwork_name=job.artwork_name,
        width_mm=size[0],
        height_mm=size[1],
        bleed_mm=defaults.bleed_mm if bleed_mm is None else bleed_mm,
        base=base,
        finish=row.get("finish") or defaults.finish,
        facts=tuple((name, row[name]) for name in PRESSING_FACTS if row.get(name)),
    )
