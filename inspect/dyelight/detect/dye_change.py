"""How far a change of colour is one that dye alone makes."""

from __future__ import annotations

import numpy as np

from ..records import F32

_WHITE = np.array([100.0, 0.0, 0.0])


def dye_share(seen: F32, due: F32, delta_e00: float) -> float:
    """Share of a change from CIELAB `due` (N, 3) to `seen` (N, 3) that less or more dye would make.

    Less dye draws a print towards the white base, more of it towards black. On grey print either is
    lightness alone; a pale spot on yellow print hardly differs in lightness and yet is all dye. The
    greatest share of the mean change along these lines or along lightness counts, the latter also
    in `delta_e00`. No published source; the geometry of CIELAB.
    """
    start, change = due.mean(axis=0), (seen - due).mean(axis=0)
    shares = [abs(float(change[0])) / max(delta_e00, 0.1)]
    for way in (_WHITE - start, start, _WHITE):
        along = abs(float(change @ way)) / max(float(np.linalg.norm(way)), 1.0)
        shares.append(along / max(float(np.linalg.norm(change)), 0.1))
    return max(shares)
