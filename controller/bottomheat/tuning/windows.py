"""The time-proportioning window: what it swings, what it wears, and which one suits a bed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from bottomheat.response import Response

DAY_S = 86_400.0
CALLUS_RIPPLE_K = 0.02
"""Most that switching may swing the callus zone, peak to peak, K: a third of a probe's step, so it
can never be seen; judgement."""

LAYER_RIPPLE_K = 0.15
"""Most that it may swing the wet layer, peak to peak, K: about two steps of 1/16 K; judgement."""

CYCLE_S = 10.0
"""The usual cycle, s."""

COUNTED_WINDOWS = 2000
"""Windows that closings are counted over: a week of five minutes each."""

SHORTEST_S = 600.0
"""Shortest window of a mechanical relay, s.  On the nominal box 20 minutes swing the callus zone by
0.0015 K and the wet layer by 0.13 K, ten minutes by less than a tenth of that (calculated)."""

SOLID_STATE_S = 60.0
"""Window of a solid-state relay, which does not wear: 50 whole cycles of a 50 Hz mains in a
hundredth of it, and too short for anything in the bed to follow; judgement."""


@dataclass(frozen=True, slots=True)
class Window:
    """A window, what it does at half power, and why it is that long.

    Attributes:
        window_s: its length, s.
        layer_ripple_k: how far the wet layer swings with it, peak to peak, K.
        callus_ripple_k: how far the callus zone does, K.
        reason: a sentence.
    """

    window_s: float
    layer_ripple_k: float
    callus_ripple_k: float
    reason: str


def closings_a_day(
    duty: float, window_s: float, min_on_s: float, min_off_s: float, cycle_s: float = CYCLE_S
) -> float:
    """Closings a day at a steady duty: one a window, fewer where a minimum time binds.

    Follows ``modulate.proportion`` window by window.  What a window cannot give is carried to the
    next, so that with a duty too small for the shortest closed time heat comes in every second
    window, every third and so on.  The relay moves at cycles only: what the last one gives too much
    is carried as well, and near a minimum time that decides which windows close.

    Args:
        duty: share of the time, 0...1.
        window_s: s.
        min_on_s: shortest closed time, s.
        min_off_s: shortest open time, s.
        cycle_s: s.
    """
    if duty <= 0.0 or duty >= 1.0:
        return 0.0
    closings, owed_s = 0, 0.0
    open_s = math.inf  # how long the relay has been open; 0 while it is closed
    for _ in range(COUNTED_WINDOWS):
        wanted_s = duty * window_s + max(-window_s, min(window_s, owed_s))
        planned_s = max(0.0, min(window_s, wanted_s))
        if planned_s < min_on_s:
            planned_s = 0.0
        elif window_s - planned_s < min_off_s:
            planned_s = window_s
        late_s = 0.0 if open_s <= 0.0 else _cycles_s(max(0.0, min_off_s - open_s), cycle_s)
        given_s = min(window_s - late_s, _cycles_s(planned_s, cycle_s))
        if given_s > 0.0:
            closings += open_s > 0.0
            open_s = window_s - late_s - given_s
        else:
            open_s += window_s
        owed_s = wanted_s - given_s
    return DAY_S / window_s * closings / COUNTED_WINDOWS


def _cycles_s(span_s: float, cycle_s: float) -> float:
    """The next whole number of cycles, s."""
    return math.ceil(span_s / cycle_s - 1e-4) * cycle_s


def ripple_k(
    response: Response,
    watts: float,
    window_s: float,
    *,
    duty: float = 0.5,
    factor: float = 1.0,
    after_s: float = 0.0,
) -> float:
    """Peak to peak swing of a place in the steady rhythm of the windows, K.

    The exact periodic solution.  The dead time counts as one lag, because heat that has seeped
    through a layer comes smoothed: on the nominal box that gives two and a half times the ripple of
    the full model at ten minutes and the same at twenty (calculated), so it errs to the safe side.

    Args:
        response: of the wet layer to watts.
        watts: full power, W.
        window_s: s.
        duty: share of the window that is closed, 0...1.
        factor: how much of a swing of the wet layer reaches the place in steady state.
        after_s: lag from the wet layer to the place, s; 0 for the wet layer itself.
    """
    if not 0.0 < duty < 1.0:
        return 0.0
    chain = [lag_s for lag_s in (response.dead_s, after_s) if lag_s > 0.0]
    size = factor * watts * response.gain_k_per_w
    terms: list[tuple[float, float]] = []
    for share, lag_s in (
        (response.quick_share, response.quick_s),
        (1.0 - response.quick_share, response.slow_s),
    ):
        terms += [(share * size * part, lag) for part, lag in _parts([lag_s, *chain])]
    values = [
        sum(part * _rhythm(i / 200.0 * window_s, duty, window_s, lag) for part, lag in terms)
        for i in range(200)
    ]
    return max(values) - min(values)


def _parts(lags_s: list[float]) -> list[tuple[float, float]]:
    """Lags one after the other as lags side by side: the share of each, and the lag, s."""
    apart: list[float] = []
    for lag_s in lags_s:
        while any(abs(lag_s - other) < 1e-3 * other for other in apart):
            lag_s *= 1.002
        apart.append(lag_s)
    found = []
    for lag_s in apart:
        share = 1.0
        for other in apart:
            if other != lag_s:
                share *= lag_s / (lag_s - other)
        found.append((share, lag_s))
    return found


def _rhythm(at_s: float, duty: float, window_s: float, lag_s: float) -> float:
    """One lag in the steady rhythm of windows that begin with their closed part, 0...1."""
    on_s = duty * window_s
    span = -math.expm1(-window_s / lag_s)
    start = (math.exp((on_s - window_s) / lag_s) - math.exp(-window_s / lag_s)) / span
    if at_s <= on_s:
        return 1.0 - (1.0 - start) * math.exp(-at_s / lag_s)
    top = 1.0 - (1.0 - start) * math.exp(-on_s / lag_s)
    return top * math.exp((on_s - at_s) / lag_s)


def choose(
    response: Response,
    watts: float,
    relay: Literal["mechanical", "solid-state"],
    *,
    factor: float,
    after_s: float,
) -> Window:
    """Pick the window for a relay and a bed.

    A mechanical relay gets the longest of 10 to 20 minutes, in steps of 5, that keeps the ripple
    below its bounds and is no longer than the bed's dead time, so that it slows the loop by less
    than the bed itself does; a solid-state relay one minute.

    Args:
        response: of the wet layer to watts.
        watts: full power, W.
        relay: its kind.
        factor: how much of a swing of the wet layer reaches the callus zone in steady state.
        after_s: lag from the wet layer to the callus zone, s.
    """

    def swings_k(window_s: float) -> tuple[float, float]:
        return (
            ripple_k(response, watts, window_s),
            ripple_k(response, watts, window_s, factor=factor, after_s=after_s),
        )

    if relay == "solid-state":
        layer_k, callus_k = swings_k(SOLID_STATE_S)
        reason = (
            "a solid-state relay does not wear, so it shares heat out within a minute, and the law "
            "still looks every ten minutes"
        )
        return Window(SOLID_STATE_S, layer_k, callus_k, reason)
    best_s = SHORTEST_S
    why = ""
    for window_s in (900.0, 1200.0):
        layer_k, callus_k = swings_k(window_s)
        if window_s > response.dead_s:
            why = (
                f"a longer one would be slower than the bed, which answers after "
                f"{response.dead_s / 60:.0f} min"
            )
            break
        if callus_k > CALLUS_RIPPLE_K or layer_k > LAYER_RIPPLE_K:
            why = (
                f"one of {window_s / 60:.0f} min would swing the wet layer by {layer_k:.2f} K and "
                f"the bases by {callus_k:.3f} K"
            )
            break
        best_s = window_s
    layer_k, callus_k = swings_k(best_s)
    reason = (
        f"{best_s / 60:.0f} min is {DAY_S / best_s:.0f} closings a day at most, and swings the "
        f"bases by {_small(callus_k)}"
    )
    return Window(best_s, layer_k, callus_k, f"{reason}; {why}" if why else reason)


def _small(value_k: float) -> str:
    return "less than 0.005 K" if value_k < 0.005 else f"{value_k:.3f} K"
