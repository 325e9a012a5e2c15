"""What a box came to over months, added up block by block.  Pure; needs numpy.

By the same arithmetic as the thermal record: straight from row to row, every crossing at its
moment, nothing known between rows that are too far apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from bottomheat.review.exposure import HOUR_MS, MAX_GAP_S, Array, Times
from bottomheat.telling import BAND_K

_MUCH_LONGER: Final = 3.0


class Rows(Protocol):
    """Adjoining rows of one box, equally long; °C, NaN where there was no good reading."""

    @property
    def wall_ms(self) -> Times:
        """When, UTC ms."""
        ...

    @property
    def estimate_c(self) -> Array:
        """Callus zone."""
        ...

    @property
    def setpoint_c(self) -> Array:
        """What it should be."""
        ...

    @property
    def room_c(self) -> Array:
        """Room."""
        ...

    @property
    def heat(self) -> npt.NDArray[np.bool_]:
        """Whether heat was commanded on."""
        ...

    @property
    def whole(self) -> npt.NDArray[np.bool_]:
        """Whether samples, thinned since, were recorded from here to the next."""
        ...


@dataclass(frozen=True, slots=True)
class Tally:
    """One box over a stretch of time.

    Attributes:
        rows: how many there were.
        known_h: time with an estimate, h.
        below_h: of it, below the band of 0.5 K around the setpoint of the moment, h.
        above_h: above it, h.
        heat_h: time with heat commanded on, h.
        recorded_h: time with rows, h.
        low: lowest estimate, °C, and when, UTC ms; None: there was none.
        high: highest estimate.
        room_c: coldest and warmest room, °C; None: no good reading.
        jumps: rows that were further apart than asked for: from when to when, UTC ms.
    """

    rows: int
    known_h: float
    below_h: float
    above_h: float
    heat_h: float
    recorded_h: float
    low: tuple[float, int] | None
    high: tuple[float, int] | None
    room_c: tuple[float, float] | None
    jumps: tuple[tuple[int, int], ...]

    @property
    def in_band_h(self) -> float:
        """Of the known time, in band, h."""
        return max(self.known_h - self.below_h - self.above_h, 0.0)

    @property
    def in_band_frac(self) -> float | None:
        """Share of the known time in band; None where nothing is known."""
        return self.in_band_h / self.known_h if self.known_h > 0 else None

    @property
    def heat_frac(self) -> float | None:
        """Share of the recorded time with heat commanded on; None without rows."""
        return self.heat_h / self.recorded_h if self.recorded_h > 0 else None


class Adding:
    """Takes the blocks of one box, oldest first."""

    def __init__(self, jump_s: float = MAX_GAP_S, max_gap_s: float = MAX_GAP_S) -> None:
        """``jump_s``: rows further apart are listed; ``max_gap_s``: nothing is known between."""
        self._jump_ms = jump_s * 1000.0
        self._longest_ms = max_gap_s * 1000.0
        self._rows = 0
        self._known_ms = self._below_ms = self._above_ms = 0.0
        self._heat_ms = self._recorded_ms = 0.0
        self._low: tuple[float, int] | None = None
        self._high: tuple[float, int] | None = None
        self._room: tuple[float, float] | None = None
        self._jumps: list[tuple[int, int]] = []
        self._newest: tuple[int, bool, bool] | None = None
        self._newest_good: tuple[int, float, float] | None = None

    def add(self, block: Rows) -> None:
        """Take the next block."""
        if not block.wall_ms.size:
            return
        self._rows += block.wall_ms.size
        self._add_heat(block)
        good = np.flatnonzero(np.isfinite(block.estimate_c))
        if good.size:
            self._add_bases(block, good)
        room_c = block.room_c[np.isfinite(block.room_c)]
        if room_c.size:
            low_c, high_c = float(room_c.min()), float(room_c.max())
            before = self._room or (low_c, high_c)
            self._room = min(low_c, before[0]), max(high_c, before[1])

    def tally(self) -> Tally:
        """What it has come to."""
        return Tally(
            rows=self._rows,
            known_h=self._known_ms / HOUR_MS,
            below_h=self._below_ms / HOUR_MS,
            above_h=self._above_ms / HOUR_MS,
            heat_h=self._heat_ms / HOUR_MS,
            recorded_h=self._recorded_ms / HOUR_MS,
            low=self._low,
            high=self._high,
            room_c=self._room,
            jumps=tuple(self._jumps),
        )

    def _add_heat(self, block: Rows) -> None:
        wall_ms, heat, whole = block.wall_ms, block.heat, block.whole
        if self._newest is not None:
            wall_ms = np.concatenate(([self._newest[0]], wall_ms))
            heat = np.concatenate(([self._newest[1]], heat))
            whole = np.concatenate(([self._newest[2]], whole))
        step_ms = np.diff(wall_ms)
        known = (step_ms > 0) & (step_ms <= self._longest_ms)
        self._recorded_ms += float(step_ms[known].sum())
        self._heat_ms += float(step_ms[known & heat[:-1]].sum())
        # Where rows are few by intent, as in an older time, that is how far they lie apart.
        usual_ms = float(np.median(step_ms)) if step_ms.size else 0.0
        far = step_ms > max(self._jump_ms, _MUCH_LONGER * usual_ms)
        for at in np.flatnonzero(far & ~whole[:-1]):
            self._jumps.append((int(wall_ms[at]), int(wall_ms[at + 1])))
        self._newest = int(wall_ms[-1]), bool(heat[-1]), bool(whole[-1])

    def _add_bases(self, block: Rows, good: npt.NDArray[np.intp]) -> None:
        wall_ms, off_k = block.wall_ms[good], block.estimate_c[good]
        self._extremes(wall_ms, off_k)
        setpoint_c = block.setpoint_c[good]
        if self._newest_good is not None:
            wall_ms = np.concatenate(([self._newest_good[0]], wall_ms))
            off_k = np.concatenate(([self._newest_good[1]], off_k))
            setpoint_c = np.concatenate(([self._newest_good[2]], setpoint_c))
        self._newest_good = int(wall_ms[-1]), float(off_k[-1]), float(setpoint_c[-1])
        step_ms = np.diff(wall_ms).astype(np.float64)
        step_ms[(step_ms < 0) | (step_ms > self._longest_ms)] = 0.0
        self._known_ms += float(step_ms.sum())
        # A setpoint holds from its row to the next one.
        begin_k, end_k = off_k[:-1] - setpoint_c[:-1], off_k[1:] - setpoint_c[:-1]
        self._above_ms += _beyond_ms(step_ms, begin_k - BAND_K, end_k - BAND_K)
        self._below_ms += _beyond_ms(step_ms, -begin_k - BAND_K, -end_k - BAND_K)

    def _extremes(self, wall_ms: Times, celsius: Array) -> None:
        low, high = int(np.argmin(celsius)), int(np.argmax(celsius))
        if self._low is None or celsius[low] < self._low[0]:
            self._low = float(celsius[low]), int(wall_ms[low])
        if self._high is None or celsius[high] > self._high[0]:
            self._high = float(celsius[high]), int(wall_ms[high])


def _beyond_ms(step_ms: Array, begin_k: Array, end_k: Array) -> float:
    """How long straight lines from ``begin_k`` to ``end_k`` were above 0, ms."""
    both = (begin_k > 0.0) & (end_k > 0.0)
    whole_ms = float(step_ms[both].sum())
    cross = np.flatnonzero((begin_k > 0.0) != (end_k > 0.0))
    if not cross.size:
        return whole_ms
    one, other = begin_k[cross], end_k[cross]
    share = np.maximum(one, other) / np.abs(one - other)
    return whole_ms + float((step_ms[cross] * share).sum())
