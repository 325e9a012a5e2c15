"""Two lags, a dead time and the measured room fitted to a few hours of a box: step and relay.

Some hours show how a box begins to answer (slope and delay, which tunings need) and hardly how it
ends (the slow lag and the steady gain): that part leans on handbook values.  They enter as prior
observations with wide spreads, so that where the record speaks it rules, and the intervals show
where it does not.

    wet layer = room at the start + load + gain * watts at the start
                + slow and quick rest of what was before  (nobody knows how settled the box was)
                + gain * (change of watts through both lags, after the dead time)
                + (change of the room through both lags)

The room is in the model because 0.2 K/h of drift alone ruins a fit that leaves it out, and there
are two lags because one lag fitted to the whole curve gives unstable tunings on such a bed (both
calculated on chamber models).

Handbook values: gains and lags over handbook ranges of materials, calculated; spreads: judgement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares
from scipy.signal import lfilter
from scipy.stats import chi2

from bottomheat.identification.found import Interval, Whiteness
from bottomheat.identification.stretch import Stretch
from bottomheat.response import Response

Floats = npt.NDArray[np.float64]

BIN_S: Final = 60.0
"""Rows are averaged over this time."""

SMOOTH_S: Final = 360.0
"""Standard deviation of the Gaussian that heat, room and place are all smoothed by.  Two lags and a
dead time would carry the pulses of a ten-minute window through to the wet layer, where a real bed
smears them: unsmoothed, the dead time locks on to that ripple.  Smoothing all three alike leaves
the model as it is; of what happens in twenty minutes over 95 % is left (calculated)."""

THIN_S: Final = 600.0
"""Smoothed values are compared with the model once in this time; in between is nothing new."""

BEGIN_S: Final = 1800.0
"""The place is compared from so long after the first row on."""

LEAST_SD_K: Final = 0.01
COUNT_K: Final = 1.0 / 16.0
"""Step of the usual probe, K."""

DIFFERENCE: Final = 2e-3
"""Step of a numerical slope, in spreads of the prior."""

MISFIT: Final = 1.6
"""A bed is not quite two lags and a dead time: its early numbers are off by so many times more than
noise says (calculated on 100 random boxes of two models)."""

Z_95: Final = 1.959963984540054
LAGS: Final = 20
LEAST_LAGS: Final = 5
WHITE_P: Final = 0.01
NAMES: Final = ("gain_k_per_w", "slow_s", "quick_s", "quick_share", "dead_s")


@dataclass(frozen=True, slots=True)
class Early:
    """How a place begins to answer: what tunings for hours, not days, go by.

    Attributes:
        slope_k_per_ws: initial slope of the answer to one watt, K/(W·s): the gain of an
            integrating process.
        dead_s: delay before it, s.
        slope: 95 % interval of the slope, K/(W·s).
        dead: 95 % interval of the delay, s.
    """

    slope_k_per_ws: float
    dead_s: float
    slope: Interval
    dead: Interval


@dataclass(frozen=True, slots=True)
class EarlyFit:
    """A fit, with everything that step and relay say of it.

    Attributes:
        response: of the place.
        intervals: 95 %, by field name of the response.
        early: its beginning.
        rows: means fitted.
        hours: their length, h.
        rms_k: RMS of what is left over, K.
        whiteness: of the one-step residuals.
        time_s: of the means that were fitted, on the clock of the stretch, s.
        measured_c: them, °C.
        left_k: measured less model, K.
    """

    response: Response
    intervals: dict[str, Interval]
    early: Early
    rows: int
    hours: float
    rms_k: float
    whiteness: Whiteness | None
    time_s: Floats
    measured_c: Floats
    left_k: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """A stretch on an even grid: smoothed means over ``step_s``.

    ``place_c`` is nan where too few rows were near.
    """

    step_s: float
    place_c: Floats
    room_c: Floats
    power_w: Floats


def gridded(stretch: Stretch, place_c: Floats) -> Grid:
    """Average a stretch onto an even grid.

    Args:
        stretch: the run.
        place_c: what to average of the place that is fitted, °C, a value a row.

    Raises:
        ValueError: fewer than three rows with a place and a room.
    """
    time_s = stretch.time_s - stretch.time_s[0]
    good = np.isfinite(place_c)
    rooms = np.isfinite(stretch.room_c)
    if good.sum() < 3 or rooms.sum() < 3:
        raise ValueError("fewer than three rows with wet layer and room")
    step_s = max(BIN_S, float(np.median(np.diff(time_s))))
    count = max(3, math.floor(float(time_s[-1]) / step_s))
    edges_s = step_s * np.arange(count + 1)
    slots = np.minimum((time_s / step_s).astype(int), count - 1)
    sums = np.bincount(slots[good], weights=place_c[good], minlength=count)
    counts = np.bincount(slots[good], minlength=count)
    means = np.full(count, np.nan)
    means[counts > 0] = sums[counts > 0] / counts[counts > 0]
    middle_s = (edges_s[:-1] + edges_s[1:]) / 2
    share = np.nan_to_num(stretch.heat_share)
    energy_s = np.concatenate(([0.0], np.cumsum(share[1:] * np.diff(time_s))))
    power_w = np.diff(np.interp(edges_s, time_s, energy_s)) / step_s * stretch.watts
    room_c = np.interp(middle_s, time_s[rooms], stretch.room_c[rooms])
    width = SMOOTH_S / step_s
    known = gaussian_filter1d(np.isfinite(means).astype(float), width, mode="constant")
    places_c = gaussian_filter1d(np.nan_to_num(means), width, mode="constant")
    edge, begin = math.ceil(2.0 * width), round(BEGIN_S / step_s)
    enough = known > 0.75
    # Heat of before the first row is still on its way in the first half hour.
    enough[:begin] = enough[count - edge :] = False
    first_w = float(np.mean(power_w[: max(1, begin)]))
    padded_w = np.concatenate((np.full(3 * edge, first_w), power_w))
    return Grid(
        step_s,
        np.where(enough, places_c / np.maximum(known, 0.5), np.nan),
        gaussian_filter1d(room_c, width, mode="nearest"),
        gaussian_filter1d(padded_w, width, mode="nearest")[3 * edge :],
    )


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known before any row: centres and spreads; lags and gain in logarithms.

    Attributes:
        full_rise_k: steady rise at full power, K: a mat is bought to hold a box in its room.
        slow_h: slow lag, h.
        quick_h: quick lag, h.
        quick_share: share of the quick lag.
        dead_min: dead time, min.
        spreads: standard deviations: of the logarithms of these (the share itself), then of the
            room's quick share, the load (K), the slow (K) and the quick rest (K).
    """

    full_rise_k: float = 30.0
    slow_h: float = 8.5
    quick_h: float = 1.9
    quick_share: float = 0.35
    dead_min: float = 14.0
    spreads: tuple[float, ...] = (0.35, 0.35, 0.40, 0.12, 0.40, 0.25, 1.0, 1.0, 0.7)


LAYER: Final = Prior()


def fit(stretch: Stretch, place_c: Floats, prior: Prior = LAYER) -> EarlyFit:
    """Fit the answer of one place to heat and room.

    Args:
        stretch: the run; before the experiment as well as during it.
        place_c: the place, °C, a value a row; nan where it is not known.
        prior: what is known before.

    Raises:
        ValueError: too few rows.
    """
    grid = gridded(stretch, place_c)
    model = _Model(grid, prior, stretch.watts)
    solved = min((model.solve(start, 0.03) for start in model.starts()), key=lambda s: s.cost)
    for _ in range(2):
        left_k = model.left_k(solved.x)
        sd_k = max(LEAST_SD_K, _standard_k(left_k, _taken_up(solved)))
        solved = model.solve(solved.x, sd_k)
    kept = model.left_k(solved.x)
    spread = np.linalg.pinv(solved.jac.T @ solved.jac)
    response = model.response(solved.x)
    return EarlyFit(
        response,
        _intervals(solved.x, spread, model),
        _early(solved.x, spread, model),
        len(kept),
        grid.step_s * len(grid.room_c) / 3600.0,
        float(np.sqrt(np.mean(kept**2))),
        whiteness(kept),
        stretch.time_s[0] + grid.step_s * (model.rows + 0.5),
        grid.place_c[model.rows],
        kept,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Where a least squares ended: unknowns, slopes of all misses, half the sum of squares."""

    x: Floats
    jac: Floats
    cost: float


class _Model:
    """Residuals of a grid and its prior; unknowns scaled by the prior's spreads around 0."""

    def __init__(self, grid: Grid, prior: Prior, watts: float) -> None:
        self.grid = grid
        self.watts = watts
        self.centres = np.array(
            [
                math.log(prior.full_rise_k / watts),
                math.log(prior.slow_h * 3600.0),
                math.log(prior.quick_h * 3600.0),
                prior.quick_share,
                math.log(prior.dead_min * 60.0),
                0.0,
                0.0,
                0.0,
                0.0,
            ]
        )
        spreads = np.array(prior.spreads)
        room_c = grid.room_c
        hours = grid.step_s * len(room_c) / 3600.0
        drift = float(np.polyfit(np.linspace(0.0, hours, len(room_c)), room_c, 1)[0])
        # A room that drifts had drifted before: the slow part lags behind it at the start.
        spreads[7] = math.hypot(spreads[7], 0.5 * prior.slow_h * drift)
        self.spreads = spreads
        every = max(1, round(THIN_S / grid.step_s))
        seen = np.isfinite(grid.place_c)
        self.rows = np.flatnonzero(seen & (np.arange(len(seen)) % every == every // 2))
        self.first_w = float(grid.power_w[0])
        self.first_room_c = float(room_c[0])
        self._energy = np.concatenate(([0.0], np.cumsum(grid.power_w - self.first_w)))

    def starts(self) -> list[Floats]:
        """Where to begin: the dead time is what a fit can be caught at the wrong side of."""
        starts = np.zeros((3, len(self.centres)))
        starts[:, 4] = (-1.0, 0.0, 1.0)
        return list(starts)

    def numbers(self, x: Floats) -> tuple[float, ...]:
        """Gain, slow, quick, share, dead, room share, load, slow rest, quick rest."""
        raw = [float(value) for value in self.centres + self.spreads * x]
        slow_s = math.exp(min(raw[1], 13.0))
        quick_s = min(math.exp(min(raw[2], 13.0)), 0.8 * slow_s)
        share = min(1.0, max(0.0, raw[3]))
        room_share = min(1.0, max(-0.5, raw[5]))
        return (
            math.exp(raw[0]),
            slow_s,
            quick_s,
            share,
            math.exp(raw[4]),
            room_share,
            raw[6],
            raw[7],
            raw[8],
        )

    def response(self, x: Floats) -> Response:
        gain, slow_s, quick_s, share, dead_s, room_share, load_k, _, _ = self.numbers(x)
        return Response(gain, slow_s, quick_s, share, dead_s, room_share, load_k)

    def place_c(self, x: Floats) -> Floats:
        grid = self.grid
        gain, slow_s, quick_s, share, dead_s, room_share, load_k, rest_k, more_k = self.numbers(x)
        edges = np.arange(len(grid.room_c) + 1, dtype=float)
        late = np.interp(edges - dead_s / grid.step_s, edges, self._energy, left=0.0)
        power_w = np.diff(late)
        room_k = grid.room_c - self.first_room_c
        at_s = grid.step_s * (edges[:-1] + 0.5)
        slow_power_w, slow_room_k = _lag(power_w, slow_s, grid), _lag(room_k, slow_s, grid)
        quick_power_w, quick_room_k = _lag(power_w, quick_s, grid), _lag(room_k, quick_s, grid)
        value: Floats = (
            self.first_room_c
            + load_k
            + gain * self.first_w
            + rest_k * np.exp(-at_s / slow_s)
            + more_k * np.exp(-at_s / quick_s)
            + gain * (slow_power_w + share * (quick_power_w - slow_power_w))
            + slow_room_k
            + room_share * (quick_room_k - slow_room_k)
        )
        return value

    def left_k(self, x: Floats) -> Floats:
        left_k: Floats = (self.grid.place_c - self.place_c(x))[self.rows]
        return left_k

    def solve(self, x0: Floats, sd_k: float):  # type: ignore[no-untyped-def]
        def misses(x: Floats) -> Floats:
            return np.concatenate((self.left_k(x) / sd_k, x))

        def slopes(x: Floats) -> Floats:
            steps = DIFFERENCE * np.eye(len(x))
            return np.column_stack(
                [(misses(x + step) - misses(x - step)) / (2.0 * DIFFERENCE) for step in steps]
            )

        found = least_squares(misses, x0, jac=slopes, method="lm", max_nfev=60)
        return Solved(found.x, found.jac, float(found.cost))


def _lag(values: Floats, lag_s: float, grid: Grid) -> Floats:
    """Means over each step of values through one lag, at rest at 0 before; holds are exact."""
    keep = math.exp(-grid.step_s / lag_s)
    ends = lfilter([1.0 - keep], [1.0, -keep], values)
    starts = np.concatenate(([0.0], ends[:-1]))
    # Mean over a step of an exponential approach from start to the held value.
    weight = lag_s / grid.step_s * (1.0 - keep)
    result: Floats = values + (starts - values) * weight
    return result


def _taken_up(solved: Solved) -> float:
    """How many of the unknowns the rows decide, the others being decided by the prior."""
    return len(solved.x) - float(np.trace(np.linalg.pinv(solved.jac.T @ solved.jac)))


def _standard_k(left_k: Floats, taken_up: float) -> float:
    """What one mean is worth, K: their standard deviation, widened because they hang together."""
    free = max(1.0, len(left_k) - taken_up)
    power = float(np.sum(left_k**2)) / free
    if power <= 0.0:
        return LEAST_SD_K
    along = float(np.sum(left_k[1:] * left_k[:-1])) / float(np.sum(left_k**2))
    along = min(0.9, max(0.0, along))
    return math.sqrt(power * (1.0 + along) / (1.0 - along))


def _intervals(x: Floats, spread: Floats, model: _Model) -> dict[str, Interval]:
    """95 % intervals of the response's numbers, from the curvature at the fit."""
    values = model.numbers(x)
    deviation = model.spreads * np.sqrt(np.diag(spread))
    intervals = {}
    for index, name in enumerate((*NAMES, "room_quick_share", "load_k")):
        wide = Z_95 * float(deviation[index])
        if name in ("quick_s", "quick_share", "dead_s"):
            wide *= MISFIT
        if name == "quick_share":
            low, high = max(0.0, values[index] - wide), min(1.0, values[index] + wide)
        elif name in ("room_quick_share", "load_k"):
            low, high = values[index] - wide, values[index] + wide
        else:
            low, high = values[index] * math.exp(-wide), values[index] * math.exp(wide)
        intervals[name] = Interval(low, high)
    return intervals


def slope_k_per_ws(response: Response) -> float:
    """Initial slope of the answer to one watt after its dead time, K/(W·s)."""
    share = response.quick_share
    return response.gain_k_per_w * ((1.0 - share) / response.slow_s + share / response.quick_s)


def _early(x: Floats, spread: Floats, model: _Model) -> Early:
    response = model.response(x)
    log_slope = math.log(slope_k_per_ws(response))
    gradient = np.zeros(len(x))
    for index in range(4):
        moved = x.copy()
        moved[index] += 1e-4
        gradient[index] = (math.log(slope_k_per_ws(model.response(moved))) - log_slope) / 1e-4
    wide = MISFIT * Z_95 * math.sqrt(float(gradient @ spread @ gradient))
    wide_dead = MISFIT * Z_95 * model.spreads[4] * math.sqrt(float(spread[4, 4]))
    slope, dead_s = math.exp(log_slope), response.dead_s
    return Early(
        slope,
        dead_s,
        Interval(slope * math.exp(-wide), slope * math.exp(wide)),
        Interval(dead_s * math.exp(-wide_dead), dead_s * math.exp(wide_dead)),
    )


def whiteness(left_k: Floats) -> Whiteness | None:
    """Ljung-Box test of the one-step residuals of what a fit leaves over.

    What is left over follows the probe's steps and the box's finer structure and so hangs
    together; one autoregression is taken off, as a predictor of the next value would.

    G. M. Ljung, G. E. P. Box, Biometrika 65 (1978) 297-303.

    Args:
        left_k: residuals in order, K.
    """
    count = len(left_k) - 1
    lags = min(LAGS, count // 4)
    if lags < LEAST_LAGS:
        return None
    along = float(left_k[1:] @ left_k[:-1]) / max(float(left_k[:-1] @ left_k[:-1]), 1e-12)
    news = left_k[1:] - along * left_k[:-1]
    news = news - news.mean()
    power = float(news @ news)
    if power <= 0.0:
        return None
    shares = np.array([float(news[lag:] @ news[:-lag]) / power for lag in range(1, lags + 1)])
    statistic = float(count * (count + 2) * np.sum(shares**2 / (count - np.arange(1, lags + 1))))
    p_value = float(chi2.sf(statistic, lags - 1))
    return Whiteness(statistic, lags, p_value, p_value >= WHITE_P)
