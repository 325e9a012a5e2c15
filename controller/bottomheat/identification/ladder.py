"""A box as a few modes and a dead time, fitted to means: output error with coloured noise.

    place = load + room + sum_i heat_i lag_i(power, dead time later) + sum_i late_i (lag_i(room) -
            lag_1(room)) + what is left of before

A bed is a chain of heat capacities: it has many modes, real and falling in lag by about a half
each.  Two lags fitted outright to days of running can be far off, with intervals that deny it; six
with a prior are not (tests/bench/identify.py).  The prior is what heat conduction makes of any such
chain, about twice as wide as the boxes within handbook ranges spread (tests/random_boxes.py);
judgement.

Separable least squares: the lags and the dead time by Levenberg and Marquardt, everything else
linear (Golub and Pereyra 1973, SIAM J. Numer. Anal. 10:413, from memory), as grey-box models of
buildings are (Bacher and Madsen 2011, Energy and Buildings 43:1511, from memory), from several
starts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bottomheat.identification.means import PARTS, Means, lagged
from bottomheat.identification.noise import Noise, noise_of
from bottomheat.identification.stretch import Floats

MODES: Final = 6
NONLINEAR: Final = MODES + 1
"""Logarithms of the slowest lag, of each next lag over the one before, and of the dead time."""
HEAT: Final = slice(NONLINEAR, NONLINEAR + MODES)
LATE: Final = slice(HEAT.stop, HEAT.stop + MODES - 1)
LOAD: Final = LATE.stop
FADING: Final = LOAD + 1
"""Where what is left of before begins: ``MODES`` for each stretch."""

SLOW_S: Final = 9.0 * 3600.0
RATIOS: Final = (0.22, 0.45, 0.50, 0.57, 0.65)
DEAD_S: Final = 150.0
SLOW_SPREAD, DEAD_SPREAD = 0.6, 0.7
RATIO_SPREAD: Final = (0.35, 0.20, 0.15, 0.12, 0.12)
"""Prior of the logarithms.  A slab of which one face is held has lags as 1 : 1/9 : 1/25, an
insulated one as 1 : 1/4 : 1/9 (Carslaw and Jaeger 1959, from memory); boxes lie between."""

LOG_LOW: Final = np.log((1800.0, 0.03, 0.1, 0.1, 0.1, 0.1, 10.0))
LOG_HIGH: Final = np.log((3e5, 0.9, 0.9, 0.9, 0.9, 0.9, 5400.0))

LOAD_SPREAD_K: Final = 3.0
FADING_SPREAD_K: Final = 10.0
GAIN_K_PER_W: Final = 0.8
"""Where the gain is looked for first; after that the prior of the shares goes by what was found."""


@dataclass(frozen=True, slots=True)
class Shape:
    """Prior of how a place shares heat and room between the modes.

    Attributes:
        heat: share of the gain of each mode, and its standard deviation.
        late: the same of the room's influence, from the second mode on.
    """

    heat: tuple[tuple[float, float], ...]
    late: tuple[tuple[float, float], ...]


LAYER: Final = Shape(
    ((0.68, 0.18), (0.33, 0.15), (0.08, 0.15), (-0.015, 0.08), (-0.026, 0.06), (-0.028, 0.06)),
    ((-0.04, 0.15), (0.07, 0.15), (0.03, 0.08), (-0.04, 0.08), (0.05, 0.10)),
)
CALLUS: Final = Shape(
    ((1.10, 0.28), (0.10, 0.35), (-0.18, 0.20), (-0.04, 0.14), (0.02, 0.08), (0.02, 0.06)),
    ((0.0, 0.10), (-0.13, 0.12), (0.02, 0.10), (0.02, 0.10), (-0.02, 0.10)),
)
"""Means and spreads of the boxes within handbook ranges, the spreads about doubled."""

BESIDE_LEAST: Final = 0.05
"""Lags of another place of the box are not taken over closer than this (logarithm); judgement."""

NOISE_FIRST: Final = Noise(0.015, 0.03, 10_800.0)
"""Supposed before anything is left over to look at: rather too slow than that a draught is taken
for the box's own answer."""
REFITS: Final = 3
STARTS_H: Final = (6.0, 13.0)
STARTS_DEAD_S: Final = (120.0, 700.0)
ROUNDS_FIRST: Final = 12
ROUNDS: Final = 40
SETTLED: Final = 1e-7
_NUDGE: Final = 3e-5


@dataclass(frozen=True, slots=True, eq=False)
class Ladder:
    """A fitted box.

    Attributes:
        values: logarithms, then heat K/W by mode, the room's late shares, load K, and the rest.
        covariance: of ``values``.
        prior: standard deviation of each before the record was read.
        noise: what is left over.
        left_over: measured less model over the whole run, K, a piece for each stretch.
        innovations: one-step residuals in standard deviations, the same.
        cost: half the sum of squares, prior included.
    """

    values: Floats
    covariance: Floats
    prior: Floats
    noise: Noise
    left_over: tuple[Floats, ...]
    innovations: tuple[Floats, ...]
    cost: float

    @property
    def lags_s(self) -> Floats:
        """Lag of each mode, s, the longest first."""
        return lags_s(self.values)

    @property
    def gain_k_per_w(self) -> float:
        """Steady rise, K/W."""
        return float(self.values[HEAT].sum())


def lags_s(values: Floats) -> Floats:
    """Lags of the modes that belong to the first values, s."""
    found: Floats = np.exp(np.cumsum(values[:MODES]))
    return found


def fitted(runs: Sequence[Means], shape: Shape, beside: Ladder | None = None) -> Ladder:
    """Fit the modes to runs of one place of one box; deterministic.

    Args:
        runs: at least one.
        shape: prior of the place.
        beside: another place of the same box, which has the same lags.
    """
    noise = NOISE_FIRST
    gain = GAIN_K_PER_W if beside is None else beside.gain_k_per_w
    problem = _Problem(runs, shape, noise, gain, beside)
    lags = [_start(hours)[:MODES] for hours in STARTS_H]
    if beside is not None:
        lags = [beside.values[:MODES]]
    starts = [np.append(each, np.log(dead_s)) for each in lags for dead_s in STARTS_DEAD_S]
    tried = [problem.descend(start, ROUNDS_FIRST) for start in starts]
    best = min(tried, key=lambda found: found.cost)
    for _ in range(REFITS):
        # The prior of the shares goes by the gain, which is only now known.
        noise = noise_of(best.left_over)
        problem = _Problem(runs, shape, noise, best.gain_k_per_w, beside)
        best = problem.descend(best.values[:NONLINEAR])
    return best


def _start(hours: float) -> Floats:
    return np.array([np.log(3600.0 * hours), *np.log(RATIOS), np.log(DEAD_S)])


class _Problem:
    """The least squares of one prior and one noise."""

    def __init__(
        self,
        runs: Sequence[Means],
        shape: Shape,
        noise: Noise,
        gain: float,
        beside: Ladder | None = None,
    ) -> None:
        self.runs, self.noise = runs, noise
        self._kept: dict[tuple[int, float, float], Floats] = {}
        gain = min(5.0, max(0.05, gain))
        heat, late = np.array(shape.heat), np.array(shape.late)
        fading = MODES * len(runs)
        self.mean = np.concatenate(
            [_start(SLOW_S / 3600.0), gain * heat[:, 0], late[:, 0], np.zeros(1 + fading)]
        )
        self.spread = np.concatenate(
            [
                [SLOW_SPREAD, *RATIO_SPREAD, DEAD_SPREAD],
                gain * heat[:, 1],
                late[:, 1],
                [LOAD_SPREAD_K],
                np.full(fading, FADING_SPREAD_K),
            ]
        )
        if beside is not None:
            known = np.sqrt(np.diag(beside.covariance))[:MODES]
            self.mean[:MODES] = beside.values[:MODES]
            self.spread[:MODES] = np.clip(known, BESIDE_LEAST, self.spread[:MODES])

    def _columns(self, logs: Floats) -> list[Floats]:
        """What is linear, for each run (n, p), and last the room as the slowest mode passes it."""
        lags, dead_s = lags_s(logs), float(np.exp(logs[MODES]))
        made = []
        for index, run in enumerate(self.runs):
            columns = np.zeros((len(run.place_c), FADING - NONLINEAR + MODES * len(self.runs) + 1))
            slow = self._room(index, float(lags[0]))
            for mode, lag_s in enumerate(map(float, lags)):
                columns[:, mode] = self._heat(index, lag_s, dead_s)
                if mode:
                    columns[:, MODES + mode - 1] = self._room(index, lag_s) - slow
                fading = FADING - NONLINEAR + MODES * index + mode
                columns[:, fading] = np.exp(-run.since_s / lag_s)
            columns[:, LOAD - NONLINEAR] = 1.0
            columns[:, -1] = slow
            made.append(columns)
        return made

    def _heat(self, index: int, lag_s: float, dead_s: float) -> Floats:
        """Power through a lag and a dead time; the newest are kept."""
        key = index, lag_s, dead_s
        if key not in self._kept:
            power = index, -1.0, dead_s
            if power not in self._kept:
                self._kept[power] = self.runs[index].power_w(dead_s)
            self._kept[key] = lagged(self._kept[power], lag_s, 0.0, PARTS)
        return self._kept[key]

    def _room(self, index: int, lag_s: float) -> Floats:
        """The room through a lag; the newest are kept."""
        key = index, lag_s, -1.0
        if key not in self._kept:
            room_c = self.runs[index].room_c
            self._kept[key] = lagged(room_c, lag_s, float(room_c[0]))
        return self._kept[key]

    def _whitened(self, made: Sequence[Floats]) -> Floats:
        """Runs one below the other, from where they are compared."""
        parts = [
            self.noise.whitened(values[run.first :])
            for run, values in zip(self.runs, made, strict=True)
        ]
        return np.concatenate(parts)

    def _solved(self, logs: Floats) -> tuple[Floats, Floats, float]:
        """The linear values that go with the logarithms, whitened residuals, and the cost."""
        made = self._columns(logs)
        measured = [
            np.column_stack((values[:, :-1], run.place_c - values[:, -1]))
            for run, values in zip(self.runs, made, strict=True)
        ]
        white = self._whitened(measured)
        design, goal = white[:, :-1], white[:, -1]
        mean, spread = self.mean[NONLINEAR:], self.spread[NONLINEAR:]
        # In units of the prior, so that the normal equations stay well conditioned.
        scaled = design * spread
        left = goal - design @ mean
        normal = scaled.T @ scaled + np.eye(len(spread))
        linear = mean + spread * np.linalg.solve(normal, scaled.T @ left)
        residual = goal - design @ linear
        off = np.concatenate(
            (
                (logs - self.mean[:NONLINEAR]) / self.spread[:NONLINEAR],
                (linear - mean) / spread,
            )
        )
        return linear, residual, 0.5 * float(residual @ residual + off @ off)

    def _predicted(self, values: Floats) -> Floats:
        made = self._columns(values[:NONLINEAR])
        linear = values[NONLINEAR:]
        return self._whitened([(c[:, :-1] @ linear + c[:, -1])[:, None] for c in made])[:, 0]

    def _slopes(self, values: Floats) -> Floats:
        """Change of the whitened prediction with each value, (n, p)."""
        made = self._columns(values[:NONLINEAR])
        slopes = np.empty((sum(len(r.place_c) - r.first for r in self.runs), len(values)))
        slopes[:, NONLINEAR:] = self._whitened([each[:, :-1] for each in made])
        here = self._predicted(values)
        for index in range(NONLINEAR):
            beside = values.copy()
            beside[index] += _NUDGE
            slopes[:, index] = (self._predicted(beside) - here) / _NUDGE
        return slopes

    def descend(self, logs: Floats, rounds: int = ROUNDS) -> Ladder:
        """Levenberg and Marquardt from these logarithms."""
        logs = np.clip(logs, LOG_LOW, LOG_HIGH)
        linear, residual, cost = self._solved(logs)
        damping = 1e-2
        for _ in range(rounds):
            self._kept.clear()
            values = np.concatenate((logs, linear))
            scaled = self._slopes(values) * self.spread
            pull = scaled.T @ residual - (values - self.mean) / self.spread
            normal = scaled.T @ scaled + np.eye(len(values))
            before = cost
            for _ in range(8):
                damped = normal + damping * np.diag(np.diag(normal))
                step = self.spread * np.linalg.solve(damped, pull)
                tried = np.clip(logs + step[:NONLINEAR], LOG_LOW, LOG_HIGH)
                new_linear, new_residual, new_cost = self._solved(tried)
                if new_cost < cost:
                    logs, linear, residual, cost = tried, new_linear, new_residual, new_cost
                    damping = max(1e-6, damping / 5.0)
                    break
                damping *= 6.0
            if before - cost <= SETTLED * before:
                break
        return self._ladder(np.concatenate((logs, linear)), residual, cost)

    def _ladder(self, values: Floats, residual: Floats, cost: float) -> Ladder:
        scaled = self._slopes(values) * self.spread
        inverse = np.linalg.inv(scaled.T @ scaled + np.eye(len(values)))
        covariance = self.spread[:, None] * inverse * self.spread
        left_over, innovations, at = [], [], 0
        for run, made in zip(self.runs, self._columns(values[:NONLINEAR]), strict=True):
            whole = run.place_c - made[:, -1] - made[:, :-1] @ values[NONLINEAR:]
            left_over.append(whole[run.first :])
            innovations.append(residual[at : at + len(left_over[-1])])
            at += len(left_over[-1])
        return Ladder(
            values,
            covariance,
            self.spread,
            self.noise,
            tuple(left_over),
            tuple(innovations),
            cost,
        )
