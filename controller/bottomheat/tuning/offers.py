"""From a response with its intervals to tunings that may be offered: a rule, checked and lowered.

A rule is fed the early slope of the wet layer and its dead time, never one lag fitted to the whole
curve: that fits such a bed within two per cent and gives a loop that swings without end
(calculated).  Whatever a rule says is then checked on the response itself, and on what it may be
within its intervals, with the law as the daemon runs it.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from bottomheat.errors import RefusedError
from bottomheat.response import Response
from bottomheat.tuning import margins, rules
from bottomheat.tuning.margins import Curve, Margins, Ultimate
from bottomheat.tuning.rules import Gains, Process

Rule = Literal["simc", "amigo", "relay"]
RULES: tuple[Rule, ...] = ("simc", "amigo", "relay")

PEAK_LIMIT = 1.8
"""Largest sensitivity that is offered.  SIMC's tight tuning has 1.6 to 1.7 by design; 1.4 to 2.0
is the usual range (Åström & Hägglund, Advanced PID Control, from memory)."""

CORNER_LIMIT = 2.0
"""The same on what a response may be within its intervals, all of them at their worst at once."""

ASSUMED: Mapping[str, float] = {"slope": 0.15, "dead": 0.20, "steady": 0.20}
"""How far early slope, dead time and the slow end may be off, as shares, where nobody has said;
judgement, after what fits on simulated boxes missed."""

_SCALES = tuple(0.94**n for n in range(38))
_STRETCHES = (1.0, 1.5, 2.2, 3.3, 5.0)
_POINTS = 160


LIKENESS_S = 180.0
"""Two lags and a dead time are a likeness: however sure a fit is, heat may be felt so much later
than its dead time says.  On 40 boxes drawn within handbook ranges the loop is liveliest where that
dead time is a few minutes; this takes the sensitivity there from 2.6 to 2.0 (calculated)."""

RELAY_SLOPE = (0.95, 1.45)
"""What the early slope may be over that of a model from a relay run, as factors.  The run shows the
bed at one quick swing, where heat that has to seep through answers less than its early slope says:
the slope is 1.1 to 1.4 times as steep on ten boxes drawn within handbook ranges (calculated)."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """How far a response may be from the truth, as factors from lowest to highest.

    Attributes:
        slope: of the early slope.
        dead: of the dead time.
        steady: of the steady gain, with the slow lag in step so that the late slope stays.
    """

    slope: tuple[float, float] = (1 - ASSUMED["slope"], 1 + ASSUMED["slope"])
    dead: tuple[float, float] = (1 - ASSUMED["dead"], 1 + ASSUMED["dead"])
    steady: tuple[float, float] = (1 - ASSUMED["steady"], 1 + ASSUMED["steady"])


@dataclass(frozen=True, slots=True)
class Offer:
    """Tunings that may be used, and what they rest on.

    Attributes:
        rule: which rule.
        gains: the tunings.
        published: what the rule said before the check.
        process: what the rule was fed, None for one that goes by the ultimate gain.
        ultimate: what such a rule was fed.
        window_s: the window they are for, s.
        margins: on the response.
        worst_peak: largest sensitivity on what the response may be.
        notes: what there is to say, in sentences.
    """

    rule: Rule
    gains: Gains
    published: Gains
    process: Process | None
    ultimate: Ultimate | None
    window_s: float
    margins: Margins
    worst_peak: float
    notes: tuple[str, ...] = ()


def early_slope_k_per_s(response: Response, watts: float) -> float:
    """How fast the wet layer rises at full power once it has begun to, K/s."""
    quick = response.quick_share / response.quick_s
    slow = (1.0 - response.quick_share) / response.slow_s
    return watts * response.gain_k_per_w * (quick + slow)


def reduced(response: Response, watts: float, window_s: float) -> Process:
    """The process that a rule is fed: integrating by the early slope, delay with half a window.

    For nothing but tuning: the steady gain is left out, which is what keeps it safe.  A duty is
    held from one evaluation to the next, so half of that is delay (half rule).
    """
    return Process(
        early_slope_k_per_s(response, watts),
        math.inf,
        response.dead_s + margins.period_s(window_s) / 2.0,
    )


def check_dead_time(response: Response, first_rise_s: float | None) -> None:
    """Refuse a response that answers before the bed was seen to.

    Args:
        response: what a fit gave.
        first_rise_s: time to the first rise that was measured, s; None where it was not.

    Raises:
        RefusedError: it does; a tuning from it would be too sharp.
    """
    if first_rise_s is not None and response.dead_s < 0.8 * first_rise_s - 30.0:
        raise RefusedError(
            f"the model has heat felt after {response.dead_s / 60:.0f} min, and it was measured "
            f"to take {first_rise_s / 60:.0f} min: tunings from it would be too sharp, so none are "
            "given; identify the box again with a step."
        )


def doubt_of(
    response: Response, bounds: Mapping[str, tuple[float, float]], *, relay: bool = False
) -> Doubt:
    """What intervals of a fit say of slope, dead time and slow end.

    Gain and slow lag of a fit hang together: a slower box with more gain has the same curve for
    hours.  So they count together for the slow end, and the early slope has an interval of its own
    where the fit gave one (``slope``, K/s per W), else the assumed one.

    Args:
        response: the fit.
        bounds: by the name of a field of the response, its 95 % interval.
        relay: the fit is of a relay run.
    """
    usual = Doubt(slope=RELAY_SLOPE) if relay else Doubt()

    def share(name: str, value: float, else_: tuple[float, float]) -> tuple[float, float]:
        if name not in bounds or value <= 0.0:
            return else_
        low, high = bounds[name]
        return max(0.2, min(1.0, low / value)), min(5.0, max(1.0, high / value))

    slope = share("slope", early_slope_k_per_s(response, 1.0), usual.slope)
    low, high = share("dead_s", response.dead_s, usual.dead)
    dead = low, max(high, 1.0 + LIKENESS_S / max(response.dead_s, 1.0))
    steady = share("gain_k_per_w", response.gain_k_per_w, usual.steady)
    return Doubt(slope, dead, steady)


def corners(response: Response, doubt: Doubt) -> tuple[Response, ...]:
    """What the response may be within its doubt: every corner, and itself first."""
    found = [response]
    for slope in doubt.slope:
        for dead in doubt.dead:
            for steady in doubt.steady:
                slow_s = max(response.slow_s * steady, response.quick_s)
                grown = slow_s / response.slow_s
                # The quick lag's part of the gain stays what it was; the slow one's grows.
                quick = response.quick_share
                gain = response.gain_k_per_w * (quick + (1.0 - quick) * grown)
                found.append(
                    replace(
                        response,
                        gain_k_per_w=gain * slope,
                        slow_s=slow_s,
                        quick_share=quick * response.gain_k_per_w / gain,
                        dead_s=max(response.dead_s, 1.0) * dead,
                    )
                )
    return tuple(found)


def offer(
    response: Response,
    watts: float,
    window_s: float,
    rule: Rule = "simc",
    *,
    doubt: Doubt | None = None,
    measured: Ultimate | None = None,
) -> Offer:
    """Tune by a rule, check on everything the response may be, and lower the gain if need be.

    Args:
        response: of the wet layer to watts.
        watts: full power, W.
        window_s: the window to tune for, s.
        rule: ``simc``, ``amigo`` (both PI), or ``relay``: Tyreus-Luyben from the ultimate gain.
        doubt: how far the response may be off.
        measured: ultimate gain and period that a relay run gave, without a window; where left out
            they are solved from the response as it is sampled.

    Raises:
        RefusedError: nothing from a tenth of the gain up is good enough.
    """
    process: Process | None = None
    ultimate: Ultimate | None = None
    if rule == "relay":
        if measured is None:
            ultimate = loop_ultimate(response, watts, window_s)
        else:
            ultimate = windowed(measured, window_s)
        published = rules.tyreus_luyben(ultimate.gain_per_k, ultimate.period_s)
    else:
        process = reduced(response, watts, window_s)
        published = rules.simc(process) if rule == "simc" else rules.amigo_pi(process)
    there = corners(response, doubt or Doubt())
    grids = _Grids(there, watts, window_s)
    gains, notes = _good(published, grids)
    return Offer(
        rule,
        gains,
        published,
        process,
        ultimate,
        window_s,
        margins.loop_margins(response, watts, gains, window_s),
        grids.worst(gains),
        notes,
    )


def loop_ultimate(response: Response, watts: float, window_s: float) -> Ultimate:
    """Ultimate gain and period of the wet layer as the law sees it, window and filter included."""
    length_s = margins.period_s(window_s)
    return margins.ultimate(
        margins.sampled(response, watts, window_s), 0.01 / response.slow_s, math.pi / length_s
    )


def windowed(measured: Ultimate, window_s: float) -> Ultimate:
    """Ultimate gain and period with half a window of delay more than a relay run had.

    By the integrating process that has the same: its delay is a quarter of the period, and its
    ultimate gain falls as its delay grows.  Within 5 % of the solved one on the nominal bed.

    Args:
        measured: of the relay run, which switches at once.
        window_s: the window, s.
    """
    longer = 1.0 + margins.period_s(window_s) / 2.0 / (measured.period_s / 4.0)
    return Ultimate(measured.gain_per_k / longer, measured.period_s * longer)


def worst_peak(responses: Sequence[Response], watts: float, gains: Gains, window_s: float) -> float:
    """Largest sensitivity over several responses; infinite where one of them swings."""
    return _Grids(tuple(responses), watts, window_s).worst(gains)


def _good(published: Gains, grids: _Grids) -> tuple[Gains, tuple[str, ...]]:
    """The liveliest tunings from a rule's that stay within the limit, and what was done to them."""
    if grids.calm(published):
        return published, ()
    best: Gains | None = None
    for stretch in _STRETCHES:
        for scale in _SCALES:
            tried = Gains(
                published.gain_per_k * scale,
                published.integral_s * stretch,
                published.derivative_s,
            )
            if best is not None and _drive(tried) <= _drive(best):
                break
            if grids.calm(tried):
                best = tried
                break
    if best is None:
        raise RefusedError(
            "no tuning is calm on all that the model may be, so none is given: get to know the box "
            "better first, with a step (bottomheat identify --step) or more days of log."
        )
    slower = best.integral_s / published.integral_s
    said = f"the rule's gain was lowered to {best.gain_per_k / published.gain_per_k:.0%} of it"
    if slower > 1.01:
        said += f" and its integral time made {slower:.1f} times as long"
    return best, (f"{said}, so that the loop stays calm on all that the model may be",)


def _drive(gains: Gains) -> float:
    """How hard a tuning leans on an error that stays: what decides how fast it is taken away."""
    return gains.gain_per_k / gains.integral_s


class _Grids:
    """Responses on one grid of frequencies, worked out once for many tunings."""

    def __init__(self, responses: tuple[Response, ...], watts: float, window_s: float) -> None:
        self._length_s = margins.period_s(window_s)
        slowest_s = max(each.slow_s for each in responses)
        low, high = 0.02 / slowest_s, math.pi / self._length_s
        step = math.log(high / low) / (_POINTS - 1)
        self._grid = [low * math.exp(step * i) for i in range(_POINTS - 1)] + [high]
        curves: list[Curve] = [margins.sampled(each, watts, window_s) for each in responses]
        self._values = [[curve(w) for w in self._grid] for curve in curves]

    def worst(self, gains: Gains) -> float:
        """Largest sensitivity over the responses; infinite where one of them swings."""
        return max(self._peaks(gains))

    def calm(self, gains: Gains) -> bool:
        """Whether the first response, and all of them, stay within their limits."""
        return all(
            peak <= (CORNER_LIMIT if number else PEAK_LIMIT)
            for number, peak in enumerate(self._peaks(gains))
        )

    def _peaks(self, gains: Gains) -> Iterator[float]:
        law = margins.law(gains, self._length_s)
        laws = [law(w) for w in self._grid]
        for values in self._values:
            least, turned, before = math.inf, 0.0, 1 + 0j
            for c, g in zip(laws, values, strict=True):
                back = 1.0 + c * g
                least = min(least, abs(back))
                turned += cmath.phase(back / before)
                before = back
            # As in margins: what it has turned by the end is nothing, or the loop swings.
            yield math.inf if abs(turned) > math.pi / 2.0 or least <= 0.0 else 1.0 / least
