"""Square the panel up: observed, artwork and masks in panel millimetres at about a megapixel."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..colour import decode_srgb
from ..imaging import (
    area,
    distance_inside,
    enlarged,
    from_cells,
    sample,
    steepness,
    strips,
    warped,
)
from ..records import F32, F64, U8, Artwork, Mask, Pixels, Placement
from .colour_light import ColourLight, fit_colour_light, sample_weights
from .colour_rest import ColourSamples, flat_samples
from .frames import PanelFrame
from .light_field import CELL_PX
from .outline import fill
from .render import photo_light
from .rootlight import TOP, root_from_linear, root_from_pixels
from .veil import under_veil

# patches are some millimetres wide, and marks are seen in the photo itself; but a small panel keeps
# enough for its report
LEAST_AREA_PX, AREA_PX = 0.6e6, 1.2e6
FINEST_PX_PER_MM = 4.0
MARGIN_MM = 2.0
# weight of a steep edge's colours, beside 1 of flat print's: its blur is not known yet. Many of
# them once outvoted the white paper of line art, and bent the light to a cast
_LEAST_SAY = np.float32(0.02)
_SAMPLES = 9_000
_STRIP = 64  # rows worked on at a time


def local_scale(placement: Placement, points_mm: F64, step_mm: float = 0.5) -> F64:
    """Photo px per mm (N,): root of the picture map's area scale at artwork points (N, 2)."""
    x_step, y_step = np.array([step_mm, 0.0]), np.array([0.0, step_mm])
    right = placement.picture.to_photo(points_mm + x_step)
    left = placement.picture.to_photo(points_mm - x_step)
    down = placement.picture.to_photo(points_mm + y_step)
    up = placement.picture.to_photo(points_mm - y_step)
    a, b = (right - left) / (2 * step_mm), (down - up) / (2 * step_mm)
    return np.asarray(np.sqrt(np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])))


def panel_grid(artwork: Artwork, count: int = 5) -> F64:
    """An even grid of artwork points (count * count, 2) in mm over the trimmed panel."""
    xs = (np.arange(count) + 0.5) / count * artwork.width_mm
    ys = (np.arange(count) + 0.5) / count * artwork.height_mm
    return np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)


def _frame_mm(px_per_mm: float, width: int, height: int, step: int) -> tuple[F64, int, int]:
    """Artwork mm at nodes `step` px apart for an upsampled grid, one node over on each side."""
    columns, rows = -(-width // step) + 2, -(-height // step) + 2
    xs = ((np.arange(columns) - 1 + 0.5) * step - 0.5 + 0.5) / px_per_mm - MARGIN_MM
    ys = ((np.arange(rows) - 1 + 0.5) * step - 0.5 + 0.5) / px_per_mm - MARGIN_MM
    return np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2), columns, rows


def square_up(
    pixels: Pixels, working: Pixels, artwork: Artwork, placement: Placement
) -> PanelFrame:
    """The panel frame, before the look is fitted (`expected` is the artwork itself).

    `pixels` are the photo's, `working` the artwork's at any size (h, w, 3).
    """
    scale = float(np.median(local_scale(placement, panel_grid(artwork))))
    full_w, full_h = artwork.width_mm + 2 * MARGIN_MM, artwork.height_mm + 2 * MARGIN_MM
    least, most = (float(np.sqrt(px / (full_w * full_h))) for px in (LEAST_AREA_PX, AREA_PX))
    px_per_mm = min(0.9 * scale, max(FINEST_PX_PER_MM, least), most)
    width, height = round(full_w * px_per_mm), round(full_h * px_per_mm)
    at = frame_in_photo(placement, px_per_mm, width, height)
    shrink = max(1, int(scale / px_per_mm))
    small, clipped, origin_px = _reduced(pixels, at, shrink)
    at_small = frame_in_photo(placement, px_per_mm, width, height, origin_px, shrink)
    photo_h, photo_w = pixels.shape[:2]
    x, y = at[..., 0], at[..., 1]
    in_photo = (x > 1) & (y > 1) & (x < photo_w - 2) & (y < photo_h - 2)
    art_root, printed, opaque = _artwork_here(working, artwork, px_per_mm, width, height)
    corners_mm = placement.picture.to_artwork(placement.corners_px)
    metal = fill((corners_mm + MARGIN_MM) * px_per_mm - 0.5, height, width) & opaque
    return PanelFrame(
        px_per_mm=px_per_mm,
        margin_mm=MARGIN_MM,
        observed=sample(small, at_small),
        artwork=art_root,
        expected=art_root,
        inside=metal & in_photo,
        printed=printed,
        blown=_blown(clipped, at_small),
        opaque=opaque,
        in_photo=in_photo,
        edge_mm=distance_inside(np.pad(metal, 1))[1:-1, 1:-1] / np.float32(px_per_mm),
    )


def clipped_pixels(pixels: Pixels) -> U8:
    """255 where a pixel (H, W, 3) is at the top of two channels' range, else 0.

    Of pure red or yellow print one channel is often burnt out; the other two still show it.
    """
    top = int(np.iinfo(pixels.dtype).max)
    least = top - top // 255
    out = np.zeros(pixels.shape[:2], np.uint8)
    for rows in strips(len(out), _STRIP):
        # the highest of all is found ten times as quickly as the second of each pixel
        if pixels[rows].max(initial=0) >= least:
            red, green, blue = cv2.split(pixels[rows])
            second = cv2.max(cv2.min(red, green), cv2.min(cv2.max(red, green), blue))
            cv2.inRange(second, least, top, dst=out[rows])
    return out


def _blown(clipped: F32, at: F32) -> Mask:
    """Whether more than a fiftieth is clipped (H, W) at places `at` of shares in 0..255."""
    if not clipped.any():
        return np.zeros(at.shape[:2], bool)
    return np.asarray(sample(clipped, at) > 0.02 * 255)


def _reduced(pixels: Pixels, at: F32, shrink: int) -> tuple[F32, F32, tuple[int, int]]:
    """Root light (h, w, 3), clipped share (h, w) in 0..255, each of `shrink` by `shrink` photo px.

    Covers what the places `at` (H, W, 2) need; also returns its first photo px (x, y).
    """
    border = np.concatenate([at[0], at[-1], at[:, 0], at[:, -1]])
    photo_h, photo_w = pixels.shape[0] // shrink, pixels.shape[1] // shrink
    low = np.clip(border.min(0) // shrink - 2, 0, [photo_w - 1, photo_h - 1]).astype(int)
    high = np.clip(border.max(0) // shrink + 3, low + 1, [photo_w, photo_h]).astype(int)
    width, height = (int(v) for v in high - low)
    root = np.empty((height, width, 3), np.float32)
    clipped = np.empty((height, width), np.float32)
    across = slice(low[0] * shrink, high[0] * shrink)
    for rows in strips(height, _STRIP):
        part = pixels[(low[1] + rows.start) * shrink : (low[1] + rows.stop) * shrink, across]
        size = (width, rows.stop - rows.start)
        root[rows] = area(root_from_pixels(part), size)
        clipped[rows] = area(clipped_pixels(part), size)
    return root, clipped, (int(low[0]) * shrink, int(low[1]) * shrink)


def frame_in_photo(
    placement: Placement,
    px_per_mm: float,
    width: int,
    height: int,
    origin_px: tuple[int, int] = (0, 0),
    shrink: int = 1,
) -> F32:
    """Where every panel frame pixel lies (height, width, 2) in the photo from photo px `origin_px`
    on, averaged down by `shrink`, in px of that."""
    step = 16
    nodes, columns, rows = _frame_mm(px_per_mm, width, height, step)
    here = (placement.picture.to_photo(nodes) - origin_px + 0.5) / shrink - 0.5
    at_nodes = here.astype(np.float32).reshape(rows, columns, 2)
    grid = enlarged(at_nodes, (columns * step, rows * step))
    return grid[step : step + height, step : step + width]


def _artwork_here(
    pixels: Pixels, artwork: Artwork, px_per_mm: float, width: int, height: int
) -> tuple[F32, Mask, Mask]:
    """Artwork root light, where it reaches, and where the panel has metal, on the panel frame."""
    art_h, art_w = pixels.shape[:2]
    ppm_x = art_w / (artwork.width_mm + 2 * artwork.bleed_mm)
    ppm_y = art_h / (artwork.height_mm + 2 * artwork.bleed_mm)
    shrink = min(1.0, px_per_mm / min(ppm_x, ppm_y))
    size = (max(1, round(art_w * shrink)), max(1, round(art_h * shrink)))
    small = _averaged_light(pixels, size)
    ppm_x, ppm_y = ppm_x * size[0] / art_w, ppm_y * size[1] / art_h
    offset = artwork.bleed_mm - MARGIN_MM
    back = np.array(
        [
            [ppm_x / px_per_mm, 0, (0.5 / px_per_mm + offset) * ppm_x - 0.5],
            [0, ppm_y / px_per_mm, (0.5 / px_per_mm + offset) * ppm_y - 0.5],
        ]
    )
    here = warped(small, back, (width, height))
    xs = (np.arange(width) + 0.5) / px_per_mm + offset
    ys = (np.arange(height) + 0.5) / px_per_mm + offset
    in_x = (xs > 0) & (xs < artwork.width_mm + 2 * artwork.bleed_mm)
    in_y = (ys > 0) & (ys < artwork.height_mm + 2 * artwork.bleed_mm)
    printed = in_y[:, None] & in_x[None, :]
    opaque = np.ones((height, width), bool)
    if artwork.alpha is not None:
        alpha = area(artwork.alpha, (small.shape[1], small.shape[0]))
        opaque = np.asarray(warped(alpha, back, (width, height)) > 127)
    return root_from_linear(here, here), printed, opaque


def _averaged_light(pixels: Pixels, size: tuple[int, int]) -> F32:
    """Linear light of pixels, averaged down to `size` (width, height): across strip by strip, so
    that it is never held whole, then down."""
    narrow = np.empty((pixels.shape[0], size[0], 3), np.float32)
    for rows in strips(pixels.shape[0], _STRIP):
        narrow[rows] = area(decode_srgb(pixels[rows]), (size[0], rows.stop - rows.start))
    return area(narrow, size)


def gradient(root: F32) -> F32:
    """Gradient magnitude (H, W) of the light channel, root light per px."""
    return steepness(photo_light(root))


def fit_look(frame: PanelFrame, rng: np.random.Generator) -> tuple[ColourLight, ColourSamples]:
    """Colour response and light field from a spread of the panel frame's flat pixels, and the
    samples that its table is fitted to."""
    usable = frame.inside & frame.printed & ~frame.blown & (frame.edge_mm > 1.0)
    if not usable.any():
        # all of it clipped or cut off: any look will do, as nothing of it is judged
        usable = frame.inside if frame.inside.any() else np.ones_like(frame.inside)
    slope = gradient(frame.artwork)
    weight = sample_weights(slope, usable)
    flat = _spread_over_colours(frame.artwork.reshape(-1, 3), weight.ravel(), rng)
    height, width = frame.inside.shape
    place = np.stack([(flat % width + 0.5) / width, (flat // width + 0.5) / height], axis=1)
    look = fit_colour_light(
        frame.observed.reshape(-1, 3)[flat],
        frame.artwork.reshape(-1, 3)[flat],
        place,
        np.maximum(weight.ravel()[flat], _LEAST_SAY),
    )
    samples = flat_samples(frame, look, slope)
    return look.with_table(samples.table()), samples


def _spread_over_colours(root: F32, weight: F32, rng: np.random.Generator) -> NDArray[np.intp]:
    """Indices of samples, a rare colour's pixels likelier than a common one's.

    Of each colour the flat places are preferred, but a colour that lives in fine detail alone, such
    as stars or thin lines, is heard by its share of the panel all the same.
    """
    flat = np.flatnonzero(weight > 0)
    if flat.size <= _SAMPLES:
        return flat
    code = np.minimum(root * np.float32(10), np.float32(9)).astype(np.int32)
    bins = ((code[:, 0] * 10 + code[:, 1]) * 10 + code[:, 2])[flat]
    own = weight[flat]
    share = np.sqrt(np.bincount(bins, minlength=1000)) / np.maximum(
        np.bincount(bins, own, 1000), 1e-9
    )
    chance = own * share[bins]
    chance *= _SAMPLES / chance.sum()
    return np.asarray(flat[rng.random(flat.size) < chance], np.intp)


def expected_here(frame: PanelFrame, look: ColourLight) -> F32:
    """Expected root light (H, W, 3) on the panel frame under the fitted look, before blur."""
    height, width = frame.inside.shape
    expected = look.response.apply(frame.artwork)
    ends = (0.5 / width, 1 - 0.5 / width), (0.5 / height, 1 - 0.5 / height)
    whole = (slice(0, height), slice(0, width))
    expected *= from_cells(look.gain.in_cells(height, width, *ends), CELL_PX, *whole)
    veil = from_cells(look.veil.in_cells(height, width, *ends), CELL_PX, *whole)
    expected = under_veil(expected, veil.reshape(height, width, 1))
    return np.clip(expected, 0, TOP, out=expected)
