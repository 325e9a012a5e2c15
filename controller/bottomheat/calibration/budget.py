"""The uncertainty budget of the callus zone, by JCGM 100:2008: every source, what it contributes.

The fitted callus zone is a weighted sum of the readings, so each source of error has a sensitivity
of its own: the sum of the weights for what all readings share, their root sum of squares for what
each has by itself, and that sum less one for what the service will read through as well.  The
squares of the contributions add up to the square of the combined standard uncertainty (5.1.2); the
expanded one is twice that (6.2.1, k = 2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bottomheat.calibration.fit import U_STEP_K, U_WEATHER_READING_K, Fit
from bottomheat.calibration.problem import SPREAD_FRAC, Problem
from bottomheat.doubts import U_WEATHER_K, U_ZONE_K

K = 2.0
"""Coverage factor."""


@dataclass(frozen=True, slots=True)
class Source:
    """One line of the budget.

    Attributes:
        name: in the grower's words.
        distribution: "normal", "rectangular", or "calculated".
        u_k: standard uncertainty of the source, K.
        sensitivity: of the callus zone to it, dimensionless.
        kind: "A" from the scatter of readings, "B" known beforehand (JCGM 100:2008, 4.2 and 4.3).
    """

    name: str
    distribution: str
    u_k: float
    sensitivity: float
    kind: str = "B"

    @property
    def contribution_k(self) -> float:
        """Contribution to the combined standard uncertainty, K."""
        return abs(self.sensitivity) * self.u_k


@dataclass(frozen=True, slots=True)
class Budget:
    """The budget of the callus zone in one room.

    Attributes:
        room_c: room, °C.
        difference_k: wet layer less room that holds the setpoint there, K.
        spot: every source at the calibrated spot.
        service: what the running estimate adds: weather and the spread over the box.
    """

    room_c: float
    difference_k: float
    spot: tuple[Source, ...]
    service: tuple[Source, ...]

    @property
    def spot_k(self) -> float:
        """Combined standard uncertainty at the calibrated spot, in steady weather, K."""
        return math.hypot(*(source.contribution_k for source in self.spot))

    @property
    def combined_k(self) -> float:
        """Combined standard uncertainty of the running estimate for the whole box, K."""
        return math.hypot(self.spot_k, *(source.contribution_k for source in self.service))

    @property
    def expanded_k(self) -> float:
        """The same, expanded (k = 2), K."""
        return K * self.combined_k


def budget(made: Fit, setpoint_c: float, room_c: float) -> Budget:
    """The budget of the callus zone at its setpoint in a room.

    Args:
        made: the fit.
        setpoint_c: what the callus zone is held at, °C.
        room_c: the room, °C.
    """
    doubts, line = made.doubts, made.line
    f = min(max(line.factor, 0.2), 1.0)
    x0 = line.x_at(setpoint_c, room_c)
    x = np.array([row.x_k for row in made.rows])
    problem = Problem.of(made.rows, x, doubts, f)
    weights = problem.weights(x0, with_intercept=made.with_intercept)
    total = float(weights.sum())

    def own(values: list[float]) -> tuple[float, float]:
        """A typical standard uncertainty of one reading, and its sensitivity."""
        squares = float(np.sum((weights * np.array(values)) ** 2))
        typical = float(np.sqrt(np.mean(np.square(values))))
        return typical, (math.sqrt(squares) / typical if typical > 0.0 else 0.0)

    thermometers = problem.thermometer
    common = float(np.sqrt(np.mean(thermometers**2)))
    share = float(weights @ thermometers) / common if common > 0.0 else 0.0
    rows = made.rows
    sources = [
        Source("thermometer", "normal", common, share),
        Source("reading it", "normal", *own([doubts.reading_k] * len(rows))),
        Source("steps of the probes", "rectangular", *own([U_STEP_K] * len(rows))),
        Source(
            "bed not steady",
            "calculated",
            *own([math.hypot(row.steadiness_k, U_WEATHER_READING_K) for row in rows]),
        ),
        Source("wet-layer probe", "rectangular", doubts.substrate_k, f * (total - 1.0)),
        Source("room probe", "rectangular", doubts.room_k, (1.0 - f) * (total - 1.0)),
    ]
    if doubts.sink_k > 0.0:
        sources.append(Source("open lid", "normal", doubts.sink_k, total - 1.0))
    if problem.spots > 1:
        # How far each spot's weight is from its equal share in the mean that is wanted.
        apart = problem.same_spot @ (weights * x) - x0 / problem.spots
        each = problem.same_spot.sum(axis=1)
        uneven = math.sqrt(float(np.sum(apart**2 / each)))
        sources.append(Source("spots read unevenly", "normal", SPREAD_FRAC, uneven))
    if made.birge > 1.0:
        so_far = math.hypot(*(source.contribution_k for source in sources))
        more = so_far * math.sqrt(made.birge**2 - 1.0)
        sources.append(Source("readings disagree", "normal", more, 1.0, kind="A"))
    zone_k = U_ZONE_K if made.zone_k is None else made.zone_k
    service = (
        Source("spread over the box", "rectangular", zone_k, 1.0),
        Source("weather", "calculated", U_WEATHER_K, 1.0),
    )
    return Budget(room_c, x0, tuple(sources), service)
