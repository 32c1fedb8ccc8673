"""How bare each place of a band along the panel's edge looks, by three measures.

On the way from the print's colour to the bare base's; grey where the print is not; and off the
print by more than the rim there usually is. The first knows the colour that it looks for, the last
knows none and sees the faintest.
"""

from __future__ import annotations

import numpy as np

from ..colour import lab_from_linear
from ..imaging import gaussian, highest, summed
from ..look import Difference
from ..look.rootlight import linear_from_root
from ..ranks import median, medians
from ..records import F32, Mask
from .edge_strips import TELLS, EdgeLight, expected_on

# of the way from print to base: metal that shows is darker than the base where it is coated white
BARE = 0.28
_ROW = 1024
# where the base's colour is not known: a clear difference, towards a grey
_CLEARLY, _WHOLLY = 0.1, 0.35  # root light, over all three channels
_GREY_CHROMA = 9.0
_GRAIN_MM = 0.25  # sigma that a departure is smoothed with
_OVER_USUAL, _LEAST_FAR = 4.0, 0.04  # times what usually errs along the rim; root light


def bareness(difference: Difference, band: Mask) -> F32:
    """0 where the photo shows the print, 1 where it shows the base (H, W); 0 off the band and
    where the two look alike."""
    rows, columns = np.nonzero(band)
    # in rows, since images are no wider than a short integer
    padded = np.pad(np.stack([columns, rows], axis=-1), ((0, -rows.size % _ROW), (0, 0)), "edge")
    at = padded.reshape(-1, _ROW, 2).astype(np.float32)
    due, base = (
        image.reshape(-1, 3)[: rows.size]
        for image in expected_on(difference, EdgeLight.of(difference), at)
    )
    seen = difference.panel.observed[rows, columns]
    room = base - due
    whole = summed((room * room)[None])[0]
    share = summed(((seen - due) * room)[None])[0] / np.maximum(whole, np.float32(1e-9))
    # another colour than on the way from print to base is no bare base
    off = highest(np.abs(seen - due - share[:, None] * room)[None])[0]
    alike = off < np.maximum(0.5 * np.sqrt(whole), TELLS)
    out = np.zeros(band.shape, np.float32)
    out[rows, columns] = np.where((whole > 3 * TELLS**2) & alike, share, 0)
    return out


def greyness(difference: Difference, band: Mask, apart: F32) -> F32:
    """How far off the print's colour a grey place of the band is (H, W), 1 for the whole way; 0
    where the photo shows a colour, beside the lit white as well as by itself. `apart` (H, W, 3) is
    the photo's root light less the expected.

    Of a picture that holds no white the bare base's colour is only guessed, and metal that shows
    is darker than the base. What broke away is grey all the same.
    """
    frame = difference.panel
    far = np.sqrt(summed(apart * apart))
    out = np.zeros(band.shape, np.float32)
    rows, columns = np.nonzero(band & (far > _CLEARLY))
    if not rows.size:
        return out
    seen = linear_from_root(np.maximum(frame.observed[rows, columns], 0))
    lit = np.maximum(linear_from_root(difference.white[rows, columns]), np.float32(0.02))
    chroma = np.full(rows.size, np.inf, np.float32)
    for light in (seen, seen / lit):
        lab = lab_from_linear(np.asarray(np.clip(light, 0, 1)[None], np.float32))[0]
        chroma = np.minimum(chroma, np.hypot(lab[:, 1], lab[:, 2]))
    share = np.minimum(far[rows, columns] / np.float32(_WHOLLY), 1)
    out[rows, columns] = np.where(chroma < _GREY_CHROMA, share, 0)
    return out


def departure(apart: F32, band: Mask, edge_mm: F32, ppm: float) -> F32:
    """How far a place of the band departs from the print (H, W), `BARE` where that just stands
    out of what usually errs as deep along the same side; 0 off the band.

    Metal whose light is about the print's departs from it by a tint alone, in pieces where the
    noise lets it: what a lens or a third of a millimetre's neighbourhood makes one is one.
    """
    seen = band.astype(np.float32)
    sigma = max(_GRAIN_MM * ppm, 0.7)
    weight = np.maximum(gaussian(seen, sigma), np.float32(1e-3))
    smooth = gaussian(apart * seen[..., None], sigma) / weight[..., None]
    rows, columns = np.nonzero(band)
    height, width = band.shape
    side = np.argmin([rows, width - columns, height - rows, columns], axis=0)
    depth = (edge_mm[rows, columns] * np.float32(ppm)).astype(np.int32)
    group = side * (int(depth.max()) + 1) + depth
    out = np.zeros(band.shape, np.float32)
    order = np.argsort(group, kind="stable")
    ends = np.flatnonzero(np.diff(group[order])) + 1
    for here in np.split(order, ends):
        at = (rows[here], columns[here])
        values = smooth[at]
        own = values - medians(values)
        far = np.sqrt(summed((own * own)[None])[0])
        out[at] = BARE * far / max(_OVER_USUAL * median(far), _LEAST_FAR)
    return out
