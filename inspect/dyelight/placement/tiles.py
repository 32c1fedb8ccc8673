"""Shift of each tile of the photo against the warped artwork.

Per tile the photo is modelled as photo = a + b x + c y + g art + e lap(art) + g (grad art . d):
gain, a plane of added light and a little blur are free, and the shift d follows by linear least
squares (Lucas & Kanade 1981; gain and bias as in Hager & Belhumeur 1998). The information matrix of
d is what is left of the gradients after those nuisances are projected out, over the residual's
variance.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..imaging import area, from_cells, sample, slopes
from ..records import F32, F64, Mask
from .frame_fit import Observations
from .picture_map import FittedMap
from .scaled import ArtworkView, PhotoView, softened

_TERMS = 10  # 1, x, y, art, lap, art dx, art dy, photo dx, photo dy, photo
_NUISANCES = 5
_BLOCKS = 4
_AT_ONCE = 6  # tiles whose terms stay in the processor's cache together
# below this residual sd (share of the full range) rounding of 8-bit pixels rules
_SD_FLOOR = 0.0015
# directions in which the photo shows less than this share of the artwork's detail say nothing
_LEAST_SHARED = 0.3
# pixels that a tile must own, as a share of its area
_LEAST_COVER = 0.25


@dataclass(frozen=True, slots=True)
class TileShifts:
    """One entry per tile that lies on the panel.

    `center_px` (N, 2) weighted centre in view px; `shift` (N, 2) how far the photo's content lies
    from the prediction, view px; `information` (N, 2, 2) in 1/view px^2; `gain` (N,); `agreement`
    (N,) partial correlation of photo and artwork before it, a plane of light taken out of both;
    `detail`, `photo_detail` (N,) sd of artwork and photo off that plane; `noise` (N,) sd of what
    the model leaves over; `cover` (N,) share of the tile that was used; `blur2` (N,) Gaussian
    variance in view px^2 by which the photo is softer than the prediction, and `blur2_error` (N,)
    its standard error.
    """

    center_px: F64
    shift: F64
    information: F64
    gain: F64
    agreement: F64
    detail: F64
    photo_detail: F64
    noise: F64
    cover: F64
    blur2: F64
    blur2_error: F64

    def subset(self, keep: Mask) -> TileShifts:
        """The tiles where `keep` (N,) is True."""
        return TileShifts(*(getattr(self, name)[keep] for name in self.__slots__))


def tile_shift(photo: F32, art: F32, mask: Mask, tile: int) -> TileShifts:
    """Shifts of the `tile` x `tile` tiles of two images (H, W) float32 where `mask` (H, W) is True.

    `art` is the prediction in the photo's frame; `tile` is a multiple of 4. Tiles stand on a grid
    from the top-left corner; a part tile at the right or bottom border is used if it is at least
    half a tile.
    """
    height, width = photo.shape
    rows, columns = max(1, round(height / tile)), max(1, round(width / tile))
    photo = _fitted(photo, rows * tile, columns * tile, cv2.BORDER_REPLICATE)
    art = _fitted(art, rows * tile, columns * tile, cv2.BORDER_REPLICATE)
    weight = _fitted(mask.astype(np.float32), rows * tile, columns * tile, cv2.BORDER_CONSTANT)
    block = tile // _BLOCKS
    ramp = np.linspace(-1, 1, tile, dtype=np.float32)
    plane = np.stack([np.ones((tile, tile), np.float32), *np.meshgrid(ramp, ramp)])
    plane = plane.reshape(3, _BLOCKS, block, _BLOCKS, block).transpose(1, 3, 0, 2, 4)
    plane = np.ascontiguousarray(plane).reshape(_BLOCKS**2, 3, block * block)
    grams = np.zeros((rows, columns, _BLOCKS**2, _TERMS, _TERMS))
    enough = area(weight, (columns, rows)) >= 0.99 * _LEAST_COVER
    # the first term once more at the end: two views that do not start alike are multiplied by a
    # routine that is several times quicker on small matrices than the one for a matrix by itself
    wide = min(_AT_ONCE, columns)
    stack = np.empty((wide, _BLOCKS**2, _TERMS + 1, block * block), dtype=np.float32)
    cells = stack.reshape(wide, _BLOCKS, _BLOCKS, _TERMS + 1, block, block)
    masked = True
    for row in np.flatnonzero(enough.any(axis=1)):
        layers = _layers(photo, art, weight, slice(row * tile, (row + 1) * tile))
        on_panel = np.flatnonzero(enough[row])
        for first in range(on_panel[0], on_panel[-1] + 1, wide):
            count = min(wide, columns - first)
            across = slice(first * tile, (first + count) * tile)
            shape = (_BLOCKS, block, count, _BLOCKS, block)
            for term, layer in zip((_TERMS, *range(3, _TERMS)), layers, strict=True):
                cut = layer[:, across].reshape(shape).transpose(2, 0, 3, 1, 4)
                np.copyto(cells[:count, :, :, term], cut)
            part = stack[:count]
            on = part[:, :, _TERMS]
            pixels = on.sum(axis=(1, 2))
            if masked:
                stack[:, :, :3] = plane
            masked = bool(pixels.min() < tile * tile)
            if masked:
                part[:, :, :_TERMS] *= on[:, :, None]
            # per-tile centring keeps the float32 sums well conditioned
            for term in (3, 9):
                mean = part[:, :, term].sum(axis=(1, 2)) / np.maximum(pixels, 1.0)
                part[:, :, term] -= on * mean[:, None, None]
            product = part[:, :, :_TERMS] @ part[:, :, 1:].transpose(0, 1, 3, 2)
            grams[row, first : first + count, :, :, 1:] = product[..., : _TERMS - 1]
            grams[row, first : first + count, :, :, 0] = product[..., _TERMS - 1]
    ys, xs = np.mgrid[0:rows, 0:columns]
    corner = np.stack([xs, ys], axis=-1).reshape(-1, 2) * float(tile)
    flat = grams.reshape(-1, _BLOCKS**2, _TERMS, _TERMS)
    keep = flat[:, :, 0, 0].sum(axis=1) >= _LEAST_COVER * tile * tile
    center = corner[keep] + _centroid(flat[keep], tile)
    return _solve(flat[keep], center, tile)


def _layers(photo: F32, art: F32, weight: F32, rows: slice) -> list[F32]:
    """Weight, art, its blur, its slopes, the photo's slopes and the photo in some rows."""
    above, below = min(rows.start, 1), min(photo.shape[0] - rows.stop, 1)
    halo = slice(rows.start - above, rows.stop + below)
    own = slice(above, above + rows.stop - rows.start)
    part = art[halo]
    # blur adds up in light, so its mark on encoded brightness is that of the light's Laplacian
    lap = cv2.Laplacian(cv2.multiply(part, part), cv2.CV_32F, ksize=3, scale=0.25)
    lap = cv2.divide(lap, 2 * np.maximum(part, np.float32(0.05)))
    art_x, art_y = slopes(part)
    photo_x, photo_y = slopes(photo[halo])
    inner = [layer[own] for layer in (lap, art_x, art_y, photo_x, photo_y)]
    return [weight[rows], art[rows], *(np.asarray(one, np.float32) for one in inner), photo[rows]]


def _fitted(image: F32, height: int, width: int, border: int) -> F32:
    """The image cut or continued at its right and bottom to height x width."""
    cut = image[:height, :width]
    more_down, more_right = height - cut.shape[0], width - cut.shape[1]
    if more_down or more_right:
        cut = np.asarray(cv2.copyMakeBorder(cut, 0, more_down, 0, more_right, border), np.float32)
    return cut


def _centroid(grams: F64, tile: int) -> F64:
    """Where in its tile the gradients lie (N, 2), px from the tile's first pixel, by blocks."""
    block = tile // _BLOCKS
    energy = grams[:, :, 5, 5] + grams[:, :, 6, 6] + 1e-12
    middle = (np.arange(_BLOCKS) + 0.5) * block - 0.5
    x, y = np.tile(middle, _BLOCKS), np.repeat(middle, _BLOCKS)
    total = energy.sum(axis=1)
    return np.stack([energy @ x / total, energy @ y / total], axis=1)


def _schur(gram: F64, first: int) -> F64:
    """The Gram matrix of terms `first`.. with the terms before them projected out."""
    a = gram[:, :first, :first]
    b = gram[:, :first, first:]
    diagonal = np.einsum("nii->ni", a)
    ridge = 1e-7 * diagonal + 1e-9
    a = a + ridge[:, :, None] * np.eye(first)
    return gram[:, first:, first:] - b.transpose(0, 2, 1) @ np.linalg.solve(a, b)


def _projection(gram: F64, first: int, ridge: float) -> F64:
    """Coefficients (N, terms, terms - first) that leave of terms `first`.. what the rest lacks."""
    a = gram[:, :first, :first]
    diagonal = np.einsum("nii->ni", a)
    a = a + (ridge * diagonal + 1e-9)[:, :, None] * np.eye(first)
    onto = np.linalg.solve(a, gram[:, :first, first:])
    size = gram.shape[1] - first
    identity = np.broadcast_to(np.eye(size), (len(gram), size, size))
    return np.concatenate([-onto, identity], axis=1)


def _solve(grams: F64, center: F64, tile: int) -> TileShifts:
    gram = grams.sum(axis=1)
    count = gram[:, 0, 0]
    # projected on the plane only, so that the agreement speaks of the picture itself
    plane = _schur(gram, 3)
    art_energy = np.maximum(plane[:, 0, 0], 1e-12)
    photo_energy = np.maximum(plane[:, -1, -1], 1e-12)
    plain_gain = plane[:, 0, -1] / art_energy
    agreement = plane[:, 0, -1] / np.sqrt(art_energy * photo_energy)
    gain = np.where(np.abs(plain_gain) > 1e-3, plain_gain, 1e-3)

    off = _projection(gram, _NUISANCES, 1e-7)
    left = off.transpose(0, 2, 1) @ gram @ off  # art dx, dy; photo dx, dy; photo
    normal = left[:, :2, :2]
    # float32 sums leave an error of about 1e-6 of the gradients' energy before the projection
    energy = gram[:, 5, 5] + gram[:, 6, 6]
    normal = _positive(normal, 3e-6 * energy + 1e-9)
    root = np.linalg.cholesky(normal)
    whiten = np.linalg.inv(root)
    # fine detail of the artwork that the photo has lost (noise, JPEG) would vote for no shift, so
    # the photo's gradients are the regressors and the artwork's the instruments: `shared` is the
    # part of the artwork's detail that the photo shows too, per direction
    cross = left[:, :2, 2:4]
    cross = (cross + cross.transpose(0, 2, 1)) / (2 * gain[:, None, None])
    shared, axes = np.linalg.eigh(whiten @ cross @ whiten.transpose(0, 2, 1))
    kept = shared > _LEAST_SHARED
    inverse_share = np.where(kept, 1 / np.where(kept, shared, 1.0), 0.0)
    to_axes = axes.transpose(0, 2, 1) @ whiten
    from_axes = whiten.transpose(0, 2, 1) @ axes
    pull = (to_axes @ left[:, :2, 4:])[:, :, 0] / gain[:, None]
    shift = -(from_axes @ (pull * inverse_share)[:, :, None])[:, :, 0]
    residual = off[:, :, 4] + (off[:, :, 2:4] @ shift[:, :, None])[:, :, 0]
    against = (grams @ residual[:, None, :, None])[..., 0]
    variance = np.maximum(np.sum(against.sum(axis=1) * residual, axis=1), 0.0)
    variance = variance / np.maximum(count - _TERMS + 3, 1) + _SD_FLOOR**2
    # what the picture model misses runs along edges, so the score's variance is taken from whole
    # blocks (a sandwich estimate: Huber 1967; White 1980) and the white-noise part is added
    scores = against @ off[:, :, :2]
    spread = (scores.transpose(0, 2, 1) @ scores) * _few_blocks(grams)[:, None, None]
    middle = spread + normal * variance[:, None, None]
    middle = to_axes @ middle @ to_axes.transpose(0, 2, 1) / np.square(gain)[:, None, None]
    information = _kept_inverse(middle, kept)
    information *= shared[:, :, None] * shared[:, None, :]
    back = root @ axes
    information = back @ information @ back.transpose(0, 2, 1)
    # a Gaussian of variance v adds v/2 times the Laplacian
    order = [0, 1, 2, 3, 5, 6, 4, 9]
    curve = _schur(gram[:, order][:, :, order], 6)
    bend = np.maximum(curve[:, 0, 0], 1e-9)
    blur2 = 2 * curve[:, 0, 1] / (gain * bend)
    return TileShifts(
        center_px=center,
        shift=shift,
        information=information,
        gain=plain_gain,
        agreement=agreement,
        detail=np.sqrt(art_energy / np.maximum(count, 1.0)),
        photo_detail=np.sqrt(photo_energy / np.maximum(count, 1.0)),
        noise=np.sqrt(variance),
        cover=count / tile**2,
        blur2=blur2,
        blur2_error=2 * np.sqrt(variance / bend) / np.abs(gain),
    )


def _positive(matrix: F64, least: F64) -> F64:
    """Symmetric (N, 2, 2) with eigenvalues raised to at least `least` (N,)."""
    values, vectors = np.linalg.eigh((matrix + matrix.transpose(0, 2, 1)) / 2)
    values = np.maximum(values, least[:, None])
    return np.asarray((vectors * values[:, None, :]) @ vectors.transpose(0, 2, 1), np.float64)


def _few_blocks(grams: F64) -> F64:
    """Factor (N,) for scores that few blocks carry: the fit has already levelled them out."""
    energy = grams[:, :, 5, 5] + grams[:, :, 6, 6] + 1e-12
    effective = np.square(energy.sum(axis=1)) / np.square(energy).sum(axis=1)
    return np.asarray(effective / np.maximum(effective - 3.0, 0.3), dtype=np.float64)


def _kept_inverse(matrix: F64, kept: Mask) -> F64:
    """Inverse (N, 2, 2) over the kept axes (N, 2), zero elsewhere."""
    a, b, d = matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 1]
    a, d = np.maximum(a, 1e-12), np.maximum(d, 1e-12)
    both = kept.all(axis=1)
    determinant = np.where(both, np.maximum(a * d - b * b, 1e-6 * a * d), 1.0)
    out = np.zeros_like(matrix)
    out[:, 0, 0] = np.where(both, d / determinant, np.where(kept[:, 0], 1 / a, 0.0))
    out[:, 1, 1] = np.where(both, a / determinant, np.where(kept[:, 1], 1 / d, 0.0))
    out[:, 0, 1] = out[:, 1, 0] = np.where(both, -b / determinant, 0.0)
    return out


def predict(
    picture: FittedMap,
    art: ArtworkView,
    view: PhotoView,
    box_mm: tuple[float, float, float, float],
    blur_px: float = 0.0,
) -> tuple[F32, Mask]:
    """The artwork (h, w) float32 in the view's frame, and where it is metal inside `box_mm`."""
    height, width = view.grey.shape
    nodes, cell = picture.window_nodes(view.x0, view.y0, width, height, view.pitch)
    scale = np.array([art.scale_x, art.scale_y])
    in_art = np.asarray((nodes + art.bleed_mm) * scale - 0.5, dtype=np.float32)
    at = from_cells(in_art, cell, slice(0, height), slice(0, width))
    low, high = (np.array(box_mm).reshape(2, 2) + art.bleed_mm) * scale - 0.5
    inside = cv2.inRange(at, tuple(low), tuple(high)) > 0
    warped = sample(art.grey, at)
    if art.solid is not None:
        inside &= sample(art.solid, at) > 0.99
    if blur_px > 0.3:
        warped = softened(np.asarray(warped, dtype=np.float32), blur_px)
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
