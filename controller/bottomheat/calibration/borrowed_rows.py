"""A record with a borrowed callus probe, made ready: gaps bridged, what is of no use named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.ndimage import median_filter

from bottomheat.calibration.modes import Array, Flags
from bottomheat.errors import InputError

BLOCK_H: Final = 0.5
"""Length of the means that are fitted, h: a callus zone does nothing in less."""

STEP_BOUNDS_S: Final = (30.0, 1800.0)
GAP_H: Final = 1.0
"""A gap of wet layer or room up to this is bridged by a straight line and forgotten, h; a longer
one leaves the bed's memory in doubt from its end on."""

OUT_K: Final = 3.0
OUT_SHARE: Final = 0.5
OUT_WINDOW_H: Final = 3.0
OUT_MARGIN_H: Final = 0.25
OUT_AFTER_H: Final = 1.0
"""A control probe that falls half-way to the room, and 3 K at least, below its own median of three
hours has been pulled out: it counts for nothing then, nor does the borrowed one until an hour
after; judgement.  A bed of kilograms on a switched mat swings less."""

COLD_START_K: Final = 1.5
WARM_UP_MARGIN_K: Final = 0.5
ANY_FACTOR: Final = 0.75
"""A session begins with a warm-up if the borrowed probe is 1.5 K colder at first than ever in the
later half.  It ends when the wet layer, less what a colder room asks of it at a factor of 0.75, is
within 0.5 K of its lowest of that half; judgement."""

GAP_DOUBT_K: Final = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Means on one even grid; nan where nothing is known.

    Attributes:
        at_s: middle of each mean, s, on any axis.
        substrate_c: wet layer that control goes by, °C.
        room_c: room, °C.
        callus_c: borrowed probe, °C; nan outside the session.
        power_w: mean heater power, W.
    """

    at_s: Array
    substrate_c: Array
    room_c: Array
    callus_c: Array
    power_w: Array


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the record that was left out.

    Attributes:
        start_s: where it begins, on the axis of the record, s.
        end_s: where it ends, s.
        why: in words for the grower.
    """

    start_s: float
    end_s: float
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The record without gaps, and which of its points count.

    Attributes:
        at_h: h since the record's start.
        start_s: that start on the record's own axis, s.
        step_h: step of the grid, h.
        substrate_c: wet layer, gaps bridged, °C.
        room_c: room, the same, °C.
        callus_c: borrowed probe, °C; 0 where ``used`` is false.
        power_w: mean power, gaps bridged, W; None where much of it is missing.
        used: points of the borrowed probe that count.
        gaps: ends of long gaps of wet layer or room: index, and length in h.
        warm_up_h: left out at the session's start, h.
        before_h: record before the session, h.
        left_out: what else was left out.
    """

    at_h: Array
    start_s: float
    step_h: float
    substrate_c: Array
    room_c: Array
    callus_c: Array
    power_w: Array | None
    used: Flags
    gaps: tuple[tuple[int, float], ...]
    warm_up_h: float
    before_h: float
    left_out: tuple[Stretch, ...]

    @property
    def hours(self) -> float:
        """Length of the record that counts, h."""
        return float(self.used.sum()) * self.step_h

    def means(self, values: Array) -> Array:
        """Means over the blocks of ``BLOCK_H`` of which half or more counts.

        Args:
            values: shape (n,) or (n, p) on the grid.
        """
        each = max(1, round(BLOCK_H / self.step_h))
        blocks = len(self.used) // each
        cut = len(self.used) - blocks * each
        used = self.used[cut:].reshape(blocks, each).astype(np.float64)
        count = used.sum(axis=1)
        shaped = values[cut:].reshape(blocks, each, -1)
        sums = np.einsum("bi,bip->bp", used, shaped)
        enough = count >= 0.5 * each
        found: Array = sums[enough] / count[enough, None]
        return found[:, 0] if values.ndim == 1 else found

    def widened(self, flags: Flags, before_h: float, after_h: float) -> Flags:
        """Flags with what lies so many hours before and after each.

        Args:
            flags: on the grid.
            before_h: h before.
            after_h: h after.
        """
        return _widened(flags, round(before_h / self.step_h), round(after_h / self.step_h))

    def without(self, flags: Flags, why: str) -> Rows:
        """The rows with these points left out, and why."""
        stretches = [
            Stretch(
                self.start_s + 3600.0 * float(self.at_h[first] - 0.5 * self.step_h),
                self.start_s + 3600.0 * float(self.at_h[last] + 0.5 * self.step_h),
                why,
            )
            for first, last in _runs(flags)
        ]
        return replace(
            self, used=self.used & ~flags, left_out=_merged((*self.left_out, *stretches))
        )

    def fading(self, tau_h: Sequence[float], start_k: float) -> tuple[list[Array], Array]:
        """What may fade from the record's start and from the end of each long gap.

        Args:
            tau_h: lags, h.
            start_k: standard deviation of each at the record's start, K.

        Returns:
            Columns on the grid, and the standard deviation of each, K.
        """
        columns, widths = [], []
        for index, gap_h in ((0, np.inf), *self.gaps):
            for tau in tau_h:
                since_h = self.at_h - self.at_h[index]
                columns.append(np.where(since_h >= 0.0, np.exp(-np.maximum(since_h, 0.0) / tau), 0))
                lost = 1.0 - np.exp(-gap_h / tau)
                widths.append(start_k if index == 0 else GAP_DOUBT_K * lost)
        return columns, np.array(widths)


def prepare(series: Series) -> Rows:
    """Bridge gaps, set aside readings that no bed can give, and find where the warm-up ends.

    Raises:
        InputError: the grid is not even or too coarse, a column is missing, or never meets another.
    """
    step_s = _step_s(series)
    step_h = step_s / 3600.0
    there = np.isfinite(series.callus_c)
    if not there.any():
        raise InputError(
            "the log holds no reading of the borrowed probe; see that it is plugged in and that "
            "it was named right, then learn again"
        )
    out = _pulled_out(series, step_h)
    substrate_c = np.where(out, np.nan, series.substrate_c)
    room_c = series.room_c
    for name, values in (("wet layer", substrate_c), ("room", room_c)):
        if np.isfinite(values).sum() * step_h < 1.0:
            raise InputError(f"the log holds no {name} for that time; f needs wet layer and room")
    first = int(np.argmax(np.isfinite(substrate_c) & np.isfinite(room_c)))
    begin = slice(first, None)
    at_h = (series.at_s[begin] - series.at_s[first]) / 3600.0
    substrate_c, room_c, there = substrate_c[begin], room_c[begin], there[begin]
    known = np.isfinite(substrate_c) & np.isfinite(room_c)
    gaps = tuple(
        (min(last + 1, len(known) - 1), (last - head + 1) * step_h)
        for head, last in _runs(~known)
        if (last - head + 1) * step_h > GAP_H
    )
    for end, gap_h in gaps:  # nothing is known of the callus zone in a long gap
        there[end - round(gap_h / step_h) : end] = False
    power_w = series.power_w[begin]
    missing = np.mean(~np.isfinite(power_w[there])) if there.any() else 1.0
    start = int(np.argmax(there))
    rows = Rows(
        at_h=at_h,
        start_s=float(series.at_s[first]),
        step_h=step_h,
        substrate_c=_bridged(substrate_c),
        room_c=_bridged(room_c),
        callus_c=np.where(there, series.callus_c[begin], 0.0),
        power_w=None if missing > 0.1 else _bridged(power_w),
        used=there,
        gaps=gaps,
        warm_up_h=0.0,
        before_h=start * step_h,
        left_out=(),
    )
    pulled = out[begin]
    if pulled.any():
        wide = rows.widened(pulled, OUT_MARGIN_H, OUT_AFTER_H)
        rows = rows.without(wide & there, "the wet layer's probe was out of its place")
    return _warmed(rows, start)


def why_not(rows: Rows) -> str:
    """What kept the rest from being used, as a part of a sentence."""
    parts = []
    if rows.warm_up_h >= 1.0:
        parts.append(f"the bed was warming up for {rows.warm_up_h:.0f} h")
    if rows.left_out:
        parts.append("probes were moved or the box was open")
    return f" ({', '.join(parts)})" if parts else ""


def _step_s(series: Series) -> float:
    """Step of the grid, s.

    Raises:
        InputError: fewer than two points, columns of unequal length, or no even grid.
    """
    at_s = series.at_s
    columns = (series.substrate_c, series.room_c, series.callus_c, series.power_w)
    if len(at_s) < 2 or any(len(values) != len(at_s) for values in columns):
        raise InputError("the record needs five columns of one length, two rows at least")
    steps = np.diff(at_s)
    step_s = float(steps[0])
    low, high = STEP_BOUNDS_S
    if not (low <= step_s <= high and np.allclose(steps, step_s, rtol=0.0, atol=1e-3 * step_s)):
        raise InputError("the record needs an even grid, a row every half a minute to half an hour")
    return step_s


def _pulled_out(series: Series, step_h: float) -> Flags:
    """Where the control probe fell out of what a bed can do."""
    layer_c, room_c = series.substrate_c, series.room_c
    known = np.isfinite(layer_c) & np.isfinite(room_c)
    if not known.any():
        return known
    width = max(3, round(OUT_WINDOW_H / step_h) | 1)
    usual_c = median_filter(_bridged(layer_c), size=width, mode="nearest")
    with np.errstate(invalid="ignore"):
        fallen = usual_c - layer_c > np.maximum(OUT_K, OUT_SHARE * (usual_c - room_c))
    margin = round(OUT_MARGIN_H / step_h)
    return _widened(known & fallen, margin, margin)


def _warmed(rows: Rows, start: int) -> Rows:
    """Leave out the session's start while the bed warms up.

    The slow ways of a bed show most in a warm-up, and what it was filled with is not in the log.
    """
    counted = np.flatnonzero(rows.used)
    later = counted[len(counted) // 2 :]
    if not later.size:
        return rows
    lowest_c = float(np.percentile(rows.callus_c[later], 1.0))
    if rows.callus_c[counted[0]] >= lowest_c - COLD_START_K:
        return rows
    evened_c = rows.substrate_c + (1.0 / ANY_FACTOR - 1.0) * rows.room_c
    enough_c = float(np.percentile(evened_c[later], 1.0)) - WARM_UP_MARGIN_K
    end = start + int(np.argmax(evened_c[start:] >= enough_c))
    used = rows.used.copy()
    used[start:end] = False
    return replace(rows, used=used, warm_up_h=(end - start) * rows.step_h)


def _bridged(values: Array) -> Array:
    known = np.isfinite(values)
    where = np.arange(len(values))
    return np.interp(where, where[known], values[known])


def _runs(flags: Flags) -> list[tuple[int, int]]:
    """First and last index of every run of true flags."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _widened(flags: Flags, before: int, after: int) -> Flags:
    wide = flags.copy()
    for first, last in _runs(flags):
        wide[max(0, first - before) : last + after + 1] = True
    return wide


def _merged(stretches: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """Stretches in order; those that touch and have the same reason as one."""
    found: list[Stretch] = []
    for each in sorted(stretches, key=lambda stretch: stretch.start_s):
        if found and each.start_s <= found[-1].end_s + 1.0 and each.why == found[-1].why:
            found[-1] = Stretch(found[-1].start_s, max(found[-1].end_s, each.end_s), each.why)
        else:
            found.append(each)
    return tuple(found)
