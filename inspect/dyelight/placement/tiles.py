"""Shift of each tile of the photo against the warped artwork.

Per tile the photo is modelled as photo = a + b x + c y + g art + e lap(art) + g (grad art . d): gain,
a plane of added light and a little blur are free, and the shift d follows by linear least squares
(Lucas & Kanade 1981; gain and bias as in Hager & Belhumeur 1998). The information matrix of d is what is
left of the gradients after those nuisances are projected out, over the residual variance.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..records import F32, F64, Mask
from .fit import Observations
from .picture_map import FittedMap
from .scaled import ArtworkView, PhotoView

_TERMS = 8  # 1, x, y, art, lap, dx, dy, photo
_NUISANCES = 5
# below this residual sd (share of the full range) rounding of 8-bit pixels rules
_SD_FLOOR = 0.0015
# pixels that a tile must own, as a share of its area
_LEAST_COVER = 0.25


@dataclass(frozen=True, slots=True)
class TileShifts:
    """One entry per tile that lies on the panel.

    `center_px` (N, 2) weighted centre in view px; `shift` (N, 2) how far the photo's content lies
    from the prediction, view px; `information` (N, 2, 2) in 1/view px^2; `gain` (N,); `agreement` (N,)
    partial correlation of photo and artwork after the shift; `texture` (N,) sd of the artwork times
    gain over residual sd; `cover` (N,) share of the tile that was used; `blur2` (N,) Gaussian
    variance in view px^2 by which the photo is softer than the prediction.
    """

    center_px: F64
    shift: F64
    information: F64
    gain: F64
    agreement: F64
    texture: F64
    cover: F64
    blur2: F64

    def subset(self, keep: Mask) -> TileShifts:
        """The tiles where `keep` (N,) is True."""
        return TileShifts(*(getattr(self, name)[keep] for name in self.__slots__))


def tile_shift(photo: F32, art: F32, mask: Mask, tile: int) -> TileShifts:
    """Shifts of the `tile` x `tile` tiles of two images (H, W) float32 where `mask` (H, W) is True.

    `art` is the prediction in the photo's frame. Tiles stand on a grid from the top-left corner;
    a part tile at the right or bottom border is used if it is at least half a tile.
    """
    height, width = photo.shape
    rows, columns = max(1, round(height / tile)), max(1, round(width / tile))
    pad = ((0, max(0, rows * tile - height)), (0, max(0, columns * tile - width)))

    def fitted(image: F32) -> F32:
        return np.pad(image[: rows * tile, : columns * tile], pad)

    lap = cv2.Laplacian(art, cv2.CV_32F, ksize=3)
    grad_x = cv2.Scharr(art, cv2.CV_32F, 1, 0, scale=1 / 32)
    grad_y = cv2.Scharr(art, cv2.CV_32F, 0, 1, scale=1 / 32)
    layers = [fitted(layer) for layer in (art, lap, grad_x, grad_y, photo)]
    weight = fitted(mask.astype(np.float32))
    ramp = np.linspace(-1, 1, tile, dtype=np.float32)
    ramp_x = np.tile(ramp, tile)
    ramp_y = np.repeat(ramp, tile)
    gram = np.empty((rows, columns, _TERMS, _TERMS))
    centroid = np.empty((rows, columns, 2))
    for row in range(rows):
        strip = slice(row * tile, (row + 1) * tile)

        def cells(layer: F32, strip: slice = strip) -> F32:
            cut = layer[strip].reshape(tile, columns, tile)
            return np.ascontiguousarray(cut.transpose(1, 0, 2)).reshape(columns, tile * tile)

        on = cells(weight)
        stack = np.empty((columns, _TERMS, tile * tile), dtype=np.float32)
        stack[:, 0] = on
        stack[:, 1] = on * ramp_x
        stack[:, 2] = on * ramp_y
        for k, layer in enumerate(layers):
            np.multiply(cells(layer), on, out=stack[:, 3 + k])
        # per-tile centring keeps the float32 sums well conditioned
        count = np.maximum(on.sum(axis=1, keepdims=True), 1.0)
        for k in (3, 7):
            stack[:, k] -= on * (stack[:, k].sum(axis=1, keepdims=True) / count)
        gram[row] = stack @ stack.transpose(0, 2, 1)
        energy = np.square(stack[:, 5]) + np.square(stack[:, 6])
        total = np.maximum(energy.sum(axis=1), 1e-12)
        centroid[row, :, 0] = energy @ ramp_x / total
        centroid[row, :, 1] = energy @ ramp_y / total
    half = (tile - 1) / 2
    ys, xs = np.mgrid[0:rows, 0:columns]
    center = np.stack([xs, ys], axis=-1) * tile + half + centroid * half
    flat = gram.reshape(-1, _TERMS, _TERMS)
    count_px = flat[:, 0, 0]
    keep = count_px >= _LEAST_COVER * tile * tile
    return _solve(flat[keep], center.reshape(-1, 2)[keep], tile)


def _schur(gram: F64, first: int) -> F64:
    """The Gram matrix of terms `first`.. with the terms before them projected out."""
    a = gram[:, :first, :first]
    b = gram[:, :first, first:]
    diagonal = np.einsum("nii->ni", a)
    ridge = 1e-7 * diagonal + 1e-9
    a = a + ridge[:, :, None] * np.eye(first)
    return gram[:, first:, first:] - b.transpose(0, 2, 1) @ np.linalg.solve(a, b)


def _solve(gram: F64, center: F64, tile: int) -> TileShifts:
    count = gram[:, 0, 0]
    # projected on plane only: lap is dropped so that the agreement speaks of the picture itself
    order = [0, 1, 2, 3, 5, 6, 4, 7]
    plane = _schur(gram[:, order][:, :, order], 3)
    art_energy = np.maximum(plane[:, 0, 0], 1e-12)
    photo_energy = np.maximum(plane[:, 4, 4], 1e-12)
    plain_gain = plane[:, 0, 4] / art_energy
    agreement = plane[:, 0, 4] / np.sqrt(art_energy * photo_energy)

    left = _schur(gram, _NUISANCES)  # dx, dy, photo
    normal = left[:, :2, :2]
    pull = left[:, :2, 2]
    trace = np.einsum("nii->n", normal)
    ridge = (1e-6 * trace + 1e-9)[:, None, None] * np.eye(2)
    scaled_shift = np.linalg.solve(normal + ridge, pull[:, :, None])[:, :, 0]
    explained = np.einsum("ni,ni->n", scaled_shift, pull)
    variance = np.maximum(left[:, 2, 2] - explained, 0.0) / np.maximum(count - _TERMS + 1, 1)
    variance = variance + _SD_FLOOR**2
    gain = np.where(np.abs(plain_gain) > 1e-3, plain_gain, 1e-3)
    shift = -scaled_shift / gain[:, None]
    # a Gaussian of variance v adds v/2 times the Laplacian
    order = [0, 1, 2, 3, 5, 6, 4, 7]
    curve = _schur(gram[:, order][:, :, order], 6)
    blur2 = 2 * curve[:, 0, 1] / (gain * np.maximum(curve[:, 0, 0], 1e-9))
    information = normal * (np.square(gain) / variance)[:, None, None]
    return TileShifts(
        center_px=center,
        shift=shift,
        information=information,
        gain=plain_gain,
        agreement=agreement,
        texture=np.sqrt(art_energy / np.maximum(count, 1.0))
        * np.abs(plain_gain)
        / np.sqrt(variance),
        cover=count / tile**2,
        blur2=blur2,
    )


def predict(
    picture: FittedMap,
    art: ArtworkView,
    view: PhotoView,
    box_mm: tuple[float, float, float, float],
    blur_px: float = 0.0,
) -> tuple[F32, Mask]:
    """The artwork (h, w) float32 warped into the view, and where it lies inside `box_mm` on metal."""
    height, width = view.grey.shape
    mm = picture.artwork_window(view.x0, view.y0, width, height, view.pitch)
    x, y = mm[..., 0], mm[..., 1]
    inside = (x > box_mm[0]) & (x < box_mm[2]) & (y > box_mm[1]) & (y < box_mm[3])
    map_x = (x + np.float32(art.bleed_mm)) * np.float32(art.scale_x) - np.float32(0.5)
    map_y = (y + np.float32(art.bleed_mm)) * np.float32(art.scale_y) - np.float32(0.5)
    warped = cv2.remap(art.grey, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    if art.solid is not None:
        metal = cv2.remap(
            art.solid, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        inside &= metal > 0.99
    if blur_px > 0.3:
        warped = cv2.GaussianBlur(warped, (0, 0), blur_px)
    return np.asarray(warped, dtype=np.float32), np.asarray(inside, dtype=np.bool_)


def shrunk_mask(mask: Mask, margin: int) -> Mask:
    """The mask without its outer `margin` px."""
    if margin < 1:
        return mask
    kernel: NDArray[np.uint8] = np.ones((2 * margin + 1, 2 * margin + 1), np.uint8)
    out = cv2.erode(mask.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(out > 0, dtype=np.bool_)


def observed(picture: FittedMap, view: PhotoView, tiles: TileShifts) -> Observations:
    """The tiles' shifts as measured picture points in photo px."""
    at = view.to_photo(tiles.center_px)
    mm = picture.to_artwork(at)
    return Observations(
        points_mm=mm,
        points_px=picture.to_photo(mm) + tiles.shift * view.pitch,
        information=tiles.information / view.pitch**2,
    )
