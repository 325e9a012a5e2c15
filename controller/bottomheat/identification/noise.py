"""What a fit leaves over, as white noise and a slow part, and its innovations.

The slow part stands for what no few lags say of a bed: the rest of its modes, a draught, a drying
top.  Leaving it out makes intervals that look fine and do not hold (model discrepancy: Kennedy and
O'Hagan 2001, J. R. Statist. Soc. B 63:425, from memory).  White noise with a first-order slow part
is an ARMA(1,1); the one-step residuals come from its steady Kalman filter (Ljung, System
Identification, 1999, innovations form, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.signal import lfilter
from scipy.stats import chi2

from bottomheat.identification.found import Whiteness
from bottomheat.identification.means import STEP_S
from bottomheat.identification.stretch import Floats

SLOW_LEAST_K: Final = 0.005
SLOW_LEAST_S: Final = 3600.0
"""The slow part is never taken to be less, K, and to last less, s.  Set so that intervals hold on
simulated boxes (tests/bench/identify.py); they have 30 to 40 modes, the model six."""

SLOW_RATIOS: Final = (0.3, 0.5, 0.8, 1.2, 1.8, 2.7, 4.0, 6.0, 9.0, 14.0, 20.0, 30.0)
SLOW_LAGS_H: Final = (1.0, 2.0, 4.0, 8.0)
"""Sizes over the white noise, and how long the slow part lasts, h, that are tried."""
NEARLY: Final = 1.0
"""Of the noises that are as likely as the best within a factor e, the one that lasts most is taken:
a fit takes some of a slow part for the box's own answer, so that what is left over looks short."""

WHITE_LEAST_K: Final = 0.004
LAGS: Final = 24
"""Lags of the Ljung-Box test: two hours of five-minute means."""
WHITE_AT: Final = 0.01


@dataclass(frozen=True, slots=True)
class Noise:
    """White noise and a slow part.

    Attributes:
        white_k: standard deviation of the white noise of each mean, K.
        slow_k: of the slow part, K.
        lasts_s: its correlation time, s.
    """

    white_k: float
    slow_k: float
    lasts_s: float

    def filter(self) -> tuple[float, float, float]:
        """Coefficients (phi, psi) of innovations = (1 - phi/z)/(1 - psi/z) e, and their sd, K."""
        phi = math.exp(-STEP_S / self.lasts_s)
        white, fresh = self.white_k**2, self.slow_k**2 * (1.0 - phi * phi)
        # Steady variance of the slow part before the next reading: P = phi² P white/(P+white) + q.
        b = white * (1.0 - phi * phi) - fresh
        p = 0.5 * (-b + math.sqrt(b * b + 4.0 * white * fresh))
        gain = phi * p / (p + white)
        return phi, phi - gain, math.sqrt(p + white)

    def whitened(self, columns: Floats) -> Floats:
        """Innovations of columns (along the first axis), in their own standard deviations."""
        phi, psi, sd = self.filter()
        found: Floats = lfilter([1.0, -phi], [1.0, -psi], columns, axis=0) / sd
        return found


def noise_of(left_over: Sequence[Floats]) -> Noise:
    """The most likely noise behind what a fit left over, K, a piece for each stretch."""
    rough_k = max(WHITE_LEAST_K, _rough_k(left_over))
    count = sum(len(each) for each in left_over)
    tried: list[tuple[float, Noise]] = []
    for lasts_h in SLOW_LAGS_H:
        for ratio in SLOW_RATIOS:
            shape = Noise(rough_k, ratio * rough_k, lasts_h * 3600.0)
            squares = sum(float(np.sum(shape.whitened(each) ** 2)) for each in left_over)
            scale = math.sqrt(squares / count)
            _, _, sd = shape.filter()
            found = Noise(scale * rough_k, scale * shape.slow_k, shape.lasts_s)
            tried.append((count * math.log(scale * sd), found))
    best = min(cost for cost, _ in tried)
    likely = [noise for cost, noise in tried if cost <= best + NEARLY]
    most = max(likely, key=lambda noise: noise.slow_k**2 * noise.lasts_s)
    white_k = max(WHITE_LEAST_K, most.white_k)
    if most.slow_k**2 * most.lasts_s < SLOW_LEAST_K**2 * SLOW_LEAST_S:
        return Noise(white_k, SLOW_LEAST_K, SLOW_LEAST_S)
    return Noise(white_k, most.slow_k, most.lasts_s)


def _rough_k(left_over: Sequence[Floats]) -> float:
    """White noise by the differences of neighbours, K."""
    steps = np.concatenate([np.diff(each) for each in left_over])
    return float(np.sqrt(np.mean(steps**2) / 2.0)) if len(steps) else WHITE_LEAST_K


def whiteness(innovations: Sequence[Floats], lags: int = LAGS) -> Whiteness | None:
    """Ljung-Box test of one-step residuals (Ljung and Box 1978, Biometrika 65:297).

    Pieces are tested together: autocovariances are summed over them.

    Args:
        innovations: a piece for each stretch.
        lags: how many lags are looked at; None comes back where the pieces are not longer.
    """
    pieces = [each for each in innovations if len(each) > lags]
    count = sum(len(each) for each in pieces)
    if count <= 4 * lags:
        return None
    middle = float(np.concatenate(pieces).mean())
    pieces = [each - middle for each in pieces]
    power = sum(float(each @ each) for each in pieces)
    if power <= 0.0:
        return None
    statistic = 0.0
    for lag in range(1, lags + 1):
        r = sum(float(each[lag:] @ each[:-lag]) for each in pieces) / power
        statistic += r * r / (count - lag)
    statistic *= count * (count + 2.0)
    p_value = float(chi2.sf(statistic, lags))
    return Whiteness(statistic, lags, p_value, p_value >= WHITE_AT)
