"""Square the panel up: observed, artwork and masks in panel millimetres at about a megapixel."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..records import F32, F64, Artwork, Mask, Placement
from .colour_light import ColourLight, fit_colour_light, sample_weights, veil_slope
from .frames import PanelFrame
from .outline import fill
from .rootlight import root_from_linear

AREA_PX = 1.2e6
MARGIN_MM = 2.0
_SAMPLES = 9_000


def local_scale(placement: Placement, points_mm: F64, step_mm: float = 0.5) -> F64:
    """Photo px per mm (N,): root of the picture map's area scale at artwork points (N, 2)."""
    right = placement.picture.to_photo(points_mm + [step_mm, 0])
    left = placement.picture.to_photo(points_mm - [step_mm, 0])
    down = placement.picture.to_photo(points_mm + [0, step_mm])
    up = placement.picture.to_photo(points_mm - [0, step_mm])
    a, b = (right - left) / (2 * step_mm), (down - up) / (2 * step_mm)
    return np.asarray(np.sqrt(np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])))


def panel_grid(artwork: Artwork, count: int = 5) -> F64:
    """An even grid of artwork points (count * count, 2) in mm over the trimmed panel."""
    xs = (np.arange(count) + 0.5) / count * artwork.width_mm
    ys = (np.arange(count) + 0.5) / count * artwork.height_mm
    return np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)


def _frame_mm(px_per_mm: float, width: int, height: int, step: int) -> tuple[F64, int, int]:
    """Artwork mm at nodes `step` px apart for an upsampled grid, with one node over on each side."""
    columns, rows = -(-width // step) + 2, -(-height // step) + 2
    xs = ((np.arange(columns) - 1 + 0.5) * step - 0.5 + 0.5) / px_per_mm - MARGIN_MM
    ys = ((np.arange(rows) - 1 + 0.5) * step - 0.5 + 0.5) / px_per_mm - MARGIN_MM
    return np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2), columns, rows


def square_up(
    photo_root: F32, blown: Mask, artwork_linear: F32, artwork: Artwork, placement: Placement
) -> PanelFrame:
    """The panel frame, before the look is fitted (`expected` is the artwork itself).

    `photo_root` (H, W, 3) root light of the photo, `blown` (H, W) bool its clipped pixels,
    `artwork_linear` (h, w, 3) the artwork at any size, linear light.
    """
    scale = float(np.median(local_scale(placement, panel_grid(artwork))))
    full_w, full_h = artwork.width_mm + 2 * MARGIN_MM, artwork.height_mm + 2 * MARGIN_MM
    px_per_mm = min(0.9 * scale, float(np.sqrt(AREA_PX / (full_w * full_h))))
    width, height = round(full_w * px_per_mm), round(full_h * px_per_mm)
    at = frame_in_photo(placement, px_per_mm, width, height)
    photo_h, photo_w = photo_root.shape[:2]
    observed = _sampled(photo_root, at, scale / px_per_mm)
    blown_here = _sampled(blown.astype(np.float32), at, scale / px_per_mm) > 0.02
    in_photo = (
        (at[..., 0] > 1)
        & (at[..., 1] > 1)
        & (at[..., 0] < photo_w - 2)
        & (at[..., 1] < photo_h - 2)
    )
    art_root, printed, opaque = _artwork_here(artwork_linear, artwork, px_per_mm, width, height)
    corners_mm = placement.picture.to_artwork(placement.corners_px)
    metal = fill((corners_mm + MARGIN_MM) * px_per_mm - 0.5, height, width) & opaque
    edge_mm = cv2.distanceTransform(np.pad(metal, 1).astype(np.uint8), cv2.DIST_L2, 5)
    return PanelFrame(
        px_per_mm=px_per_mm,
        margin_mm=MARGIN_MM,
        observed=np.asarray(observed, np.float32),
        artwork=art_root,
        expected=art_root,
        inside=metal & in_photo,
        printed=printed,
        blown=np.asarray(blown_here),
        opaque=opaque,
        in_photo=np.asarray(in_photo),
        edge_mm=np.asarray(edge_mm[1:-1, 1:-1] / px_per_mm, np.float32),
    )


def frame_in_photo(placement: Placement, px_per_mm: float, width: int, height: int) -> F32:
    """Photo px (height, width, 2) of every panel frame pixel."""
    step = 16
    nodes, columns, rows = _frame_mm(px_per_mm, width, height, step)
    photo_px = placement.picture.to_photo(nodes).astype(np.float32)
    grid = cv2.resize(photo_px.reshape(rows, columns, 2), (columns * step, rows * step))
    return np.asarray(grid[step : step + height, step : step + width], np.float32)


def _sampled(image: F32, at: F32, coarser: float) -> F32:
    """An image at photo px `at`, averaged first where the samples are `coarser` than its pixels."""
    shrink = max(1, int(coarser))
    height, width = image.shape[0] // shrink, image.shape[1] // shrink
    if shrink > 1:
        whole = image[: height * shrink, : width * shrink]
        image = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    at_small = (at + np.float32(0.5)) / np.float32(shrink) - np.float32(0.5)
    out = cv2.remap(image, at_small, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def seen_squared_up(
    image: F32, frame: PanelFrame, placement: Placement, origin_px: tuple[int, int]
) -> F32:
    """An image of the photo's window (first pixel at `origin_px`) on the panel frame."""
    height, width = frame.inside.shape
    at = frame_in_photo(placement, frame.px_per_mm, width, height)
    scale = float(
        np.median(local_scale(placement, frame.to_mm(np.array([[width / 2, height / 2]]))))
    )
    return _sampled(image, at - np.array(origin_px, np.float32), scale / frame.px_per_mm)


def _artwork_here(
    linear: F32, artwork: Artwork, px_per_mm: float, width: int, height: int
) -> tuple[F32, Mask, Mask]:
    """Artwork root light, where it reaches, and where the panel has metal, on the panel frame."""
    art_h, art_w = linear.shape[:2]
    ppm_x = art_w / (artwork.width_mm + 2 * artwork.bleed_mm)
    ppm_y = art_h / (artwork.height_mm + 2 * artwork.bleed_mm)
    shrink = min(1.0, px_per_mm / min(ppm_x, ppm_y))
    small = linear
    if shrink < 1:
        size = (max(1, round(art_w * shrink)), max(1, round(art_h * shrink)))
        small = cv2.resize(linear, size, interpolation=cv2.INTER_AREA)
        ppm_x, ppm_y = ppm_x * size[0] / art_w, ppm_y * size[1] / art_h
    offset = artwork.bleed_mm - MARGIN_MM
    back = np.array(
        [
            [ppm_x / px_per_mm, 0, (0.5 / px_per_mm + offset) * ppm_x - 0.5],
            [0, ppm_y / px_per_mm, (0.5 / px_per_mm + offset) * ppm_y - 0.5],
        ]
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    here = cv2.warpAffine(
        small, back, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    xs = (np.arange(width) + 0.5) / px_per_mm + offset
    ys = (np.arange(height) + 0.5) / px_per_mm + offset
    in_x = (xs > 0) & (xs < artwork.width_mm + 2 * artwork.bleed_mm)
    in_y = (ys > 0) & (ys < artwork.height_mm + 2 * artwork.bleed_mm)
    printed = in_y[:, None] & in_x[None, :]
    opaque = np.ones((height, width), bool)
    if artwork.alpha is not None:
        alpha = cv2.resize(
            artwork.alpha, (small.shape[1], small.shape[0]), interpolation=cv2.INTER_AREA
        )
        alpha_here = cv2.warpAffine(
            alpha, back, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE
        )
        opaque = np.asarray(alpha_here > 127)
    return root_from_linear(np.asarray(here, np.float32)), printed, opaque


def gradient(root: F32) -> F32:
    """Gradient magnitude (H, W) of the light channel, root light per px."""
    light = cv2.transform(root, np.array([[0.299, 0.587, 0.114]], np.float32))
    dx = cv2.Scharr(light, cv2.CV_32F, 1, 0, scale=1 / 32)
    dy = cv2.Scharr(light, cv2.CV_32F, 0, 1, scale=1 / 32)
    return np.asarray(cv2.magnitude(dx, dy), np.float32)


def fit_look(frame: PanelFrame, rng: np.random.Generator) -> ColourLight:
    """Colour response and light field from a spread of the panel frame's flat pixels."""
    usable = frame.inside & frame.printed & ~frame.blown & (frame.edge_mm > 1.0)
    weight = sample_weights(gradient(frame.artwork), usable)
    flat = _spread_over_colours(frame.artwork.reshape(-1, 3), weight.ravel(), rng)
    height, width = frame.inside.shape
    place = np.stack([(flat % width + 0.5) / width, (flat // width + 0.5) / height], axis=1)
    look, _ = fit_colour_light(
        frame.observed.reshape(-1, 3)[flat],
        frame.artwork.reshape(-1, 3)[flat],
        place,
        np.ones(flat.size, np.float32),
    )
    return look


def _spread_over_colours(root: F32, weight: F32, rng: np.random.Generator) -> NDArray[np.intp]:
    """Indices of samples: by weight, and a rare colour's pixels likelier than a common one's."""
    flat = np.flatnonzero(weight > 0)
    if flat.size <= _SAMPLES:
        return flat
    code = (np.clip(root[flat], 0, 0.999) * 10).astype(np.intp)
    bins = (code[:, 0] * 10 + code[:, 1]) * 10 + code[:, 2]
    count = np.bincount(bins, weight[flat], 1000)
    chance = weight[flat] / np.sqrt(np.maximum(count[bins], 1.0))
    chance *= _SAMPLES / chance.sum()
    return flat[rng.random(flat.size) < chance]


def expected_here(frame: PanelFrame, look: ColourLight) -> F32:
    """Expected root light (H, W, 3) on the panel frame under the fitted look, before blur."""
    height, width = frame.inside.shape
    expected = look.response.apply(frame.artwork)
    whole = (0.5 / width, 1 - 0.5 / width), (0.5 / height, 1 - 0.5 / height)
    expected *= look.gain.on_grid(height, width, *whole)
    expected += look.veil.on_grid(height, width, *whole) * veil_slope(expected)
    return np.maximum(expected, 0)
