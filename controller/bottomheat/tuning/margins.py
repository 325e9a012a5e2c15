"""How close a loop is to swinging: gain and phase margin, sensitivity peak, ultimate gain.

The loop is the daemon's own, not a continuous cousin of it: the wet layer's response and the law's
filter sampled exactly at the law's evaluations (a duty held over the windows between them), and the
law's difference equation.  Dead times enter as they are; nothing is approximated by a Padé form.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from bottomheat import regulate
from bottomheat.response import Response
from bottomheat.tuning.rules import Gains

Curve = Callable[[float], complex]
"""A frequency response: radians a second to a complex gain."""

_POINTS = 400
_TURNS = 60


@dataclass(frozen=True, slots=True)
class Margins:
    """Where a loop stands.

    Attributes:
        stable: whether the closed loop settles at all.
        gain_margin: by how much the gain may grow, a factor; infinite where nothing swings.
        phase_margin_deg: phase margin, degrees; infinite where the loop gain stays below one.
        peak: largest sensitivity, Ms; infinite where not stable.
    """

    stable: bool
    gain_margin: float
    phase_margin_deg: float
    peak: float


@dataclass(frozen=True, slots=True)
class Ultimate:
    """The gain, duty per K, at which a proportional law would just swing, and its period, s."""

    gain_per_k: float
    period_s: float


def period_s(window_s: float) -> float:
    """How often the law is evaluated with such a window, s: with a window, at ten minutes or so."""
    whole = math.ceil((regulate.PERIOD_S - window_s / 2.0) / window_s - 1e-9)
    return max(1, whole) * window_s


def plain(response: Response, watts: float) -> Curve:
    """The wet layer's answer to duty, K, without the law's filter and sampling."""

    def curve(rad_per_s: float) -> complex:
        s = 1j * rad_per_s
        quick = response.quick_share / (1.0 + s * response.quick_s)
        slow = (1.0 - response.quick_share) / (1.0 + s * response.slow_s)
        return watts * response.gain_k_per_w * (quick + slow) * cmath.exp(-s * response.dead_s)

    return curve


def sampled(
    response: Response, watts: float, window_s: float, *, edge_share: float | None = None
) -> Curve:
    """The filtered wet layer's answer to duty, K, from one evaluation of the law to another.

    Args:
        response: of the wet layer to watts.
        watts: full power, W.
        window_s: time-proportioning window, s.
        edge_share: where in a window a little more duty becomes heat, 0...1: at the end of the
            closed part, so at the duty itself. None: spread over the window, the mean of them.
    """
    length_s = period_s(window_s)
    filter_s = regulate.FILTER_S
    modes: list[tuple[float, float]] = []
    over = 0.0
    for share, lag_s in (
        (response.quick_share, response.quick_s),
        (1.0 - response.quick_share, response.slow_s),
    ):
        if abs(lag_s - filter_s) < 1e-4 * filter_s:
            lag_s = filter_s * 1.0001
        part = share * lag_s / (lag_s - filter_s)
        modes.append((part, lag_s))
        over += share - part
    modes.append((over, filter_s))
    k = watts * response.gain_k_per_w
    terms = [
        _pulse(part * k, lag_s, length_s, window_s, response.dead_s, edge_share)
        for part, lag_s in modes
    ]

    def curve(rad_per_s: float) -> complex:
        back = cmath.exp(-1j * rad_per_s * length_s)
        total = 0j
        for decay, weights in terms:
            above = sum((weight * back**late for late, weight in weights), 0j)
            total += above / (1.0 - decay * back)
        return total

    return curve


def _pulse(
    gain_k: float,
    lag_s: float,
    length_s: float,
    window_s: float,
    dead_s: float,
    edge_share: float | None,
) -> tuple[float, list[tuple[int, float]]]:
    """One lag sampled: its decay over a period, and what a duty adds after so many periods."""
    decay = math.exp(-length_s / lag_s)
    found: dict[int, float] = {}
    if edge_share is None:
        whole = math.floor(dead_s / length_s + 1e-9)
        rest_s = max(0.0, dead_s - whole * length_s)
        first = -math.expm1((rest_s - length_s) / lag_s)
        found = {whole + 1: first, whole + 2: 1.0 - first - decay}
    else:
        for number in range(round(length_s / window_s)):
            at_s = dead_s + (number + edge_share) * window_s
            whole = math.floor(at_s / length_s + 1e-9)
            left_s = length_s - max(0.0, at_s - whole * length_s)
            weight = window_s / lag_s * math.exp(-left_s / lag_s)
            found[whole + 1] = found.get(whole + 1, 0.0) + weight
    return decay, [(late, gain_k * weight) for late, weight in found.items()]


def law(gains: Gains, length_s: float) -> Curve:
    """The law's own difference equation, evaluated so often, s: duty for one kelvin."""
    share = 0.0 if math.isinf(gains.integral_s) else length_s / gains.integral_s

    def curve(rad_per_s: float) -> complex:
        less = 1.0 - cmath.exp(-1j * rad_per_s * length_s)
        return gains.gain_per_k * (1.0 + share / less + gains.derivative_s / length_s * less)

    return curve


def ideal(gains: Gains) -> Curve:
    """The continuous PID in ideal form, for comparison with published figures."""

    def curve(rad_per_s: float) -> complex:
        s = 1j * rad_per_s
        integral = 0.0 if math.isinf(gains.integral_s) else 1.0 / (gains.integral_s * s)
        return gains.gain_per_k * (1.0 + integral + gains.derivative_s * s)

    return curve


def product(*curves: Curve) -> Curve:
    """Several one after the other."""

    def curve(rad_per_s: float) -> complex:
        total = 1 + 0j
        for each in curves:
            total *= each(rad_per_s)
        return total

    return curve


def loop_margins(
    response: Response,
    watts: float,
    gains: Gains,
    window_s: float,
    *,
    edge_share: float | None = None,
) -> Margins:
    """Margins of the daemon's loop on a response; the arguments of ``sampled``."""
    length_s = period_s(window_s)
    loop = product(sampled(response, watts, window_s, edge_share=edge_share), law(gains, length_s))
    slowest_s = max(response.slow_s, gains.integral_s if math.isfinite(gains.integral_s) else 0.0)
    return margins(loop, 0.01 / slowest_s, math.pi / length_s)


def margins(loop: Curve, low_per_s: float, high_per_s: float) -> Margins:
    """Margins of an open loop that is stable but for one integrator, by search and refinement.

    Args:
        loop: loop gain, negative feedback.
        low_per_s: where the search begins, rad/s: well below everything that happens.
        high_per_s: where it ends, rad/s: half the sampling rate, or well above.
    """
    grid = _grid(low_per_s, high_per_s, _POINTS)
    values = [loop(w) for w in grid]
    crossings = [
        abs(loop(_root(lambda w: _side(loop(w)), low, high)))
        for low, high in _changes(grid, [_side(value) for value in values])
    ]
    if _at_half_a_turn(values[-1]):
        crossings.append(abs(values[-1]))
    through = [
        _side(loop(_root(lambda w: abs(loop(w)) - 1.0, low, high)))
        for low, high in _changes(grid, [abs(value) - 1.0 for value in values])
    ]
    stable = _encloses_nothing(values)
    return Margins(
        stable,
        min((1.0 / size for size in crossings), default=math.inf),
        min((math.degrees(phase) for phase in through), default=math.inf),
        _peak(loop, grid, values) if stable else math.inf,
    )


def ultimate(process: Curve, low_per_s: float, high_per_s: float) -> Ultimate:
    """The ultimate gain and period by solving the phase equation, however long the dead time.

    Raises:
        ValueError: the phase never reaches half a turn in the range.
    """
    grid = _grid(low_per_s, high_per_s, _POINTS)
    for low, high in _changes(grid, [_side(process(w)) for w in grid]):
        w = _root(lambda w: _side(process(w)), low, high)
        return Ultimate(1.0 / abs(process(w)), 2 * math.pi / w)
    last = process(high_per_s)
    if _at_half_a_turn(last):
        return Ultimate(1.0 / abs(last), 2 * math.pi / high_per_s)
    raise ValueError("the phase never reaches half a turn: no gain makes this swing")


def _side(value: complex) -> float:
    """Phase past half a turn, in radians: 0 at the point, one sign on either side of it."""
    return cmath.phase(-value)


def _at_half_a_turn(value: complex) -> bool:
    """Whether a sampled loop, which is real at half the sampling rate, is negative there."""
    return value.real < 0.0 and abs(value.imag) < 1e-6 * abs(value)


def _peak(loop: Curve, grid: list[float], values: list[complex]) -> float:
    """Largest 1/|1 + L|, refined by golden section around the best of the grid."""
    best = min(range(len(grid)), key=lambda i: abs(1.0 + values[i]))
    low, high = grid[max(0, best - 1)], grid[min(len(grid) - 1, best + 1)]
    ratio = (math.sqrt(5.0) - 1.0) / 2.0

    def distance(rad_per_s: float) -> float:
        return abs(1.0 + loop(rad_per_s))

    a, b = high - ratio * (high - low), low + ratio * (high - low)
    at_a, at_b = distance(a), distance(b)
    for _ in range(_TURNS):
        if at_a < at_b:
            high, b, at_b = b, a, at_a
            a = high - ratio * (high - low)
            at_a = distance(a)
        else:
            low, a, at_a = a, b, at_b
            b = low + ratio * (high - low)
            at_b = distance(b)
    return 1.0 / min(at_a, at_b, abs(1.0 + values[best]))


def _encloses_nothing(values: list[complex]) -> bool:
    """Nyquist's criterion, from far down the imaginary axis (one integrator) to the real axis.

    1 + L must end where it can have come without a turn about zero.
    """
    turned = cmath.phase(1.0 + values[0])
    for before, after in pairwise(values):
        turned += cmath.phase((1.0 + after) / (1.0 + before))
    return abs(turned) < math.pi / 2.0


def _grid(low: float, high: float, points: int) -> list[float]:
    step = math.log(high / low) / (points - 1)
    return [low * math.exp(step * i) for i in range(points - 1)] + [high]


def _changes(grid: list[float], values: list[float]) -> list[tuple[float, float]]:
    """Between which frequencies a value changes sign; not where a phase jumps by a turn."""
    return [
        ends
        for ends, (a, b) in zip(pairwise(grid), pairwise(values), strict=True)
        if (a > 0.0) != (b > 0.0) and abs(a - b) < math.pi
    ]


def _root(value: Callable[[float], float], low: float, high: float) -> float:
    """By halving; the signs at the ends differ."""
    at_low = value(low)
    for _ in range(_TURNS):
        middle = (low + high) / 2.0
        at = value(middle)
        if at == 0.0:
            return middle
        if (at > 0.0) == (at_low > 0.0):
            low = middle
        else:
            high = middle
    return (low + high) / 2.0
