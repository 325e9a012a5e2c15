"""The callus zone, worked out from the probes, and the wet-layer setpoint that follows from it.

In steady state the callus zone sits at a fixed fraction of the way from the room to the wet layer::

    f = (T_callus - T_room) / (T_substrate - T_room)

the temperature factor of building physics (ISO 13788 defines it for a wall's inner surface).  The
room reaches the callus zone more slowly than the wet layer does, so each path has its own lag:
first-order, tau_r on the room and tau_s on the wet layer.  Solved for the wet layer, the setpoint
takes the room with the difference of the two lags.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bottomheat.config import ChamberConfig, Direct, FixedOffset, TemperatureFactor
from bottomheat.model import Estimate

ROOM_LAG_H = 3.75
SUBSTRATE_LAG_H = 1.25
"""Lags where none were measured.  On seven chamber models with handbook properties, deep to
shallow, the best difference of the two is 1.6 to 4 h; with 2.5 h the estimate is within
0.06-0.12 K RMS of the true callus zone after warm-up.  Calculated; nobody has measured a box."""

U_PROBE_K = 0.5 / math.sqrt(3.0)
"""Standard uncertainty of an uncorrected probe: ±0.5 °C (DS18B20 datasheet) as a rectangular
distribution (JCGM 100:2008, 4.3.7)."""

U_ZONE_K = 0.25
"""Standard uncertainty for the callus zone's own gradient over ±10 mm of height; judgement."""

U_FACTOR = 0.06
U_FACTOR_CALIBRATED = 0.015
"""Standard uncertainty of f: spread over handbook properties (5-95 %: 0.59-0.83) and after a
calibration that states none."""

U_FIXED_K = 1.0
"""Standard uncertainty of a fixed offset away from the room that it was measured in; judgement."""

U_ROOM_LOST_K = 3.0
"""Standard uncertainty of the last day's mean room in place of the room; judgement."""

U_LID_K = 1.2
"""Standard uncertainty with the lid ajar or off and a calibration with it on: the offset of the
nominal box grows from 1.57 to 3.35 K in a room of 20.5 °C (calculated), taken as rectangular."""

ROOM_MEAN_S = 86_400.0
AGREE_K = 1.0
AGREE_AGAIN_K = 0.7
"""Two substrate probes agree within 1 K (two of ±0.5 °C), and again within 0.7 K."""

OUTER_INTEGRAL_S = 4 * 3600.0
OUTER_BOUND_K = 8.0
OUTER_BAND_K = 1.0
"""Outer loop of the direct method: integral action on the callus probe, slow against the hour by
which the callus zone follows the wet layer, idle until the wet layer is at its setpoint."""

START_OFFSET_K = 1.5
"""First guess of the direct method where there is no room probe; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Estimator:
    """Filter states, all °C, at ``at_s``; None before the first reading."""

    at_s: float | None = None
    room_c: float | None = None
    substrate_c: float | None = None
    setpoint_room_c: float | None = None
    room_mean_c: float | None = None
    outer_k: float = 0.0
    disagree: bool = False


@dataclass(frozen=True, slots=True)
class Inputs:
    """What control may use this cycle, °C; None where a probe is absent or cannot be relied on."""

    substrate_c: float | None
    room_c: float | None
    callus_c: float | None
    room_wanted: bool


@dataclass(frozen=True, slots=True)
class Outlook:
    """The estimate, and the wet-layer temperature that would put it at the setpoint."""

    estimate: Estimate | None
    substrate_setpoint_c: float | None
    room_c: float | None
    fallback: str | None


def control_substrate(
    estimator: Estimator, first_c: float | None, second_c: float | None
) -> tuple[Estimator, float | None]:
    """One wet-layer temperature from one or two probes.

    The mean while they agree; beyond their uncertainty the warmer rules; one lost, the other goes
    on.  Returns the new state (``disagree`` with its dead-band) and °C or None.
    """
    if first_c is None or second_c is None:
        only = second_c if first_c is None else first_c
        return replace(estimator, disagree=False) if estimator.disagree else estimator, only
    apart = abs(first_c - second_c)
    disagree = apart > (AGREE_AGAIN_K if estimator.disagree else AGREE_K)
    if disagree is not estimator.disagree:
        estimator = replace(estimator, disagree=disagree)
    return estimator, max(first_c, second_c) if disagree else (first_c + second_c) / 2


def advance(
    estimator: Estimator,
    inputs: Inputs,
    chamber: ChamberConfig,
    now_s: float,
    *,
    regulating: bool,
) -> tuple[Estimator, Outlook]:
    """One cycle of the estimate.

    Args:
        estimator: filter states of the cycle before.
        inputs: temperatures that control may use.
        chamber: the chamber's config.
        now_s: monotonic time, s.
        regulating: the law is free to act, so the outer loop may integrate.

    Returns:
        The new filter states and the outlook.
    """
    dt_s = 0.0 if estimator.at_s is None else max(0.0, min(now_s - estimator.at_s, 3600.0))
    offset = chamber.offset
    room_lag_s, layer_lag_s = _lags(offset)
    room_c = inputs.room_c
    fallback = None
    if room_c is None and inputs.room_wanted:
        room_c = estimator.room_mean_c
        fallback = "room probe lost: the last day's mean room is used"
    lagged_room = _lag(estimator.room_c, room_c, dt_s, room_lag_s)
    setpoint_room = _lag(
        estimator.setpoint_room_c, room_c, dt_s, max(0.0, room_lag_s - layer_lag_s)
    )
    layer = inputs.substrate_c
    lagged_layer = _lag(estimator.substrate_c, layer, dt_s, layer_lag_s)
    mean = _lag(estimator.room_mean_c, inputs.room_c, dt_s, ROOM_MEAN_S)
    new = replace(
        estimator,
        at_s=now_s,
        room_c=lagged_room,
        substrate_c=lagged_layer,
        setpoint_room_c=setpoint_room,
        room_mean_c=mean,
    )
    if layer is None or lagged_layer is None:
        return new, Outlook(None, None, room_c, fallback)
    u_room = U_ROOM_LOST_K if fallback else U_PROBE_K
    setpoint_c = chamber.callus_zone_c
    match offset:
        case FixedOffset():
            estimate = Estimate(
                lagged_layer - offset.offset_k, _expanded(U_PROBE_K, U_FIXED_K, U_ZONE_K)
            )
            return new, Outlook(estimate, setpoint_c + offset.offset_k, room_c, None)
        case TemperatureFactor():
            if lagged_room is None or setpoint_room is None:
                return new, Outlook(None, None, None, "no room temperature yet")
            f, b = offset.factor, offset.intercept_k
            u_f = offset.factor_uncertainty
            if u_f is None:
                u_f = U_FACTOR_CALIBRATED if offset.calibrated else U_FACTOR
            estimate = Estimate(
                lagged_room + f * (lagged_layer - lagged_room) + b,
                _expanded(
                    f * U_PROBE_K,
                    (1 - f) * u_room,
                    (lagged_layer - lagged_room) * u_f,
                    U_ZONE_K,
                ),
            )
            wanted = setpoint_room + (setpoint_c - b - setpoint_room) / f
            return new, Outlook(estimate, wanted, room_c, fallback)
        case Direct():
            return _direct(new, inputs, chamber, offset, dt_s, regulating=regulating)


def likely_c(
    estimator: Estimator, offset: FixedOffset | TemperatureFactor | Direct
) -> float | None:
    """Callus zone that wet layer and room make likely, °C, whatever a probe there says.

    Args:
        estimator: filter states.
        offset: how the callus zone follows from the probes.
    """
    layer_c, room_c = estimator.substrate_c, estimator.room_c
    if layer_c is None:
        return None
    match offset:
        case FixedOffset(offset_k=offset_k):
            return layer_c - offset_k
        case TemperatureFactor(factor=factor, intercept_k=intercept_k):
            return None if room_c is None else room_c + factor * (layer_c - room_c) + intercept_k
        case Direct(factor=factor):
            return None if room_c is None else room_c + factor * (layer_c - room_c)


def with_lid_open(outlook: Outlook, chamber: ChamberConfig) -> Outlook:
    """Widen the interval of an estimate whose calibration is for another position of the lid.

    An open lid is a constant sink, so that f alone fails.  A probe in the callus zone is not
    affected.
    """
    estimate = outlook.estimate
    if estimate is None or isinstance(chamber.offset, Direct):
        return outlook
    wider = math.hypot(estimate.expanded_k, _expanded(U_LID_K))
    return replace(outlook, estimate=replace(estimate, expanded_k=wider))


def _direct(
    new: Estimator,
    inputs: Inputs,
    chamber: ChamberConfig,
    offset: Direct,
    dt_s: float,
    *,
    regulating: bool,
) -> tuple[Estimator, Outlook]:
    setpoint_c = chamber.callus_zone_c
    f, room_c = offset.factor, new.setpoint_room_c
    wanted = setpoint_c + START_OFFSET_K
    if room_c is not None:
        wanted = room_c + (setpoint_c - room_c) / f
    callus_c = inputs.callus_c
    if callus_c is None:
        if inputs.room_c is None or new.substrate_c is None or new.room_c is None:
            return new, Outlook(None, None, inputs.room_c, "callus probe lost")
        estimate = Estimate(
            new.room_c + f * (new.substrate_c - new.room_c),
            _expanded(
                f * U_PROBE_K,
                (1 - f) * U_PROBE_K,
                (new.substrate_c - new.room_c) * U_FACTOR,
                U_ZONE_K,
            ),
        )
        return new, Outlook(
            estimate,
            wanted + new.outer_k,
            inputs.room_c,
            "callus probe lost: worked out from wet layer and room",
        )
    layer = inputs.substrate_c
    if regulating and layer is not None and abs(wanted + new.outer_k - layer) <= OUTER_BAND_K:
        outer = new.outer_k + (setpoint_c - callus_c) * dt_s / OUTER_INTEGRAL_S
        new = replace(new, outer_k=max(-OUTER_BOUND_K, min(OUTER_BOUND_K, outer)))
    estimate = Estimate(callus_c, _expanded(U_PROBE_K, U_ZONE_K))
    return new, Outlook(estimate, wanted + new.outer_k, inputs.room_c, None)


def _lags(offset: FixedOffset | TemperatureFactor | Direct) -> tuple[float, float]:
    """Lags of the room and of the wet layer, s."""
    if isinstance(offset, TemperatureFactor):
        room = ROOM_LAG_H if offset.room_lag_h is None else offset.room_lag_h
        layer = SUBSTRATE_LAG_H if offset.substrate_lag_h is None else offset.substrate_lag_h
        return room * 3600.0, layer * 3600.0
    return ROOM_LAG_H * 3600.0, SUBSTRATE_LAG_H * 3600.0


def _lag(state: float | None, value: float | None, dt_s: float, tau_s: float) -> float | None:
    """One exact step of a first-order lag; holds its state while there is no value."""
    if value is None or state is None:
        return value if state is None else state
    if tau_s <= 0.0:
        return value
    return state + (value - state) * -math.expm1(-dt_s / tau_s)


def _expanded(*u_k: float) -> float:
    """Expanded uncertainty, k = 2, of independent components (JCGM 100:2008, 5.1.2 and 6.2.1)."""
    return 2.0 * math.hypot(*u_k)
