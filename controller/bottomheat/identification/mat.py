"""How far the mat rises above the wet layer for each watt, and how far it swings in a window.

The limit of the mat is about what its probe reads at its peaks, so this is what decides how much
heat a box can be given where that limit binds.

Two regressions of mat less wet layer, as read, on the heat.  The first, over means of twenty
minutes, has the heat through lags of 4 minutes to 10 hours: the steady rise is the sum.  A steady
room does not part the two; a moving one does, so it is in it, and so is what was before the first
row.  What the two probes differ by cannot be told from a rise where the heat hardly changes; the
datasheet's ±0.5 °C is what it is held to, and what the interval is mostly made of.  The second,
over the rows with all that is slower than a quarter of an hour taken off, has the heat through lags
of 1 to 45 minutes, and from these follows the swing in any window, whatever window the log was of.

Lags, shares and spreads of the priors: of boxes within handbook ranges (calculated); intervals by
the posterior's curvature with noise that lasts (checked on simulated boxes).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.signal import lfilter

from bottomheat.identification.found import Interval, Mat
from bottomheat.identification.means import PARTS, STEP_S, Means, lagged, means
from bottomheat.identification.stretch import Floats, Stretch

LEAST_H: Final = 4.0
"""Compared hours, all runs together, below which nothing is said; judgement."""
TOLD_FRAC: Final = 0.10
"""Largest standard deviation of the gain, as a share of it, that is a result; judgement."""

USUAL_K_PER_W: Final = 0.53
"""Of the nominal box, K/W (calculated); 0.17 to 1.15 within handbook ranges."""
LAGS_S: Final = (240.0, 900.0, 3600.0, 10_800.0, 36_000.0)
SHARES: Final = (0.25, 0.20, 0.30, 0.30, -0.05)
SPREAD_K_PER_W: Final = 0.25
ROOM_SPREAD: Final = 0.3
BEFORE_SPREAD_K: Final = 3.0
RESTED_SPREAD_K: Final = 1.0
"""What was before the first row is worth so much of the lead: after a start from cold, and for a
box that has been held for hours, whose heat is then taken to have been that of the first hour."""
REST_S: Final = 3600.0
PROBES_K: Final = 0.41
"""Standard uncertainty of the difference of two probes' constant errors, ±0.5 °C each (DS18B20
datasheet), rectangular (JCGM 100, type B): 0.5 √(2/3) K."""
EACH: Final = 4
"""Means of five minutes that are taken together: a window of ten minutes is not to be seen."""
FORM_K: Final = 0.15
LASTS_S: Final = 10_800.0
"""What five lags leave over of a mat: its size at least, and how long it lasts; set so that the
intervals hold on simulated boxes."""

QUICK_LAGS_S: Final = (60.0, 240.0, 900.0, 2700.0)
QUICK_SHARES: Final = (0.02, 0.15, 0.20, 0.30)
QUICK_WEIGHT: Final = 43.0
QUICK_BASE_S: Final = 1800.0
GRID_S: Final = 30.0
WINDOW_S: Final = 600.0
CLEAR_K: Final = 0.5
"""Peaks above this are none of the probe's steps and noise."""

Z_95: Final = 1.959963984540054


def mat_found(stretches: Sequence[Stretch], *, rested: bool = False) -> Mat | None:
    """Find how the mat of a box answers.

    Args:
        stretches: runs without gap, lid closed, nobody at the box.
        rested: before each the box had been held near its setpoint for hours.

    Returns:
        None without a mat probe, or where the record does not tell.
    """
    leads = [
        replace(each, callus_c=each.mat_c - each.substrate_c)
        for each in stretches
        if each.mat_c is not None
    ]
    # The place that is not the wet layer goes by the name of the callus zone in a stretch.
    runs = [run for each in leads if (run := means(each, "callus")) is not None]
    if sum(len(run.place_c) - run.first for run in runs) * STEP_S < LEAST_H * 3600.0:
        return None
    gain, sd = _steady(runs, rested=rested)
    if not (math.isfinite(sd) and 0.0 < sd <= TOLD_FRAC * gain):
        return None
    swing = _swing(leads, gain)
    if not swing > 0.0:
        return None
    interval = Interval(gain - Z_95 * sd, gain + Z_95 * sd)
    return Mat(gain, interval, swing)


def _steady(runs: Sequence[Means], *, rested: bool) -> tuple[float, float]:
    """Gain and its standard deviation, K/W."""
    heats = len(LAGS_S)
    slow = LAGS_S[1:]
    centre = [*(USUAL_K_PER_W * share for share in SHARES), 0.0, *([0.0] * len(slow))]
    spread = [*([SPREAD_K_PER_W] * heats), PROBES_K, *([ROOM_SPREAD] * len(slow))]
    each_run = len(slow)
    rows, places = [], []
    for number, run in enumerate(runs):
        power_w, room_c = run.power_w(), run.room_c
        first_w = float(power_w[: round(REST_S / STEP_S) * PARTS].mean()) if rested else 0.0
        columns = [lagged(power_w, lag_s, first_w, PARTS) for lag_s in LAGS_S]
        columns.append(np.ones_like(room_c))
        columns += [lagged(room_c, lag_s, float(room_c[0])) - room_c for lag_s in slow]
        # What was before the run decays through the same lags, in each run by itself.
        for other in range(len(runs)):
            here = 1.0 if other == number else 0.0
            columns += [here * np.exp(-run.since_s / lag_s) for lag_s in slow]
        count = (len(room_c) - run.first) // EACH
        kept = slice(run.first, run.first + EACH * count)
        rows.append(np.column_stack(columns)[kept].reshape(count, EACH, -1).mean(axis=1))
        places.append(run.place_c[kept].reshape(count, EACH).mean(axis=1))
    centre += [0.0] * (each_run * len(runs))
    spread += [RESTED_SPREAD_K if rested else BEFORE_SPREAD_K] * (each_run * len(runs))
    matrix, lead_k = np.concatenate(rows), np.concatenate(places)
    middle, weight = np.array(centre), np.diag(np.array(spread) ** -2.0)
    values, noise_k = middle, FORM_K
    inverse = np.linalg.inv(weight)
    for _ in range(3):
        # Noise that lasts is worth as many means fewer.
        power = noise_k**2 * max(1.0, 2.0 * LASTS_S / (EACH * STEP_S))
        inverse = np.linalg.inv(matrix.T @ matrix / power + weight)
        values = middle + inverse @ (matrix.T @ (lead_k - matrix @ middle)) / power
        noise_k = max(FORM_K, float(np.std(lead_k - matrix @ values)))
    gain = float(values[:heats].sum())
    return gain, math.sqrt(float(inverse[:heats, :heats].sum()))


def _swing(leads: Sequence[Stretch], gain_k_per_w: float) -> float:
    """Peak above mean at half power in windows of ten minutes, for each rated watt, K/W."""
    count = len(QUICK_LAGS_S)
    squares, products = np.zeros((count, count)), np.zeros(count)
    made = [each for run in leads if (each := _quick(run)) is not None]
    for columns, lead_k, _ in made:
        squares += columns.T @ columns
        products += columns.T @ lead_k
    usual = gain_k_per_w * np.array(QUICK_SHARES)
    gains = usual + np.linalg.solve(
        squares + QUICK_WEIGHT * np.eye(count), products - squares @ usual
    )
    half_s = 0.5 * WINDOW_S
    shares = [
        math.expm1(-half_s / lag_s) / math.expm1(-WINDOW_S / lag_s) - 0.5 for lag_s in QUICK_LAGS_S
    ]
    # Lags without a delay come to a sharper peak than the probe reads: what peaks there are say by
    # how much.
    seen, told = 1.0, 1.0
    for columns, lead_k, step_s in made:
        measured_k = _peaks_k(lead_k, step_s)
        modelled_k = _peaks_k(columns @ gains, step_s)
        clear = (measured_k > CLEAR_K) & (modelled_k > CLEAR_K)
        seen += float(measured_k[clear] @ modelled_k[clear])
        told += float(modelled_k[clear] @ modelled_k[clear])
    return float(gains @ np.array(shares)) * seen / told


def _peaks_k(lead_k: Floats, step_s: float) -> Floats:
    """Peak above mean of each ten minutes, K."""
    wide = max(2, round(WINDOW_S / step_s))
    whole = lead_k[: len(lead_k) // wide * wide].reshape(-1, wide)
    found: Floats = whole.max(axis=1) - whole.mean(axis=1)
    return found


def _quick(run: Stretch) -> tuple[Floats, Floats, float] | None:
    """Heat through the quick lags and the lead, slow parts taken off; how far apart, s."""
    lead_k = run.callus_c
    assert lead_k is not None  # noqa: S101 (made above)
    good = np.isfinite(lead_k)
    step_s = max(GRID_S, float(np.median(np.diff(run.time_s))))
    at_s = np.arange(run.time_s[0], run.time_s[-1], step_s)
    wide = round(QUICK_BASE_S / step_s) | 1
    if good.sum() < 20 or len(at_s) < 8 * wide:
        return None
    lengths_s = np.diff(run.time_s, prepend=run.time_s[0])
    given_j = np.cumsum(np.nan_to_num(run.heat_share) * lengths_s) * run.watts
    power_w = np.diff(np.interp(at_s, run.time_s, given_j), prepend=0.0) / step_s
    columns = []
    for lag_s in QUICK_LAGS_S:
        keep = math.exp(-step_s / lag_s)
        columns.append(_quickened(lfilter([1.0 - keep], [1.0, -keep], power_w), wide))
    # From where what was before the first row has faded.
    kept = slice(2 * wide, -wide)
    lead_k = _quickened(np.interp(at_s, run.time_s[good], lead_k[good]), wide)
    return np.column_stack(columns)[kept], lead_k[kept], step_s


def _quickened(values: Floats, wide: int) -> Floats:
    found: Floats = values - uniform_filter1d(values, wide)
    return found
