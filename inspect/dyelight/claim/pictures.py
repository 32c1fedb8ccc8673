"""The pictures of a claim's page: the photo with the place marked, the place beside the file."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F64, U8, Artwork, Inspection, Pictures
from ..report.crops import jpeg_uri, stretched_difference
from ..report.outputs import photo_preview
from .claim import Claim

_CROP_PX = (520, 390)
_LEAST_SHARE = 0.1  # of the panel's width, so that a place is known again
_AROUND = 2.2  # the place's own size
_PHOTO_PX = 1100

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Side:
    """One place as the photo shows it and as the file has it, each a data URI.

    `mark` is the place's or finding's box in per cent of the crop, `width_mm` the crop's width as
    inspected; `gain` times as strong is the difference shown.
    """

    photo: str
    file: str
    difference: str
    gain: float
    width_mm: float
    mark: Box | None


@dataclass(frozen=True, slots=True)
class Overview:
    """The whole first photo with the panel's outline and the place, as SVG paths in its pixels."""

    uri: str
    width: int
    height: int
    panel: str | None
    place: Box | None


def overview(claim: Claim) -> Overview:
    """The first photo as it was looked at."""
    preview = photo_preview(claim.photo)
    scale = min(1.0, _PHOTO_PX / max(preview.shape[:2]))
    size = (max(1, round(preview.shape[1] * scale)), max(1, round(preview.shape[0] * scale)))
    small = np.asarray(cv2.resize(preview, size, interpolation=cv2.INTER_AREA), np.uint8)
    corners = None
    placement = claim.inspection.placement
    if placement is not None and claim.inspection.photos[0].sha256 == claim.photo.sha256:
        corners = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in placement.corners_px) + "Z"
    place = None
    if claim.pointed is not None:
        grow = 2 * claim.pointed.slack_px
        x0, y0, x1, y1 = claim.pointed.box_px
        place = (x0 - grow, y0 - grow, x1 - x0 + 2 * grow, y1 - y0 + 2 * grow)
    return Overview(
        jpeg_uri(small, quality=82), claim.photo.width_px, claim.photo.height_px, corners, place
    )


def beside(claim: Claim) -> Side | None:
    """The place, or without one the finding, beside the file; None where nothing can be shown."""
    inspection = claim.inspection
    pictures = inspection.pictures
    box = _box_mm(claim)
    if pictures is None or box is None:
        return None
    window = _window(box, claim.artwork)
    seen, due = (_cut(image, pictures, window) for image in (pictures.observed, pictures.expected))
    difference, gain = stretched_difference(seen, due)
    return Side(
        photo=jpeg_uri(seen),
        file=jpeg_uri(_file_cut(claim.artwork, inspection, window, seen.shape[:2])),
        difference=jpeg_uri(difference),
        gain=gain,
        width_mm=window[2] - window[0],
        mark=_mark(box, window),
    )


def _box_mm(claim: Claim) -> Box | None:
    """Box of what the answer speaks of, in panel mm as inspected."""
    lies, item = claim.lies, claim.answer.finding
    if item is not None and item.extent == "local":
        return item.box_mm
    if lies is not None and lies.inside > 0:
        low = lies.core_mm.min(axis=0) - lies.slack_mm
        high = lies.core_mm.max(axis=0) + lies.slack_mm
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])
    if item is not None and claim.inspection.placement is not None:
        return 0.0, 0.0, claim.artwork.width_mm, claim.artwork.height_mm
    return None


def _window(box: Box, artwork: Artwork) -> Box:
    """The part of the panel to show, in mm, around a box."""
    aspect = _CROP_PX[0] / _CROP_PX[1]
    wide, high = box[2] - box[0], box[3] - box[1]
    width = max(_AROUND * wide, _AROUND * high * aspect, _LEAST_SHARE * artwork.width_mm)
    width = min(width, artwork.width_mm, artwork.height_mm * aspect)
    height = width / aspect
    middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    left = float(np.clip(middle[0] - width / 2, 0, artwork.width_mm - width))
    top = float(np.clip(middle[1] - height / 2, 0, artwork.height_mm - height))
    return left, top, left + width, top + height


def _cut(image: U8, pictures: Pictures, window: Box) -> U8:
    x0, y0, x1, y1 = (edge * pictures.px_per_mm for edge in window)
    part = image[int(y0) : max(int(y0) + 2, round(y1)), int(x0) : max(int(x0) + 2, round(x1))]
    return _sized(part, _CROP_PX)


def _sized(part: U8, size: tuple[int, int]) -> U8:
    method = cv2.INTER_AREA if part.shape[1] > size[0] else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(part, size, interpolation=method), np.uint8)


def _file_cut(artwork: Artwork, inspection: Inspection, window: Box, shape: tuple[int, ...]) -> U8:
    """The same part of the file, in its own colours: the print may sit off the metal a little."""
    x0, y0, x1, y1 = window
    corners_mm = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], np.float64)
    if inspection.placement is not None:
        corners_mm = _artwork_mm(corners_mm, artwork, inspection)
    scale = np.array(artwork.px_per_mm)
    px = ((corners_mm + artwork.bleed_mm) * scale - 0.5).astype(np.float32)
    height, width = shape[0], shape[1]
    target = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32) - 0.5
    pixels = artwork.pixels
    eight: U8 = np.asarray(pixels if pixels.dtype == np.uint8 else pixels >> 8, np.uint8)
    low = np.floor(px.min(0)).astype(int) - 2
    high = np.ceil(px.max(0)).astype(int) + 3
    low = np.clip(low, 0, [pixels.shape[1] - 2, pixels.shape[0] - 2])
    part = np.ascontiguousarray(eight[low[1] : high[1], low[0] : high[0]])
    # averaged down first where the file is much finer than the crop, so that nothing aliases
    shrink = min(1.0, 1.2 * width / max(float(np.ptp(px[:, 0])), 1.0))
    small_size = (max(1, round(part.shape[1] * shrink)), max(1, round(part.shape[0] * shrink)))
    small = cv2.resize(part, small_size, interpolation=cv2.INTER_AREA)
    at = (px - low.astype(np.float32) + 0.5) * np.array(
        [small_size[0] / part.shape[1], small_size[1] / part.shape[0]], np.float32
    ) - 0.5
    matrix = cv2.getPerspectiveTransform(at.astype(np.float32), target.astype(np.float32))
    out = cv2.warpPerspective(
        small, matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(out, np.uint8)


def _artwork_mm(points_mm: F64, artwork: Artwork, inspection: Inspection) -> F64:
    """Artwork mm (N, 2) of panel mm (N, 2)."""
    placement = inspection.placement
    if placement is None:
        return points_mm
    corners = placement.picture.to_artwork(placement.corners_px).astype(np.float32)
    w, h = artwork.width_mm, artwork.height_mm
    square = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    back = cv2.getPerspectiveTransform(square, corners)
    return np.asarray(cv2.perspectiveTransform(points_mm.reshape(1, -1, 2), back)[0], np.float64)


def _mark(box: Box, window: Box) -> Box | None:
    x0, y0, x1, y1 = window
    wide, high = x1 - x0, y1 - y0
    if box[2] - box[0] > 0.9 * wide and box[3] - box[1] > 0.9 * high:
        return None
    left, right = (100 * (edge - x0) / wide for edge in (box[0], box[2]))
    top, bottom = (100 * (edge - y0) / high for edge in (box[1], box[3]))
    grow = 2.5
    return (
        max(0.5, left - grow),
        max(0.5, top - grow),
        min(99.5, right + grow),
        min(99.5, bottom + grow),
    )
