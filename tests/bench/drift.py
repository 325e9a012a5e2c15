"""What ``drift`` tells of boxes that change over weeks, and of boxes that do not.

    python tests/bench/drift.py [QUIET BOXES] [CHANGED BOXES] [SEED]

Boxes in closed loop in the rooms of sheds in recorded weather (vega-datasets), probes with constant
errors.  Quiet ones live ten weeks, two of three with the usual lags instead of identified ones;
every event there is false.  Changed ones live five weeks as they are, then for six weeks: the lid
left off; the medium drying from 0.36 to 0.20 W/(m·K) and losing a quarter of its heat capacity; the
mat fading by 20 %; a draught (wind at the outer faces); the layer drying; a mat at 10 % less mains
voltage at once.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

sys.path.append(str(Path(__file__).resolve().parents[1]))

from bottomheat.capacity import Basis, Lift
from bottomheat.chamber import Chamber
from bottomheat.construction import RSE_M2K_PER_W, Construction
from bottomheat.drift import Drift, advance_hour
from bottomheat.drift_words import Change, words
from bottomheat.response import Response
from bottomheat.rooms import RoomSeries
from bottomheat.tonight import response_of
from calibration_world import random_biases, random_box, settled_at, shed_room, truth_factor
from cold_nights import config_of, hours_of
from random_boxes import draw_boxes

CYCLE_S = 120.0
QUIET_DAYS = 70.0
BEFORE_DAYS, AFTER_DAYS = 35.0, 42.0


@dataclass(frozen=True, slots=True)
class Told:
    """An event: on which day, and what."""

    day: float
    change: Change


def told(
    model: Any,
    factor: float,
    watts: float,
    response: Response | None,
    room: RoomSeries,
    days: float,
    rng: random.Random,
    k_per_w: float,
    **how: Any,
) -> list[Told]:
    """Let a box live, and gather what drift tells."""
    chamber = config_of(factor, watts, limits={"mat": 85.0, "substrate": 48.0}, layer_ceiling=42.0)
    lags = response or response_of(chamber, Lift(k_per_w, Basis.NOMINAL))
    drift, found = Drift(), []
    biases = random_biases(rng)
    lives = hours_of(model, chamber, room, days, rng, biases=biases, cycle_s=CYCLE_S, **how)
    for lived in lives:
        drift, change = advance_hour(drift, lived.hour, lags, watts)
        if change is not None:
            found.append(Told(lived.hour.number / 24.0, change))
    return found


def quiet(count: int, seed: int) -> Iterator[tuple[str, list[Told]]]:
    """Boxes that do not change."""
    for index, box in enumerate(draw_boxes(count, seed)):
        rng = random.Random(f"quiet {seed} {index}")
        room = shed_room(rng, QUIET_DAYS, span_k=10.0)
        watts = max(box.watts, 5.0 * round((25.0 - room.coldest_c) / box.gain("callus") / 5.0))
        lags = box.two_lags() if index % 3 == 0 else None
        yield (
            box.name,
            told(
                box.make(),
                box.factor,
                watts,
                lags,
                room,
                QUIET_DAYS,
                rng,
                box.gain_k_per_w,
            ),
        )


def another(model: Chamber, construction: Construction) -> Chamber:
    """The box as it has become, as warm as it was."""
    new = Chamber(construction)
    new.open_lid(model.lid)
    new._state = model._state.copy()
    new._started = True
    return new


Ageing = tuple[Callable[[Any, float], Any], Callable[[float], float]]


def _same(model: Any, day: float) -> Any:
    del day
    return model


def _full(day: float) -> float:
    del day
    return 1.0


def ageing(kind: str, box: Construction) -> Ageing:
    """(what becomes of the box, what the mat gives) by day."""

    def into(day: float) -> float:
        return min(1.0, max(0.0, (day - BEFORE_DAYS) / AFTER_DAYS))

    def by_day(made: Callable[[float], Construction]) -> Callable[[Any, float], Any]:
        def change(model: Any, day: float) -> Any:
            daily = round(day * 24.0) % 24 == 0 and into(day) > 0.0
            return another(model, made(into(day))) if daily else model

        return change

    def lid(model: Any, day: float) -> Any:
        if into(day) > 0.0 and model.lid == "on":
            model.open_lid("off")
        return model

    dry = 0.20 / 0.36
    match kind:
        case "lid off":
            return lid, _full
        case "medium dries":
            return by_day(
                lambda share: replace(
                    box,
                    medium_w_per_mk=box.medium_w_per_mk * (1.0 - share * (1.0 - dry)),
                    medium_j_per_m3k=box.medium_j_per_m3k * (1.0 - 0.25 * share),
                )
            ), _full
        case "layer dries":
            return by_day(
                lambda share: replace(box, layer_w_per_mk=box.layer_w_per_mk * (1.0 - 0.35 * share))
            ), _full
        case "draught":
            windy = replace(
                box,
                lid_outer_m2k_per_w=RSE_M2K_PER_W,
                wall_outer_m2k_per_w=RSE_M2K_PER_W,
                board_outer_m2k_per_w=RSE_M2K_PER_W,
            )
            return by_day(lambda _: windy), _full
        case "mat fades":
            return _same, lambda day: 1.0 - 0.2 * into(day)
        case "low voltage":
            return _same, lambda day: 1.0 if into(day) <= 0.0 else 0.81
        case _:
            raise ValueError(kind)


KINDS = ("lid off", "medium dries", "mat fades", "draught", "layer dries", "low voltage")


def aged(kind: str, index: int, seed: int) -> list[Told]:
    """A box that changes after five weeks."""
    rng = random.Random(f"aged {kind} {seed} {index}")
    box = random_box(rng)
    room = shed_room(rng, BEFORE_DAYS + AFTER_DAYS, span_k=10.0)
    watts = 5.0 * round(settled_at(box, room.coldest_c)[1] * 1.3 / 5.0)
    change, power = ageing(kind, box)
    k_per_w = Chamber(box).settled("substrate", 1.0, 0.0)
    return told(
        Chamber(box),
        truth_factor(box),
        watts,
        None,
        room,
        BEFORE_DAYS + AFTER_DAYS,
        rng,
        k_per_w,
        change=change,
        power=power,
    )


def main() -> None:
    """Print what was told."""
    quiets = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    changed = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 8
    false = 0
    for name, found in quiet(quiets, seed):
        false += len(found)
        for each in found:
            print(f"  {name}, day {each.day:.0f}: {words(each.change, 'day 5')}")
    print(f"no change: {quiets * QUIET_DAYS / 7:.0f} box-weeks, {false} events", flush=True)
    for kind in KINDS:
        for index in range(changed):
            found = aged(kind, index, seed)
            print(f"{kind}: {len(found)} events", flush=True)
            for each in found:
                c = each.change
                lead = "-" if c.lead_share is None else f"{100 * c.lead_share:+.0f} %"
                print(
                    f"  day {each.day - BEFORE_DAYS:+.0f}: lift {100 * c.lift_share:+.0f} %, lead "
                    f"{lead}: {c.cause.value}"
                )


if __name__ == "__main__":
    main()
