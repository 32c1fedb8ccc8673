"""What is kept of one photo while the panel's other photos are looked at."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..look import Difference
from ..records import F64, Candidate, Capture, Photo, Placement
from .capture import capture_facts
from .detection import Detection
from .forced import Layers

PHOTOS_SEEN = "photos_seen"

_SAME_PLACE = 0.02  # of the photo's long side


@dataclass(frozen=True, slots=True)
class Sight:
    """What is kept of one placed photo.

    `view` (4, 2) are the panel's corners over the photo's long side, which tell where the photo was
    taken from. `layers` is None where no other photo asks. `taught` says whether the panel's colour
    was held against a teaching.
    """

    photo: str
    candidates: tuple[Candidate, ...]
    capture: Capture
    panel_from_artwork: F64
    view: F64
    uncertainty_mm: float
    layers: Layers | None
    taught: bool = False


@dataclass(frozen=True, slots=True)
class Member:
    """A candidate, in panel mm of the first photo, and the number of the photo that saw it."""

    photo: int
    candidate: Candidate


def keep_sight(
    difference: Difference,
    seen: Detection,
    placement: Placement,
    photo: Photo,
    *,
    alone: bool,
) -> Sight:
    """What merging needs of one photo; `alone` where it is the only one."""
    frame = difference.photo
    capture = capture_facts(difference, seen, placement, photo)
    layers = None
    if not alone:
        layers = Layers.of(difference, capture, outline_seen=placement.outline_seen)
    return Sight(
        photo=photo.file,
        candidates=seen.candidates,
        capture=capture,
        panel_from_artwork=difference.panel_from_artwork,
        view=placement.corners_px / max(photo.width_px, photo.height_px),
        uncertainty_mm=placement.uncertainty_px * frame.scale / frame.px_per_mm,
        layers=layers,
        taught=seen.taught,
    )


def views(sights: Sequence[Sight]) -> list[int]:
    """For each photo the number of the place that it was taken from, counted from 0."""
    first: list[F64] = []
    out = []
    for one in sights:
        near = [n for n, v in enumerate(first) if np.abs(one.view - v).max() < _SAME_PLACE]
        out.append(near[0] if near else len(first))
        if not near:
            first.append(one.view)
    return out


def mover(one: Sight, reference: Sight) -> Callable[[F64], F64]:
    """From panel mm of one photo to those of another, by way of the picture that both show."""
    across = reference.panel_from_artwork @ np.linalg.inv(one.panel_from_artwork)
    return lambda mm: np.asarray(cv2.perspectiveTransform(mm.reshape(1, -1, 2), across)[0])


def moved(candidate: Candidate, move: Callable[[F64], F64]) -> Candidate:
    """A candidate in another photo's panel mm."""
    # borders and the whole panel are measured from the outline, not from the picture
    if candidate.family == "border" or candidate.extent == "panel":
        return candidate
    x0, y0, x1, y1 = candidate.box_mm
    box = move(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    low, high = box.min(0), box.max(0)
    x, y = move(np.array([candidate.center_mm]))[0]
    return replace(
        candidate,
        center_mm=(float(x), float(y)),
        box_mm=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        outline_mm=move(candidate.outline_mm),
    )


def counted(candidate: Candidate, snr: float, photos_seen: int) -> Candidate:
    """A candidate with its joint SNR and from how many places it was seen."""
    features = candidate.features | {"snr": snr, PHOTOS_SEEN: float(photos_seen)}
    return replace(candidate, snr=snr, features=features)


def joined(best: Member, others: Mapping[int, float], seen_from: Sequence[int]) -> Candidate:
    """A candidate with the SNR that other photos, by number, add to it: in quadrature.

    `seen_from` are the places that the photos were taken from.
    """
    snr = float(np.sqrt(best.candidate.snr**2 + sum(value**2 for value in others.values())))
    return counted(best.candidate, snr, len({seen_from[n] for n in (best.photo, *others)}))
