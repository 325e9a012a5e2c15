"""A stretch as means on an even grid, and the answer of a lag to them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.signal import lfilter

from bottomheat.identification.stretch import Floats, Stretch

STEP_S: Final = 300.0
"""Length of a mean, s: the relay's window is longer, and a bed does little in less."""

PARTS: Final = 5
"""Heat is followed in so many parts of a step: when in a step the relay closed shows in its mean.
Without that the dead time comes out a minute wrong."""

DEAD_MOST_S: Final = 5400.0
"""Longest dead time that is looked for, s.  What was heated before the stretch is not known, so
that nothing is compared until so much of it is over: from then on it fades as the lags do."""

HOLE_S: Final = 900.0
"""Longest hole in a column that a straight line bridges, s; judgement."""


@dataclass(frozen=True, slots=True, eq=False)
class Means:
    """A stretch as means over steps of ``STEP_S``.

    Attributes:
        place_c: the place that is fitted, °C.
        room_c: room, °C.
        edges_s: begin and end of each mean, s.
        heat_s: times at which ``heat_j`` is known, s.
        heat_j: heat given since the stretch began, J.
        first: first mean that is compared.
    """

    place_c: Floats
    room_c: Floats
    edges_s: Floats
    heat_s: Floats
    heat_j: Floats
    first: int

    @property
    def hours(self) -> float:
        """Length, h."""
        return len(self.place_c) * STEP_S / 3600.0

    @property
    def since_s(self) -> Floats:
        """Middle of each mean, s from the begin of the stretch."""
        found: Floats = (np.arange(len(self.place_c), dtype=np.float64) + 0.5) * STEP_S
        return found

    def power_w(self, dead_s: float = 0.0) -> Floats:
        """Mean power over each part of a step, so much later than it was given, W."""
        part_s = STEP_S / PARTS
        edges_s = self.edges_s[0] + part_s * np.arange(PARTS * len(self.place_c) + 1)
        at_s = np.clip(edges_s - dead_s, self.heat_s[0], None)
        found: Floats = np.diff(np.interp(at_s, self.heat_s, self.heat_j)) / part_s
        return found


def means(stretch: Stretch, place: Literal["substrate", "callus"] = "substrate") -> Means | None:
    """Take the means of a stretch for one place, or None where too little of it is known.

    Readings are taken as joined by straight lines.  Where the column has a hole of more than
    ``HOLE_S``, the longest part without one counts.
    """
    column = stretch.substrate_c if place == "substrate" else stretch.callus_c
    if column is None:
        return None
    time_s = stretch.time_s
    known = np.flatnonzero(np.isfinite(column) & np.isfinite(stretch.room_c))
    if len(known) < 2:
        return None
    cuts = np.flatnonzero(np.diff(time_s[known]) > HOLE_S) + 1
    part = max(np.split(known, cuts), key=lambda each: time_s[each[-1]] - time_s[each[0]])
    count = int((time_s[part[-1]] - time_s[part[0]]) // STEP_S)
    first = math.ceil(DEAD_MOST_S / STEP_S)
    if count <= first + 1:
        return None
    edges_s = time_s[part[0]] + STEP_S * np.arange(count + 1)
    shares = np.nan_to_num(stretch.heat_share)
    begin_s = time_s[0] - (time_s[1] - time_s[0])
    heat_s = np.concatenate(([begin_s], time_s))
    heat_j = np.concatenate(([0.0], np.cumsum(shares * stretch.watts * np.diff(heat_s))))
    at_s = time_s[part]
    return Means(
        _mean(at_s, column[part], edges_s),
        _mean(at_s, stretch.room_c[part], edges_s),
        edges_s,
        heat_s,
        heat_j,
        first,
    )


def _mean(at_s: Floats, values: Floats, edges_s: Floats) -> Floats:
    """Mean of the straight lines through the points over each step."""
    # Interpolated at the edges too, so that the integral is exact between them.
    every_s = np.union1d(at_s, edges_s)
    along = np.interp(every_s, at_s, values)
    area = np.concatenate(([0.0], np.cumsum(0.5 * (along[1:] + along[:-1]) * np.diff(every_s))))
    at = np.searchsorted(every_s, edges_s)
    found: Floats = np.diff(area[at]) / STEP_S
    return found


def lagged(values: Floats, lag_s: float, start_value: float, parts: int = 1) -> Floats:
    """Mean over each step of a first-order lag's answer to an input held over each of its parts.

    Exact for such an input.

    Args:
        values: of the input, one a part.
        lag_s: time constant, s.
        start_value: where the answer begins.
        parts: how many parts a step has.
    """
    part_s = STEP_S / parts
    stays = math.exp(-part_s / lag_s)
    ends = lfilter([1.0 - stays], [1.0, -stays], values, zi=[stays * start_value])[0]
    if parts > 1:
        values, ends = values.reshape(-1, parts).mean(axis=1), ends[parts - 1 :: parts]
    moved = np.diff(np.concatenate(([start_value], ends)))
    found: Floats = values - moved * (lag_s / STEP_S)
    return found
