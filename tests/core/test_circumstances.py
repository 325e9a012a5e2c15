"""What lies outside the bed: sun on the room probe, warmth without heat, too little heat, none."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

import chambers
from beds import CYCLE_S, FACTS, HOUR, Beds, keys_of, warmed
from bottomheat.chamber import Chamber
from bottomheat.model import Alarm, Place
from bottomheat.protect import circumstances as outside
from bottomheat.protect.watch import Facts, Watch
from plant import config

S, ROOM, MAT = Place.SUBSTRATE, Place.ROOM, Place.MAT
two_boxes = pytest.mark.parametrize("make", [Chamber, chambers.DeepBox], ids=["nominal", "other"])


def doubted(beds: Beds, name: str = "bench") -> bool:
    watch = beds.state.chambers[name].watch
    return watch.room_s is not None or watch.room_frozen


def sun(beds: Beds, kelvin: float, hours: float = math.inf, name: str = "bench") -> None:
    """Sun on a room probe: it warms with a time constant of ten minutes, and cools as fast."""
    from_s = beds.now_s

    def truth(box, room_c):
        since_s = beds.now_s - from_s
        up = -math.expm1(-since_s / 600.0)
        if since_s > hours * 3600.0:
            up *= math.exp(-(since_s - hours * 3600.0) / 600.0)
        return room_c + kelvin * up

    beds.lies[name, ROOM] = truth


def warming(beds: Beds, from_c: float, to_c: float, hours: float):
    """A room that really goes to another temperature."""
    from_s = beds.now_s

    def room_c(now_s):
        return from_c + (to_c - from_c) * min(1.0, (now_s - from_s) / (hours * 3600.0))

    return room_c


# --- the room probe -----------------------------------------------------------------------------


@two_boxes
def test_sun_on_the_room_probe_is_not_believed_and_told_after_a_quarter_of_an_hour(make):
    beds = warmed(make)
    from_s = beds.now_s
    sun(beds, 8.0, hours=2.0)
    beds.until(lambda: doubted(beds), 0.4)
    held_s = beds.now_s
    told_h = beds.until(lambda: Alarm.ROOM_DOUBTED in beds.alarms(), 0.5)
    assert 900.0 <= beds.now_s - held_s < 900.0 + 2 * CYCLE_S
    assert told_h > 0.0
    beds.run(1)
    # 8 K of room are 2.8 K of callus zone with the factor of the box: none of it is seen.
    assert beds.callus_c["bench"][-1] == pytest.approx(25.0, abs=0.3)
    beds.until(lambda: Alarm.ROOM_DOUBTED not in beds.alarms(), 2.0)
    assert beds.now_s - from_s > 2 * 3600.0
    beds.run(2)
    assert beds.callus_c["bench"][-1] == pytest.approx(25.0, abs=0.3)
    assert beds.latched() is None


@two_boxes
def test_a_room_that_really_warms_is_believed_once_the_bed_follows(make):
    beds = warmed(make)
    beds.room_c = warming(beds, 12.0, 20.0, 0.25)
    beds.until(lambda: doubted(beds), 0.5)
    beds.until(lambda: not doubted(beds), 2.0)
    assert beds.records["bench"][-1].readings
    beds.run(6)
    assert not doubted(beds)
    assert Alarm.ROOM_DOUBTED not in beds.alarms()
    assert beds.callus_c["bench"][-1] == pytest.approx(25.0, abs=0.5)


def test_a_probe_that_stays_in_the_sun_is_used_again_after_six_hours_at_most():
    beds = warmed()
    sun(beds, 8.0)
    beds.until(lambda: doubted(beds), 0.4)
    hours = beds.until(lambda: not doubted(beds), 6.1)
    assert hours > 5.5


@pytest.mark.parametrize("hours", [3.0, 6.0])
def test_a_room_that_warms_as_a_shed_does_is_believed(hours):
    beds = warmed()
    beds.room_c = warming(beds, 12.0, 20.0, hours)
    for _ in range(round((hours + 1) * HOUR)):
        beds.step()
        assert not doubted(beds)


def test_a_room_that_falls_is_believed_at_once():
    beds = warmed()
    beds.room_c = warming(beds, 12.0, 2.0, 0.25)
    for _ in range(2 * HOUR):
        beds.step()
        assert not doubted(beds)


def two_rooms() -> Beds:
    beds = Beds(
        config(CYCLE_S, north=keys_of(Chamber(), 0), south=keys_of(Chamber(), 1)),
        {"north": Chamber(), "south": Chamber()},
        room_c=12.0,
        start_c=12.0,
    )
    beds.run(1)
    return beds


def test_a_room_that_another_chambers_probe_bears_out_is_believed_at_once():
    beds = two_rooms()
    beds.room_c = warming(beds, 12.0, 20.0, 0.25)
    for _ in range(2 * HOUR):
        beds.step()
        assert not doubted(beds, "north")
        assert not doubted(beds, "south")


def test_sun_on_one_of_two_room_probes_is_doubted_there_alone():
    beds = two_rooms()
    sun(beds, 8.0, name="north")
    beds.until(lambda: doubted(beds, "north"), 0.5)
    beds.run(1)
    assert not doubted(beds, "south")
    assert Alarm.ROOM_DOUBTED in beds.alarms("north")


def test_a_room_probe_that_stands_still_while_another_moves_is_doubted():
    beds = two_rooms()
    beds.freeze(ROOM, "north")
    beds.room_c = warming(beds, 12.0, 17.0, 3.0)
    beds.until(lambda: doubted(beds, "north"), 3.5)
    beds.until(lambda: Alarm.ROOM_DOUBTED in beds.alarms("north"), 0.5)
    assert not doubted(beds, "south")


# --- warm without heat --------------------------------------------------------------------------


@two_boxes
def test_a_shed_that_is_too_warm_is_told_as_warmth_without_heat_and_never_as_a_weld(make):
    beds = warmed(make, room_c=20.0)
    beds.room_c = warming(beds, 20.0, 29.0, 6.0)
    beds.until(lambda: Alarm.WARM_WITHOUT_HEAT in beds.alarms(), 16.0)
    assert not beds.heat
    assert beds.callus_c["bench"][-1] > 25.8
    beds.room_c = warming(beds, 29.0, 20.0, 2.0)
    beds.until(lambda: Alarm.WARM_WITHOUT_HEAT not in beds.alarms(), 24.0)
    assert Alarm.RELAY_STUCK_ON not in beds.raised()
    assert beds.latched() is None


def test_a_welded_contact_is_not_called_warmth_without_heat():
    beds = warmed()
    beds.until(lambda: not beds.heat, 1.0)
    beds.welded.add("bench")
    beds.run(6)
    assert beds.callus_c["bench"][-1] > 26.0
    assert Alarm.WARM_WITHOUT_HEAT not in beds.raised()


# --- too little heat ----------------------------------------------------------------------------


def test_a_room_that_the_mat_cannot_carry_is_told_as_a_shortfall_and_as_nothing_else():
    beds = warmed(chambers.CardUnder, room_c=16.0)
    beds.room_c = warming(beds, 16.0, 4.0, 4.0)
    beds.until(lambda: Alarm.SHORTFALL in beds.alarms(), 12.0)
    beds.run(4)
    assert beds.raised() == {Alarm.SHORTFALL}
    assert beds.heated(last=2 * HOUR) == 1.0, "a bed that is too cold goes on being heated"
    beds.room_c = warming(beds, 4.0, 16.0, 3.0)
    beds.until(lambda: Alarm.SHORTFALL not in beds.alarms(), 24.0)


def test_the_first_warm_up_at_full_power_is_no_shortfall():
    box = Chamber()
    beds = Beds(config(CYCLE_S, bench=keys_of(box)), {"bench": box}, room_c=5.0, start_c=5.0)
    beds.run(12)
    assert Alarm.SHORTFALL not in beds.raised()


# --- by hand ------------------------------------------------------------------------------------


def lost_after(facts: Facts, minutes: float, held: float | None = 25.0) -> bool:
    """Whether heat counts as lost after so many minutes without any."""
    watch = Watch()
    if held is not None:
        watch, _ = outside.heat_lost(watch, replace(COLD, estimate_c=held), 0.0, standing=False)
    watch, _ = outside.heat_lost(watch, facts, 30.0, standing=False)
    return outside.heat_lost(watch, facts, 30.0 + minutes * 60.0, standing=False)[1]


COLD = replace(FACTS, room_c=5.0, estimate_c=25.0)
NO_HEAT = replace(COLD, no_heat="wet-layer probe lost")


def test_heat_that_is_lost_is_told_after_a_quarter_of_an_hour_where_it_will_be_cold():
    assert lost_after(NO_HEAT, 16.0)
    assert not lost_after(NO_HEAT, 14.0)
    # In a room of 22 °C the zone does not fall by 3 K.
    assert not lost_after(replace(NO_HEAT, room_c=22.5), 600.0)
    # Nobody knows the room: it is told.
    assert lost_after(replace(NO_HEAT, room_c=None), 16.0)
    assert not lost_after(COLD, 600.0)


def test_heat_is_not_lost_before_the_bed_was_ever_warm_or_while_the_wiring_is_proved():
    cold = replace(NO_HEAT, estimate_c=8.0)
    assert not lost_after(cold, 600.0, held=None)
    assert not lost_after(replace(NO_HEAT, pulse=True), 600.0)


def test_heat_that_comes_back_ends_it():
    watch = replace(Watch(), held=True, last_c=25.0, cold_s=0.0)
    watch, lost = outside.heat_lost(watch, COLD, 3600.0, standing=True)
    assert not lost
    assert watch.cold_s is None


def test_heat_without_effect_is_lost_heat_once_the_zone_falls():
    watch = replace(Watch(), no_effect="dead", held=True, last_c=25.0)
    fallen = replace(COLD, estimate_c=24.0)
    watch, _ = outside.heat_lost(watch, fallen, 0.0, standing=False)
    assert outside.heat_lost(watch, fallen, 1000.0, standing=False)[1]
    warm = replace(Watch(), no_effect="dead", held=True, last_c=25.0)
    warm, _ = outside.heat_lost(warm, COLD, 0.0, standing=False)
    assert not outside.heat_lost(warm, COLD, 1000.0, standing=False)[1]


@pytest.mark.parametrize(
    ("change", "short"),
    [
        ({}, True),
        ({"duty": 0.5}, False),
        ({"duty": 0.5, "short": True}, True),
        ({"estimate_c": 24.5}, False),
        ({"no_heat": "held"}, False),
        ({"estimate_c": None}, False),
    ],
)
def test_a_shortfall_is_full_heat_for_two_hours_and_a_zone_that_is_a_kelvin_low(change, short):
    low = replace(COLD, **{"estimate_c": 23.5, "duty": 1.0, **change})
    watch, found = Watch(), False
    for minute in range(125):
        watch, found = outside.shortfall(watch, low, minute * 60.0, standing=True)
        assert not (found and minute < 120)
    assert found is short


def test_a_layer_that_still_rises_is_no_shortfall_yet():
    watch, low = Watch(), replace(COLD, estimate_c=20.0, duty=1.0)
    for minute in range(300):
        path = tuple((15.0 + 0.01 * i, 0.0) for i in range(minute, minute + 61))
        watch = replace(watch, layer=replace(watch.layer, path=path))
        watch, found = outside.shortfall(watch, low, minute * 60.0, standing=False)
        assert not found
