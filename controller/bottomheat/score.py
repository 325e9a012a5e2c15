"""How well a rehearsal held the callus zone: scored on the true temperature, not on the estimate.

Only a simulated chamber knows the true callus temperature.  The score counts from 24 h after it
first comes within ±0.5 K of the setpoint, so that the warm-up is told apart from the holding.  What
was never reached is ``None``, not 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from bottomheat.model import Condition

BAND_K = 0.5
"""Half-width of the band around the setpoint, K."""

SETTLE_S = 86_400.0
"""From the first entry into the band to the start of the score, s."""

HOUR_S = 3600.0
DAY_S = 86_400.0
YEAR_DAYS = 365.25
J_PER_KWH = 3.6e6


@dataclass(frozen=True, slots=True)
class Score:
    """What a chamber went through.

    Attributes:
        setpoint_c: what the callus zone should feel, °C.
        hours: length of the rehearsal, h.
        warm_up_hours: until the callus zone was first in the band, h.
        overshoot_k: highest above the setpoint within 24 h after that, K; negative if never above.
        scored_hours: length of the time that the following figures are about, h.
        rms_k: root mean square of callus zone - setpoint, K.
        worst_k: its largest deviation, with its sign, K.
        in_band_fraction: share of the time within ±0.5 K, 0...1.
        estimate_bias_k: mean of estimate - true callus zone, K.
        estimate_rms_k: root mean square of that, K.
        closings: closings of the heat relay, over all.
        closings_per_day: the same a day.
        mean_duty: share of the whole time that heat flowed, 0...1.
        energy_kwh: heat over the whole time, kWh.
        max_c: highest true temperature by place, °C.
        min_c: lowest true temperature by place, °C.
        condition_hours: how long the controller was in each condition, h.
    """

    setpoint_c: float
    hours: float
    warm_up_hours: float | None
    overshoot_k: float | None
    scored_hours: float
    rms_k: float | None
    worst_k: float | None
    in_band_fraction: float | None
    estimate_bias_k: float | None
    estimate_rms_k: float | None
    closings: int
    closings_per_day: float
    mean_duty: float
    energy_kwh: float
    max_c: Mapping[str, float]
    min_c: Mapping[str, float]
    condition_hours: Mapping[str, float]

    def relay_years(self, rated_closings: int) -> float | None:
        """Work out how long a relay's rated closings last at this rate, years; None if none."""
        if self.closings_per_day <= 0.0:
            return None
        return rated_closings / self.closings_per_day / YEAR_DAYS


class Scorer:
    """Takes one chamber's steps, all of one length, and scores them.

    Args:
        setpoint_c: what the callus zone should feel, °C.
        step_s: length of a step, s.
    """

    def __init__(self, setpoint_c: float, step_s: float) -> None:
        self._setpoint_c = setpoint_c
        self._step_s = step_s
        self._steps = 0
        self._entry_s: float | None = None
        self._overshoot_k: float | None = None
        self._scored = 0
        self._squares = 0.0
        self._worst_k = 0.0
        self._in_band = 0
        self._estimates = 0
        self._bias_k = 0.0
        self._bias_squares = 0.0
        self._heated_s = 0.0
        self._joules = 0.0
        self._highest: dict[str, float] = {}
        self._lowest: dict[str, float] = {}
        self._conditions: dict[Condition, int] = {}

    def take(
        self,
        now_s: float,
        true_c: Mapping[str, float],
        estimate_c: float | None,
        heated_s: float,
        watts: float,
        condition: Condition,
    ) -> None:
        """Take one step.

        Args:
            now_s: end of the step, s from the start.
            true_c: true temperature by place at its end, °C; "callus" among them.
            estimate_c: the controller's estimate of the callus zone, °C, or None.
            heated_s: how long heat flowed in it, s.
            watts: power while it did, W.
            condition: what the controller says it is doing.
        """
        self._steps += 1
        self._heated_s += heated_s
        self._joules += heated_s * watts
        self._conditions[condition] = self._conditions.get(condition, 0) + 1
        for place, celsius in true_c.items():
            if not celsius <= self._highest.get(place, -math.inf):
                self._highest[place] = celsius
            if not celsius >= self._lowest.get(place, math.inf):
                self._lowest[place] = celsius
        callus_c = true_c["callus"]
        error_k = callus_c - self._setpoint_c
        if self._entry_s is None:
            if abs(error_k) > BAND_K:
                return
            self._entry_s = now_s
        if now_s < self._entry_s + SETTLE_S:
            if self._overshoot_k is None or error_k > self._overshoot_k:
                self._overshoot_k = error_k
            return
        self._scored += 1
        self._squares += error_k * error_k
        self._in_band += abs(error_k) <= BAND_K
        if abs(error_k) > abs(self._worst_k):
            self._worst_k = error_k
        if estimate_c is not None:
            apart_k = estimate_c - callus_c
            self._estimates += 1
            self._bias_k += apart_k
            self._bias_squares += apart_k * apart_k

    def score(self, closings: int) -> Score:
        """Score what was taken so far; ``closings`` of the heat relay from the start."""
        length_s = self._steps * self._step_s
        scored, estimates = self._scored, self._estimates
        days = length_s / DAY_S
        return Score(
            setpoint_c=self._setpoint_c,
            hours=length_s / HOUR_S,
            warm_up_hours=None if self._entry_s is None else self._entry_s / HOUR_S,
            overshoot_k=self._overshoot_k,
            scored_hours=scored * self._step_s / HOUR_S,
            rms_k=math.sqrt(self._squares / scored) if scored else None,
            worst_k=self._worst_k if scored else None,
            in_band_fraction=self._in_band / scored if scored else None,
            estimate_bias_k=self._bias_k / estimates if estimates else None,
            estimate_rms_k=math.sqrt(self._bias_squares / estimates) if estimates else None,
            closings=closings,
            closings_per_day=closings / days if days else 0.0,
            mean_duty=self._heated_s / length_s if length_s else 0.0,
            energy_kwh=self._joules / J_PER_KWH,
            max_c=dict(self._highest),
            min_c=dict(self._lowest),
            condition_hours={
                str(condition): steps * self._step_s / HOUR_S
                for condition, steps in self._conditions.items()
            },
        )
