"""The linear problem behind a calibration: rows, covariances, and the best prediction from them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

U_READING_K = 0.06
"""Standard uncertainty of one reading beside the thermometer's own: resolution 0.1 °C as a
rectangle (0.03), and the bulb's place and patience; judgement."""

SPREAD_FRAC = 0.025
"""Standard deviation of a spot's own factor about the box's mean: 0.25 K at a difference of 10 K,
as the estimate takes it without a measurement; judgement."""


@dataclass(frozen=True, slots=True)
class Doubts:
    """Standard uncertainties that are known beforehand, K.

    Attributes:
        substrate_k: wet-layer probe.
        room_k: room probe.
        reading_k: one reading beside the thermometer's own error.
        sink_k: constant loss through an open lid.
    """

    substrate_k: float
    room_k: float
    reading_k: float = U_READING_K
    sink_k: float = 0.0


@dataclass(frozen=True, slots=True)
class Row:
    """One reading as the fit sees it.

    Attributes:
        number: in the ledger.
        x_k: lagged wet layer less lagged room, K.
        y_k: thermometer less lagged room, K.
        flow_y_k: thermometer less wet layer, K.
        power_w: mean power over the bed's memory, W, or None.
        room_c: lagged room, °C.
        thermometer_k: standard uncertainty of the thermometer, K.
        own_k: standard uncertainty of this reading alone, K.
        steadiness_k: the share of weather in that, K.
        spot: where in the box.
    """

    number: int
    x_k: float
    y_k: float
    flow_y_k: float
    power_w: float | None
    room_c: float
    thermometer_k: float
    own_k: float
    steadiness_k: float
    spot: str


@dataclass(frozen=True, slots=True)
class Line:
    """Callus zone less lagged room as a straight line in x, with its variance.

    Attributes:
        factor: slope, dimensionless.
        intercept_k: at x = 0, K.
        centre_k: x at which it is known best, K.
        least_k: standard uncertainty there, K.
        slope_u: standard uncertainty of the slope about the centre, dimensionless.
    """

    factor: float
    intercept_k: float
    centre_k: float
    least_k: float
    slope_u: float

    def u_k(self, x_k: float) -> float:
        """Standard uncertainty of the callus zone at a difference, K."""
        return math.hypot(self.least_k, (x_k - self.centre_k) * self.slope_u)

    def x_at(self, setpoint_c: float, room_c: float) -> float:
        """Wet layer less room, K, that holds a setpoint in a room."""
        return (setpoint_c - self.intercept_k - room_c) / self.factor


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Design and covariances of y = slope x + z + errors, where z belongs to what is wanted.

    ``own`` is the diagonal of errors that differ, ``thermometer`` the common ones, ``bias_k`` the
    standard deviation of z's constant, ``same_spot`` 1 where two rows share a spot, ``spots`` how
    many there are, and ``spread_frac`` how far a spot's own slope is from their mean.
    """

    x: Array
    own: Array
    thermometer: Array
    bias_k: float
    same_spot: Array
    spots: int
    spread_frac: float = SPREAD_FRAC

    @classmethod
    def of(cls, rows: Sequence[Row], x: Array, doubts: Doubts, factor: float) -> Problem:
        """The problem of these rows; ``factor`` shares the probes' errors out."""
        f = factor
        bias_k = math.hypot(f * doubts.substrate_k, (1.0 - f) * doubts.room_k, doubts.sink_k)
        spots = np.array([row.spot for row in rows])
        return cls(
            x=x,
            own=np.array([row.own_k for row in rows]),
            thermometer=np.array([row.thermometer_k for row in rows]),
            bias_k=bias_k,
            same_spot=(spots[:, None] == spots[None, :]).astype(np.float64),
            spots=len(set(spots)),
        )

    @property
    def covariance(self) -> Array:
        """Of the readings, K², shape (n, n)."""
        return (
            np.diag(self.own**2)
            + np.outer(self.thermometer, self.thermometer)
            + self.bias_k**2
            + self.spread_frac**2 * np.outer(self.x, self.x) * self.same_spot
        )

    def shared(self, at_k: float) -> tuple[Array, float]:
        """Covariance of z at a difference with the readings, and its variance, K²."""
        # What is wanted is the mean of the spots that were read, whatever the rest of the box does.
        shared = self.bias_k**2 + self.spread_frac**2 * at_k * self.x / self.spots
        variance = self.bias_k**2 + (self.spread_frac * at_k) ** 2 / self.spots
        return shared, variance

    def weights(self, at_k: float, *, with_intercept: bool) -> Array:
        """Weights of the readings in the callus zone at a difference, shape (n,)."""
        inverse = np.linalg.inv(self.covariance)
        gain = inverse @ self.x / (self.x @ inverse @ self.x)
        if not with_intercept:
            found: Array = gain * at_k
            return found
        shared, _ = self.shared(at_k)
        left: Array = inverse @ shared
        best: Array = left + gain * (at_k - float(self.x @ left))
        return best

    def variance(self, at_k: float, weights: Array) -> float:
        """Of the callus zone at a difference less its prediction by these weights, K²."""
        shared, variance = self.shared(at_k)
        return float(weights @ self.covariance @ weights - 2.0 * weights @ shared + variance)

    def line(self, y: Array, wider_factor: float, *, with_intercept: bool) -> Line:
        """The prediction and its variance as three numbers each."""
        at = np.array([0.0, 10.0, 20.0])
        weights = [self.weights(float(x0), with_intercept=with_intercept) for x0 in at]
        values = [float(w @ y) for w in weights]
        variances = [
            wider_factor**2 * self.variance(float(x0), w) for x0, w in zip(at, weights, strict=True)
        ]
        square, linear, constant = (float(each) for each in np.polyfit(at, variances, 2))
        square = max(square, 1e-12)
        centre = -linear / (2.0 * square)
        return Line(
            factor=(values[2] - values[0]) / 20.0,
            intercept_k=values[0],
            centre_k=centre,
            least_k=math.sqrt(max(constant - square * centre**2, 0.0)),
            slope_u=math.sqrt(square),
        )
