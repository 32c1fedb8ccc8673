"""How often each cause strikes, learned from what the log holds: rates that add up.

Causes strike independently of each other, so a panel's rate of a kind is the sum of the rates of
its causes at that panel's levels: sum over features f of x_f * theta_f, and a panel shows the kind
with probability 1 - exp(-rate). This is the additive Poisson model of emission tomography (Shepp
and Vardi, IEEE Trans. Med. Imaging 1, 1982) with gamma priors, sampled by handing each event to one
feature at a time (Gibbs sampling; for this model Cemgil, Computational Intelligence and
Neuroscience, 2009). The count behind a bare yes is replaced by its expectation
rate / (1 - exp(-rate)). Sampling instead of the mode keeps two factors that explain the same panels
both in play, which is what makes the weights honest.

Only panels with the kind enter one by one; all others enter by their sum, the exposure.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..records import F64

_BURN_IN = 150
_SWEEPS = 450


def fit_rates(
    struck: F64,
    exposure: F64,
    prior_shape: F64,
    prior_scale: F64,
    group: NDArray[np.int64],
    rng: np.random.Generator,
) -> F64:
    """The posterior mean rates (K,) of K features, in events per unit of exposure.

    `struck` (E, K) holds the features of each of E events, `exposure` (K,) their sums over all
    panels looked at, with and without the kind. Feature k has a gamma prior of shape
    `prior_shape[k]` and mean `prior_shape[k] * prior_scale[group[k]]`; the scale itself is only
    known to about its own size (an inverse-gamma prior with shape 1 on it), so that one strong
    cause in a group is not held down by what the map expected. All float64 and above 0.
    """
    rate = prior_shape * prior_scale[group]
    total = np.zeros_like(rate)
    whole_shape = np.bincount(group, prior_shape)
    for sweep in range(_BURN_IN + _SWEEPS):
        parts = (struck * rate).cumsum(axis=1)
        whole = parts[:, -1]
        count = np.where(whole > 1e-9, whole / -np.expm1(-np.maximum(whole, 1e-9)), 1.0)
        drawn = (parts < (rng.random(len(whole)) * whole)[:, None]).sum(axis=1)
        shape = prior_shape + np.bincount(drawn, count, len(rate))
        per = rng.gamma(1.0 + whole_shape) / (prior_scale + np.bincount(group, rate))
        below = per[group] + exposure
        rate = rng.gamma(shape) / below
        if sweep >= _BURN_IN:
            total += shape / below
    return total / _SWEEPS
