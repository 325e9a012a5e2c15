"""What a loop will do, run on the identified model before anybody uses it.

The law is the daemon's own (``regulate``), evaluated when the daemon evaluates it.  The box is the
model, and heat is spread over the windows: two lags and a dead time carry the pulses of a window
through to the wet layer, where a real bed smears them to a hundredth of a kelvin.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from bottomheat import regulate
from bottomheat.response import Response, Twin, advance, rested
from bottomheat.tuning.margins import period_s
from bottomheat.tuning.rules import Gains

Drive = Callable[[float], float]
"""A temperature, °C, by the time since the start, s."""

STEP_S = 60.0
"""The law's filter and the wet layer are worked out in steps of about this, s."""


@dataclass(frozen=True, slots=True)
class Plant:
    """A box as the loop sees it.

    Attributes:
        response: of the wet layer to heat and room.
        watts: full power, W.
        factor: how much of the wet layer's distance from the room reaches the callus zone.
        layer_lag_s: how late the callus zone follows the wet layer, s.
        room_lag_s: how late it follows the room, s.
    """

    response: Response
    watts: float
    factor: float = 1.0
    layer_lag_s: float = 0.0
    room_lag_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Course:
    """What a loop did: one entry a step.

    Attributes:
        hours: time since the start, h.
        layer_c: wet layer, °C.
        callus_c: callus zone, °C.
        wanted_c: what the wet layer was asked for, °C.
        duty: the law's output, 0...1.
        room_c: °C.
    """

    hours: tuple[float, ...]
    layer_c: tuple[float, ...]
    callus_c: tuple[float, ...]
    wanted_c: tuple[float, ...]
    duty: tuple[float, ...]
    room_c: tuple[float, ...]

    def rms_k(self, callus_zone_c: float, after_h: float = 0.0) -> float:
        """RMS of the callus zone about its setpoint from a time on, K."""
        late = [c for t, c in zip(self.hours, self.callus_c, strict=True) if t >= after_h]
        return math.sqrt(sum((c - callus_zone_c) ** 2 for c in late) / len(late))


def run(
    plant: Plant,
    gains: Gains,
    window_s: float,
    *,
    callus_zone_c: Drive,
    room_c: Drive,
    hours: float,
    start_room_c: float | None = None,
) -> Course:
    """Run the law on a model of the box, from rest at the setpoint of the start.

    Args:
        plant: the box.
        gains: tunings of the law.
        window_s: time-proportioning window, s.
        callus_zone_c: setpoint of the callus zone over time.
        room_c: room over time.
        hours: for how long.
        start_room_c: room before the start; that of the start where left out.
    """
    length_s = period_s(window_s)
    step_s = window_s / max(1, round(window_s / STEP_S))
    room = room_c(0.0) if start_room_c is None else start_room_c
    wanted_c = room + (callus_zone_c(0.0) - room) / plant.factor
    twin: Twin = rested(plant.response, wanted_c, room)
    tunings = _tunings(plant, gains)
    duty = _settled_duty(plant, wanted_c, room)
    feed = min(1.0, max(0.0, (wanted_c - room) / tunings.rise_k))
    law = regulate.Law(
        integral=duty - feed, feed=feed, duty=duty, key=(), asked_c=0.0, evaluated_s=-length_s
    )
    law = regulate.measure(law, wanted_c, 0.0, bounded=False)
    late_layer_c, late_room_c, ahead_c = wanted_c, room, room
    lead_s = max(0.0, plant.room_lag_s - plant.layer_lag_s)
    rows: list[tuple[float, float, float, float, float, float]] = []
    for i in range(round(hours * 3600.0 / step_s)):
        now_s = i * step_s
        room = room_c(now_s)
        layer_c = twin.place_c(plant.response)
        if i:
            law = regulate.measure(law, layer_c, now_s, bounded=False)
        ahead_c += (room - ahead_c) * _share(step_s, lead_s)
        late_layer_c += (layer_c - late_layer_c) * _share(step_s, plant.layer_lag_s)
        late_room_c += (room - late_room_c) * _share(step_s, plant.room_lag_s)
        wanted_c = ahead_c + (callus_zone_c(now_s) - ahead_c) / plant.factor
        if i % round(length_s / step_s) == 0:
            law = regulate.pid(law, wanted_c, room, tunings, now_s, key=(), asked_c=0.0)
        callus_c = late_room_c + plant.factor * (late_layer_c - late_room_c)
        rows.append((now_s / 3600.0, layer_c, callus_c, wanted_c, law.duty, room))
        twin = advance(twin, plant.response, step_s, plant.watts * law.duty, room)
    return Course(*zip(*rows, strict=True))


def _share(step_s: float, lag_s: float) -> float:
    return 1.0 if lag_s <= 0.0 else -math.expm1(-step_s / lag_s)


def _tunings(plant: Plant, gains: Gains) -> regulate.Tuning:
    return regulate.Tuning(
        gain_per_k=gains.gain_per_k,
        integral_s=gains.integral_s,
        derivative_s=gains.derivative_s,
        rise_k=plant.response.gain_k_per_w * plant.watts,
    )


def _settled_duty(plant: Plant, layer_c: float, room_c: float) -> float:
    return min(1.0, max(0.0, plant.response.watts_for(layer_c, room_c) / plant.watts))


def weather(mean_c: float) -> Drive:
    """A room that follows the day by 3 K and the hours by 0.5 K either way; judgement."""

    def room_c(now_s: float) -> float:
        day = math.sin(2 * math.pi * now_s / 86_400.0)
        hours = math.sin(2 * math.pi * now_s / (3.7 * 3600.0))
        return mean_c + 3.0 * day + 0.5 * hours

    return room_c
