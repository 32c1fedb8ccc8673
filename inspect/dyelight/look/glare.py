"""Where the coating throws light back: clipped places and the glare that runs out from them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import distance_inside, gaussian, nearest, steepness, wide_parts
from ..records import F32, U8, Mask
from .frames import PanelFrame
from .local_light import LocalLight
from .render import ArtworkUnderPhoto, photo_light

_SKIRT = 0.02  # root light: where glare fades into the noise
_CLEARLY = 0.06  # a place clipped in the photo but this much darker in the picture is glare
_SMOOTH_MM = 0.8
_SMALL_MM = 1.6  # no speck and no scratch holds a larger disc
_AROUND_MM = 3.0
_VEILED = 0.5  # light added, over the lit white base's, under which little is left to see
_BRIGHT = 0.8
_FAR_SCATTERS = 6.0
_FAR = 0.05  # root light
_WIDE_MM = 3.0
_METAL_MM = 25.0  # of the disc of the same area
_METAL_LEAST_PX = 12
_BEYOND_PX = (1.5, 3.5, 9.0)  # beside a burnt-out part, and farther out
_NOT_CLIPPED_PX, _NEARLY_AS_BRIGHT = 6.0, 0.6
_SEEN_AROUND, _NEARLY_ALL, _GLOW = 0.9, 0.75, 0.2
_FOLLOWED, _FOLLOWED_LEAST = 5.0, 0.012  # of what is usual; root light
_SHARP_PX = 2.5  # a sharp border is about half as wide on the panel frame


@dataclass(frozen=True, slots=True)
class Glare:
    """`hidden` (H, W) bool cannot be judged; `skirt` (H, W) bool can, under its own light."""

    hidden: Mask
    skirt: Mask


def glare(frame: PanelFrame, white: F32) -> Glare:
    """What clipped places and strong reflections hide, and the bright skirt that runs out of them.

    Hidden is what is clipped, unless it is small and sharp on a darker picture, and where the
    coating throws back so much light that what is left of the print's contrast drowns in it. A
    reflection fades out over its surroundings: all that is brighter than expected and hangs
    together with its core is its skirt. `white` (H, W, 3) is the lit base's root light.
    """
    due_light = photo_light(frame.expected)
    seen_light = photo_light(frame.observed)
    brighter = seen_light - due_light
    smooth = gaussian(brighter, _SMOOTH_MM * frame.px_per_mm)
    lit = np.maximum(photo_light(white), 0.1)
    # light adds in linear light, alike over dark and pale print, as a share of what white sends
    due = due_light**2
    thrown = gaussian(seen_light**2 - due, _SMOOTH_MM * frame.px_per_mm)
    around = gaussian(due, _AROUND_MM * frame.px_per_mm)
    white_light = lit * lit
    bright = around + thrown > _BRIGHT**2 * white_light
    strong = (thrown > _VEILED * white_light) & bright
    core = ((frame.blown & (brighter > _CLEARLY)) | strong) & frame.inside
    if not core.any():
        return Glare(frame.blown, np.zeros_like(frame.blown))
    skirt = ((smooth > _SKIRT) & frame.inside) | core
    _, labels = cv2.connectedComponents(skirt.astype(np.uint8), connectivity=4)
    touched = np.unique(labels[core])
    soft = [label for label in touched if _fades(brighter, labels == label)]
    near = np.isin(labels, soft)
    # what is clipped, small, and ends sharply on a darker picture is a speck or a scratch: that can
    # be seen. A lamp thrown back by a glossy face may end as sharply, but is no such small thing
    sharp = np.isin(labels, np.setdiff1d(touched, soft))
    gone = frame.blown & ~(sharp & ~wide_parts(frame.blown, _SMALL_MM * frame.px_per_mm))
    metal = _burnt_metal(frame, brighter, core)
    gone &= ~metal
    near &= ~metal
    size = 2 * int(np.ceil(_SMOOTH_MM * frame.px_per_mm)) + 1
    grown = cv2.dilate(near.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    # ragged where the print is dark and light by turns: what lies between is no better
    closed = cv2.morphologyEx(((core & near) * np.uint8(1)), cv2.MORPH_CLOSE, _disc(2 * size + 1))
    hidden = gone | ((cv2.dilate(closed, _disc(size)) > 0) & frame.inside)
    return Glare(np.asarray(hidden), np.asarray(grown & ~hidden))


def not_followed(frame: PanelFrame, expected: F32, found: Glare) -> Mask:
    """Skirts (H, W) bool whose light the look does not follow, as that of a lamp with sharp sides.

    `expected` (H, W, 3) is the frame's, with each neighbourhood's own light under the glare.
    """
    lost = np.zeros_like(found.skirt)
    if not found.skirt.any():
        return lost
    apart = np.abs(gaussian(photo_light(frame.observed) - photo_light(expected), 1.0))
    calm = frame.inside & ~found.skirt & ~found.hidden
    usual = float(np.median(apart[calm][::7])) if calm.any() else 0.0
    most = max(_FOLLOWED * usual, _FOLLOWED_LEAST)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        found.skirt.astype(np.uint8), connectivity=4
    )
    for label in range(1, count):
        x, y, w, h = (int(v) for v in stats[label, :4])
        cut = (slice(y, y + h), slice(x, x + w))
        part = labels[cut] == label
        if float(np.median(apart[cut][part])) > most:
            lost[cut] |= part
    # it ends in a soft border of its own
    size = 2 * int(np.ceil(_SMOOTH_MM * frame.px_per_mm)) + 1
    return np.asarray(cv2.dilate(lost.astype(np.uint8), _disc(size)) > 0) & frame.inside


def _burnt_metal(frame: PanelFrame, brighter: F32, core: Mask) -> Mask:
    """Burnt-out or veiled places (H, W) bool that are the panel's own: bare metal or base too
    bright for the sensor or for the print beside it, which ends where its coating begins. A lamp's
    image is out of focus and glows beyond what it burns out, and windows are larger.
    """
    clipped = np.asarray(frame.blown & core)
    # the veil is smoothed, so that only part of it may be as bright
    veiled = core & ~_joined_to(core, clipped)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (clipped | veiled).astype(np.uint8), connectivity=4
    )
    out = np.zeros(clipped.shape, bool)
    most = np.pi / 4 * (_METAL_MM * frame.px_per_mm) ** 2
    for label in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[label])
        if not _METAL_LEAST_PX < area < most:
            continue
        reach = int(_BEYOND_PX[-1] + _NOT_CLIPPED_PX) + 2
        cut = (slice(max(y - reach, 0), y + h + reach), slice(max(x - reach, 0), x + w + reach))
        place = np.asarray(labels[cut] == label)
        burnt = place & clipped[cut]
        part = _with_bright_rim(brighter[cut], burnt if burnt.any() else place, all_of=burnt)
        if part.sum() < most and _ends_at_once(
            brighter[cut], part, (frame.inside & ~frame.blown)[cut] | part
        ):
            out[cut] |= part | place
    return out


def _joined_to(core: Mask, some: Mask) -> Mask:
    """The parts (H, W) bool of a mask that hold any of `some`."""
    _, labels = cv2.connectedComponents(core.astype(np.uint8), connectivity=4)
    return np.asarray(core & np.isin(labels, np.unique(labels[some & core])))


def _with_bright_rim(brighter: F32, part: Mask, all_of: Mask) -> Mask:
    """What of a part is nearly as bright as most of it, with what is so and joins it, where one
    channel held out; and `all_of` it that is clipped, as that is no brighter over pale print."""
    height = float(np.median(brighter[part]))
    near = cv2.dilate(part.astype(np.uint8), _disc(2 * int(_NOT_CLIPPED_PX) + 1)) > 0
    bright = all_of | ((brighter > _NEARLY_AS_BRIGHT * height) & near)
    _, labels = cv2.connectedComponents(bright.astype(np.uint8), connectivity=4)
    return np.asarray(bright & np.isin(labels, np.unique(labels[part & bright])))


def _ends_at_once(brighter: F32, part: Mask, seen: Mask) -> bool:
    """Whether nearly all around a burnt-out part the light falls at once to that farther out."""
    away = cv2.distanceTransform((~part).astype(np.uint8), cv2.DIST_L2, 3)
    first, last, far = _BEYOND_PX
    near = (away > first) & (away <= last) & seen
    beyond = (away > last) & (away <= far) & seen
    # what cannot be seen beside it, as past the panel's edge, speaks for a reflection
    if near.sum() < _SEEN_AROUND * ((away > first) & (away <= last)).sum() or not beyond.any():
        return False
    ground = float(np.median(brighter[beyond]))
    height = float(np.median(brighter[part])) - ground
    glow = float(np.quantile(brighter[near], _NEARLY_ALL)) - ground
    return bool(height > _CLEARLY and glow < _GLOW * height)


def _disc(size: int) -> U8:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def broadly_off(frame: PanelFrame, local: LocalLight, scatter: float) -> Mask:
    """Wide places (H, W) bool far from the expected look even under their own neighbourhood's
    light: sharp reflections, large stains.

    Small marks there are not looked for, and the rest of the panel is not measured by them.
    """
    # of the light channel by itself, as the local light was fitted
    due = photo_light(frame.expected)
    apart = photo_light(frame.observed) - due - local.added(due)
    smooth = gaussian(apart, _SMOOTH_MM * frame.px_per_mm)
    far = (np.abs(smooth) > max(_FAR_SCATTERS * scatter, _FAR)) & frame.inside
    radius_px = np.ceil(_WIDE_MM * frame.px_per_mm)
    # opened by a disc, by distances: what holds no disc of this radius is not wide
    deep = distance_inside(far) > radius_px
    if not deep.any():
        return np.asarray(deep)
    return np.asarray(distance_inside(~deep) <= 2 * radius_px)


def in_photo_window(
    mask: Mask, frame: PanelFrame, under: ArtworkUnderPhoto, size: tuple[int, int]
) -> Mask:
    """A panel frame mask on a photo window of `size` (width, height) px."""
    offset = np.full(2, frame.margin_mm * frame.px_per_mm - 0.5)
    at = np.ascontiguousarray(under.moved(frame.px_per_mm, offset).drawn(*size)[4::8, 4::8])
    return np.asarray(cv2.resize(nearest(mask, at), size, interpolation=cv2.INTER_NEAREST) > 0)


def _fades(brighter: F32, region: Mask) -> bool:
    """Whether a bright region fades out, as glare does; bare metal shines too, but ends sharply.

    Judged by the steepness where it falls to half: a step under a Gaussian of sigma s is steepest
    at height / (s sqrt(2 pi)).
    """
    rows, columns = np.nonzero(region)
    cut = (
        slice(max(rows.min() - 4, 0), rows.max() + 5),
        slice(max(columns.min() - 4, 0), columns.max() + 5),
    )
    soft = gaussian(brighter[cut], 0.8)
    height = float(np.quantile(soft[region[cut]], 0.8))
    border = region[cut] & (np.abs(soft - 0.5 * height) < 0.2 * height)
    if border.sum() < 8:
        return True
    slope = float(np.median(steepness(soft)[border]))
    return bool(height / (max(slope, 1e-6) * np.sqrt(2 * np.pi)) > _SHARP_PX)
