"""How much of what stands beside a candidate is the picture's own.

Where the expected look misses the picture (a second image not told, a colour the model cannot
follow), it does so in many places at once, and what is left there follows the picture. Defects may
be many too, but they lie where they fell, whatever the picture shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..records import Candidate
from .shapes import is_mark

_AS_STRONG = 0.5  # of the candidate's own SNR
_HALF = 0.5  # at this share a candidate is as much the picture's as its own
_SHARES = {"point": "picture_share", "line": "picture_share", "patch": "colour_share"}


def with_misfit_beside(found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates, marks and patches with the feature `misfit_beside` added.

    It is the sum, over the other marks (or patches) of at least half its SNR, of the squared share
    0..1 of each that the picture would explain: about how many of them are the picture's. That
    counts so far as the candidate is like them: by its own share, over one half, squared. Of many
    specks on a dusty panel none tells against another.
    """
    return [
        replace(c, features=c.features | {"misfit_beside": _misfit(number, c, found)})
        if c.family in _SHARES
        else c
        for number, c in enumerate(found)
    ]


def _misfit(number: int, candidate: Candidate, found: Sequence[Candidate]) -> float:
    own = candidate.features.get(_SHARES[candidate.family], 0.0) / _HALF
    shares = [
        other.features.get(_SHARES[other.family], 0.0)
        for place, other in enumerate(found)
        if place != number
        and other.family in _SHARES
        and is_mark(other) == is_mark(candidate)
        and other.snr >= _AS_STRONG * candidate.snr
    ]
    return float(own**2 * np.square(shares).sum())
