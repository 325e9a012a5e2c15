"""What becomes of a box over weeks: its answer to heat, held against what it was.  Pure, O(1).

Two ratios are taken from each day of calm hours:

- lift: how far a watt lifts the wet layer, K/W: layer less room (through the box's own lags) over
  the power that has come through to it;
- lead: how far a watt lifts the mat over the wet layer, K/W: the mat is the first to feel the heat,
  and what lies between the two is the wet layer alone.

Which of them has changed says where to look.  A mat that gives less moves both by the same share; a
lid left off, a draught or a wetter medium lower the lift and leave the lead; a drier or wetter
layer changes the lead.  The first days are what later ones are held to.  A change is told when a
two-sided CUSUM of the daily logarithms crosses its bound (E. S. Page, Biometrika 41 (1954)
100-115), so that a slow fading and a sudden change are both seen and a single odd day is not.
Losing a third of the heat at once is the mat detector's (``protect.signs``), which is quicker.
Whether the box has become quicker or slower is not told: the hours of a box that is held hardly
move (with 40 % of its heat capacity gone, their changes showed nothing); ``identify`` tells it.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any

from bottomheat.drift_words import Change, cause
from bottomheat.hourly import HOUR_S, Hour
from bottomheat.protect.frozen import changed
from bottomheat.response import Response

DAY_H = 24
CALM_HOURS = 16
"""A day with fewer calm hours tells nothing."""

LEAST_DUTY = 0.08
LEAST_RISE_K = 3.0
"""Nor does one in which so little heat was needed that the probes' errors are a large share."""

SETTLE_H = 48
"""After a start, or after an hour is missing for long, the lags are not known before this."""

BRIDGED_H = 8
"""So many hours in which nothing was known are bridged with the next one's means: a restart."""

REFERENCE_DAYS = 5
"""Days that the reference is the mean of."""

SLACK = 0.03
BOUND = 0.20
"""CUSUM of the daily logarithm: what a day may be off, and the sum that tells.  Judgement:
simulated days differ by 0.2 %, real ones will by more.  A change of 10 % crosses after three days,
one of 6 % after seven, a fading of half a per cent a day after 15."""

CONFIRM_DAYS = 3
"""Once a sum has crossed, so many more days say how large the change is; one that has gone again by
then is not told."""

PROBES_K = 1.0
"""Two probes of ±0.5 °C (DS18B20, data sheet) may show a difference so much off.  That is another
share of a small difference than of a large one, so a day with more or less heat than the reference
has so much more slack."""

LEAST_CHANGE = 0.05
"""Logarithm of a change worth telling."""


@dataclass(frozen=True)
class Trace:
    """One ratio: the reference, the two sums, and the days that confirm a change.

    Attributes:
        reference: logarithm that days are held to; None before the first day.
        days: days that the reference is the mean of.
        per_k: mean of one over the difference that the ratio is made of, over those days, 1/K.
        up: CUSUM upwards.
        down: CUSUM downwards.
        confirmed: days since a sum crossed.
        lately: mean of those days.
        lately_per_k: the same of one over the difference, 1/K.
        loose: mean of what the probes' errors allow them.
    """

    reference: float | None = None
    days: int = 0
    per_k: float = 0.0
    up: float = 0.0
    down: float = 0.0
    confirmed: int = 0
    lately: float = 0.0
    lately_per_k: float = 0.0
    loose: float = 0.0


@dataclass(frozen=True)
class Drift:
    """What is remembered of one box; a few numbers.

    Attributes:
        at: number of the last hour.
        quick_w: power as it has come through the quick lag, W.
        slow_w: through the slow lag, W.
        room_quick_c: room through the quick lag, °C.
        room_slow_c: through the slow lag, °C.
        fed_w: power through the mat's own lag, W; for the lead.
        settle_h: hours until the lags are known, h.
        hours: calm hours of the day that runs.
        xx: their sum of squared power come through, W².
        xy: of power come through times rise, W·K.
        x: of power come through, W.
        led_k: of leads, K.
        led_w: of power through the mat's lag, W.
        leads: hours with a lead.
        confirming: days that a change is still to be confirmed by; 0: none is suspected.
        since_day: day of the reference.
        lift: the ratio lift, logarithm of K/W.
        lead: the ratio lead, logarithm of K/W.
        key: what the reference goes by: watts and lags; with another it begins anew.
    """

    at: int | None = None
    quick_w: float = 0.0
    slow_w: float = 0.0
    room_quick_c: float = 0.0
    room_slow_c: float = 0.0
    fed_w: float = 0.0
    settle_h: int = SETTLE_H
    hours: int = 0
    xx: float = 0.0
    xy: float = 0.0
    x: float = 0.0
    led_k: float = 0.0
    led_w: float = 0.0
    leads: int = 0
    confirming: int = 0
    since_day: int | None = None
    lift: Trace = Trace()
    lead: Trace = Trace()
    key: tuple[float, ...] = ()


_MAT_LAG_S = 0.5 * HOUR_S
"""The slower part of the mat's lead, as ``LEAD_SLOW_S``; hours are long beside it."""


def afresh(drift: Drift) -> Drift:
    """The box was filled or moved: another box as far as heat is concerned."""
    drift = changed(drift, since_day=None, lift=Trace(), lead=Trace(), confirming=0)
    return _new_day(changed(drift, settle_h=SETTLE_H))


def _new_day(drift: Drift) -> Drift:
    return changed(drift, hours=0, xx=0.0, xy=0.0, x=0.0, led_k=0.0, led_w=0.0, leads=0)


def advance_hour(
    drift: Drift, hour: Hour, response: Response, watts: float
) -> tuple[Drift, Change | None]:
    """Take an hour into account; at the end of a day tell what has changed, or None.

    Args:
        drift: of the hour before.
        hour: the one that has ended.
        response: lags and load of the box: of the identified model, or the usual shape.
        watts: rated power, W.
    """
    key = (watts, response.slow_s, response.quick_s, response.load_k)
    if drift.key != key:
        drift = changed(Drift(), key=key)
    missed = None if drift.at is None else hour.number - drift.at
    if missed is None or not 1 <= missed <= BRIDGED_H:
        base_w = max(0.0, (hour.layer_c - hour.room_c - response.load_k) / response.gain_k_per_w)
        drift = changed(
            drift,
            quick_w=base_w,
            slow_w=base_w,
            room_quick_c=hour.room_c,
            room_slow_c=hour.room_c,
            fed_w=hour.watts,
            settle_h=SETTLE_H,
        )
        missed = 1
    before_w, before_c = _come(drift, response)
    drift = _run(drift, hour, response, missed * HOUR_S)
    after_w, after_c = _come(drift, response)
    change = None
    if drift.at is not None and hour.number // DAY_H != drift.at // DAY_H:
        drift, change = _end_day(drift, watts, drift.at // DAY_H)
    drift = changed(drift, at=hour.number, settle_h=max(0, drift.settle_h - missed))
    if not hour.calm or drift.settle_h:
        return drift, change
    x = 0.5 * (before_w + after_w)
    rise_k = hour.layer_c - 0.5 * (before_c + after_c) - response.load_k
    drift = changed(
        drift,
        hours=drift.hours + 1,
        xx=drift.xx + x * x,
        xy=drift.xy + x * rise_k,
        x=drift.x + x,
    )
    if hour.mat_c is not None:
        drift = changed(
            drift,
            led_k=drift.led_k + hour.mat_c - hour.layer_c,
            led_w=drift.led_w + drift.fed_w,
            leads=drift.leads + 1,
        )
    return drift, change


def _come(drift: Drift, response: Response) -> tuple[float, float]:
    """Power, W, and room, °C, as the wet layer feels them."""
    heat_w = drift.slow_w + response.quick_share * (drift.quick_w - drift.slow_w)
    share = response.room_quick_share
    return heat_w, drift.room_slow_c + share * (drift.room_quick_c - drift.room_slow_c)


def _run(drift: Drift, hour: Hour, response: Response, seconds: float) -> Drift:
    """Move the lags on; the dead time is added to the quick lag, which hours cannot tell apart."""
    quick = -math.expm1(-seconds / (response.quick_s + response.dead_s))
    slow = -math.expm1(-seconds / (response.slow_s + response.dead_s))
    room_quick = -math.expm1(-seconds / response.quick_s)
    room_slow = -math.expm1(-seconds / response.slow_s)
    # The mean over the hour of what has come through the mat's lag.
    lag = _MAT_LAG_S / seconds * -math.expm1(-seconds / _MAT_LAG_S)
    return changed(
        drift,
        quick_w=drift.quick_w + (hour.watts - drift.quick_w) * quick,
        slow_w=drift.slow_w + (hour.watts - drift.slow_w) * slow,
        room_quick_c=drift.room_quick_c + (hour.room_c - drift.room_quick_c) * room_quick,
        room_slow_c=drift.room_slow_c + (hour.room_c - drift.room_slow_c) * room_slow,
        fed_w=hour.watts + (drift.fed_w - hour.watts) * lag,
    )


def _end_day(drift: Drift, watts: float, day: int) -> tuple[Drift, Change | None]:
    """Take the day's ratios into account."""
    hours, sums = drift.hours, drift
    drift = _new_day(drift)
    if hours < CALM_HOURS or sums.x < LEAST_DUTY * watts * hours or sums.xy <= 0.0:
        return drift, None
    lift = sums.xy / sums.xx
    if lift * sums.x / hours < LEAST_RISE_K:
        return drift, None
    lead_k = sums.led_k / max(1, sums.leads)
    led = sums.leads >= CALM_HOURS and sums.led_w > 0.0 and lead_k >= LEAST_RISE_K
    if drift.since_day is None:
        drift = changed(drift, since_day=day)
    confirming = drift.confirming > 0
    rise_k = lift * sums.x / hours
    traces = _take(drift.lift, math.log(lift), rise_k, confirming=confirming), drift.lead
    if led:
        lead = math.log(sums.led_k / sums.led_w)
        traces = traces[0], _take(drift.lead, lead, lead_k, confirming=confirming)
    drift = changed(drift, lift=traces[0], lead=traces[1])
    if not confirming:
        crossed = any(max(trace.up, trace.down) >= BOUND for trace in traces)
        return (changed(drift, confirming=CONFIRM_DAYS) if crossed else drift), None
    if drift.confirming > 1:
        return changed(drift, confirming=drift.confirming - 1), None
    change = _change(drift)
    if max(abs(_off(trace) or 0.0) - trace.loose for trace in traces) < LEAST_CHANGE:
        lift_trace, lead_trace = (
            Trace(trace.reference, trace.days, trace.per_k) for trace in traces
        )
        return changed(drift, confirming=0, lift=lift_trace, lead=lead_trace), None
    # From here on the box is held to what it has become.
    lift_trace, lead_trace = (_rebased(trace) for trace in traces)
    return changed(drift, confirming=0, lift=lift_trace, lead=lead_trace, since_day=day), change


def _take(trace: Trace, value: float, difference_k: float, *, confirming: bool) -> Trace:
    """Take a day's logarithm into account, made of a difference of two probes, K."""
    per_k = 1.0 / difference_k
    if trace.days < REFERENCE_DAYS or trace.reference is None:
        days = trace.days + 1
        before = 0.0 if trace.reference is None else trace.reference
        mean = before + (value - before) / days
        return Trace(mean, days, trace.per_k + (per_k - trace.per_k) / days)
    loose = PROBES_K * abs(per_k - trace.per_k)
    if confirming:
        count = trace.confirmed + 1
        return replace(
            trace,
            confirmed=count,
            lately=trace.lately + (value - trace.lately) / count,
            lately_per_k=trace.lately_per_k + (per_k - trace.lately_per_k) / count,
            loose=trace.loose + (loose - trace.loose) / count,
        )
    off = value - trace.reference
    return Trace(
        trace.reference,
        trace.days,
        trace.per_k,
        max(0.0, trace.up + off - SLACK - loose),
        max(0.0, trace.down - off - SLACK - loose),
    )


def _rebased(trace: Trace) -> Trace:
    """Held to what the box has become; the difference it was seen at is that of the last days."""
    if trace.reference is None or not trace.confirmed:
        return trace
    return Trace(trace.lately, REFERENCE_DAYS, trace.lately_per_k)


def _off(trace: Trace) -> float | None:
    if trace.reference is None or not trace.confirmed:
        return None
    return trace.lately - trace.reference


def _change(drift: Drift) -> Change:
    lift, lead = _off(drift.lift) or 0.0, _off(drift.lead)
    return Change(
        math.expm1(lift),
        None if lead is None else math.expm1(lead),
        cause(lift, lead, drift.lead.loose),
        drift.since_day or 0,
    )


def to_plain(drift: Drift) -> dict[str, Any]:
    """What is remembered, as JSON data."""
    return {
        "at": drift.at,
        "lags": [drift.quick_w, drift.slow_w, drift.room_quick_c, drift.room_slow_c, drift.fed_w],
        "settle_h": drift.settle_h,
        "day": [drift.hours, drift.xx, drift.xy, drift.x, drift.led_k, drift.led_w, drift.leads],
        "confirming": drift.confirming,
        "since_day": drift.since_day,
        "lift": asdict(drift.lift),
        "lead": asdict(drift.lead),
        "key": list(drift.key),
    }


def from_plain(data: Any, later_h: int | None) -> Drift:
    """From what ``to_plain`` made.

    Args:
        data: JSON data.
        later_h: what to add to its hours so that they are those of this run; None where nobody
            knows how long ago it was: then the day that ran is lost and the lags begin anew.

    Raises:
        ValueError: it is none of ours.
    """
    match data:
        case {
            "at": (None | int()) as at,
            "lags": [*lags],
            "settle_h": int(settle_h),
            "day": [int(hours), *sums, int(leads)],
            "confirming": int(confirming),
            "since_day": (None | int()) as since_day,
            "lift": lift,
            "lead": lead,
            "key": [*key],
        } if len(lags) == 5 and len(sums) == 5:
            pass
        case _:
            raise ValueError("it is no drift of a box")
    numbers = [_number(each) for each in (*lags, *sums, *key)]
    made = Drift(
        lift=_trace(lift),
        lead=_trace(lead),
        confirming=confirming,
        since_day=since_day,
        key=tuple(numbers[10:]),
    )
    if at is None or later_h is None:
        return made
    days = later_h // DAY_H
    xx, xy, x, led_k, led_w = numbers[5:10]
    return changed(
        made,
        at=at + later_h,
        quick_w=numbers[0],
        slow_w=numbers[1],
        room_quick_c=numbers[2],
        room_slow_c=numbers[3],
        fed_w=numbers[4],
        settle_h=settle_h,
        hours=hours,
        xx=xx,
        xy=xy,
        x=x,
        led_k=led_k,
        led_w=led_w,
        leads=leads,
        since_day=None if since_day is None else since_day + days,
    )


def _trace(data: Any) -> Trace:
    match data:
        case {"reference": reference, "days": int(days), "confirmed": int(confirmed)}:
            pass
        case _:
            raise ValueError("a ratio of its drift is damaged")
    names = ("per_k", "up", "down", "lately", "lately_per_k", "loose")
    return Trace(
        reference=None if reference is None else _number(reference),
        days=days,
        confirmed=confirmed,
        **{name: _number(data.get(name)) for name in names},
    )


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("a number of its drift is damaged")
    return float(value)
