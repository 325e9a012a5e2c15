"""What the probes showed when a trusted thermometer was read, and whether the bed was steady.

The callus zone follows the wet layer and the room late, so a reading is not compared with what the
probes showed at that minute but with that passed through the same lags as the estimate.  How far
the answer depends on lags that nobody has measured is the reading's own uncertainty from weather:
nothing in still weather, much in a warm-up.  Pure; light enough for any command.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from bottomheat.calibration.ledger import Pairing
from bottomheat.config import Direct, FixedOffset, Offset, TemperatureFactor
from bottomheat.config_sections import HeatFlow
from bottomheat.durations import words
from bottomheat.errors import InputError
from bottomheat.estimate import lags_s, memory_s
from bottomheat.model import Estimate

NEAR_S = 150.0
"""Probes are taken as their mean over so long before and after the reading, s."""

WITHIN_S = 300.0
"""Nothing logged within so long of the reading: nothing to compare it with, s."""

GAP_S = 3600.0
"""A hole in the log of this length: what the bed did in it is not known, s."""

LEAST_HOURS = 12.0
"""Record before a reading: three times the default lag of the room, so that what was before it
counts for 5 % at most."""

FACTOR = 0.75
"""Temperature factor where the config has none; common practice, no source."""

LAG_DOUBT = 2.0
LAG_DOUBT_MEASURED = 1.3
"""The true lags lie within this factor of the default ones, and of measured ones, either way: on
calculated boxes the best room lag is 1.8 to 5 h; judgement for measured ones."""

BEFORE_K = 5.0
"""How far the bed may have been elsewhere before the record began, K; judgement."""

STEADY_K = 0.15
"""A reading that weather makes more doubtful than this (k = 1) does not enter a fit, K."""

WARM_THROUGH_S = 24 * 3600.0
COLDER_K = 4.0
"""A bed whose wet layer was colder by this within a day is not warm through: the slow mode of the
boxes calculated has a time constant of about 10 h, which no lag on the probes describes."""

SLOPE_S = 2 * 3600.0
SLOPE_K_PER_H = 0.4
"""Slope test of the wet layer: the least-squares line over so long, and the slope that is not
steady.  By itself a bed under control moves by 0.1-0.2 K/h in real weather (calculated)."""

TENDED_S = 3 * 3600.0
"""An opened box has recovered after so long: about three times the lag of the wet layer, s."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One row of the log, as far as a pairing needs it.

    Attributes:
        at_s: when, s on any axis that all rows share.
        substrate_c: wet layer that control goes by, °C; None without a good reading.
        room_c: room, °C, or None.
        heat: share of the time with heat until the next row, 0...1.
        estimate: what the service took the callus zone for.
        setpoint_c: what the callus zone should have felt, °C.
    """

    at_s: float
    substrate_c: float | None
    room_c: float | None
    heat: float
    estimate: Estimate | None = None
    setpoint_c: float | None = None


def pair(
    seen: Sequence[Seen],
    at_s: float,
    *,
    offset: Offset,
    watts: float,
    probes: Mapping[str, str],
    corrections_k: Mapping[str, float],
    calibrated: bool,
    tended_s: Sequence[float] = (),
) -> Pairing:
    """Pair a reading with what the probes showed.

    Args:
        seen: rows of the log up to some minutes after the reading, better from three days before;
            in order of time.
        at_s: when the thermometer was read, s on the axis of ``seen``.
        offset: the offset of that time, for its lags and its factor.
        watts: rated power of the mat, W.
        probes: name of the probe at each place.
        corrections_k: what was added to the readings at each place, K.
        calibrated: the offset came from a calibration for this position of the lid.
        tended_s: when the box was tended, on the same axis.

    Raises:
        InputError: no wet layer was logged near that time.
    """
    rows = [row for row in seen if row.at_s <= at_s + NEAR_S]
    near = [row for row in rows if abs(row.at_s - at_s) <= WITHIN_S and row.substrate_c is not None]
    if not near:
        raise InputError(
            "no reading of the wet layer was logged within 5 minutes of that time, so there is "
            "nothing to compare with: give another time with --at, or read again while the "
            "service runs."
        )
    closest = min(near, key=lambda row: abs(row.at_s - at_s))
    near = [row for row in near if abs(row.at_s - at_s) <= NEAR_S] or [closest]
    bank = _Bank(offset, watts)
    for row in rows:
        if row.at_s <= max(at_s, closest.at_s):
            bank.take(row)
    layer_c = _mean([row.substrate_c for row in near])
    assert layer_c is not None  # noqa: S101 - near holds only rows with one
    room_c = _mean([row.room_c for row in near])
    steadiness_k = bank.steadiness_k(has_room=room_c is not None)
    why = _why(bank, rows, at_s, layer_c, steadiness_k, tended_s)
    estimate = closest.estimate
    return Pairing(
        substrate_c=layer_c,
        room_c=room_c,
        lagged_substrate_c=bank.layer.value if bank.layer.value is not None else layer_c,
        lagged_room_c=None if room_c is None else bank.room.value,
        power_w=bank.power.value,
        steadiness_k=steadiness_k,
        hours=bank.hours,
        steady=not why,
        why=why,
        room_lag_h=bank.room.tau_s / 3600.0,
        substrate_lag_h=bank.layer.tau_s / 3600.0,
        memory_h=bank.power.tau_s / 3600.0,
        estimate_c=None if estimate is None else estimate.celsius,
        expanded_k=None
        if estimate is None or not math.isfinite(estimate.expanded_k)
        else estimate.expanded_k,
        calibrated=calibrated,
        probes=dict(probes),
        corrections_k=dict(corrections_k),
    )


@dataclass(slots=True)
class _Lag:
    """A first-order lag on one series."""

    tau_s: float
    value: float | None = None

    def take(self, value: float | None, dt_s: float) -> None:
        if value is None:
            return
        if self.value is None or self.tau_s <= 0.0:
            self.value = value
        else:
            self.value += (value - self.value) * -math.expm1(-dt_s / self.tau_s)


@dataclass(slots=True)
class _Bank:
    """The lags of an offset, and their neighbours."""

    offset: Offset
    watts: float
    room: _Lag = field(init=False)
    layer: _Lag = field(init=False)
    power: _Lag = field(init=False)
    rooms: tuple[_Lag, _Lag] = field(init=False)
    layers: tuple[_Lag, _Lag] = field(init=False)
    began_s: float | None = None
    last_s: float | None = None
    heat: float = 0.0

    def __post_init__(self) -> None:
        room_s, layer_s = lags_s(self.offset)
        self.room, self.layer = _Lag(room_s), _Lag(layer_s)
        self.power = _Lag(memory_s(self.offset))
        doubt = LAG_DOUBT_MEASURED if _measured(self.offset) else LAG_DOUBT
        self.rooms = (_Lag(room_s / doubt), _Lag(room_s * doubt))
        self.layers = (_Lag(layer_s / doubt), _Lag(layer_s * doubt))

    def take(self, row: Seen) -> None:
        dt_s = 0.0 if self.last_s is None else max(row.at_s - self.last_s, 0.0)
        if row.substrate_c is None:
            return
        if self.began_s is None or dt_s > GAP_S:
            self.began_s = row.at_s
        for lag in (self.layer, *self.layers):
            lag.take(row.substrate_c, dt_s)
        for lag in (self.room, *self.rooms):
            lag.take(row.room_c, dt_s)
        # The heat of a row counts from it to the next.
        self.power.take(self.heat * self.watts, dt_s)
        self.heat = row.heat
        self.last_s = row.at_s

    @property
    def hours(self) -> float:
        """Length of the unbroken record, h."""
        if self.began_s is None or self.last_s is None:
            return 0.0
        return (self.last_s - self.began_s) / 3600.0

    def steadiness_k(self, *, has_room: bool) -> float:
        """Standard uncertainty from lags in doubt and from before the record, K."""
        f = _factor(self.offset)
        parts = [f * _half(self.layers), f * _left(BEFORE_K, self.hours, self.layer.tau_s)]
        if has_room:
            parts += [
                (1 - f) * _half(self.rooms),
                (1 - f) * _left(BEFORE_K, self.hours, self.room.tau_s),
            ]
        return math.hypot(*parts) / math.sqrt(3.0)


def _measured(offset: Offset) -> bool:
    return (
        isinstance(offset, TemperatureFactor)
        and offset.room_lag_h is not None
        and offset.substrate_lag_h is not None
    )


def _factor(offset: Offset) -> float:
    match offset:
        case TemperatureFactor(factor=factor) | Direct(factor=factor):
            return factor
        case FixedOffset() | HeatFlow():
            return FACTOR


def _half(pair: tuple[_Lag, _Lag]) -> float:
    quick, slow = pair
    return 0.0 if quick.value is None or slow.value is None else abs(quick.value - slow.value) / 2


def _left(start_k: float, hours: float, tau_s: float) -> float:
    """What is left of a wrong start, K."""
    return start_k * math.exp(-hours * 3600.0 / tau_s) if tau_s > 0.0 else 0.0


def _mean(values: Sequence[float | None]) -> float | None:
    good = [value for value in values if value is not None]
    return sum(good) / len(good) if good else None


def _why(
    bank: _Bank,
    rows: Sequence[Seen],
    at_s: float,
    layer_c: float,
    steadiness_k: float,
    tended_s: Sequence[float],
) -> str:
    """What was not steady, and when to read again; empty where all was."""
    opened = [at_s - when_s for when_s in tended_s if 0.0 <= at_s - when_s < TENDED_S]
    if opened:
        return (
            f"the box was opened {words(min(opened))} before: read again "
            f"{words(TENDED_S)} after it was closed"
        )
    if bank.hours < LEAST_HOURS:
        return (
            f"the log goes back only {words(bank.hours * 3600)} without a gap: read again once it "
            f"has run for {LEAST_HOURS:g} h"
        )
    day = [row for row in rows if at_s - row.at_s <= WARM_THROUGH_S and row.substrate_c is not None]
    colder = [row for row in day if (row.substrate_c or 0.0) < layer_c - COLDER_K]
    if colder:
        ago_s = at_s - colder[-1].at_s
        return (
            f"the bed was {COLDER_K:g} K colder {words(ago_s)} before and is not warm through: "
            f"read again in {words(WARM_THROUGH_S - ago_s)}"
        )
    slope = _slope_k_per_h(day, at_s)
    if abs(slope) > SLOPE_K_PER_H:
        way = "warming" if slope > 0 else "cooling"
        return f"the wet layer was {way} by {abs(slope):.1f} K an hour: read again in some hours"
    if steadiness_k > STEADY_K:
        return (
            "room and wet layer had moved so much that the answer depends on how late the bases "
            f"follow (± {2 * steadiness_k:.1f} °C): read again when the weather is calmer"
        )
    return ""


def _slope_k_per_h(rows: Sequence[Seen], at_s: float) -> float:
    """Least-squares slope of the wet layer over the last hours, K/h."""
    points = [
        ((row.at_s - at_s) / 3600.0, row.substrate_c)
        for row in rows
        if row.substrate_c is not None and at_s - row.at_s <= SLOPE_S
    ]
    if len(points) < 3:
        return 0.0
    mean_h = sum(h for h, _ in points) / len(points)
    mean_c = sum(c for _, c in points) / len(points)
    spread = sum((h - mean_h) ** 2 for h, _ in points)
    if spread <= 0.0:
        return 0.0
    return sum((h - mean_h) * (c - mean_c) for h, c in points) / spread
