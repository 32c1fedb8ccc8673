"""How often each cause strikes, learned from what the log holds: rates that add up.

Causes strike independently of each other, so a panel's rate of a kind is the sum of the rates of
its causes at that panel's levels: sum over features f of x_f * theta_f, and a panel shows the kind
with probability 1 - exp(-rate). Each theta has a gamma prior whose mean is what the cause map says.
They are fitted by variational Bayes on the latent counts: the additive Poisson model of emission
tomography (Shepp and Vardi, IEEE Trans. Med. Imaging 1, 1982) with gamma priors (Cemgil,
Computational Intelligence and Neuroscience, 2009), the count behind a bare yes being replaced by
its expectation rate / (1 - exp(-rate)).

Only panels with the kind enter one by one; all others enter by their sum, the exposure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..records import F64

_ROUNDS = 400
_SETTLED = 1e-5


@dataclass(frozen=True, slots=True)
class Rates:
    """The features' rates: posterior mean (K,) and the prior's mean (K,), in defects per panel."""

    mean: F64
    prior: F64


def fit_rates(struck: F64, exposure: F64, prior_mean: F64, prior_shape: F64) -> Rates:
    """Fit the rates of K features.

    `struck` (E, K) holds the features of each of E events, `exposure` (K,) their sums over all
    panels looked at, with and without the kind. `prior_mean` and `prior_shape` (K,) are the gamma
    priors'; all float64 and not negative, prior means above 0.
    """
    from scipy.special import psi

    scale = prior_shape / prior_mean
    shape, per = prior_shape.copy(), scale + exposure
    # from the prior's proportions, but with everything that was seen handed out
    rate = prior_mean.copy()
    for _ in range(_ROUNDS):
        whole = struck @ rate
        # where no feature can explain an event, it counts for none
        share = np.divide(struck * rate, whole[:, None], where=whole[:, None] > 0, out=struck * 0)
        mean = struck @ (shape / per)
        count = np.where(mean > 1e-9, mean / -np.expm1(-np.maximum(mean, 1e-9)), 1.0)
        new = prior_shape + count @ share
        moved = float(np.abs(new - shape).max(initial=0.0))
        shape = new
        rate = np.exp(psi(shape)) / per
        if moved < _SETTLED * max(1.0, len(struck)):
            break
    return Rates(shape / per, prior_mean)
