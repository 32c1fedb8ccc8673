"""The look stage: photo, artwork and placement in, `Difference` out."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from ..imaging import distance_inside, from_cells, gaussian, reduced, sample, strips
from ..records import F32, F64, Artwork, Mask, Photo, Placement
from .bare_base import lit_base
from .fine_colours import fine_samples
from .fineness import at_its_fineness
from .frames import BLOCK_PX, Difference, PanelFrame, PhotoFrame
from .glare import broadly_off, glare, in_photo_window, not_followed
from .light_field import lift, light_added
from .local_light import WIDE_REACH_MM, LocalLight, fit_local_light
from .outline import (
    corner_radius_mm,
    fill,
    moved_with_panel,
    rounded_outline,
    usable_pixels,
)
from .panel_frame import (
    clipped_pixels,
    expected_here,
    fit_look,
    frame_in_photo,
    local_scale,
    panel_grid,
    square_up,
)
from .render import (
    ArtworkUnderPhoto,
    LitArtwork,
    draw_expected,
    light_artwork,
    photo_light,
    working_pixels,
)
from .residual import left_over
from .rootlight import root_from_pixels
from .sharpness import USUAL, Sharpness, fit_sharpness

_MARGIN_PX = 6
_RIM_MM = 1.0  # the coating's rounded rim shows the light, not the print
_UNSEEN_RIM_MM = 2.0  # an outline that was not seen may be off by the print's drift
_SKIRT_SOFT_MM = 2.0  # where a skirt begins the light must not jump
_PLACED_PX = 1.5
_STRIP_PX = 2 * BLOCK_PX


def compare(
    photo: Photo,
    artwork: Artwork,
    placement: Placement,
    *,
    seed: int = 0,
    every_pixel: bool = False,
) -> Difference:
    """Hold the photo against what the artwork should look like under its light.

    Deterministic for a given `seed`, which picks the samples that colour and light are fitted on. A
    large photo is worked with at the fineness that its camera resolves (`fineness.py`), or as it is
    with `every_pixel`.
    """
    rng = np.random.default_rng(seed)
    px_per_mm = float(np.median(local_scale(placement, panel_grid(artwork))))
    scale = 1.0
    if not every_pixel:
        photo, placement, scale = at_its_fineness(photo, placement, px_per_mm)
        px_per_mm *= scale
    working = working_pixels(artwork, px_per_mm)
    panel = square_up(photo.pixels, working, artwork, placement)
    look, samples = fit_look(panel, rng)
    panel = replace(panel, expected=expected_here(panel, look))
    panel_from_artwork = _panel_from_artwork(artwork, placement)
    back = np.asarray(np.linalg.inv(panel_from_artwork), np.float64)
    corners_mm = placement.picture.to_artwork(placement.corners_px)
    radius_mm = corner_radius_mm(panel, panel.to_px(corners_mm))
    panel = _round_corners(panel, artwork, back, radius_mm)
    lit = light_artwork(working, artwork, look, panel.margin_mm, px_per_mm)
    x0, y0, x1, y1 = _window(placement, photo.width_px, photo.height_px)
    window = photo.pixels[y0:y1, x0:x1]
    under = ArtworkUnderPhoto.find(placement, (x0, y0), (x1 - x0, y1 - y0))
    inset_mm = max(_RIM_MM if placement.outline_seen else _UNSEEN_RIM_MM, 4.0 / px_per_mm)
    usable = usable_pixels(
        clipped_pixels(window),
        artwork,
        placement,
        under,
        back,
        radius_mm,
        inset_mm,
        px_per_mm,
        (x0, y0),
    )
    scatter = float(np.mean(look.scatter))
    local = fit_local_light(panel, scatter)
    off = broadly_off(panel, local, scatter)
    if off.any():
        usable &= ~in_photo_window(off, panel, under, (x1 - x0, y1 - y0))
    observed = root_from_pixels(window)
    cells = local.in_cells(panel, placement, (x0, y0), observed.shape, BLOCK_PX)
    shrink = max(1, int(px_per_mm / panel.px_per_mm))
    under_px = under.in_px(lit)
    light = photo_light(observed)
    sharp = USUAL
    # detail that is off its place would be taken for blurred, or for another colour
    if placement.uncertainty_px < _PLACED_PX:
        sharp = fit_sharpness(light, usable, lit, under_px, px_per_mm)
        fine = fine_samples(samples, lit, under_px, observed, usable, sharp, px_per_mm)
        if len(fine.weight):
            look = look.with_table(samples.joined(fine).table())
            lit = replace(lit, response=look.response)
    frame, forgiven, contrast, due = _photo_frame(
        observed, light, usable, under_px, lit, sharp, px_per_mm, (x0, y0), cells, shrink
    )
    frame = replace(frame, scale=scale)
    height, width = panel.inside.shape
    at = frame_in_photo(placement, panel.px_per_mm, width, height, (x0, y0), shrink)
    contrast, due = sample(contrast, at), sample(due, at)
    panel = replace(panel, expected=_expected_as_forgiven(panel, frame, forgiven, at, shrink))
    white = lit_base(panel, look)
    thrown_back = glare(panel, white)
    under_glare = _under_glare(panel, thrown_back.hidden | thrown_back.skirt, local)
    lost = not_followed(panel, under_glare, thrown_back)
    if lost.any():
        under_glare = _under_glare(panel, (thrown_back.hidden | thrown_back.skirt) & ~lost, local)
    panel = replace(panel, expected=under_glare)
    hidden = (thrown_back.hidden | lost) & panel.inside
    wide = fit_local_light(panel, scatter, WIDE_REACH_MM, hidden)
    return Difference(
        artwork=artwork,
        picture=placement.picture,
        outline_seen=placement.outline_seen,
        panel=panel,
        photo=frame,
        look=look,
        panel_from_artwork=panel_from_artwork,
        under_veil=np.asarray(panel.expected + wide.added(panel.expected), np.float32),
        hidden=hidden,
        past_end=np.zeros_like(hidden),
        skirt=thrown_back.skirt & ~lost,
        white=white,
        contrast=contrast,
        due=due,
        left_over=_left_over(frame, at, shrink),
    )


def _left_over(frame: PhotoFrame, at: F32, shrink: int) -> F32:
    """The photo frame's residual over its noise (H, W), summed over the panel frame's pixels at
    `at` (H, W, 2), which lie in the photo frame averaged down by `shrink`."""
    height, width = frame.sigma.shape[0] // shrink, frame.sigma.shape[1] // shrink
    sums = np.empty((height, width), np.float32)
    across = slice(0, width * shrink)
    for rows in strips(height, _STRIP_PX):
        full = slice(rows.start * shrink, rows.stop * shrink), across
        over = cv2.divide(frame.residual[full], frame.sigma[full])
        over *= frame.usable[full]
        sums[rows] = reduced(np.asarray(over, np.float32), shrink)
    sums *= np.float32(shrink)
    return np.asarray(sample(sums, at), np.float32)


def _under_glare(panel: PanelFrame, under: Mask, local: LocalLight) -> F32:
    """Expected root light (H, W, 3) with each neighbourhood's own light `under` (H, W) glare."""
    if not under.any():
        return panel.expected
    share = gaussian(under.astype(np.float32), _SKIRT_SOFT_MM * panel.px_per_mm)
    return np.asarray(panel.expected + local.added(panel.expected) * share[..., None], np.float32)


def _panel_from_artwork(artwork: Artwork, placement: Placement) -> F64:
    """Homography from artwork mm to panel mm: near the identity, the print's drift and stretch."""
    corners = placement.picture.to_artwork(placement.corners_px)
    w, h = artwork.width_mm, artwork.height_mm
    square = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    to_panel = cv2.getPerspectiveTransform(corners.astype(np.float32), square)
    return np.asarray(to_panel, np.float64)


def _round_corners(
    panel: PanelFrame, artwork: Artwork, artwork_from_panel: F64, radius_mm: float
) -> PanelFrame:
    """The panel frame with its masks and edge distances for corners of this radius."""
    outline = rounded_outline(artwork.width_mm, artwork.height_mm, radius_mm, 0.0)
    mm = cv2.perspectiveTransform(outline.reshape(1, -1, 2), artwork_from_panel)[0]
    opaque = panel.opaque
    if artwork.alpha is not None:
        whole = moved_with_panel(
            opaque.astype(np.float32), panel.px_per_mm, -panel.margin_mm, artwork_from_panel
        )
        opaque = np.asarray(whole > 0.5)
    metal = fill(panel.to_px(mm), *panel.inside.shape) & opaque
    padded = np.pad(metal, 1)
    edge_mm = distance_inside(padded)
    edge_mm -= distance_inside(~padded)
    edge_mm = edge_mm[1:-1, 1:-1] / np.float32(panel.px_per_mm)
    return replace(panel, inside=metal & panel.in_photo, edge_mm=edge_mm)


def _window(placement: Placement, photo_w: int, photo_h: int) -> tuple[int, int, int, int]:
    low = np.floor(placement.corners_px.min(0)) - _MARGIN_PX
    high = np.ceil(placement.corners_px.max(0)) + _MARGIN_PX + 1
    x0, x1 = _in_whole_eighths(int(low[0]), int(high[0]), photo_w)
    y0, y1 = _in_whole_eighths(int(low[1]), int(high[1]), photo_h)
    return x0, y0, x1, y1


def _in_whole_eighths(first: int, last: int, most: int) -> tuple[int, int]:
    """A span of 0..`most`, grown where there is room so that it can be halved three times: an odd
    side takes five times as long to halve."""
    first, last = max(first, 0), min(last, most)
    last = min(last + (first - last) % 8, most)
    return max(first - (first - last) % 8, 0), last


def _photo_frame(
    observed: F32,
    light: F32,
    usable: Mask,
    under_px: ArtworkUnderPhoto,
    lit: LitArtwork,
    sharp: Sharpness,
    px_per_mm: float,
    origin_px: tuple[int, int],
    local: tuple[F32, F32],
    shrink: int,
) -> tuple[PhotoFrame, F32, F32, F32]:
    """The photo frame; what was forgiven in its light channel (H, W); what the local light does to
    the print's contrast, and the light that is due with nothing forgiven, averaged down by
    `shrink`.

    `light` (H, W) is the light channel of `observed` and is written over. `local` is each
    neighbourhood's gain and veil in cells of BLOCK_PX. They and the broad bias are no part of what
    was forgiven: a patch is wide enough to be taken for either.
    """
    blur_artwork_px = sharp.blur_px * float(np.mean(lit.px_per_mm)) / px_per_mm
    size = (observed.shape[1], observed.shape[0])
    expected, drawn_light = draw_expected(lit, under_px, blur_artwork_px, size)
    across = slice(0, size[0])
    contrast = np.zeros((size[1] // shrink, size[0] // shrink), np.float32)
    cells = lift(*local)
    for rows in strips(size[1], _STRIP_PX * shrink):
        factor, more = (from_cells(cell, BLOCK_PX, rows, across) for cell in cells)
        # of the light channel by itself: colours differ in how it adds up by far less than noise
        added = light_added(drawn_light[rows], factor, more)
        drawn_light[rows] += added
        part = slice(rows.start // shrink, rows.stop // shrink)
        count = part.stop - part.start
        if count:
            contrast[part] = reduced(added, shrink)
    contrast -= gaussian(contrast, BLOCK_PX / shrink)
    expected_light = sharp.apply(drawn_light)
    due = reduced(expected_light, shrink)
    residual, sigma, coherent, bias = left_over(light, expected_light, usable)
    forgiven = light
    for rows in strips(size[1], _STRIP_PX):
        forgiven[rows] -= drawn_light[rows]
        forgiven[rows] -= residual[rows]
        forgiven[rows] -= from_cells(bias, BLOCK_PX, rows, across)
    frame = PhotoFrame(
        x0=origin_px[0],
        y0=origin_px[1],
        observed=observed,
        expected=expected,
        residual=residual,
        sigma=sigma,
        coherent=coherent,
        usable=usable,
        px_per_mm=px_per_mm,
        blur_px=sharp.edge_sigma_px(),
        sharpness=sharp,
        local=local,
    )
    return frame, forgiven, contrast, due


def _expected_as_forgiven(
    panel: PanelFrame, frame: PhotoFrame, forgiven: F32, at: F32, shrink: int
) -> F32:
    """Expected root light on the panel frame, blurred as the photo is, less what was forgiven.

    What was forgiven in the light channel is no difference in colour either. `at` (H, W, 2) is
    where the panel frame's pixels lie in the photo frame averaged down by `shrink`.
    """
    height, width = forgiven.shape[0] // shrink, forgiven.shape[1] // shrink
    apart = np.empty((height, width, 3), np.float32)
    across = slice(0, width * shrink)
    for rows in strips(height, _STRIP_PX):
        full = slice(rows.start * shrink, rows.stop * shrink), across
        every = reduced(cv2.subtract(frame.observed[full], frame.expected[full]), shrink)
        share = cv2.cvtColor(reduced(forgiven[full], shrink), cv2.COLOR_GRAY2RGB)
        cv2.subtract(every, share, dst=apart[rows])
    seen = sample(apart, at)
    return np.asarray(np.subtract(panel.observed, seen, out=seen), np.float32)
