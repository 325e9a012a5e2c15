"""How long the wet layer surely waited before it answered a change of the heat; no model in it.

A fit may come out with too short a dead time, and a tuning from that is too sharp: this is what it
is held against.  The wet layer's own course before the change, a straight line, is taken off; the
chord through two levels of what is left points back to where it began.  From that the smear of a
window and what noise may do are taken off, so that what is said is too short rather than too long:
0 to 0.93 of the dead time on 24 simulated boxes, a third of it in the median.  For a step only: a
relay begins in the middle of a swing.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.ndimage import uniform_filter1d

from bottomheat.identification.stretch import Floats, Stretch

GRID_S: Final = 30.0
SMOOTH_S: Final = 600.0
"""A usual window; its half is taken off again at the end."""
BEFORE_S: Final = 3600.0
LOOK_S: Final = 5400.0
"""So long before the change the course is taken from, and so long after it is looked at, s."""
LEVELS: Final = (0.15, 0.45)
"""Of what it has moved by then; judgement: above the noise, and before it bends."""
LEAST_K: Final = 0.1
CHANGE_FRAC: Final = 0.01
NOISES: Final = 4.0
"""How many standard deviations a level may be off: two, for a line carried on past its end by as
much as it is long, which makes them twice as large."""


def first_rise_s(stretch: Stretch, begun_s: float) -> float | None:
    """Time after a change of the heat in which the wet layer surely did not answer yet, s.

    Args:
        stretch: the run, from half an hour or more before the change to ``LOOK_S`` after it.
        begun_s: when the heat was changed, on the clock of ``stretch.time_s``.

    Returns:
        None where the record does not show it.
    """
    until_s = begun_s + LOOK_S
    good = np.isfinite(stretch.substrate_c)
    if good.sum() < 20 or begun_s - stretch.time_s[0] < BEFORE_S / 2:
        return None
    if stretch.time_s[-1] < until_s:
        return None
    at_s = np.arange(max(float(stretch.time_s[0]), begun_s - BEFORE_S), until_s, GRID_S)
    read_c = np.interp(at_s, stretch.time_s[good], stretch.substrate_c[good])
    smooth_c = uniform_filter1d(read_c, round(SMOOTH_S / GRID_S), mode="nearest")
    since_s = at_s - begun_s
    before, after = since_s < -SMOOTH_S / 2, since_s >= 0.0
    rises = _mean_w(stretch, begun_s, until_s) - _mean_w(stretch, begun_s - BEFORE_S, begun_s)
    if before.sum() < 10 or after.sum() < 10 or abs(rises) < CHANGE_FRAC * stretch.watts:
        return None
    line = np.polyfit(since_s[before], smooth_c[before], 1)
    left_k: Floats = (smooth_c - np.polyval(line, since_s)) * np.sign(rises)
    moved_k = float(left_k[-1])
    noise_k = NOISES * float(np.std(left_k[before]))
    if moved_k < max(LEAST_K, 2.0 * noise_k):
        return None
    low_s, high_s = (_crossed_s(left_k[after], share * moved_k) for share in LEVELS)
    if high_s <= low_s:
        return None
    s_per_k = (high_s - low_s) / ((LEVELS[1] - LEVELS[0]) * moved_k)
    return max(0.0, low_s - s_per_k * (LEVELS[0] * moved_k + noise_k) - SMOOTH_S / 2)


def _crossed_s(left_k: Floats, level_k: float) -> float:
    """When it is above a level for good, s from the change."""
    below = np.flatnonzero(left_k < level_k)
    return float(below[-1] + 1) * GRID_S if len(below) else 0.0


def _mean_w(stretch: Stretch, from_s: float, to_s: float) -> float:
    """Mean power between two times, W."""
    lengths_s = np.diff(stretch.time_s, prepend=stretch.time_s[0])
    inside = (stretch.time_s > from_s) & (stretch.time_s <= to_s)
    total_s = float(lengths_s[inside].sum())
    given_s = float((np.nan_to_num(stretch.heat_share) * lengths_s)[inside].sum())
    return given_s / total_s * stretch.watts if total_s > 0.0 else 0.0
