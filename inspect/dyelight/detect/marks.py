"""Small sharp marks, measured in the photo's own pixels: specks, fibres, scratches, small lift."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..imaging import spread
from ..look import Difference, PhotoFrame
from ..look.render import photo_light
from ..look.rootlight import linear_from_root
from ..ranks import medians, quantile
from ..records import F32, F64, Candidate, Mask
from .dye_change import dye_share
from .scores import ScoreLevel, score_levels
from .seeds import Seed, find_seeds, signed_score
from .shapes import (
    Box,
    borders_px,
    box_around,
    center_px,
    edge_shift,
    length_and_width,
    picture_share,
)

LOW_BAR = 3.3
HIGH_BAR = 6.2
MOST = 400
_LINE_ELONGATION = 4.0
_SMOOTH_PX = 0.8
_OPEN_PX = 0.4  # that whole pixels leave open of a width
# of the photo's pixels, and noise units that they stay within where the look follows the picture
_FOLLOWED_SHARE, _FOLLOWED = 0.999, 4.5
_FOREIGN, _FOREIGN_BLUR, _FOREIGN_SNR = 0.2, 1.4, 12.0
_LEAST_SHIFT_PX, _FOREIGN_SHIFT_PX = 1.0, 4.0
_PSF_WIDTH = 2.355  # full width at half maximum of a Gaussian, in sigmas


def find_marks(difference: Difference, _found: tuple[Candidate, ...] = ()) -> tuple[Candidate, ...]:
    """Candidates of the families `point` and `line`, strongest first."""
    levels = score_levels(difference.photo)
    seeds = find_seeds(levels, LOW_BAR, HIGH_BAR, MOST)
    found = [one for seed in seeds if (one := _measure(difference, levels, seed)) is not None]
    foreign = {id(one) for one in found if _is_foreign(one)}
    if not foreign or not _is_followed(difference.photo):
        return tuple(found)
    return tuple(_off_edges(one) if id(one) in foreign else one for one in found)


def _is_followed(frame: PhotoFrame) -> bool:
    """Whether the look follows the picture everywhere: next to nothing stands out of the noise."""
    some = spread(frame.usable.shape, least_step=3)
    keep = frame.usable[some]
    apart = np.abs(frame.residual[some][keep]) / frame.sigma[some][keep]
    return bool(apart.size) and quantile(apart, _FOLLOWED_SHARE) < _FOLLOWED


def _is_foreign(candidate: Candidate) -> bool:
    """Whether a mark is sharp, strong, and hardly any of it is the picture's own detail, though
    edges as steep as the picture's would make it when a little off."""
    features = candidate.features
    return (
        features["picture_share"] < _FOREIGN
        and features["edge_blur_ratio"] < _FOREIGN_BLUR
        and candidate.snr > _FOREIGN_SNR
        and _LEAST_SHIFT_PX < features["edge_shift_px"] < _FOREIGN_SHIFT_PX
    )


def _off_edges(candidate: Candidate) -> Candidate:
    """The mark, its `edge_shift_px` as of one that no edge makes."""
    return replace(candidate, features=candidate.features | {"edge_shift_px": _FOREIGN_SHIFT_PX})


def _measure(
    difference: Difference, levels: tuple[ScoreLevel, ...], seed: Seed
) -> Candidate | None:
    frame = difference.photo
    height, width = frame.residual.shape
    pad = int(np.ceil(6 + 3 * max(seed.width_px, frame.blur_px)))
    x0, y0 = max(seed.box[0] - pad, 0), max(seed.box[1] - pad, 0)
    x1, y1 = min(seed.box[2] + pad, width), min(seed.box[3] + pad, height)
    cut = (slice(y0, y1), slice(x0, x1))
    usable = frame.usable[cut]
    score = signed_score(levels, seed, (x0, y0, x1, y1))
    core = (score > LOW_BAR) & usable
    if not core.any():
        return None
    signed = frame.residual[cut] * np.float32(seed.sign)
    signal = np.asarray(cv2.GaussianBlur(signed, (5, 5), _SMOOTH_PX), np.float32)
    # half the mark's own height is where a blurred border stood before the blur; the core holds the
    # skirts of the wider filters too, which must not pull the height down
    high = signal[core & (signal > 0.35 * float(signal[core].max()))]
    top = quantile(high, 0.8) if high.size else 0.0
    mark = _main_part((signal > 0.5 * top) & core, score)
    if not mark.any():
        return None
    return _candidate(difference, seed, mark, core, signal, score, (x0, y0))


def _main_part(mark: Mask, score: F32) -> Mask:
    """The connected parts that hold at least a fifth of the marks' joint score."""
    count, labels = cv2.connectedComponents(mark.astype(np.uint8), connectivity=8)
    if count <= 2:
        return mark
    weight = np.bincount(labels.ravel(), np.maximum(score, 0).ravel(), count)
    weight[0] = 0
    keep = weight >= 0.2 * weight.max()
    keep[0] = False
    return np.asarray(keep[labels])


def _candidate(
    difference: Difference,
    seed: Seed,
    mark: Mask,
    core: Mask,
    signal: F32,
    score: F32,
    origin: tuple[int, int],
) -> Candidate:
    frame = difference.photo
    height, width = mark.shape
    cut = (slice(origin[1], origin[1] + height), slice(origin[0], origin[0] + width))
    outline, box, center = _outline_mm(difference, mark, origin)
    features = _shape(frame, mark, box)
    expected = frame.sharpness.apply(frame.lit(*cut))
    features |= _colours(frame, cut, expected, mark, core)
    # a picture that is off is off around the mark as well
    near = cv2.dilate(mark.astype(np.uint8), np.ones((13, 13), np.uint8)) > 0
    light = photo_light(expected)
    features |= {
        "picture_share": picture_share(
            frame.residual[cut], light, frame.sigma[cut], near & frame.usable[cut]
        ),
        "snr": max(seed.peak, _joint_score(score[mark], frame.blur_px)),
        "edge_shift_px": edge_shift(frame.residual[cut], frame.expected[cut], mark),
        "edge_blur_ratio": _edge_ratio(signal, mark, frame.blur_px),
    }
    # nothing shorter than a few blurs can be told from a point
    psf = _PSF_WIDTH * frame.blur_px / frame.px_per_mm
    line = features["elongation"] >= _LINE_ELONGATION and features["length_mm"] > 3 * psf
    features["area_mm2"] = (
        features["length_mm"] * features["width_mm"]
        if line
        else np.pi / 4 * features["eq_diameter_mm"] ** 2
    )
    return Candidate(
        family="line" if line else "point",
        center_mm=center,
        box_mm=box,
        outline_mm=outline,
        area_mm2=features["area_mm2"],
        delta_e00=features["delta_e00"],
        snr=features["snr"],
        tone="light" if features["delta_l"] > 0 else "dark",
        features=features,
    )


def _joint_score(score: F32, blur_px: float) -> float:
    """Score of a whole mark from its pixels' scores (N,), of which one blur holds one test."""
    cell = max(4 * np.pi * blur_px**2, 1.0)
    return float(np.maximum(score, 0).sum() / np.sqrt(score.size * cell))


def _shape(frame: PhotoFrame, mark: Mask, box: Box) -> dict[str, float]:
    """Sizes of a mark with the photo's blur taken out."""
    # the mark was cut out of the residual smoothed against its noise
    psf = _PSF_WIDTH * float(np.hypot(frame.blur_px, _SMOOTH_PX)) / frame.px_per_mm
    length_px, width_px, straight = length_and_width(mark)
    length = _without_blur(length_px / frame.px_per_mm, psf)
    thick = _without_blur(width_px / frame.px_per_mm, psf)
    area = float(mark.sum()) / frame.px_per_mm**2
    return {
        "eq_diameter_mm": _without_blur(2 * np.sqrt(area / np.pi), psf),
        "length_mm": length,
        "width_mm": thick,
        "least_width_mm": max(thick - _OPEN_PX / frame.px_per_mm, 0.0),
        # nothing thinner than a third of the blur can be told from it
        "elongation": length / max(thick, psf / 3),
        "fill": area / max((box[2] - box[0]) * (box[3] - box[1]), area),
        "straightness": straight,
    }


def _colours(
    frame: PhotoFrame, cut: tuple[slice, slice], expected: F32, mark: Mask, core: Mask
) -> dict[str, float]:
    """Colour differences of a mark in the window `cut` from its `expected` root light, and its
    likeness to the bare base."""
    observed = frame.observed[cut]
    ring = cv2.dilate(core.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0
    ring &= frame.usable[cut]
    if ring.sum() > 12:
        # light and colour fit may be off here by a little that the ring around it shows as well
        # no more of a wide window than a median needs
        part = slice(None, None, max(1, int(ring.sum()) // 4000))
        expected = expected + medians((observed[ring] - expected[ring])[part])
    root = np.stack([observed[mark], expected[mark]])
    seen, due = both = lab_from_linear(np.clip(linear_from_root(root), 0, 1))
    white = np.broadcast_to(np.array([100.0, 0, 0], np.float32), seen.shape)
    # in one go, as most marks have few pixels
    apart = ciede2000(np.concatenate([seen, *both]), np.concatenate([due, white, white]))
    delta, to_base, base_due = np.split(apart, 3)
    likeness = 1 - float(np.mean(to_base)) / max(float(np.mean(base_due)), 1.0)
    return {
        "delta_e00": float(np.mean(delta)),
        "peak_de00": float(np.max(delta)),
        "delta_l": float(np.mean(seen[:, 0] - due[:, 0])),
        "delta_c": float(np.mean(np.hypot(*seen[:, 1:].T) - np.hypot(*due[:, 1:].T))),
        "base_likeness": float(np.clip(likeness, 0, 1)),
        "dye_share": dye_share(seen, due, float(np.mean(delta))),
    }


def _without_blur(size_mm: float, psf_mm: float) -> float:
    """A length with the photo's own blur taken out in quadrature, never under a third of it."""
    return float(np.sqrt(max(size_mm**2 - psf_mm**2, (size_mm / 3) ** 2)))


def _edge_ratio(signal: F32, mark: Mask, blur_px: float) -> float:
    """Border width over what blur alone gives.

    The width is the area between 25 % and 75 % of the mark's height per length of its border.
    """
    top = quantile(signal[mark], 0.9)
    if top <= 0:
        return 1.0
    near = cv2.dilate(mark.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    high = float(((signal > 0.75 * top) & near).sum())
    low = float(((signal > 0.25 * top) & near).sum())
    contours, _ = cv2.findContours(mark.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    around = sum(cv2.arcLength(c, True) for c in contours)
    # a Gaussian edge goes from 25 % to 75 % in 1.35 sigma
    return (low - high) / max(around, 4.0) / (1.35 * max(blur_px, 0.8))


def _outline_mm(
    difference: Difference, mark: Mask, origin: tuple[int, int]
) -> tuple[F64, Box, tuple[float, float]]:
    """Outline (N, 2), box and centre of a mark in panel mm."""
    points = np.concatenate(borders_px(mark)).astype(np.float32)
    hull = cv2.convexHull(points).reshape(-1, 2).astype(np.float64)
    # borders run through pixel centres: half a pixel out is where the mark ends
    out = hull - hull.mean(0)
    reach = np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-6)
    hull = hull + 0.5 * out / reach
    both = np.concatenate([center_px(mark), hull]) + np.array(origin)
    frame = difference.photo
    mm = difference.to_panel_mm(difference.picture.to_artwork(frame.to_worked_px(both)))
    half = 0.5 / frame.px_per_mm
    low, high = np.minimum(mm[1:].min(0), mm[0] - half), np.maximum(mm[1:].max(0), mm[0] + half)
    return mm[1:], box_around(low, high), (float(mm[0, 0]), float(mm[0, 1]))
