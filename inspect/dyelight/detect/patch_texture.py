"""What lies within a patch: mottle, a lobe of the other sign beside it, and the detail it kept."""

from __future__ import annotations

import cv2
import numpy as np

from ..imaging import gaussian, reduced
from ..look.rootlight import ROOT_OFFSET
from ..ranks import median, quantile
from ..records import F32, Mask

_TELLING = 0.15  # error up to which a slope of detail says something
_BLOCK_PX = 8
_LEAST_DETAIL = 0.004  # root light: an eight-bit step, under which dither and grain rule
_SLOPE_REACH = 0.35
# detail kept around a patch; beyond these the expectation has not the detail that it should
_LEAST_AROUND, _MOST_AROUND = 0.5, 1.5
_SMOOTH, _MOTTLED = 0.12, 0.2  # unevenness of a reflection at most, and from which it is none
_COLOUR_SAMPLES = 4000


def mottle(residual: F32, mask: Mask, ring: Mask, diameter_px: float) -> float:
    """Unevenness of a patch between fine and its own size, over its mean height; 0 is smooth.

    What the ring around it shows in the same band is noise and taken off.
    """
    band = gaussian(residual, 1.0) - gaussian(residual, max(0.25 * diameter_px, 2.0))
    core = cv2.erode(np.pad(mask, 1).astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    if core.sum() < 12:
        core = mask
    noise = _usual_power(band, ring)
    height = abs(float(np.mean(residual[mask])))
    return float(np.sqrt(max(float(np.var(band[core])) - noise, 0.0)) / max(height, 1e-4))


def _usual_power(band: F32, ring: Mask) -> float:
    """What the band holds in most blocks of the ring, which an edge in some of it says nothing of;
    0 where too little of the ring is there."""
    block = min(_BLOCK_PX, *band.shape)
    share = reduced(ring.astype(np.float32), block)
    enough = share > 0.5
    if not enough.any():
        return float(np.var(band[ring])) if ring.sum() > 30 else 0.0
    power = reduced(band * band * ring, block)[enough] / share[enough]
    return median(power)


def opposite(
    signal: F32, mask: Mask, usable: Mask, away: F32, diameter_px: float
) -> dict[str, float]:
    """The strongest lobe of the other sign beside a patch: `opposite_lobe`, its depth over the
    patch's own height, and `rim_contrast`, the same over the scatter farther out.

    A dimple turns one flank to the light and the other from it. `away` (H, W) is the
    distance in px from the mask.
    """
    # what lies past the panel's edge must not reach over it
    sigma_px = max(0.2 * diameter_px, 1.0)
    there = usable | mask
    smooth = gaussian(signal * there, sigma_px)
    smooth /= np.maximum(gaussian(there.astype(np.float32), sigma_px), np.float32(0.05))
    # half a pixel of it lies within the border
    ring = ~mask & (away < 1.1 * diameter_px + 0.5) & usable
    far = (away > 1.3 * diameter_px + 0.5) & usable
    height = quantile(smooth[mask], 0.9)
    if ring.sum() < 12 or far.sum() < 30 or height <= 0:
        return {}
    ground = median(smooth[far])
    scatter = 1.4826 * median(np.abs(smooth[far] - ground))
    # a tenth of the patch's area must be that deep: one pixel is no lobe. Busy ground dips as well
    part = min(0.1 * float(mask.sum()) / float(ring.sum()), 0.5)
    depth = quantile(smooth[far], part) - quantile(smooth[ring], part)
    return {
        "opposite_lobe": float(np.clip(depth / max(height - ground, 1e-6), 0, 3)),
        "rim_contrast": depth / max(scatter, 1e-4),
    }


def detail(seen: F32, due: F32, mask: Mask, ring: Mask) -> dict[str, float]:
    """Detail kept of the light (H, W) that is due, and whether the difference is light thrown back
    rather than dye gone.

    Light adds in linear light, so detail survives a reflection: on root light its contrast falls by
    expected over observed, no more and no less. Vapour blurs it away. Where the picture is flat
    neither can be said, and nothing is returned.
    """
    fine_seen, fine_due = seen - gaussian(seen, 2.0), due - gaussian(due, 2.0)
    kept, error = _kept(fine_seen, fine_due, mask)
    if error > _TELLING or float(np.square(fine_due[mask]).mean()) < _LEAST_DETAIL**2:
        return {}
    lit = fine_due * (due + ROOT_OFFSET) / (seen + ROOT_OFFSET)
    slope = _kept(fine_seen, lit, mask)[0]
    # a print that is softer than expected everywhere has lost nothing here
    around, error = _kept(fine_seen, fine_due, ring)
    if error < _TELLING:
        if not _LEAST_AROUND < around < _MOST_AROUND:
            return {}
        kept, slope = kept / around, slope / around
    return {"detail_ratio": float(np.clip(kept, 0, 2)) ** 2, "slope": slope}


def _kept(seen: F32, due: F32, where: Mask) -> tuple[float, float]:
    """Slope of the seen detail on the due over a mask, and its error, infinite where none is due.

    A patch's own mottle is alike over many pixels, so the error is read from how blocks of them
    agree (cluster-robust, after White, Econometrica 48, 1980).
    """
    block = min(_BLOCK_PX, *seen.shape)
    here = due * where
    crossed, squared = (reduced(here * image, block).astype(np.float64) for image in (seen, due))
    total = float(squared.sum())
    if total <= 1e-12:
        return 0.0, np.inf
    kept = float(crossed.sum()) / total
    return kept, float(np.sqrt(np.square(crossed - kept * squared).sum())) / total


def reflection_likeness(features: dict[str, float]) -> float | None:
    """0..1: how nearly detail is as a reflection leaves it; None where detail says nothing.

    A room thrown back by the coating is smooth; vapour is mottled, however well detail agrees.
    """
    if "slope" not in features:
        return None
    detail = 1 - abs(features["slope"] - 1) / _SLOPE_REACH
    smooth = (_MOTTLED - features["mottle"]) / (_MOTTLED - _SMOOTH)
    return float(np.clip(detail, 0, 1) * np.clip(smooth, 0, 1))


def colour_share(residual: F32, expected: F32, mask: Mask, usable: Mask) -> float:
    """Share 0..1 of a patch's difference that the picture's own colours around it would explain.

    The light channel's residual (H, W) is regressed on brightness and hue of the expected root
    light (H, W, 3), patch and surroundings counting alike. What one colour does is no defect.
    """
    ring = usable & ~mask
    if ring.sum() < 30:
        return 0.0
    step = max(1, int(np.sqrt(usable.sum() / _COLOUR_SAMPLES)))
    inside, around = (part[::step, ::step] for part in (mask & usable, ring))
    seen = inside | around
    if inside.sum() < 4 or around.sum() < 4:
        return 0.0
    soft = gaussian(residual, 1.0)[::step, ::step][seen].astype(np.float64)
    colour = gaussian(expected, 1.0)[::step, ::step][seen].astype(np.float64)
    light = colour @ np.array([0.299, 0.587, 0.114])
    red, blue = colour[:, 0] - light, colour[:, 2] - light
    columns = [np.ones_like(light), light, red, blue, light**2, light**3]
    columns += [red**2, blue**2, red * blue, light * red, light * blue]
    design = np.stack(columns)
    weight = np.where(inside[seen], 0.5 / inside.sum(), 0.5 / around.sum())
    middle = float(weight @ soft)
    total = float(weight @ np.square(soft - middle))
    weighted = design * weight
    left = weighted @ design.T + 1e-6 * np.eye(len(design))
    rest = soft - np.linalg.solve(left, weighted @ soft) @ design
    return float(np.clip(1 - (weight @ np.square(rest)) / max(total, 1e-12), 0, 1))
