"""Shapes of marks and patches: drawn on the panel frame, and measured along their own axis."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np

from ..imaging import laplacian, slopes, steepness
from ..look import Difference
from ..look.render import photo_light
from ..ranks import median
from ..records import F32, F64, U8, Candidate, Mask

Box = tuple[float, float, float, float]


def is_mark(candidate: Candidate) -> bool:
    """Whether a candidate is a small sharp mark: a point or a line."""
    return candidate.family in ("point", "line")


def boxes_iou(a: Candidate, b: Candidate) -> float:
    """Intersection over union of two candidates' boxes."""
    one, other = np.array(a.box_mm), np.array(b.box_mm)
    sides = np.minimum(one[2:], other[2:]) - np.maximum(one[:2], other[:2])
    shared = float(np.maximum(sides, 0).prod())
    union = float((one[2:] - one[:2]).prod() + (other[2:] - other[:2]).prod()) - shared
    return shared / max(union, 1e-9)


def drawn(difference: Difference, candidates: Sequence[Candidate], grow_mm: float = 0.0) -> Mask:
    """Outlines of candidates filled on the panel frame (H, W) bool, grown by `grow_mm`."""
    frame = difference.panel
    height, width = frame.inside.shape
    mask: U8 = np.zeros((height, width), np.uint8)
    reach = int(np.ceil(grow_mm * frame.px_per_mm)) if grow_mm > 0 else 0
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    for candidate in candidates:
        mm = difference.to_artwork_mm(candidate.outline_mm)
        px = np.rint(frame.to_px(mm)).astype(np.int32)
        # each in a window of its own, so that it costs no more than it is large
        x0, y0 = np.clip(px.min(0) - reach, 0, [width, height])
        x1, y1 = np.clip(px.max(0) + reach + 1, 0, [width, height])
        if x0 >= x1 or y0 >= y1:
            continue
        part = np.zeros((y1 - y0, x1 - x0), np.uint8)
        cv2.fillPoly(part, [px - np.array([x0, y0], np.int32)], 1)
        if reach:
            part = np.asarray(cv2.dilate(part, disc), np.uint8)
        mask[y0:y1, x0:x1] |= part
    return np.asarray(mask > 0)


def borders_px(mask: Mask) -> list[F64]:
    """Outer borders of a mask's parts, (N, 2) each, in px through the centres of border pixels."""
    contours, _ = cv2.findContours(
        np.pad(mask, 1).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    return [contour.reshape(-1, 2).astype(np.float64) - 1 for contour in contours]


def hull_px(mask: Mask) -> F32:
    """Convex hull (N, 2) of a mask's pixels, in px through their centres."""
    hull = cv2.convexHull(np.concatenate(borders_px(mask)).astype(np.float32))
    return np.asarray(hull.reshape(-1, 2), np.float32)


def center_px(mask: Mask) -> F64:
    """Centre of gravity (1, 2) of a mask in px."""
    rows, columns = np.nonzero(mask)
    return np.array([[columns.mean(), rows.mean()]])


def box_around(low: F64, high: F64) -> Box:
    """Box x0, y0, x1, y1 of its two corners (2,)."""
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def edge_shift(residual: F32, expected: F32, mask: Mask) -> float:
    """How far the picture's own edges would have to move to make such a difference, in px.

    `residual` (H, W) and `expected` (H, W, 3) root light of the frame that was measured on.
    """
    slope = steepness(photo_light(expected))[mask]
    return float(min(np.abs(residual[mask]).sum() / max(float(slope.sum()), 1e-6), 99.0))


_STEADY = 7  # skeleton pixels over which a path is steadied
# how far contrast (1), place (px) and sharpness (px^2) of the picture may be off in one spot
_PICTURE_PRIOR = (0.3, 0.5, 0.5, 0.5)


def picture_share(residual: F32, expected: F32, sigma: F32, near: Mask) -> float:
    """Share 0..1 of a mark's energy that the picture's own detail there would explain.

    The residual (H, W) is regressed, over `near` (H, W) bool, on the expected light's (H, W) own
    contrast, shift and sharpness, each held to what a look can be off by; `sigma` (H, W) is the
    residual's noise. A mark without picture logic keeps nearly all its energy.
    """
    dx, dy = slopes(expected)
    columns = (expected - np.float32(median(expected[near])), dx, dy, laplacian(expected))
    stack = np.stack([column[near] for column in columns]).astype(np.float64)
    target = residual[near].astype(np.float64)
    noise2 = median(sigma[near]) ** 2
    left = stack @ stack.T + np.diag(noise2 / np.square(_PICTURE_PRIOR))
    fit = np.linalg.solve(left, stack @ target) @ stack
    energy = float(target @ target)
    return float(np.clip(1 - np.square(target - fit).sum() / max(energy, 1e-12), 0, 1))


def length_and_width(mask: Mask) -> tuple[float, float, float]:
    """Length and width in px and straightness (0..1) of a mark along its own axis.

    Compact marks by their smallest box; drawn-out ones along the longest path of their skeleton
    (Zhang and Suen, CACM 27(3), 1984, as scikit-image has it). Straightness is the distance between
    the path's ends over its length.
    """
    _, (a, b), _ = cv2.minAreaRect(hull_px(mask))
    long_px, short_px = max(a, b) + 1.0, min(a, b) + 1.0
    area = float(mask.sum())
    if long_px < 8 or area > 0.45 * long_px * long_px:
        return long_px, min(area / long_px * 1.1, short_px), 1.0
    path, span = _longest_path(mask)
    # the skeleton ends half a width short of the mark's ends
    length = max(path + min(short_px, area / max(path, 1.0)), 0.9 * long_px)
    # a body with arms is as wide as its body, not as the mean over its arms
    body = 2 * float(cv2.distanceTransform(np.pad(mask, 1).astype(np.uint8), cv2.DIST_L2, 5).max())
    width = max(area / length, min(body - 1, short_px))
    return length, width, float(min(1.0, (span + 1) / max(path + 1, 1.0)))


def _longest_path(mask: Mask) -> tuple[float, float]:
    """Length of the longest path through the skeleton and the distance between its ends, in px."""
    pixels = {(int(r), int(c)) for r, c in np.argwhere(_skeleton(np.pad(mask, 1)))}
    if not pixels:
        return 0.0, 0.0
    # the farthest point from anywhere is one end; the farthest from that is the other
    path = _path_to_farthest(pixels, _path_to_farthest(pixels, next(iter(pixels)))[-1])
    points = np.array(path, np.float64)
    # steps from pixel to pixel are up to a twelfth longer than the line that they follow
    if len(points) > 2 * _STEADY:
        kernel = np.ones(_STEADY) / _STEADY
        inner = [np.convolve(points[:, axis], kernel, "valid") for axis in (0, 1)]
        points = np.concatenate([points[:1], np.stack(inner, axis=1), points[-1:]])
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    return length, float(np.linalg.norm(points[-1] - points[0]))


def _skeleton(mask: Mask) -> Mask:
    # slow to load, and a photo without drawn-out marks never needs it
    from skimage.morphology import skeletonize

    thinned: Callable[[Mask], Mask] = skeletonize
    return np.asarray(thinned(mask), bool)


# to the neighbours of a pixel: rows, columns and px
_STEPS = [
    (down, right, 1.41421356 if down and right else 1.0)
    for down in (-1, 0, 1)
    for right in (-1, 0, 1)
    if down or right
]


def _path_to_farthest(
    pixels: set[tuple[int, int]], start: tuple[int, int]
) -> list[tuple[int, int]]:
    """The way along the skeleton from `start` to the pixel farthest along it."""
    reach = {start: 0.0}
    came_from: dict[tuple[int, int], tuple[int, int]] = {}
    front = [start]
    while front:
        ahead = []
        for here in front:
            row, column = here
            for down, right, length in _STEPS:
                there = (row + down, column + right)
                if there not in pixels:
                    continue
                far = reach[here] + length
                if far < reach.get(there, np.inf) - 1e-9:
                    reach[there] = far
                    came_from[there] = here
                    ahead.append(there)
        front = ahead
    path = [max(reach, key=lambda pixel: reach[pixel])]
    while path[-1] != start:
        path.append(came_from[path[-1]])
    return path[::-1]
