"""What a relay run shows of a box: its limit cycle, and from that the ultimate gain.

K. J. Åström & T. Hägglund, Automatica 20 (1984) 645: a relay of amplitude d with hysteresis e makes
a process swing by a; its describing function puts the ultimate gain at 4d/(π√(a² - e²)), at a phase
of -180° + asin(e/a).  For one lag and a delay the limit cycle is known exactly; one period of an
uneven relay (heat or none) gives gain, lag and delay: Q.-G. Wang, C.-C. Hang & B. Zou, Ind.
Eng. Chem. Res. 36 (1997) 1540.  Formulas from memory, derived again, and checked by simulation.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

import numpy as np
from scipy.ndimage import gaussian_filter1d

from bottomheat.identification.found import Found, NotEnough
from bottomheat.identification.relay_found import FirstOrder, LimitCycle, RelayFound
from bottomheat.identification.step import early_found
from bottomheat.identification.stretch import Floats, Stretch

GRID_S: Final = 10.0
SMOOTH_S: Final = 90.0
"""Gaussian that takes the probe's steps and noise off before peaks are read."""

LEAST_HOURS: Final = 1.0
LEAST_PERIODS: Final = 2
LEAST_PERIOD_S: Final = 900.0
TURN_PAUSE_S: Final = 210.0
"""Heat that goes on again within this time was only given in turns, at less than full power: the
longest pause within such a turn is 192 s, and a swing's own lasts at least twice its dead time."""

UNEVEN_FRAC: Final = 0.35
"""Spread of the periods, over their mean, above which it was no limit cycle; judgement."""


def ultimate_gain(duty: float, amplitude_k: float, hysteresis_k: float = 0.0) -> float:
    """Ultimate gain by the describing function, duty per K.

    Args:
        duty: amplitude of the relay, half of what it switches: 0.5 for full power on and off.
        amplitude_k: half of peak to peak, K.
        hysteresis_k: half of the width between switching off and on, K, less than the amplitude.

    Raises:
        ValueError: the swing does not reach beyond the hysteresis.
    """
    if not amplitude_k > hysteresis_k >= 0.0:
        raise ValueError(f"a swing of {amplitude_k} K within a hysteresis of {hysteresis_k} K")
    return 4.0 * duty / (math.pi * math.sqrt(amplitude_k**2 - hysteresis_k**2))


def limit_cycle(
    plant: FirstOrder, up_duty: float, down_duty: float, hysteresis_k: float
) -> tuple[float, float, float, float]:
    """The exact limit cycle of one lag and a delay under a relay between two duties.

    Args:
        plant: gain, lag, delay.
        up_duty: while it is too cold, from where the wet layer rests at 0, above 0.
        down_duty: while it is too warm, below 0.
        hysteresis_k: half of the width between the switching points, K.

    Returns:
        Peak and trough, K, time on and time off, s.

    Raises:
        ValueError: the relay does not reach beyond its switching points.
    """
    up_k, down_k = plant.gain_k * up_duty, plant.gain_k * down_duty
    if not (up_k > hysteresis_k >= 0.0 and down_k < -hysteresis_k):
        raise ValueError("such a relay does not switch back")
    keep = math.exp(-plant.dead_s / plant.lag_s)
    peak_k = up_k - (up_k - hysteresis_k) * keep
    trough_k = down_k - (down_k + hysteresis_k) * keep
    on_s = plant.dead_s + plant.lag_s * math.log((up_k - trough_k) / (up_k - hysteresis_k))
    off_s = plant.dead_s + plant.lag_s * math.log((peak_k - down_k) / (-hysteresis_k - down_k))
    return peak_k, trough_k, on_s, off_s


def first_order(
    gain_k: float,
    duties: tuple[float, float],
    switch_k: tuple[float, float],
    ends_k: tuple[float, float],
    on_s: float,
) -> FirstOrder:
    """One lag and a delay from one mean period.

    Temperatures count from where the wet layer rests at a duty of 0: from the room, for heat that
    is on or off.

    Args:
        gain_k: ratio of the means of temperature and duty over the period, K.
        duties: duty while on, and while off.
        switch_k: where heat goes on (the lower), and off, K.
        ends_k: trough and peak, K.
        on_s: time on, s.

    Raises:
        ValueError: no such plant swings so.
    """
    up_k, down_k = gain_k * duties[0], gain_k * duties[1]
    (lower_k, upper_k), (trough_k, peak_k) = switch_k, ends_k
    if not up_k > peak_k > upper_k >= lower_k > trough_k > down_k:
        raise ValueError("no first order swings so")
    # Each way the wet layer goes on for one delay after the heat was switched.
    above = math.log((up_k - upper_k) / (up_k - peak_k))
    below = math.log((lower_k - down_k) / (trough_k - down_k))
    ratio = (above + below) / 2.0
    lag_s = on_s / (ratio + math.log((up_k - trough_k) / (up_k - upper_k)))
    return FirstOrder(gain_k, lag_s, ratio * lag_s)


def fit_relay(
    stretch: Stretch, begun_s: float | None = None, ended_s: float | None = None
) -> RelayFound | NotEnough:
    """Read a relay run.

    Args:
        stretch: the run, an hour or more before the relay to its end.
        begun_s: when the relay began, on the clock of ``stretch.time_s``; from its first row on
            where left out.
        ended_s: when it ended; at the last row where left out.

    Returns:
        The limit cycle and what follows from it, or what is missing.
    """
    if stretch.hours < LEAST_HOURS:
        return NotEnough((f"the record is {stretch.hours:.1f} h long: let the relay run its time",))
    begun_s = float(stretch.time_s[0]) if begun_s is None else begun_s
    ended_s = float(stretch.time_s[-1]) if ended_s is None else ended_s
    inside = (stretch.time_s >= begun_s) & (stretch.time_s <= ended_s)
    good = inside & np.isfinite(stretch.substrate_c) & np.isfinite(stretch.room_c)
    if good.sum() < 0.8 * max(1, inside.sum()) or good.sum() < 20:
        return NotEnough(
            ("wet layer and room were not read for a fifth of the time: look at the probes",)
        )
    cycle = mean_cycle(stretch, begun_s, ended_s)
    if isinstance(cycle, NotEnough):
        return cycle
    try:
        ku_per_k = ultimate_gain(cycle.on_duty / 2.0, cycle.amplitude_k, cycle.hysteresis_k)
    except ValueError:
        return NotEnough(
            ("the wet layer swung no further than the relay's own width: run it with a wider one",)
        )
    notes = [
        "the ultimate gain is from the describing function, which is a sixth to a third low on "
        "such boxes: that is on the safe side",
    ]
    found = early_found(stretch, "relay")
    if isinstance(found, NotEnough):
        notes += found.reasons
    return RelayFound(
        ku_per_k,
        evened_s(cycle),
        cycle.amplitude_k,
        cycle,
        _simple(stretch, cycle, good),
        found if isinstance(found, Found) else None,
        tuple(notes),
    )


def evened_s(cycle: LimitCycle) -> float:
    """The period that an even relay would have had, s.

    Of an integrator with a delay the period grows with unevenness as 1/(4 p (1 - p)), p being the
    share of the time on; derived, exact with any hysteresis.
    """
    share = cycle.on_share
    return cycle.period_s * 4.0 * share * (1.0 - share)


def mean_cycle(stretch: Stretch, begun_s: float, ended_s: float) -> LimitCycle | NotEnough:
    """The mean of the periods, without the first, which still remembers what was before."""
    starts_s, stops_s = _switchings(stretch, begun_s, ended_s)
    starts_s = starts_s[1:] if len(starts_s) > LEAST_PERIODS + 1 else starts_s
    periods = len(starts_s) - 1
    if periods < LEAST_PERIODS:
        return NotEnough(
            (
                f"{max(0, periods)} whole periods are not enough, {LEAST_PERIODS} after the first "
                "one are the least: let the relay run to its end",
            )
        )
    lengths_s = np.diff(starts_s)
    if float(lengths_s.mean()) < LEAST_PERIOD_S:
        return NotEnough(
            ("the heat switched every few minutes: noise did that, run it with a wider hysteresis",)
        )
    if float(np.ptp(lengths_s)) > UNEVEN_FRAC * float(lengths_s.mean()):
        return NotEnough(
            (
                "the periods differ by more than a third, so something else moved the box: "
                "run it again on a calmer day",
            )
        )
    good = np.isfinite(stretch.substrate_c)
    grid_s = np.arange(starts_s[0], starts_s[-1] + GRID_S / 2, GRID_S)
    wide_s = np.arange(begun_s, ended_s + GRID_S / 2, GRID_S)
    raw_c = np.interp(wide_s, stretch.time_s[good], stretch.substrate_c[good])
    smooth_c = gaussian_filter1d(raw_c, SMOOTH_S / GRID_S, mode="nearest")
    ons_c = np.interp(starts_s, wide_s, smooth_c)
    slope = np.polyfit(starts_s, ons_c, 1) if periods > 1 else np.array([0.0, ons_c[0]])
    # Heat goes on at the lower switching point each time: what moves there is drift.
    base_c = np.interp(grid_s, starts_s, ons_c)
    layer_k = np.interp(grid_s, wide_s, smooth_c) - base_c
    heat = _heat(stretch, grid_s)
    peaks, troughs, offs, ons = [], [], [], []
    for first_s, next_s in pairwise(starts_s):
        part = (grid_s >= first_s) & (grid_s < next_s)
        peaks.append(float(layer_k[part].max()))
        troughs.append(float(layer_k[part].min()))
        stop_s = stops_s[(stops_s > first_s) & (stops_s < next_s)]
        if len(stop_s) == 0:
            return NotEnough(("a period has no end of its heat in the record",))
        offs.append(float(np.interp(stop_s[0], grid_s, layer_k)))
        ons.append(float(stop_s[0] - first_s))
    width_k = max(0.0, float(np.mean(offs)))
    middle_k = width_k / 2.0
    whole = slice(0, len(grid_s) - 1)
    turns = 2.0 * math.pi * periods * np.arange(len(grid_s) - 1) / (len(grid_s) - 1)
    wave = np.exp(-1j * turns)
    drive = complex(np.sum(heat[whole] * wave))
    answer = complex(np.sum((layer_k[whole] - layer_k[whole].mean()) * wave)) / drive
    period_s = float(lengths_s.mean())
    smeared = math.exp(-0.5 * (2.0 * math.pi / period_s * SMOOTH_S) ** 2)
    return LimitCycle(
        period_s=period_s,
        on_s=float(np.mean(ons)),
        off_s=period_s - float(np.mean(ons)),
        amplitude_k=(float(np.mean(peaks)) - float(np.mean(troughs))) / 2.0,
        hysteresis_k=middle_k,
        peak_k=float(np.mean(peaks)) - middle_k,
        trough_k=float(np.mean(troughs)) - middle_k,
        gain_k=abs(answer) / smeared,
        phase_rad=-(-math.atan2(answer.imag, answer.real) % (2.0 * math.pi)),
        periods=periods,
        drift_k_per_h=float(slope[0]) * 3600.0,
        on_duty=min(1.0, float(heat[whole].sum()) * GRID_S / sum(ons)),
    )


def _switchings(stretch: Stretch, begun_s: float, ended_s: float) -> tuple[Floats, Floats]:
    """When heat went on, and off, s: a row's heat is of the time before it.

    Heat in turns counts as on from the first to the last closed part of them.
    """
    on = np.nan_to_num(stretch.heat_share) > 0.5
    inside = (stretch.time_s[:-1] >= begun_s) & (stretch.time_s[1:] <= ended_s)
    at_s = stretch.time_s[:-1]
    starts_s, stops_s = at_s[inside & ~on[:-1] & on[1:]], at_s[inside & on[:-1] & ~on[1:]]
    # Which start comes within a turn of which stop before it.
    next_s = np.searchsorted(starts_s, stops_s)
    again = np.zeros(len(stops_s), bool)
    known = next_s < len(starts_s)
    again[known] = starts_s[next_s[known]] - stops_s[known] <= TURN_PAUSE_S
    return np.delete(starts_s, next_s[again]), stops_s[~again]


def _heat(stretch: Stretch, grid_s: Floats) -> Floats:
    """Mean duty over each step of a grid; the last entry repeats the one before."""
    share = np.nan_to_num(stretch.heat_share)
    energy_s = np.concatenate(([0.0], np.cumsum(share[1:] * np.diff(stretch.time_s))))
    mean = np.diff(np.interp(grid_s, stretch.time_s, energy_s)) / GRID_S
    result: Floats = np.append(mean, mean[-1])
    return result


def _simple(stretch: Stretch, cycle: LimitCycle, good: np.ndarray) -> FirstOrder | None:
    """Gain, lag and delay of one mean period, counted from the room."""
    last = good & (stretch.time_s >= stretch.time_s[good][-1] - cycle.periods * cycle.period_s)
    layer_c, room_c = float(stretch.substrate_c[last].mean()), float(stretch.room_c[last].mean())
    mean_k = layer_c - room_c
    # The mean lies where it lies within the swing: take the middle of the switching points for it.
    share = cycle.on_share
    middle_k = mean_k - (cycle.peak_k + cycle.trough_k) / 2.0
    switch_k = (middle_k - cycle.hysteresis_k, middle_k + cycle.hysteresis_k)
    ends_k = (middle_k + cycle.trough_k, middle_k + cycle.peak_k)
    try:
        return first_order(
            mean_k / (share * cycle.on_duty), (cycle.on_duty, 0.0), switch_k, ends_k, cycle.on_s
        )
    except (ValueError, ZeroDivisionError):
        return None
