"""Tunings for one box, beside those in force: what ``tune`` shows."""

from __future__ import annotations

from dataclasses import dataclass

from bottomheat import regulate
from bottomheat.config import ChamberConfig, Direct, HeatFlow, TemperatureFactor
from bottomheat.estimate import lags_s
from bottomheat.operating_point import LEAST_FACTOR, factor_of_heat_flow
from bottomheat.response import Response
from bottomheat.tuning import margins, offers, prediction, windows
from bottomheat.tuning.margins import Margins, Ultimate
from bottomheat.tuning.offers import Doubt, Offer, Rule
from bottomheat.tuning.prediction import Course, Plant
from bottomheat.tuning.rules import Gains
from bottomheat.tuning.windows import Window

DAYS = 3.0
"""For how long the weather is run; the first day is left out."""

STEP_H = 18.0
DROP_K = 5.0
"""The room falls by so much at once: a door left open on a cold night; judgement."""


@dataclass(frozen=True, slots=True)
class Present:
    """What is in force.

    Attributes:
        gains: the law's.
        window_s: s.
        margins: on the model.
        worst_peak: largest sensitivity on all that the model may be.
        rms_k: of the callus zone in the weather of the study, K.
    """

    gains: Gains
    window_s: float
    margins: Margins
    worst_peak: float
    rms_k: float


@dataclass(frozen=True, slots=True)
class Study:
    """What a rule offers for a box, checked, beside what is in force.

    Attributes:
        offer: the tunings.
        window: the window they are for, with its reason.
        present: what is in force.
        room_c: mean room of everything that is predicted, °C.
        duty: steady duty there, 0...1.
        closings_a_day: there.
        rms_k: of the callus zone in the weather, K.
        step: the callus zone's setpoint goes up by 1 K.
        drop: the room falls by ``DROP_K``.
        present_drop: the same with what is in force.
        as_good: what is in force is calm too, and holds as well.
    """

    offer: Offer
    window: Window
    present: Present
    room_c: float
    duty: float
    closings_a_day: float
    rms_k: float
    step: Course
    drop: Course
    present_drop: Course
    as_good: bool


def plant_of(chamber: ChamberConfig, response: Response) -> Plant:
    """The box as the loop sees it: factor and lags from its offset method."""
    offset = chamber.offset
    room_s, layer_s = lags_s(offset)
    factor = 1.0
    if isinstance(offset, TemperatureFactor | Direct):
        factor = offset.factor
    elif isinstance(offset, HeatFlow):
        found = factor_of_heat_flow(offset.resistance_k_per_w, response.gain_k_per_w)
        factor = min(1.0, max(LEAST_FACTOR, found))
    return Plant(response, chamber.heater.watts, factor, layer_s, room_s)


def study(
    chamber: ChamberConfig,
    response: Response,
    rule: Rule,
    *,
    doubt: Doubt | None = None,
    measured: Ultimate | None = None,
    window_s: float | None = None,
) -> Study:
    """Tune a box by a rule, and see what comes of it on the model.

    Args:
        chamber: the box as it is configured.
        response: how its wet layer answers.
        rule: which rule.
        doubt: how far the response may be off.
        measured: ultimate gain and period of a relay run, for ``relay``.
        window_s: a window of somebody's own, s; chosen for relay and bed where left out.

    Raises:
        RefusedError: no tuning is good enough.
    """
    heater = chamber.heater
    plant = plant_of(chamber, response)
    window = _window(chamber, plant, window_s)
    doubt = doubt or Doubt()
    offer = offers.offer(
        response, heater.watts, window.window_s, rule, doubt=doubt, measured=measured
    )
    wanted_c = chamber.callus_zone_c
    room_c = _room_c(plant, wanted_c)
    duty = response.watts_for(room_c + (wanted_c - room_c) / plant.factor, room_c) / heater.watts
    duty = min(1.0, max(0.0, duty))
    given = regulate.tuning(chamber)
    present_gains = Gains(given.gain_per_k, given.integral_s, given.derivative_s)
    rms_now_k = _weather(plant, present_gains, heater.window, wanted_c, room_c)
    present = Present(
        present_gains,
        heater.window,
        margins.loop_margins(response, heater.watts, present_gains, heater.window),
        offers.worst_peak(
            offers.corners(response, doubt), heater.watts, present_gains, heater.window
        ),
        rms_now_k,
    )
    rms_k = _weather(plant, offer.gains, window.window_s, wanted_c, room_c)
    calm = present.margins.peak <= offers.PEAK_LIMIT and present.worst_peak <= offers.CORNER_LIMIT
    return Study(
        offer=offer,
        window=window,
        present=present,
        room_c=room_c,
        duty=duty,
        closings_a_day=windows.closings_a_day(duty, window.window_s, heater.min_on, heater.min_off),
        rms_k=rms_k,
        step=prediction.run(
            plant,
            offer.gains,
            window.window_s,
            callus_zone_c=lambda now_s: wanted_c - 1.0 if now_s < 1.0 else wanted_c,
            room_c=lambda _: room_c,
            hours=STEP_H,
        ),
        drop=_drop(plant, offer.gains, window.window_s, wanted_c, room_c),
        present_drop=_drop(plant, present_gains, heater.window, wanted_c, room_c),
        as_good=calm and present.rms_k <= rms_k + 0.01 and heater.window == window.window_s,
    )


def _window(chamber: ChamberConfig, plant: Plant, window_s: float | None) -> Window:
    heater = chamber.heater
    if window_s is None:
        return windows.choose(
            plant.response,
            plant.watts,
            heater.relay,
            factor=plant.factor,
            after_s=plant.layer_lag_s,
        )
    return Window(
        window_s,
        windows.ripple_k(plant.response, plant.watts, window_s),
        windows.ripple_k(
            plant.response, plant.watts, window_s, factor=plant.factor, after_s=plant.layer_lag_s
        ),
        "as you asked for",
    )


def _room_c(plant: Plant, wanted_c: float) -> float:
    """The room in which the box needs half of its power, so that nothing saturates, °C."""
    rise_k = 0.5 * plant.watts * plant.response.gain_k_per_w + plant.response.load_k
    return round(wanted_c - plant.factor * rise_k)


def _weather(
    plant: Plant,
    gains: Gains,
    window_s: float,
    wanted_c: float,
    room_c: float,
) -> float:
    course = prediction.run(
        plant,
        gains,
        window_s,
        callus_zone_c=lambda _: wanted_c,
        room_c=prediction.weather(room_c),
        hours=24.0 * DAYS,
    )
    return course.rms_k(wanted_c, 24.0)


def _drop(
    plant: Plant,
    gains: Gains,
    window_s: float,
    wanted_c: float,
    room_c: float,
) -> Course:
    return prediction.run(
        plant,
        gains,
        window_s,
        callus_zone_c=lambda _: wanted_c,
        room_c=lambda _: room_c - DROP_K / 2.0,
        hours=STEP_H,
        start_room_c=room_c + DROP_K / 2.0,
    )
