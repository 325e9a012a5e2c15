"""The laws: from the wet layer and its setpoint to a duty or to on/off.

Both laws act on the wet layer.  Its setpoint already carries the offset, so one kelvin of error
here is f kelvin at the callus zone.

The PID is simple-pid, rebuilt from its state at every evaluation, and guarded: its integral clamp
lets a NaN through for ever and winds up, so inputs are checked and integration is conditional; it
has no derivative filter, so the derivative is taken over a whole window of a filtered measurement.

Tuning rule, one for every chamber that was not tuned: SIMC for an integrating process
(S. Skogestad, J. Process Control 13 (2003) 291-309) with the initial slope of 8.84 K/h at full
power of a 45 W mat and 20 min of effective delay gives 0.172 per kelvin for the nominal bed.  Seven
tenths of it, an integral time of 2 h and a derivative time of 7.5 min suit beds that answer faster
as well: on 200 random boxes within handbook ranges the sensitivity peak is at most 2 in 99 % and
none swings (calculated; 85 % and one that swings at the whole gain with 10 min), and the smallest
gain margin over seven chamber models is 4.4.  That costs 0.01 K RMS at the callus zone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from simple_pid import PID

from bottomheat.config import ChamberConfig
from bottomheat.feedforward import Lead

GAIN_W_PER_K = 0.7 * 0.172 * 45.0
INTEGRAL_S = 2 * 3600.0
DERIVATIVE_S = 450.0
LAYER_RISE_K_PER_W = 0.71
"""Steady rise of the wet layer over the room per watt, for the feed-forward where no rise is
configured: calculated from handbook properties (0.54-0.88 over their ranges)."""

FILTER_S = 60.0
PERIOD_S = 600.0
"""The law is evaluated once a window, and no more often than this: its derivative is the
difference over that time, and one step of 1/16 K in 10 s would swing the duty by two thirds."""

TRACKING_S = 3600.0
"""Tracking time of the integral while the wet layer is at its ceiling; judgement."""

TRIM_S = 2 * 3600.0
TRIM_BOUND_K = 0.6
"""The on/off law overshoots more when it is lightly loaded; a slow trim of its switching point
takes that bias away."""


@dataclass(frozen=True, slots=True)
class Tuning:
    """PID tunings in ideal form and the feed-forward's rise."""

    gain_per_k: float
    integral_s: float
    derivative_s: float
    rise_k: float


@dataclass(frozen=True, slots=True)
class Law:
    """State of both laws.

    Attributes:
        at_s: time of the last cycle.
        evaluated_s: time of the last PID evaluation.
        filtered_c: low-passed wet layer.
        previous_c: ``filtered_c`` at the last evaluation.
        integral: integral part, duty.
        feed: feed-forward of the last evaluation, duty; with ``integral`` what the box needs.
        duty: the law's output, 0...1.
        key: what the integral was built on; when that changes it is rebuilt without a bump.
            Kept with the integral while heat is held off: what the box needs has not changed.
        asked_c: callus-zone setpoint at the last evaluation, so that a new one acts at once.
        bounded: heat was cut short by a bound since the last evaluation.
        held: it was so between the two evaluations before this time, for the screen.
        want: the on/off law's output.
        trim_k: shift of the on/off law's switching point.
        lead: the model that leads, where there is one.
        heated_s: how long the contact was closed since it led last, s.
    """

    at_s: float | None = None
    evaluated_s: float | None = None
    filtered_c: float | None = None
    previous_c: float | None = None
    integral: float = 0.0
    feed: float = 0.0
    duty: float = 0.0
    key: tuple[object, ...] | None = None
    asked_c: float | None = None
    bounded: bool = False
    held: bool = False
    want: bool = False
    trim_k: float = 0.0
    lead: Lead | None = None
    heated_s: float = 0.0


def tuning(chamber: ChamberConfig) -> Tuning:
    """The chamber's tunings: its own where given, else the rule for its watts."""
    model = chamber.model
    rise_k = chamber.heater.full_power_rise_k
    if rise_k is None and model is not None:
        rise_k = model.gain_k_per_w * chamber.heater.watts
    watts, pid = chamber.heater.watts, chamber.pid
    return Tuning(
        gain_per_k=GAIN_W_PER_K / watts if pid.gain_per_k is None else pid.gain_per_k,
        integral_s=INTEGRAL_S if pid.integral_h is None else pid.integral_h * 3600.0,
        derivative_s=DERIVATIVE_S if pid.derivative_h is None else pid.derivative_h * 3600.0,
        rise_k=rise_k or LAYER_RISE_K_PER_W * watts,
    )


def measure(
    law: Law, substrate_c: float, now_s: float, *, bounded: bool, closed: bool = False
) -> Law:
    """Low-pass the wet layer and remember bounds; every cycle, whether the law acts or not.

    Args:
        law: state of the cycle before.
        substrate_c: wet layer, °C.
        now_s: monotonic time, s.
        bounded: a bound cut heat short.
        closed: the contact was closed since the cycle before.
    """
    bounded = bounded or law.bounded
    if closed and law.at_s is not None and 0.0 <= now_s - law.at_s <= PERIOD_S:
        law = replace(law, heated_s=law.heated_s + now_s - law.at_s)
    if not math.isfinite(substrate_c):
        return replace(law, at_s=None, filtered_c=None, previous_c=None, bounded=bounded)
    if law.filtered_c is None or law.at_s is None or not 0.0 <= now_s - law.at_s <= PERIOD_S:
        return replace(law, at_s=now_s, filtered_c=substrate_c, previous_c=None, bounded=bounded)
    share = -math.expm1((law.at_s - now_s) / FILTER_S)
    filtered = law.filtered_c + (substrate_c - law.filtered_c) * share
    return replace(law, at_s=now_s, filtered_c=filtered, bounded=bounded)


def idle(law: Law) -> Law:
    """The law while heat is held off: no output, and what it has learnt of the box is kept."""
    if law.evaluated_s is None and not law.want:
        return law
    return replace(
        law, evaluated_s=None, previous_c=None, duty=0.0, want=False, bounded=False, held=False
    )


def due(law: Law, now_s: float, key: tuple[object, ...], asked_c: float, window_s: float) -> bool:
    """Whether the PID is to be evaluated: with a new window, or at once when it was changed."""
    if law.evaluated_s is None or law.key != key or law.asked_c != asked_c:
        return True
    return now_s - law.evaluated_s >= max(PERIOD_S - window_s / 2, PERIOD_S / 2)


def pid(
    law: Law,
    setpoint_c: float,
    room_c: float | None,
    tunings: Tuning,
    now_s: float,
    *,
    key: tuple[object, ...],
    asked_c: float,
    given_duty: float = 1.0,
    feed_duty: float | None = None,
    reference_c: float | None = None,
) -> Law:
    """One evaluation of the PID: feed-forward from the room, trimmed within what is left of 0...1.

    Args:
        law: state; ``measure`` has run for this cycle.
        setpoint_c: wet-layer setpoint, °C.
        room_c: room, °C, for the feed-forward; None without one.
        tunings: gains and full-power rise.
        now_s: monotonic time, s.
        key: identity of everything but the setpoint that the output depends on.
        asked_c: the callus-zone setpoint behind ``setpoint_c``, °C.
        given_duty: what the last window gave; counts where a bound cut it short.
        feed_duty: feed-forward of a model; None for that of the steady state.
        reference_c: where that model is on its way to the setpoint, °C; the PID acts on the
            difference to it.  None for the setpoint itself.

    Returns:
        The new state with ``duty`` in 0...1; duty 0 if any number is not finite.
    """
    value_c = law.filtered_c
    reference_c = setpoint_c if reference_c is None else reference_c
    numbers = (
        setpoint_c,
        reference_c,
        value_c,
        room_c if room_c is not None else 0.0,
        feed_duty or 0.0,
    )
    if value_c is None or not all(n is not None and math.isfinite(n) for n in numbers):
        return idle(law)
    led, feed = feed_duty is not None, feed_duty
    if feed is None:
        feed = 0.0 if room_c is None else (setpoint_c - room_c) / tunings.rise_k
    feed = min(1.0, max(0.0, feed))
    error_k = reference_c - value_c
    gain = tunings.gain_per_k
    integral = law.integral
    dt_s = 0.0 if law.evaluated_s is None else now_s - law.evaluated_s
    if law.key is not None and law.key != key:
        integral += law.feed - feed
        if law.evaluated_s is not None and law.asked_c == asked_c:
            integral = _bumpless(integral, law.duty, feed + gain * error_k)
            # On the way to a setpoint the error may have been to where the model was: no more than
            # can act, or a box would be held cold for a day.
            integral = min(1.0 - feed, max(-feed, integral))
            dt_s = 0.0
    low, high = -feed, 1.0 - feed
    learnt = integral
    if law.bounded and error_k < 0.0 and given_duty < law.duty:
        # Too warm and cut short: follow what the bound allowed, or it would go on cutting.
        integral += (given_duty - law.duty) * min(1.0, dt_s / TRACKING_S)
    integral = min(high, max(low, integral))
    beyond = learnt - integral if led else 0.0
    trim = integral
    if dt_s > 0.0:
        expected = feed + integral + gain * error_k
        saturated = (error_k > 0.0 and (law.bounded or expected >= 1.0)) or (
            error_k < 0.0 and expected <= 0.0
        )
        controller = PID(
            0.0,
            0.0,
            0.0,
            setpoint=reference_c,
            sample_time=None,
            output_limits=(low, high),
            time_fn=lambda: 0.0,
            starting_output=integral,
        )
        if law.previous_c is not None and law.key == key and dt_s >= PERIOD_S / 2:
            controller(law.previous_c, dt=dt_s)
        controller.tunings = (
            gain,
            0.0 if saturated else gain / tunings.integral_s,
            gain * tunings.derivative_s,
        )
        output = controller(value_c, dt=dt_s)
        trim = math.nan if output is None else output
        integral = controller.components[1]
    else:
        trim = min(high, max(low, integral + gain * error_k))
    duty = feed + trim
    if not (math.isfinite(duty) and math.isfinite(integral)):
        return replace(idle(law), integral=0.0, feed=0.0, key=None)
    return replace(
        law,
        evaluated_s=now_s,
        previous_c=value_c,
        integral=integral + beyond,
        feed=feed,
        duty=min(1.0, max(0.0, duty)),
        key=key,
        asked_c=asked_c,
        bounded=False,
        held=law.bounded,
    )


def at_duty(law: Law, duty: float, now_s: float, *, key: tuple[object, ...], asked_c: float) -> Law:
    """One evaluation of a law that the model leads alone: the duty given, the integral kept.

    Args:
        law: state; ``measure`` has run for this cycle.
        duty: for the coming window, 0...1.
        now_s: monotonic time, s.
        key: as for ``pid``.
        asked_c: as for ``pid``, °C.
    """
    return replace(
        law,
        evaluated_s=now_s,
        previous_c=law.filtered_c,
        duty=min(1.0, max(0.0, duty)),
        key=key,
        asked_c=asked_c,
        bounded=False,
        held=law.bounded,
    )


def _bumpless(integral: float, duty: float, rest: float) -> float:
    """The integral that leaves the duty where it is beside the other parts, ``rest``.

    At 0 or at full power any integral beyond does so too; then the one there was stays, because a
    box that has been too warm for hours must not be given a duty for when it has cooled.
    """
    needed = duty - rest
    if duty <= 0.0:
        return min(integral, needed)
    return max(integral, needed) if duty >= 1.0 else needed


def hysteresis(law: Law, setpoint_c: float, differential_k: float, now_s: float) -> Law:
    """One cycle of the on/off law, with a slow trim against its bias.

    Args:
        law: state; ``measure`` has run for this cycle.
        setpoint_c: wet-layer setpoint, °C.
        differential_k: total width between switching on and off, K.
        now_s: monotonic time, s.

    Returns:
        The new state; ``want`` says whether heat is wanted, and ``duty`` is 1 or 0 accordingly.
    """
    value_c = law.filtered_c
    if value_c is None or not math.isfinite(value_c) or not math.isfinite(setpoint_c):
        return idle(law)
    error_k = setpoint_c - value_c
    dt_s = 0.0 if law.evaluated_s is None else min(60.0, max(0.0, now_s - law.evaluated_s))
    trim_k = law.trim_k
    if -1.5 < error_k < 1.0:
        trim_k = max(-TRIM_BOUND_K, min(TRIM_BOUND_K, trim_k + error_k * dt_s / TRIM_S))
    error_k += trim_k
    want = law.want
    if error_k >= differential_k / 2:
        want = True
    elif error_k <= -differential_k / 2:
        want = False
    return replace(
        law, evaluated_s=now_s, want=want, duty=1.0 if want else 0.0, trim_k=trim_k, key=None
    )
