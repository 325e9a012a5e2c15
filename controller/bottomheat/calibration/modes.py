"""How the callus zone remembers wet layer, room and power: a sum of first-order lags, weighed.

A bed is a chain of heat capacities, so that what happens at its edges reaches the callus zone
through many lags at once.  Two single lags describe that badly in the first ten hours.  Here every
path is a weighted sum over a fixed ladder of lags, linear in its weights, and the weights have a
wide prior: what the record cannot tell stays unknown and shows in the uncertainty.  Bayesian linear
regression with a Gaussian prior, as in textbooks; lags and prior widths are judgement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import cholesky, solve_triangular
from scipy.signal import lfilter

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

LADDER_H: Final = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
"""Lags of the ladder, h.  A bed's slowest way to settle takes 4 d²/(pi² a) = 7 h at a depth d of
0.10 m and a diffusivity a of 1.6e-7 m²/s (one side held, the other insulated), 18 h at 0.16 m."""

STEADY_H: Final = 4.0
"""Lag of the path that the others are told apart from, h; its choice changes nothing."""

START_H: Final = (2.0, 6.0, 16.0)
"""Lags by which what the bed remembers from before the record, or from a gap, fades, h."""

SCATTER_H: Final = 2.0
WHITE_K: Final = 0.012
SCATTERS_K: Final = (0.02, 0.03, 0.045, 0.07, 0.1, 0.15, 0.25, 0.4)
"""What no path explains: white noise (a 1/16 K step in half-hour means with the probe's own noise)
and a scatter that fades over 2 h.  Its size is the most likely one of these; judgement."""


STEP_K: Final = 0.5
"""Standard deviation of a lasting step in the readings, K: a probe that was moved; judgement."""


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """Posterior of a linear model.

    Attributes:
        mean: of the weights, shape (p,).
        covariance: of the weights, shape (p, p).
        scatter_k: the scatter found, K.
        factor: lower Cholesky factor of what the readings' covariance was before they were read.
        surprise: readings less what was expected of them, whitened by that factor, shape (n,).
    """

    mean: Array
    covariance: Array
    scatter_k: float
    factor: Array
    surprise: Array

    def lasting_step(self) -> tuple[int, float]:
        """Where the readings most likely step and stay there, if they do anywhere.

        Returns:
            Index of the first reading after the step, and by how much the logarithm of the
            likelihood gains by it; a step has a prior of ``STEP_K``.
        """
        n = len(self.surprise)
        after = np.tril(np.ones((n, n)))[:, 1:]  # column k: 1 from reading k + 1 on
        white = solve_triangular(self.factor, after, lower=True)
        told = np.einsum("ij,ij->j", white, white)
        pull = white.T @ self.surprise
        gain = 0.5 * pull**2 / (told + STEP_K**-2) - 0.5 * np.log1p(STEP_K**2 * told)
        best = int(np.argmax(gain))
        return best + 1, float(gain[best])


def lagged(values: Array, tau_h: float, step_h: float) -> Array:
    """First-order lag, exact for straight lines between the points; at rest before the first.

    Args:
        values: on a grid, without gaps.
        tau_h: lag, h; 0 for none.
        step_h: step of the grid, h.
    """
    if tau_h <= 0.0:
        return values.copy()
    stays = math.exp(-step_h / tau_h)
    share = tau_h / step_h * (1.0 - stays)
    found, _ = lfilter([1.0 - share, share - stays], [1.0, -stays], values, zi=[share * values[0]])
    return np.asarray(found, dtype=np.float64)


def weigh(
    design: Array,
    observed: Array,
    at_h: Array,
    *,
    prior_mean: Array,
    prior_covariance: Array,
) -> Weighed:
    """Weights from readings with a scatter of unknown size that fades over ``SCATTER_H``.

    Args:
        design: shape (n, p).
        observed: shape (n,), K.
        at_h: when each was read, h.
        prior_mean: shape (p,).
        prior_covariance: shape (p, p).
    """
    n = len(observed)
    fading = np.exp(-np.abs(at_h[:, None] - at_h[None, :]) / SCATTER_H)
    known = design @ prior_covariance @ design.T + WHITE_K**2 * np.eye(n)
    surprise = observed - design @ prior_mean
    best = (-math.inf, 0.0, np.empty((0, 0)), surprise)
    for scatter_k in SCATTERS_K:
        factor = cholesky(known + scatter_k**2 * fading, lower=True)
        white = solve_triangular(factor, surprise, lower=True)
        likely = -0.5 * float(white @ white) - float(np.log(np.diag(factor)).sum())
        if likely > best[0]:
            best = (likely, scatter_k, factor, white)
    _, scatter_k, factor, white = best
    shared = solve_triangular(factor, design @ prior_covariance, lower=True)
    covariance = prior_covariance - shared.T @ shared
    return Weighed(
        prior_mean + shared.T @ white,
        0.5 * (covariance + covariance.T),
        scatter_k,
        factor,
        white,
    )


def summing_to(sum_value: float, means: Array, widths: Array) -> tuple[Array, Array]:
    """Independent normal weights, given that they sum to ``sum_value``: mean and covariance."""
    variance = widths**2
    share = variance / variance.sum()
    mean = means + share * (sum_value - means.sum())
    return mean, np.diag(variance) - np.outer(share, variance)
