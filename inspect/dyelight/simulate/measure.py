"""The ideal measures of a planted defect: colour difference, signal in noise, size, place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from skimage.color import deltaE_ciede2000

from ..records import F32, F64
from .projection import project
from .sheet import Layer, Window
from .truth import DefectTruth

if TYPE_CHECKING:
    from .scene import Scene

_BLOCK = 256
_MOST_BLOCKS = 12
_INSIDE = 0.3


def _lab(linear: F32) -> F32:
    # the linear-input conversion is the accurate one; the gamma one errs by 0.6 in a*
    return np.asarray(cv2.cvtColor(np.clip(linear, 0, 1), cv2.COLOR_LRGB2Lab), np.float32)


def _place(scene: Scene, layer: Layer) -> tuple[F64, F64, float, float]:
    """Centroid and box (2, 2) in panel mm, area in mm2, and the level that counts as inside."""
    sheet = scene.sheet
    step = max(1, int(np.sqrt(layer.window.shape[0] * layer.window.shape[1] / 4e6)))
    mask = layer.mask(layer.window)[::step, ::step]
    metal = sheet.inside_mm(layer.window)[::step, ::step] > 0
    mask = mask * metal
    level = min(_INSIDE, 0.5 * float(mask.max()))
    inside = mask > level
    ys, xs = np.nonzero(inside)
    if not ys.size:
        middle = np.array([[layer.window.x0, layer.window.y0]], np.float64)
        spot = sheet.mm(middle)[0]
        return spot, np.stack([spot, spot]), 0.0, level
    points = np.array(
        [[xs.mean(), ys.mean()], [xs.min() - 0.5, ys.min() - 0.5], [xs.max() + 0.5, ys.max() + 0.5]]
    )
    points = points * step + [layer.window.x0, layer.window.y0]
    mm = sheet.mm(points)
    return mm[0], mm[1:], float(inside.sum()) * (step / sheet.per_mm) ** 2, level


def _blocks(
    scene: Scene, layer: Layer, box_mm: F64
) -> list[tuple[tuple[int, int, int, int], float]]:
    """Boxes of the photo that hold the defect, with the mask's sum in each."""
    (x0, y0), (x1, y1) = box_mm
    edge = np.linspace(0, 1, 9)
    ring = np.concatenate(
        [np.stack([x0 + (x1 - x0) * edge, np.full(9, v)], axis=1) for v in (y0, y1)]
        + [np.stack([np.full(9, v), y0 + (y1 - y0) * edge], axis=1) for v in (x0, x1)]
    )
    q = scene.pose.to_px(ring)
    width, height = scene.frame_px
    lo = np.maximum(np.floor(q.min(axis=0)).astype(int) - 3, 0)
    hi = np.minimum(np.ceil(q.max(axis=0)).astype(int) + 4, [width, height])
    out = []
    for y in range(int(lo[1]), int(hi[1]), _BLOCK):
        for x in range(int(lo[0]), int(hi[0]), _BLOCK):
            box = (x, y, min(x + _BLOCK, int(hi[0])), min(y + _BLOCK, int(hi[1])))
            window = _window(scene, box, 0)
            both = window.cut(layer.window)
            total = float(layer.mask(both)[::2, ::2].sum()) if both is not None else 0.0
            if total > 0:
                out.append((box, total))
    return out


def _window(scene: Scene, box: tuple[int, int, int, int], margin: int) -> Window:
    """The texture window that a box of the photo sees."""
    x0, y0, x1, y1 = box
    xs, ys = np.linspace(x0 - 0.5, x1 - 0.5, 5), np.linspace(y0 - 0.5, y1 - 0.5, 5)
    nodes = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    t = scene.sheet.texel(scene.pose.to_mm(nodes))
    lo, hi = np.floor(t.min(axis=0)).astype(int), np.ceil(t.max(axis=0)).astype(int) + 1
    return Window(int(lo[1]), int(lo[0]), int(hi[1]), int(hi[0])).grown(margin)


def measure(scene: Scene, layer: Layer, hidden: F32) -> DefectTruth:
    """The truth about one defect alone on an otherwise faultless panel.

    Large defects are measured in a dozen blocks spread over them, and the sums scaled up.
    """
    sheet, camera, defect = scene.sheet, scene.camera, layer.defect
    center, box, area, level = _place(scene, layer)
    blocks = _blocks(scene, layer, box)
    whole = sum(total for _, total in blocks)
    if len(blocks) > _MOST_BLOCKS:
        pick = np.linspace(0, len(blocks) - 1, _MOST_BLOCKS).round().astype(int)
        blocks = [blocks[i] for i in pick]
    part = sum(total for _, total in blocks)
    lens_px = camera.blur_px
    margin = int(np.ceil((3.5 * lens_px + 3) * 2.2)) + 2
    power = 0.0
    differences, shares, lost = [np.zeros(0)], [np.zeros(0)], [np.zeros(0, bool)]
    for px, _ in blocks:
        window = _window(scene, px, margin)
        drawn = layer.mask(window)[..., None].repeat(2, axis=2)
        share = project(sheet, drawn, window, scene.pose, px, 0.0)[..., 0]
        with_it, without = (
            project(sheet, sheet.reflectance(window, chosen), window, scene.pose, px, lens_px)
            for chosen in ((layer,), ())
        )
        top = px[1] // 8 * 8
        rows, cols = slice(px[1] - top, px[3] - top), slice(px[0], px[2])
        light = scene.light_at(top, px[3])[rows, cols]
        raw = without[..., :3] * light + scene.glare_at(top, px[3])[rows, cols]
        signal = scene.softened((with_it[..., :3] - without[..., :3]) * light, px[0], px[1])
        # nothing can be read where the sensor is full
        power += float((signal**2 / camera.variance(raw) * (raw < 1)).sum())
        ys, xs = np.nonzero((share > 0.02) & (without[..., 3] > 0.5))
        if ys.size:
            labs = [_lab(p[..., :3])[ys, xs] for p in (with_it, without)]
            differences.append(deltaE_ciede2000(*labs))  # type: ignore[no-untyped-call] # unannotated there
            shares.append(np.asarray(share[ys, xs], np.float64))
            lost.append(hidden[(ys + px[1]) // 8, (xs + px[0]) // 8] > 0.5)
    delta, inside = np.concatenate(differences), np.concatenate(shares)
    if inside.size:
        # a defect finer than a pixel never fills one
        keep = inside >= min(level, 0.5 * float(inside.max()))
        delta, hides = delta[keep], np.concatenate(lost)[keep]
        if defect.kind == "ghosting":
            # a double image shows at the picture's edges: the tenth of the panel where most
            keep = delta >= np.quantile(delta, 0.9)
            delta, hides = delta[keep], hides[keep]
    else:
        delta, hides = np.zeros(1), np.zeros(1, bool)
    hidden_part = float(hides.mean())
    mean = float(delta.mean())
    small = defect.kind in ("dust_speck", "fibre")
    visible = True if mean >= (6 if small else 3) else (False if mean > 1 else None)
    corners = np.array(
        [
            [box[0, 0], box[0, 1]],
            [box[1, 0], box[0, 1]],
            [box[1, 0], box[1, 1]],
            [box[0, 0], box[1, 1]],
        ]
    )
    art = sheet.press.to_artwork(corners)
    px_corners = scene.pose.to_px(corners)
    art_center = sheet.press.to_artwork(center[None, :])[0]
    return DefectTruth(
        kind=defect.kind,
        center_mm=(float(art_center[0]), float(art_center[1])),
        box_mm=_bounds(art),
        center_panel_mm=(float(center[0]), float(center[1])),
        box_panel_mm=_bounds(corners),
        box_px=_bounds(px_corners),
        area_mm2=area,
        delta_e00=mean,
        snr_ideal=float(np.sqrt(power * whole / part)) if part > 0 else 0.0,
        visible=visible,
        hidden_fraction=hidden_part,
        tone=defect.tone,
        strength=defect.strength,
        vector_mm=defect.vector_mm,
        pattern=defect.pattern,
    )


def _bounds(q: F64) -> tuple[float, float, float, float]:
    lo, hi = q.min(axis=0), q.max(axis=0)
    return float(lo[0]), float(lo[1]), float(hi[0]), float(hi[1])
