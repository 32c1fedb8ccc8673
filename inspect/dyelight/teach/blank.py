"""Teach a fixed camera its light from a blank white panel (flat-field calibration)."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import cv2
import numpy as np

from .. import __version__
from ..errors import SettingsError
from ..imaging import gaussian
from ..look.rootlight import linear_from_root, root_from_pixels
from ..placement import FittedMap
from ..placement.outline import find_outline
from ..placement.quads import find_quads
from ..records import F32, F64, U8, Artwork, Base, Photo
from .capture import NOISE_BINS, around_panel, plane_of
from .changes import COLOURS
from .fixed_capture import START_SHAPE, START_SIZE, bench_of, blocks
from .look import CURVE_SPANS, GAIN_SPANS, TONE_SPANS, TaughtLook, fit_gain, ln_light, surface
from .record import TaughtCapture, TaughtPanel, Teaching
from .scatter import START_COLOUR, START_WHOLE, START_ZONE
from .use import TILT
from .verdicts import Spread

_GRID = 80  # places each way
_INSET = 0.03  # of each side, left out at the edge
_PATCH_PX = 5.0  # Gaussian that a place is averaged over
_RIM_PX = 2  # of the panel beside the bench, which the lens mixes with it
_CLIPPED, _DARK = 0.93, 0.1  # root light
_LEAST_WHITE = 0.9  # of its places must be usable
_BLANK_LN, _LEAST_BLANK = 0.04, 0.95  # so near to smooth light must so many of them be
_TINT_LN = 0.35  # white may be as warm or cool in the photo
_WHITE_PX, _BLUR_PX = 64, 1.0


def teach_blank(
    photo: Photo,
    width_mm: float,
    height_mm: float,
    *,
    base: Base,
    finish: str,
    today: str | None = None,
) -> Teaching:
    """The light from one photo of a blank panel of this size. Colours stay unknown, and so does the
    noise, of which white shows one brightness only.

    Raises SettingsError where no blank panel is found in it, or it is burnt out or dark.
    """
    corners = _corners(photo, width_mm, height_mm)
    place = (np.arange(_GRID) + 0.5) / _GRID * (1 - 2 * _INSET) + _INSET
    mm = np.stack(np.meshgrid(place * width_mm, place * height_mm), axis=-1).reshape(-1, 2)
    square = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]], np.float32)
    to_photo = np.asarray(
        cv2.getPerspectiveTransform(square, corners.astype(np.float32)), np.float64
    )
    px = cv2.perspectiveTransform(mm[None], to_photo)[0]
    root = root_from_pixels(photo.pixels)
    at = np.rint(px).astype(np.intp)
    at = np.clip(at, 0, np.array([photo.width_px - 1, photo.height_px - 1]))
    seen = _of_panel(root, corners)[at[:, 1], at[:, 0]]
    usable = (seen.max(axis=1) < _CLIPPED) & (seen.min(axis=1) > _DARK)
    if usable.mean() < _LEAST_WHITE:
        raise SettingsError(
            "the blank panel is burnt out or too dark in this photo.",
            file=photo.file,
            remedy="Set the exposure so that white stays a little under the brightest, and take "
            "out what mirrors in the panel.",
        )
    photo_at = (px + 0.5) / np.array([photo.width_px, photo.height_px], np.float64)
    light = linear_from_root(seen[usable].copy()).astype(np.float64)
    ln = ln_light(light)
    gain = fit_gain(ln, photo_at[usable])
    left = (
        ln - np.median(ln, axis=0) - surface(photo_at[usable], GAIN_SPANS) @ gain.reshape(3, -1).T
    )
    plain = (np.abs(left).max(axis=1) < _BLANK_LN).mean()
    if plain < _LEAST_BLANK or np.ptp(np.median(ln, axis=0)) > _TINT_LN:
        raise SettingsError(
            "this panel is not blank and white.",
            file=photo.file,
            remedy="Photograph a clean white panel without a picture.",
        )
    grid = _grid(width_mm, height_mm, to_photo)
    around = around_panel(photo.pixels, corners)
    bench, bench_scatter, _ = bench_of([around])
    covered = np.zeros(bench.shape[:2])
    covered[blocks(photo_at[usable])] = 1
    curve, tone = CURVE_SPANS + 3, TONE_SPANS + 3
    return Teaching(
        way="blank",
        base=base,
        finish=finish,
        look=TaughtLook(
            np.zeros((3, 3, curve)),
            None,
            gain,
            np.zeros((3, tone, tone)),
        ),
        capture=TaughtCapture(
            width_px=photo.width_px,
            height_px=photo.height_px,
            plane=plane_of(grid),
            size_scatter=START_SIZE,
            shape_scatter=START_SHAPE,
            bench=bench,
            bench_scatter=bench_scatter,
            tilt_scatter=TILT,
            noise=np.full(len(NOISE_BINS), np.nan),
            covered=covered,
            lens=(0.0, 0.0),
            flicker=None,
        ),
        spread=Spread(START_WHOLE, START_ZONE),
        colour_error=START_COLOUR,
        colours=np.zeros(COLOURS**3, np.intp),
        panels=(TaughtPanel(Path(photo.file).name, photo.sha256, ""),),
        left_out=(),
        taught_at=date.today().isoformat() if today is None else today,
        tool_version=__version__,
    )


def _corners(photo: Photo, width_mm: float, height_mm: float) -> F64:
    """Corners (4, 2) of the panel in px, read from its edges."""
    quads = find_quads(photo, width_mm / height_mm)
    white: U8 = np.full((_WHITE_PX, _WHITE_PX, 3), 255, np.uint8)
    artwork = Artwork("", "", white, None, width_mm, height_mm)
    size, box = (photo.width_px, photo.height_px), (0.0, 0.0, width_mm, height_mm)
    for quad in quads:
        square = np.array(box, np.float32)[[0, 1, 2, 1, 2, 3, 0, 3]].reshape(4, 2)
        # a blank has no top: which of two opposite corners comes first is all the same
        turned = quad.corners_px if quad.upright else np.roll(quad.corners_px, -1, axis=0)
        rough = cv2.getPerspectiveTransform(square, turned.astype(np.float32))
        picture = FittedMap.from_homography(np.asarray(rough, np.float64), size, box)
        outline = find_outline(photo, artwork, white, picture, _BLUR_PX, rough=True)
        if outline is not None and all(outline.seen):
            return picture.to_photo(outline.corners_mm)
    raise SettingsError(
        "no panel of this size is seen in the photo.",
        file=photo.file,
        remedy="Check --size, and lay the blank panel on a darker ground, all of it in sight.",
    )


def _of_panel(root: F32, corners_px: F64) -> F32:
    """Root light (H, W, 3) averaged over a patch about each pixel, of the panel with these corners
    (4, 2) alone: a small panel's places lie so near to the bench that it would reach into them."""
    inside: U8 = np.zeros(root.shape[:2], np.uint8)
    cv2.fillConvexPoly(inside, np.rint(corners_px).astype(np.int32), 1)
    kernel = np.ones((2 * _RIM_PX + 1,) * 2, np.uint8)
    part: F32 = cv2.erode(inside, kernel).astype(np.float32)
    share = np.maximum(gaussian(part, _PATCH_PX), np.float32(1e-3))
    return np.asarray(gaussian(root * part[..., None], _PATCH_PX) / share[..., None], np.float32)


def _grid(width_mm: float, height_mm: float, to_photo: F64) -> tuple[F64, F64]:
    xs, ys = np.linspace(0, width_mm, 9), np.linspace(0, height_mm, 9)
    mm = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    return mm, cv2.perspectiveTransform(mm[None], to_photo)[0].astype(np.float64)
