"""What worker processes of the station do: first looks, checks, job codes, small pictures."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from ..causes import CauseMap
from ..causes.evidence import Evidence
from ..errors import DyelightError, UnreadableInput
from ..intake import read_photo
from ..pipeline import inspect_panel
from ..press_log import PressLog
from ..records import U8, Artwork, Inspection, Photo
from ..report.marked import numbered_picture
from ..report.outputs import photo_preview, write_together
from ..report.result_json import result_text
from ..runs.artworks import Artworks, stamp
from ..runs.codes import codes_in
from ..runs.entries import Entry
from ..runs.work import Knowledge, load_knowledge
from .first_look import ArtworkLook, artwork_look, first_look
from .page_facts import page_facts

Json = dict[str, Any]
Send = Callable[[Json], None]
# decoded artwork kept beside the one in use
_KEPT_BYTES = 192 * 2**20
_LOOK_PX = 1000
_THUMBNAIL_PX = 640
_VIEW_QUALITY = 93
_artworks = Artworks(_KEPT_BYTES)


def answer_to(task: Json, send: Send) -> Json:
    """Do one task. What is wrong with a file is an answer: plain words and what to do."""
    try:
        return {"ok": True, **_TASKS[task["do"]](task, send)}
    except MemoryError:
        return {
            "ok": False,
            "trouble": "The photo needs more memory than it may take.",
            "remedy": "Take it with fewer megapixels.",
        }
    except DyelightError as trouble:
        said = trouble.trouble[:1].upper() + trouble.trouble[1:]
        return {
            "ok": False,
            "unreadable": isinstance(trouble, UnreadableInput),
            "trouble": said,
            "remedy": trouble.remedy or "",
        }
    except Exception as fault:
        # whatever a hostile or odd file brings about must reach its sender as words
        return {
            "ok": False,
            "trouble": f"This photo could not be worked on ({type(fault).__name__}).",
            "remedy": "Take it again. If that does not help, please keep the photo and report it.",
        }


def _warm(task: Json, send: Send) -> Json:
    cv2.setNumThreads(1)
    load_knowledge(None, "gallery", None)
    # the first calls of these load code that no photo should wait for
    cv2.SIFT.create().detect(np.zeros((64, 64), np.uint8), None)
    return {}


def _entry(job: Json, panel_id: str = "") -> Entry:
    return Entry(
        index=0,
        line=0,
        panel_id=panel_id,
        photos=(),
        photo_names=(),
        artwork=Path(job["artwork"]),
        artwork_name=job["artwork_name"],
        width_mm=job["width_mm"],
        height_mm=job["height_mm"],
        bleed_mm=job["bleed_mm"],
        base=job["base"],
        finish=job["finish"],
    )


def _artwork(job: Json, panel_id: str = "") -> Artwork:
    return _artworks.get(_entry(job, panel_id))


@lru_cache(maxsize=24)
def _look_of(job_json: str, changed: tuple[int, int]) -> ArtworkLook:
    return artwork_look(_artwork(json.loads(job_json)))


def _artwork_look(job: Json) -> ArtworkLook:
    return _look_of(json.dumps(job, sort_keys=True), stamp(Path(job["artwork"])))


def _prepare(task: Json, send: Send) -> Json:
    """Get a job's artwork ready before its photo comes."""
    cv2.setNumThreads(1)
    if task["looks"]:
        _artwork_look(task["job"])
    else:
        _artwork(task["job"])
    return {}


def _first_look(task: Json, send: Send) -> Json:
    cv2.setNumThreads(1)
    photo = read_photo(task["photo"], limit_px=task["most_px"], least_px=_LOOK_PX)
    seen = first_look(_eight_bit(photo), _artwork_look(task["job"]))
    return {"hints": list(seen.hints), "blur_mm": seen.blur_mm, "reflected": seen.reflected}


def _eight_bit(photo: Photo) -> U8:
    pixels = photo.pixels
    small = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    return np.asarray(small, np.uint8)


def _codes(task: Json, send: Send) -> Json:
    cv2.setNumThreads(1)
    return {"codes": list(codes_in(read_photo(task["photo"], limit_px=task["most_px"])))}


def _thumbnail(task: Json, send: Send) -> Json:
    cv2.setNumThreads(1)
    artwork = _artwork(task["job"])
    picture = photo_preview(Photo("", "", artwork.pixels))
    image = Image.fromarray(picture)
    image.thumbnail((_THUMBNAIL_PX, _THUMBNAIL_PX), Image.Resampling.LANCZOS)
    place = Path(task["out"])
    write_together(place.parent, {place.name: _jpeg(np.asarray(image), 85)})
    return {}


@cache
def _knowledge(
    rules: str | None, acceptance: str, causes: str | None, taught: str | None
) -> Knowledge:
    return load_knowledge(rules, acceptance, causes, taught)


def _check(task: Json, send: Send) -> Json:
    """Inspect a photo: the verdict is sent as soon as it stands, pictures and log come after."""
    cv2.setNumThreads(1)
    judging = task["judging"]
    known = _knowledge(
        judging["rules"], judging["acceptance"], judging["causes"], judging["taught"]
    )
    artwork = _artwork(task["job"], task["panel_id"])
    photo = replace(read_photo(task["photo"], limit_px=task["most_px"]), file=task["name"])
    asked = None
    if task["log"] is not None:
        place, row = task["log"], task["row"]

        def asked() -> Evidence:
            return _evidence(place, row, known.causes)

    inspection = inspect_panel(
        [photo],
        artwork,
        rules=known.rules,
        acceptance=known.acceptance,
        causes=known.causes,
        evidence=asked,
        taught=known.taught,
    )
    folder, text = Path(task["out"]), result_text(inspection)
    facts = page_facts(inspection)
    write_together(
        folder,
        {
            "result.json": text.encode("utf-8", "backslashreplace"),
            "page.json": json.dumps(facts, allow_nan=False).encode("utf-8"),
        },
    )
    send({"verdict": inspection.verdict.word})
    write_together(folder, _pictures(inspection, photo_preview(photo)))
    number = None
    if task["log"] is not None:
        with PressLog(task["log"], create=False) as log:
            number = log.inspection_of(task["row"], photo.sha256)
            if number is None:
                number = log.add_inspection(task["row"], inspection, result_json=text)
    return {"verdict": inspection.verdict.word, "inspection": number}


def _evidence(place: str, row: int, causes: CauseMap) -> Evidence:
    from ..causes.factor_file import load_factors
    from ..causes.history import History

    with PressLog(place, create=False) as log:
        history = History.of(log.columns(), load_factors(None, causes), (row,))
    return Evidence(history, causes, row)


def _pictures(inspection: Inspection, preview: U8) -> dict[str, bytes]:
    """The pictures of the pages. All are drawn anew from pixels: nothing of the photo's file."""
    files = {"numbered.jpg": _jpeg(np.asarray(numbered_picture(inspection, preview)), 86)}
    if inspection.pictures is not None:
        shown = inspection.pictures
        files["observed.jpg"] = _jpeg(shown.observed, _VIEW_QUALITY)
        files["expected.jpg"] = _jpeg(shown.expected, _VIEW_QUALITY)
        files["difference.jpg"] = _jpeg(shown.difference, _VIEW_QUALITY)
    return files


def _jpeg(picture: U8, quality: int) -> bytes:
    data = io.BytesIO()
    # full colour resolution: specks are judged by eye in these
    Image.fromarray(picture).save(data, "JPEG", quality=quality, subsampling=0)
    return data.getvalue()


_TASKS: dict[str, Callable[[Json, Send], Json]] = {
    "warm": _warm,
    "prepare": _prepare,
    "first_look": _first_look,
    "codes": _codes,
    "thumbnail": _thumbnail,
    "check": _check,
}
