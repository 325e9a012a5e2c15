"""Published tuning rules, and the half rule that makes a process simple enough for them.

Pure arithmetic: times in one unit, which is seconds everywhere else in this package, and gains in
what the process is measured in (kelvin for full power; controller gains duty per kelvin).

Sources, all read second hand or from memory and worked out again:

* SIMC and the half rule: S. Skogestad, J. Process Control 13 (2003) 291-309.
* Derivative of a third of the delay: C. Grimholt & S. Skogestad, J. Process Control 70 (2018)
  36-46, from its abstract.
* AMIGO: K. J. Åström & T. Hägglund, J. Process Control 14 (2004) 635; Advanced PID Control, ISA
  2006, equations 7.5 and 7.7.
* J. G. Ziegler & N. B. Nichols, Trans. ASME 64 (1942) 759.
* B. D. Tyreus & W. L. Luyben, Ind. Eng. Chem. Res. 31 (1992) 2625.
* G. H. Cohen & G. A. Coon, Trans. ASME 75 (1953) 827.
* Lambda and IMC: D. E. Rivera, M. Morari & S. Skogestad, Ind. Eng. Chem. Process Des. Dev. 25
  (1986) 252.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Gains:
    """A PID in ideal form: gain (e + ∫e/integral + derivative·e').

    Attributes:
        gain_per_k: controller gain, duty per K.
        integral_s: integral time, s; infinite for none.
        derivative_s: derivative time, s; 0 for none.
    """

    gain_per_k: float
    integral_s: float
    derivative_s: float = 0.0

    def scaled(self, factor: float) -> Gains:
        """The same times at another gain."""
        return Gains(self.gain_per_k * factor, self.integral_s, self.derivative_s)


@dataclass(frozen=True, slots=True)
class Process:
    """A process made simple: a slope, one or two lags, a delay.

    Attributes:
        slope_k_per_s: gain over the first lag, K/s at full power; of an integrating process the
            whole of it.
        lag_s: the first lag, s; infinite for an integrating process.
        delay_s: dead time with half the time for which a duty is held, s.
        second_s: the second lag, s; 0 for none.
    """

    slope_k_per_s: float
    lag_s: float
    delay_s: float
    second_s: float = 0.0

    def __post_init__(self) -> None:
        if not (self.slope_k_per_s > 0.0 and math.isfinite(self.slope_k_per_s)):
            raise ValueError("a process needs a finite slope above 0")
        if not (self.lag_s > 0.0 and 0.0 <= self.second_s <= self.lag_s and self.delay_s >= 0.0):
            raise ValueError("a process needs a first lag above 0, no longer second one, a delay")

    @property
    def gain_k(self) -> float:
        """Steady gain, K at full power; infinite for an integrating process."""
        return self.slope_k_per_s * self.lag_s


def first_order(gain_k: float, lag_s: float, delay_s: float) -> Process:
    """A process by its steady gain, K at full power."""
    return Process(gain_k / lag_s, lag_s, delay_s)


def half_rule(
    lags_s: Sequence[float],
    delay_s: float = 0.0,
    *,
    inverse_s: Sequence[float] = (),
    lead_s: Sequence[float] = (),
    held_s: float = 0.0,
    order: int = 1,
) -> tuple[tuple[float, ...], float]:
    """Keep one or two lags; split the largest of the others half to the delay, half to the last.

    Args:
        lags_s: lags, s, in any order; infinite for an integrator.
        delay_s: delay of the process, s.
        inverse_s: time constants of inverse-response zeros (1 - T s), above 0, s.
        lead_s: time constants of small zeros (1 + T s), s, smaller than what is neglected.
        held_s: for how long an output is held (sampling), s; half of it is delay.
        order: how many lags are kept, 1 or 2.

    Returns:
        The lags kept, the longest first, and the effective delay, s.
    """
    ordered = sorted(lags_s, reverse=True)
    kept, rest = ordered[:order], ordered[order:]
    if len(kept) < order:
        kept += [0.0] * (order - len(kept))
    if rest:
        kept[-1] += rest[0] / 2.0
        delay_s += rest[0] / 2.0 + sum(rest[1:])
    delay_s += sum(inverse_s) - sum(lead_s) + held_s / 2.0
    return tuple(sorted(kept, reverse=True)), delay_s


def from_series(gain_per_k: float, integral_s: float, derivative_s: float) -> Gains:
    """The ideal form of a series PID, gain (1 + 1/(integral s)) (1 + derivative s)."""
    factor = 1.0 + derivative_s / integral_s
    return Gains(gain_per_k * factor, integral_s * factor, derivative_s / factor)


def to_series(gains: Gains) -> tuple[float, float, float]:
    """The series form of an ideal PID: gain per K, integral s, derivative s.

    Raises:
        ValueError: it has none, because its derivative time is above a quarter of the integral.
    """
    ratio = 4.0 * gains.derivative_s / gains.integral_s
    if ratio > 1.0 + 1e-9:
        raise ValueError("no series form: the derivative time is above a quarter of the integral")
    factor = (1.0 + math.sqrt(max(0.0, 1.0 - ratio))) / 2.0
    return (
        gains.gain_per_k * factor,
        gains.integral_s * factor,
        gains.derivative_s / factor,
    )


def simc(process: Process, closed_loop_s: float | None = None) -> Gains:
    """SIMC: PI for one lag or an integrator, PID where there is a second lag.

    Args:
        process: what it is for.
        closed_loop_s: the wanted time constant of the closed loop, s; its delay where left out,
            which is the paper's tight tuning.
    """
    tight_s = process.delay_s if closed_loop_s is None else closed_loop_s
    over_s = tight_s + process.delay_s
    gain = 1.0 / (process.slope_k_per_s * over_s)
    integral_s = min(process.lag_s, 4.0 * over_s)
    return from_series(gain, integral_s, process.second_s)


def improved_simc(process: Process, closed_loop_s: float | None = None) -> Gains:
    """The PI rule with a derivative of a third of the delay, in series form.

    For one lag and a delay; a second lag counts by its derivative as in ``simc``.
    """
    if process.second_s > 0.0:
        return simc(process, closed_loop_s)
    pi = simc(process, closed_loop_s)
    return from_series(pi.gain_per_k, pi.integral_s, process.delay_s / 3.0)


def amigo_pi(process: Process) -> Gains:
    """AMIGO PI for one lag and a delay, or an integrator (its limit, 13.35 delays)."""
    delay_s, lag_s = process.delay_s, process.lag_s
    if math.isinf(lag_s):
        return Gains(0.35 / (process.slope_k_per_s * delay_s), 13.35 * delay_s)
    share = delay_s * lag_s / (delay_s + lag_s) ** 2
    gain = 0.15 / process.gain_k + (0.35 - share) / (process.slope_k_per_s * delay_s)
    below = lag_s**2 + 12.0 * delay_s * lag_s + 7.0 * delay_s**2
    return Gains(gain, 0.35 * delay_s + 13.0 * delay_s * lag_s**2 / below)


def amigo_pid(process: Process) -> Gains:
    """AMIGO PID for one lag and a delay, or an integrator (its limit)."""
    delay_s, lag_s = process.delay_s, process.lag_s
    if math.isinf(lag_s):
        return Gains(0.45 / (process.slope_k_per_s * delay_s), 8.0 * delay_s, 0.5 * delay_s)
    return Gains(
        0.2 / process.gain_k + 0.45 / (process.slope_k_per_s * delay_s),
        (0.4 * delay_s + 0.8 * lag_s) * delay_s / (delay_s + 0.1 * lag_s),
        0.5 * delay_s * lag_s / (0.3 * delay_s + lag_s),
    )


def ziegler_nichols_closed(ultimate_per_k: float, period_s: float, parts: str = "pid") -> Gains:
    """Ziegler-Nichols from ultimate gain and period: ``p``, ``pi`` or ``pid``."""
    match parts:
        case "p":
            return Gains(0.5 * ultimate_per_k, math.inf)
        case "pi":
            return Gains(0.45 * ultimate_per_k, period_s / 1.2)
        case _:
            return Gains(0.6 * ultimate_per_k, period_s / 2.0, period_s / 8.0)


def ziegler_nichols_open(process: Process, parts: str = "pid") -> Gains:
    """Ziegler-Nichols from the steepest tangent of a step response: ``p``, ``pi`` or ``pid``."""
    delay_s = process.delay_s
    gain = 1.0 / (process.slope_k_per_s * delay_s)
    match parts:
        case "p":
            return Gains(gain, math.inf)
        case "pi":
            return Gains(0.9 * gain, delay_s / 0.3)
        case _:
            return Gains(1.2 * gain, 2.0 * delay_s, 0.5 * delay_s)


def tyreus_luyben(ultimate_per_k: float, period_s: float, parts: str = "pi") -> Gains:
    """Tyreus-Luyben from ultimate gain and period, gentler than Ziegler-Nichols."""
    if parts == "pi":
        return Gains(ultimate_per_k / 3.2, 2.2 * period_s)
    return Gains(ultimate_per_k / 2.2, 2.2 * period_s, period_s / 6.3)


def cohen_coon(process: Process, parts: str = "pid") -> Gains:
    """Cohen-Coon for one lag and a delay: ``pi`` or ``pid``; lively, for comparison only."""
    delay_s = process.delay_s
    r = delay_s / process.lag_s
    inverse = 1.0 / (process.slope_k_per_s * delay_s)
    if parts == "pi":
        return Gains(inverse * (0.9 + r / 12.0), delay_s * (30.0 + 3.0 * r) / (9.0 + 20.0 * r))
    return Gains(
        inverse * (4.0 / 3.0 + r / 4.0),
        delay_s * (32.0 + 6.0 * r) / (13.0 + 8.0 * r),
        4.0 * delay_s / (11.0 + 2.0 * r),
    )


def lambda_pi(process: Process, closed_loop_s: float) -> Gains:
    """Lambda tuning: the integral time is the lag, the closed loop as slow as is asked."""
    gain = 1.0 / (process.slope_k_per_s * (closed_loop_s + process.delay_s))
    return Gains(gain, process.lag_s)


def imc_pid(process: Process, closed_loop_s: float) -> Gains:
    """IMC-PID for one lag and a delay; its authors want ``closed_loop_s`` above 0.8 delays."""
    lag_s, delay_s = process.lag_s, process.delay_s
    over_s = 2.0 * lag_s + delay_s
    return Gains(
        over_s / (process.gain_k * (2.0 * closed_loop_s + delay_s)),
        over_s / 2.0,
        lag_s * delay_s / over_s,
    )
