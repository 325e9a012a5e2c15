"""Foresight in the daemon: warns before a cold night, tells drift, and outlives a restart."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from bottomheat.capacity import lift_of
from bottomheat.config import Config
from bottomheat.foresight import SAVE_EVERY_H, Foresight
from bottomheat.model import (
    Alarm,
    Condition,
    Estimate,
    Event,
    EventKind,
    Good,
    Place,
    Record,
)
from bottomheat.outside import Outside, Run
from bottomheat.protect.tending import Doing, Lid, Tending
from bottomheat.response import advance, rested
from bottomheat.tonight import response_of
from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.desk_file import MemoryDesk
from loopbench import BOX, Bench, config

HOUR_MS = 3_600_000
STEP_S = 360.0
MODEL = {"gain": 0.7, "slow_lag": 8.0, "quick_lag": 1.5, "quick_share": 0.35, "dead_time": 0.25}


def made(**changes: Any) -> Config:
    keys = {
        "callus_zone": 25.0,
        "model": MODEL,
        "layer_ceiling": 42.0,
        "limits": {"substrate": 48.0, "mat": 85.0},
        **changes,
    }
    return config(**keys)


@dataclass
class Shed:
    """One box in a room, and foresight beside it; ten rows an hour."""

    config: Config
    learned: MemoryDesk = field(default_factory=MemoryDesk)
    start_s: float = 360.0
    wall_ms: int = 1_800_000_000_000
    synchronised: bool = True

    def __post_init__(self) -> None:
        bench = Bench(turns=0, made=self.config, learned=self.learned)
        self.clock = ManualClock(self.start_s, wall_ms=self.wall_ms, synchronised=self.synchronised)
        self.run: Run = bench.loop._run
        self.out: Outside = replace(bench.loop._out, clock=self.clock)
        self.events: list[Event] = []
        self.foresight = Foresight(self.out, self.run, self.events.append)
        self.now_s = self.start_s
        self.stands: dict[Any, str] = {}
        box = self.config.chambers[BOX]
        self.response = response_of(box, lift_of(box))
        self.twin = rested(self.response, 29.0, 12.0)
        self.state(no_heat=None)

    def state(self, **changes: Any) -> None:
        chambers = self.run.state.chambers
        state = replace(chambers[BOX], **changes)
        self.run.state = replace(self.run.state, chambers={**chambers, BOX: state})

    def live(
        self,
        hours: float,
        room: Callable[[float], float],
        *,
        alarms: frozenset[Alarm] = frozenset(),
        loses: float = 1.0,
    ) -> list[bool]:
        """Go on for so long; whether the warning stood after each step."""
        stood = []
        watts = self.config.chambers[BOX].heater.watts
        for _ in range(round(hours * 3600.0 / STEP_S)):
            self.now_s += STEP_S
            self.clock.set(self.now_s)
            room_c = room(self.now_s / 3600.0)
            layer_c = self.twin.place_c(self.response)
            wanted_c = room_c + (25.0 - room_c) / 0.75
            duty = (self.response.watts_for(wanted_c, room_c) + 3.0 * (wanted_c - layer_c)) / watts
            heat = (self.now_s / STEP_S % 10.0) / 10.0 < duty
            self.twin = advance(self.twin, self.response, STEP_S, watts * heat * loses, room_c)
            layer_c = self.twin.place_c(self.response)
            callus_c = min(25.0, room_c + 0.75 * (layer_c - room_c))
            readings = ((Place.SUBSTRATE, Good(layer_c, self.now_s)), (Place.ROOM, Good(room_c, 0)))
            record = Record(
                BOX,
                self.now_s,
                readings,
                Estimate(callus_c, 0.4),
                25.0,
                wanted_c,
                duty,
                heat,
                Condition.HOLDING,
                "",
                alarms,
            )
            self.stands = self.foresight.turn([record], self.now_s)
            stood.append((BOX, Alarm.TONIGHT) in self.stands)
        return stood


def turning(hour: float) -> float:
    """Mild for two days, then ever colder."""
    return max(-8.0, 10.0 - max(0.0, hour - 40.0) * 0.6)


def test_a_cold_night_is_warned_of_with_what_comes() -> None:
    shed = Shed(made())
    assert not any(shed.live(40, turning))
    assert any(shed.live(30, turning))
    assert "instead of 25 °C" in shed.stands[BOX, Alarm.TONIGHT]


def test_a_box_that_nobody_measured_is_not_warned_of() -> None:
    assert not any(Shed(made(model=None)).live(70, turning))


@pytest.mark.parametrize(
    "changes",
    [
        {"lid": Lid.OFF},
        {"no_heat": "cut"},
        {"tending": Tending(Doing.LOOK, 0.0, 1e9)},
    ],
)
def test_nothing_is_foretold_of_a_box_in_other_hands(changes: dict[str, Any]) -> None:
    shed = Shed(made())
    shed.state(**changes)
    assert not any(shed.live(70, turning))


def test_once_it_is_cold_the_shortfall_has_the_word() -> None:
    shed = Shed(made())
    shed.live(60, turning)
    assert not any(shed.live(10, turning, alarms=frozenset({Alarm.SHORTFALL})))


def test_an_empty_box_is_not_spoken_of() -> None:
    assert not any(Shed(made(in_use=False)).live(70, turning))


def test_a_change_over_weeks_is_an_event_with_a_date_and_where_to_look() -> None:
    shed = Shed(made())
    shed.live(24 * 10, lambda _: 8.0)
    assert shed.events == []
    shed.live(24 * 10, lambda _: 8.0, loses=0.8)
    assert [event.kind for event in shed.events] == [EventKind.DIAGNOSED]
    event = shed.events[0]
    assert event.chamber == BOX
    assert event.durable
    assert "a watt lifts the wet layer 20 % less" in event.text
    assert "since about 17 January" in event.text


def test_what_was_learned_outlives_a_restart() -> None:
    learned = MemoryDesk()
    before = Shed(made(), learned)
    before.live(52, turning)
    assert len(learned.saved) >= 48 // SAVE_EVERY_H
    json.dumps(learned.saved[-1])
    later_ms = before.clock.wall_ms() + HOUR_MS // 2
    after = Shed(made(), MemoryDesk(learned.saved[-1]), start_s=720.0, wall_ms=later_ms)
    after.twin = before.twin
    shift_h = before.now_s / 3600.0
    assert any(after.live(12, lambda hour: turning(hour + shift_h))), "the day behind was kept"
    fresh = Shed(made(), MemoryDesk(), start_s=720.0)
    fresh.twin = before.twin
    assert not any(fresh.live(12, lambda hour: turning(hour + shift_h)))


def test_a_clock_that_is_not_set_gives_no_night_behind_but_keeps_the_drift() -> None:
    learned = MemoryDesk()
    before = Shed(made(), learned)
    before.live(24 * 10, lambda _: 8.0)
    after = Shed(made(), MemoryDesk(learned.saved[-1]), synchronised=False)
    after.twin = before.twin
    after.live(24 * 12, lambda _: 8.0, loses=0.8)
    assert len(after.events) == 1
    assert "days ago" in after.events[0].text
    assert len(after.learned.saved) == 1, "only what it began with"


@pytest.mark.parametrize(
    "payload",
    [
        [],
        {},
        {"hour": "a"},
        {"hour": 1, "wall_ms": 2, "boxes": {BOX: {}}},
        {"hour": 1, "wall_ms": 1_800_000_000_000, "boxes": {BOX: {"night": 1, "drift": 2}}},
    ],
)
def test_what_was_kept_by_nobody_of_us_is_forgotten(payload: Any) -> None:
    shed = Shed(made(), MemoryDesk(payload))
    shed.live(3, lambda _: 8.0)
    assert shed.events == []


def test_a_fault_of_its_own_ends_foresight_and_is_told_once() -> None:
    shed = Shed(made())
    shed.live(2, lambda _: 8.0)
    shed.learned.save = None  # type: ignore[method-assign, assignment]
    for _ in range(50):
        record = Record(BOX, shed.now_s, (), None, 25.0, None, 0.0, False, Condition.HOLDING, "")
        shed.now_s += 3600.0
        assert shed.foresight.turn([record], shed.now_s) == {}
    assert [event.kind for event in shed.events] == [EventKind.DIAGNOSED]
    assert "nothing is foretold" in shed.events[0].text
    shed.foresight.stop(shed.now_s)  # the end of the run is logged all the same


def test_a_fault_at_the_end_of_a_run_does_not_keep_the_end_from_the_log() -> None:
    shed = Shed(made())
    shed.live(2, lambda _: 8.0)
    shed.learned.save = None  # type: ignore[method-assign, assignment]
    shed.foresight.stop(shed.now_s)  # the loop logs the end after this
    assert len(shed.events) <= 1


def test_the_loop_asks_for_it_and_status_shows_what_was_learned() -> None:
    learned = MemoryDesk()
    bench = Bench(turns=1700, made=made(), learned=learned)
    bench.loop.run()
    assert learned.saved
    shown = bench.loop.handle({"do": "status"})["chambers"][0]["learned"]
    assert set(shown) == {"full_power_rise_k", "full_power_lead_k", "hours"}
