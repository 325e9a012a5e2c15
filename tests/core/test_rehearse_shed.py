"""The shed of the rehearsed season: boxes, relays, and the ports that the daemon sees."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pytest

from bottomheat.config import Config
from bottomheat.config_parse import parse
from bottomheat.model import Place, Sample
from bottomheat.ports import ConfigChange, Lease
from bottomheat.rehearse_shed import (
    PowerCutError,
    Shed,
    ShedBox,
    ShedConfig,
    ShedControl,
    ShedKeeper,
)
from bottomheat_drivers.clock import ManualClock

HOUR = 3600.0


def config() -> Config:
    def box(gpio: int, number: int) -> dict[str, Any]:
        return {
            "callus_zone": 24,
            "heater": {"gpio": gpio, "watts": 45},
            "probes": {"substrate": f"28-00000000000{number}", "room": "28-000000000009"},
            "offset": {"method": "temperature-factor", "factor": 0.75},
        }

    found = parse({"chambers": {"north-bench": box(17, 1), "south-bench": box(27, 2)}})
    assert found.config is not None
    return found.config


def shed(room_c: float = 8.0) -> Shed:
    return Shed(config(), lambda _: room_c, seed=1)


class Script:
    """Acts at given times, and keeps what it was given."""

    def __init__(self, clock: ManualClock, *at_s: float) -> None:
        self.clock = clock
        self.at_s = list(at_s)
        self.acted: list[float] = []
        self.cut_at_s = math.inf

    def due_s(self) -> float:
        return self.at_s[0] if self.at_s else math.inf

    def act(self, handler: Any) -> None:
        self.at_s.pop(0)
        self.acted.append(self.clock.monotonic_s())
        handler({"do": "nothing"})
        if self.clock.monotonic_s() >= self.cut_at_s:
            raise PowerCutError


# -- boxes


def test_an_empty_box_is_as_warm_as_the_shed_even_with_its_mat_on() -> None:
    box = ShedBox()
    box.advance(HOUR, 45.0, 7.0)
    assert not box.filled
    assert {place: box.temperature(place) for place in ("substrate", "mat", "room")} == {
        "substrate": 7.0,
        "mat": 7.0,
        "room": 7.0,
    }


def test_a_filled_box_starts_as_cold_as_the_shed_and_warms() -> None:
    box = ShedBox()
    box.advance(HOUR, 0.0, 7.0)
    box.fill()
    assert box.temperature("callus") == pytest.approx(7.0)
    for _ in range(60):
        box.advance(60.0, 45.0, 7.0)
    assert box.temperature("mat") > 20.0
    assert box.temperature("substrate") > 7.5
    box.clear()
    assert box.temperature("mat") == 7.0


def test_an_open_lid_and_cold_bags_cool_a_filled_box_and_nothing_else() -> None:
    warm, opened, cooled = ShedBox(), ShedBox(), ShedBox()
    for box in (warm, opened, cooled):
        box.open_lid("off")  # nothing to cover yet
        box.place_bags(2.0, 1.0)
        box.fill()
        box.advance(12 * HOUR, 45.0, 7.0)
    opened.open_lid("off")
    cooled.place_bags(8.0, 1.0)
    for box in (warm, opened, cooled):
        box.advance(HOUR, 45.0, 7.0)
    assert opened.temperature("top") < warm.temperature("top") - 1.0
    assert cooled.temperature("callus") < warm.temperature("callus") - 1.0


# -- the shed


def test_heat_goes_where_the_relay_is_closed_and_closings_are_counted() -> None:
    house = shed()
    for box in house.boxes.values():
        box.fill()
    for lit in (["north-bench"], ["north-bench"], [], ["north-bench"]):
        house.heat(lit)
        house.to(house.now_s + HOUR)
    assert house.closings == {"north-bench": 2, "south-bench": 0}
    assert house.boxes["north-bench"].temperature("mat") > 20.0
    assert house.boxes["south-bench"].temperature("mat") == pytest.approx(8.0, abs=0.01)


def test_the_probes_read_what_the_boxes_are() -> None:
    house = shed(8.0)
    house.to(HOUR)
    raw = house.probes.read_all(HOUR)["north-bench"][Place.SUBSTRATE]
    assert isinstance(raw, Sample)
    assert raw.celsius == pytest.approx(8.0, abs=0.2)


def test_days_done_are_told_once_each() -> None:
    house = shed()
    told: list[float] = []
    house.on_day = told.append
    for hours in (23, 25, 47, 49, 50):
        house.to(hours * HOUR)
    assert told == [1.0, 2.0]


# -- the ports


def test_time_goes_on_to_the_deadline_and_the_script_acts_on_its_way() -> None:
    house, clock = shed(), ManualClock(100.0)
    house.to(1000.0)  # the shed was there before the daemon started
    script = Script(clock, 1030.0, 1030.0, 1060.0, 1200.0)
    asked: list[Mapping[str, Any]] = []

    def handler(request: Mapping[str, Any]) -> Mapping[str, Any]:
        asked.append(request)
        return {"ok": True}

    control = ShedControl(house, clock, script)
    assert control.serve_until(220.0, handler) is False
    assert script.acted == [130.0, 130.0, 160.0]
    assert len(asked) == 3
    assert (clock.monotonic_s(), house.now_s) == (220.0, 1120.0)


def test_a_power_cut_ends_it_where_it_was() -> None:
    house, clock = shed(), ManualClock(0.0)
    script = Script(clock, 30.0, 90.0)
    script.cut_at_s = 90.0
    with pytest.raises(PowerCutError):
        ShedControl(house, clock, script).serve_until(120.0, lambda _: {"ok": True})
    assert house.now_s == 90.0


def test_the_keeper_does_as_it_is_told_and_opens_when_it_is_left() -> None:
    house, clock = shed(), ManualClock(5.0)
    keeper = ShedKeeper(house, clock)
    assert keeper.send(Lease(5.0, frozenset({"north-bench"})))
    status = keeper.status()
    assert status is not None
    assert status.at_s == 5.0
    north, south = status.line("north-bench"), status.line("south-bench")
    assert north is not None
    assert south is not None
    assert (north.closed, north.closings, south.closed) == (True, 1, False)
    clock.set(9.0)
    later = keeper.status()
    assert later is not None
    assert later.at_s == 9.0
    keeper.close()
    assert house.lit == frozenset()


def test_a_change_of_the_config_is_seen_once_and_kept_when_accepted() -> None:
    noted: list[tuple[str, str]] = []
    source = ShedConfig(lambda text, checksum: noted.append((text, checksum)))
    assert source.poll() is None
    change = ConfigChange(config(), "text", "sum", ())
    source.write(change)
    assert source.poll() is change
    assert source.poll(force=True) is None
    source.accept(change)
    assert noted == [("text", "sum")]
