"""The diagnosis on windows made by hand: what speaks for a cause, and what against it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from bottomheat.model import Alarm, Condition, EventKind, Fault, Place
from bottomheat.review.causes import ADVICE, Cause, named
from bottomheat.review.diagnose import CLOSE, ENOUGH, diagnose
from bottomheat.review.window import Hole, Said, Tended, Window
from plant import chamber_keys, config

BOX = config(bench=chamber_keys()).chambers["bench"]
CYCLE_S = 30.0
HOUR = 120
NOISE = np.random.default_rng(1)


def window(hours: float = 12.0, **changes: Any) -> Window:
    """A box that holds, heat on for a third of each quarter of an hour."""
    count = round(hours * HOUR)
    at_s = np.arange(count) * CYCLE_S
    heat = (np.arange(count) % 30) < 10
    wave = np.where(heat, 2.0, -1.0)
    celsius = {
        Place.SUBSTRATE: 27.0 + noise(count),
        Place.ROOM: 12.0 + noise(count),
        Place.MAT: 34.0 + wave + noise(count),
    }
    made = Window(
        chamber="bench",
        config=BOX,
        at_s=at_s,
        celsius=celsius,
        estimate_c=np.full(count, 25.0),
        setpoint_c=np.full(count, 25.0),
        duty=np.full(count, 1 / 3),
        heat=heat,
        condition=[Condition.HOLDING] * count,
    )
    return replace(made, **changes)


def noise(count: int) -> np.ndarray:
    """As a DS18B20 shows it: a little noise in steps of 1/16 K."""
    return np.round(NOISE.normal(0.0, 0.04, count) * 16) / 16


def with_place(made: Window, place: Place, values: np.ndarray) -> Window:
    return replace(made, celsius={**made.celsius, place: values})


def raised(alarm: Alarm, hour: float, text: str = "") -> Said:
    kind = EventKind.ALARM_RAISED
    return Said(hour * 3600.0, kind, "bench", text or alarm.value, alarm)


def found(text: str, hour: float) -> Said:
    return Said(hour * 3600.0, EventKind.DIAGNOSED, "bench", text)


def first(made: Window) -> tuple[Cause, Place | None]:
    named_first = diagnose(made).first
    return named_first.cause, named_first.place


def test_a_box_that_holds_has_no_fault() -> None:
    seen = diagnose(window())
    assert seen.first.cause is Cause.NONE
    assert all(each.weight < ENOUGH for each in seen.ranked)


def test_a_gap_after_which_the_computer_started_anew_is_a_power_cut() -> None:
    cut = window(holes=(Hole(4 * 3600.0, 6 * 3600.0, "power"),))
    assert first(cut) == (Cause.POWER_CUT, None)
    stood = window(holes=(Hole(4 * 3600.0, 4.5 * 3600.0, "unknown"),))
    assert first(stood) == (Cause.SERVICE_SILENT, None)
    stopped = window(holes=(Hole(4 * 3600.0, 4.5 * 3600.0, "stopped"),))
    assert first(stopped) == (Cause.NONE, None), "somebody stopped it"
    why = "the service died or was killed"
    died = window(holes=(Hole(4 * 3600.0, 4.1 * 3600.0, "stopped", why),))
    assert first(died) == (Cause.SERVICE_SILENT, None)
    assert why in diagnose(died).first.marks[0].text


@pytest.mark.parametrize("place", [Place.SUBSTRATE, Place.ROOM, Place.MAT])
def test_a_probe_without_readings_is_named_with_the_reason(place: Place) -> None:
    made = window()
    values = made.celsius[place].copy()
    values[6 * HOUR :] = np.nan
    lost = replace(with_place(made, place, values), faults=((6 * 3600.0, place, Fault.CRC),))
    seen = diagnose(lost)
    assert (seen.first.cause, seen.first.place) == (Cause.PROBE_SILENT, place)
    assert "checksum wrong" in seen.first.marks[0].text
    assert seen.first.since_s == pytest.approx(6 * 3600.0, abs=CYCLE_S)


def test_readings_rejected_as_jumps_are_a_probe_that_left_its_place() -> None:
    made = window()
    values = made.celsius[Place.MAT].copy()
    values[6 * HOUR : 6 * HOUR + 8] = np.nan
    jumped = replace(
        with_place(made, Place.MAT, values), faults=((6 * 3600.0, Place.MAT, Fault.JUMP),)
    )
    assert first(jumped) == (Cause.PROBE_DISPLACED, Place.MAT)


def test_a_probe_that_repeats_itself_is_frozen_unless_it_moves_again() -> None:
    made = window(14.0)
    values = made.celsius[Place.MAT].copy()
    values[6 * HOUR :] = values[6 * HOUR]
    said = (found("mat: its probe stands still while the bed moves: frozen", 7.0),)
    frozen = replace(with_place(made, Place.MAT, values), said=said)
    assert first(frozen) == (Cause.PROBE_FROZEN, Place.MAT)
    again = values.copy()
    again[7 * HOUR :] = made.celsius[Place.MAT][7 * HOUR :]
    moved = replace(with_place(made, Place.MAT, again), said=said)
    assert first(moved)[0] is not Cause.PROBE_FROZEN
    assert any(m.weight < 0 for c in diagnose(moved).ranked for m in c.marks)


def test_a_room_that_comes_to_rest_is_no_frozen_probe() -> None:
    """Without noise a steady room reads the same for hours; a broken probe stops at once."""
    made = window(14.0)
    count = len(made.at_s)
    swing = 16.0 - 6.0 * np.cos(np.arange(count) / (6 * HOUR) * np.pi)
    at_rest = np.round(np.where(np.arange(count) < 6 * HOUR, swing, 22.0) * 16) / 16
    assert first(with_place(made, Place.ROOM, at_rest)) == (Cause.NONE, None)
    # Between two codes it may stay for hours where it had stayed for most of one.
    codes = np.where((np.arange(count) // 80) % 2 == 0, 22.0, 22.0625)
    codes[6 * HOUR : 9 * HOUR] = 22.0
    assert first(with_place(made, Place.ROOM, codes)) == (Cause.NONE, None)
    broken = np.round(swing * 16) / 16
    broken[3 * HOUR :] = broken[3 * HOUR]
    assert first(with_place(made, Place.ROOM, broken)) == (Cause.PROBE_FROZEN, Place.ROOM)


def test_a_probe_that_stands_at_the_rooms_temperature_lies_in_the_room() -> None:
    made = window(14.0)
    values = made.celsius[Place.SUBSTRATE].copy()
    values[6 * HOUR :] = 12.0
    said = (
        found(
            "the wet-layer probe is displaced: it fell by 15.0 K and the mat did not follow", 6.7
        ),
        found("wet layer: its probe stands still while the bed moves: frozen", 8.0),
    )
    out = replace(with_place(made, Place.SUBSTRATE, values), said=said)
    assert first(out) == (Cause.PROBE_DISPLACED, Place.SUBSTRATE)


def test_a_step_from_one_reading_to_the_next_that_stays_is_the_probes_own() -> None:
    made = window()
    values = made.celsius[Place.SUBSTRATE].copy()
    values[6 * HOUR :] -= 2.0
    text = "box opened, filled or watered: the wet layer fell by 2.0 K and the bed follows"
    off = replace(with_place(made, Place.SUBSTRATE, values), said=(found(text, 6.7),))
    assert first(off) == (Cause.PROBE_WRONG, Place.SUBSTRATE)
    slow = made.celsius[Place.SUBSTRATE].copy()
    slow[6 * HOUR :] -= 2.0 * -np.expm1(-np.arange(len(slow) - 6 * HOUR) / 20.0)
    opened = replace(with_place(made, Place.SUBSTRATE, slow), said=(found(text, 6.7),))
    assert first(opened) == (Cause.OPENED, None), "a bed takes minutes"


def test_what_the_grower_said_counts_as_opened() -> None:
    assert first(window(tended=(Tended(3 * 3600.0, 3.5 * 3600.0, "water"),))) == (
        Cause.OPENED,
        None,
    )


def test_a_mat_that_warms_with_its_relay_open_was_not_asked() -> None:
    made = window()
    heat = made.heat.copy()
    heat[6 * HOUR :] = False
    mat = made.celsius[Place.MAT].copy()
    since = np.arange(len(mat) - 6 * HOUR)
    mat[6 * HOUR :] = 34.0 + np.minimum(20.0, since / 10.0) + noise(len(since))
    stuck = replace(
        with_place(made, Place.MAT, mat),
        heat=heat,
        said=(raised(Alarm.CUTOFF, 7.0),),
    )
    seen = diagnose(stuck)
    assert seen.first.cause is Cause.HEAT_UNASKED
    assert any("with heat off" in mark.text for mark in seen.first.marks)


def cooling(made: Window, from_hour: float, fall_k: float) -> np.ndarray:
    values = made.celsius[Place.SUBSTRATE].copy()
    since = round(from_hour * HOUR)
    values[since:] -= fall_k * np.minimum(1.0, np.arange(len(values) - since) / (2.0 * HOUR))
    return values


def test_heat_without_effect_is_no_heat_where_the_layer_cools_and_a_probe_where_it_does_not() -> (
    None
):
    made = window()
    text = "heat is switched on and the mat does not warm: look at its plug"
    said = (found(text, 7.0), raised(Alarm.NO_EFFECT, 7.0))
    dead = replace(with_place(made, Place.SUBSTRATE, cooling(made, 6.0, 6.0)), said=said)
    assert first(dead) == (Cause.NO_HEAT, None)
    assert first(replace(made, said=said)) == (Cause.PROBE_DISPLACED, Place.MAT)


def test_a_mat_probe_colder_than_any_mat_under_a_warm_layer_lies_beside_it() -> None:
    made = window()
    said = (
        found("heat is switched on and the mat does not warm: look at its plug", 6.2),
        raised(Alarm.NO_EFFECT, 6.2),
    )
    mat = made.celsius[Place.MAT].copy()
    mat[6 * HOUR :] = 12.5 + noise(len(mat) - 6 * HOUR)  # the room has 12, the layer 27
    # The room cools, so that the layer falls as it would without heat.
    layer = cooling(made, 4.0, 1.0)
    out = replace(with_place(with_place(made, Place.MAT, mat), Place.SUBSTRATE, layer), said=said)
    assert first(out) == (Cause.PROBE_DISPLACED, Place.MAT)
    under = mat + 12.0  # a cold mat keeps near the layer that lies on it
    dead = replace(
        with_place(with_place(made, Place.MAT, under), Place.SUBSTRATE, layer), said=said
    )
    assert first(dead) == (Cause.NO_HEAT, None)


def test_a_room_that_only_comes_back_has_not_turned_cold() -> None:
    made = window(16.0)
    room = made.celsius[Place.ROOM].copy()
    room[4 * HOUR : 12 * HOUR] += 9.0
    low = made.estimate_c.copy()
    low[12 * HOUR :] -= 0.8
    back = replace(with_place(made, Place.ROOM, room), estimate_c=low)
    assert Cause.COLD_ROOM not in {each.cause for each in diagnose(back).ranked}
    room[12 * HOUR :] -= 9.0
    assert first(replace(with_place(made, Place.ROOM, room), estimate_c=low)) == (
        Cause.COLD_ROOM,
        None,
    )


def test_the_heat_that_a_box_takes_tells_a_warm_room_from_a_warmed_probe() -> None:
    room = window().celsius[Place.ROOM].copy()
    room[6 * HOUR :] += np.minimum(9.0, np.arange(len(room) - 6 * HOUR) * 0.15)
    said = (raised(Alarm.ROOM_DOUBTED, 6.6),)
    high = np.full(len(room), 25.0)
    high[7 * HOUR :] += 0.6
    read = replace(with_place(window(), Place.ROOM, room), said=said, estimate_c=high)
    assert first(read) == (Cause.ROOM_PROBE_WARMED, None), "heat as before"
    heat = read.heat.copy()
    heat[6 * HOUR :] &= np.arange(len(heat) - 6 * HOUR) % 30 < 3
    assert first(replace(read, heat=heat)) == (Cause.WARM_ROOM, None), "a third of the heat"


def test_of_two_probes_that_part_the_mat_tells_which_drifted() -> None:
    made = window(14.0)
    drift = np.linspace(0.0, -1.4, len(made.at_s))
    # In a warming room the mat and the layer that is right come down too.
    mat = made.celsius[Place.MAT] + np.linspace(0.0, -2.0, len(made.at_s))
    right = made.celsius[Place.SUBSTRATE] + np.linspace(0.0, -2.0, len(made.at_s))
    said = (raised(Alarm.SUBSTRATES_DISAGREE, 11.0),)
    parted = with_place(with_place(made, Place.MAT, mat), Place.SUBSTRATE, right + drift)
    both = replace(with_place(parted, Place.SUBSTRATE_2, right), said=said)
    assert first(both) == (Cause.PROBE_WRONG, Place.SUBSTRATE)
    other = with_place(with_place(both, Place.SUBSTRATE, right), Place.SUBSTRATE_2, right + drift)
    assert first(other) == (Cause.PROBE_WRONG, Place.SUBSTRATE_2)


def test_a_mat_that_leads_by_half_gives_half() -> None:
    made = window()
    mat = made.celsius[Place.MAT].copy()
    mat[6 * HOUR :] = 27.0 + (mat[6 * HOUR :] - 27.0) / 2
    weak = replace(with_place(made, Place.MAT, mat), said=(raised(Alarm.SHORTFALL, 9.0),))
    assert first(weak) == (Cause.WEAK_HEAT, None)


def test_warm_without_heat_is_the_room_where_the_room_warmed_and_the_sun_where_not() -> None:
    made = window(said=(raised(Alarm.WARM_WITHOUT_HEAT, 9.0),))
    assert first(made) == (Cause.WARM_FROM_OUTSIDE, None)
    room = made.celsius[Place.ROOM].copy()
    room[6 * HOUR :] += np.minimum(12.0, np.arange(len(room) - 6 * HOUR) / 12.0)
    assert first(with_place(made, Place.ROOM, room)) == (Cause.WARM_ROOM, None)


def test_in_a_room_as_warm_as_the_bases_it_is_the_room_however_slowly_it_warmed() -> None:
    made = window(said=(raised(Alarm.WARM_WITHOUT_HEAT, 9.0),))
    warm = with_place(made, Place.ROOM, made.celsius[Place.ROOM] + 11.0)
    assert first(warm) == (Cause.WARM_ROOM, None)


def test_a_bed_that_keeps_its_warmth_without_heat_is_warmed_from_elsewhere() -> None:
    made = window()
    heat = made.heat.copy()
    heat[6 * HOUR :] = False
    mat = made.celsius[Place.MAT].copy()
    mat[6 * HOUR :] = 26.5 + noise(len(mat) - 6 * HOUR)
    sun = replace(with_place(made, Place.MAT, mat), heat=heat)
    assert first(sun) == (Cause.WARM_FROM_OUTSIDE, None)
    cold = mat.copy()
    cold[6 * HOUR :] = 15.0
    assert first(replace(with_place(made, Place.MAT, cold), heat=heat))[0] is not (
        Cause.WARM_FROM_OUTSIDE
    ), "the mat has cooled to the room: then the layer's probe is not to be believed"


def test_a_shortfall_in_a_falling_room_is_the_cold() -> None:
    made = window(said=(raised(Alarm.SHORTFALL, 10.0),))
    room = made.celsius[Place.ROOM].copy()
    room[6 * HOUR :] -= np.minimum(9.0, np.arange(len(room) - 6 * HOUR) / 20.0)
    assert first(with_place(made, Place.ROOM, room)) == (Cause.COLD_ROOM, None)


@pytest.mark.parametrize(
    ("alarm", "cause"),
    [
        (Alarm.CROSSED, Cause.CROSSED),
        (Alarm.SERIES_STUCK, Cause.SERIES_STUCK),
        (Alarm.KEEPER_SILENT, Cause.KEEPER_SILENT),
        (Alarm.ROOM_DOUBTED, Cause.ROOM_PROBE_WARMED),
        (Alarm.RELAY_STUCK_ON, Cause.HEAT_UNASKED),
    ],
)
def test_alarms_that_name_their_cause(alarm: Alarm, cause: Cause) -> None:
    assert first(window(said=(raised(alarm, 8.0),))) == (cause, None)


def test_places_of_two_boxes_that_change_over_are_crossed() -> None:
    made = window()
    theirs = 22.0 + noise(len(made.at_s))
    ours = made.celsius[Place.SUBSTRATE].copy()
    ours[6 * HOUR :], theirs[6 * HOUR :] = theirs[6 * HOUR :].copy(), ours[6 * HOUR :].copy()
    swapped = replace(
        with_place(made, Place.SUBSTRATE, ours), beside={"other": {Place.SUBSTRATE: theirs}}
    )
    assert Cause.CROSSED in {c.cause for c in diagnose(swapped).ranked}
    alone = replace(swapped, beside={"other": {Place.SUBSTRATE: np.full(len(theirs), 22.0)}})
    assert Cause.CROSSED not in {c.cause for c in diagnose(alone).ranked}


def test_a_lost_probe_of_another_box_is_no_swap() -> None:
    made = window()
    theirs = 40.0 + noise(len(made.at_s))
    theirs[6 * HOUR : 7 * HOUR] = np.nan
    theirs[7 * HOUR :] -= 12.0
    alone = replace(made, beside={"other": {Place.MAT: theirs}})
    assert first(alone) == (Cause.NONE, None)
    assert Cause.CROSSED not in {c.cause for c in diagnose(alone).ranked}


def test_what_a_probe_shows_after_a_hole_is_no_step_of_its_own() -> None:
    made = window()
    at_s, layer = made.at_s.copy(), made.celsius[Place.SUBSTRATE].copy()
    at_s[6 * HOUR :] += 4 * 3600.0
    layer[6 * HOUR :] -= 8.0
    cut = replace(
        with_place(made, Place.SUBSTRATE, layer),
        at_s=at_s,
        holes=(Hole(6 * 3600.0, 10 * 3600.0, "power"),),
    )
    seen = diagnose(cut)
    assert seen.first.cause is Cause.POWER_CUT
    assert "4 h" in seen.first.marks[0].text
    assert Cause.PROBE_WRONG not in {c.cause for c in seen.ranked}


def test_the_keepers_own_probe_is_not_the_daemons() -> None:
    said = Said(
        6 * 3600.0, EventKind.KEEPER, "bench", "no heat: its probe reads 85 °C, its power-on value"
    )
    assert first(window(said=(said,))) == (Cause.KEEPER_PROBE, None)
    waiting = replace(said, text="no heat: its probe is waiting for three good readings that agree")
    assert first(window(said=(waiting,))) == (Cause.NONE, None)


def test_what_another_cause_brings_about_is_no_cause_of_its_own() -> None:
    """With its own probe lost the keeper holds the relay open: then no heat comes either."""
    probe = Said(6 * 3600.0, EventKind.KEEPER, "bench", "no heat: its probe reads 85 °C")
    text = "heat is switched on and the mat does not warm: look at its plug"
    no_heat = (found(text, 6.5), raised(Alarm.NO_EFFECT, 6.5))
    made = with_place(window(), Place.SUBSTRATE, cooling(window(), 6.0, 6.0))
    seen = diagnose(replace(made, said=(probe, *no_heat)))
    assert seen.first.cause is Cause.KEEPER_PROBE
    other = next(each for each in seen.ranked if each.cause is Cause.NO_HEAT)
    assert other.weight <= seen.first.weight - 2 * CLOSE
    assert any("comes with it" in mark.text for mark in other.marks)
    later = replace(probe, at_s=8 * 3600.0)
    before = diagnose(replace(made, said=(*no_heat, later)))
    alone = next(each for each in before.ranked if each.cause is Cause.NO_HEAT)
    assert not any("comes with it" in mark.text for mark in alone.marks), "it was there first"


def test_bases_that_stay_low_with_heat_on_all_the_time_are_the_cold() -> None:
    made = window()
    on = np.ones(len(made.at_s), dtype=bool)
    low = replace(made, heat=on, estimate_c=np.full(len(on), 23.0))
    assert first(low) == (Cause.COLD_ROOM, None)
    warming = replace(low, estimate_c=np.linspace(15.0, 24.0, len(on)))
    assert first(warming) == (Cause.NONE, None), "a cold box is on its way"


def test_bases_that_rise_while_heat_is_cut_back_are_warmed_from_elsewhere() -> None:
    made = window(14.0)
    high = made.estimate_c.copy()
    high[6 * HOUR : 9 * HOUR] += 0.9
    layer = made.celsius[Place.SUBSTRATE].copy()
    layer[6 * HOUR : 9 * HOUR] += 0.8
    mat = made.celsius[Place.MAT].copy()
    mat[6 * HOUR : 9 * HOUR] -= 4.0
    warm = with_place(with_place(made, Place.MAT, mat), Place.SUBSTRATE, layer)
    heat = made.heat.copy()
    heat[6 * HOUR : 9 * HOUR] &= np.arange(3 * HOUR) % 30 < 3
    sun = replace(warm, estimate_c=high, heat=heat)
    assert first(sun) == (Cause.WARM_FROM_OUTSIDE, None)
    room = made.celsius[Place.ROOM].copy()
    room[6 * HOUR : 9 * HOUR] += 10.0
    mild = with_place(sun, Place.ROOM, room)
    assert first(mild)[0] is not Cause.WARM_FROM_OUTSIDE, "that room asks for no more heat"


def test_a_deep_bed_without_heat_cools_after_the_alarm() -> None:
    """The mat is known to be cold within minutes, hours before a deep bed has cooled."""
    made = window()
    text = "heat is switched on and the mat does not warm: look at its plug"
    said = (found(text, 6.3), raised(Alarm.NO_EFFECT, 6.3))
    slow = replace(with_place(made, Place.SUBSTRATE, cooling(made, 6.5, 1.5)), said=said)
    assert first(slow) == (Cause.NO_HEAT, None)


def test_something_wrong_without_a_mark_of_a_cause_cannot_be_told() -> None:
    seen = diagnose(window(said=(raised(Alarm.HEAT_LOST, 8.0),)))
    assert seen.first.cause is Cause.CANNOT_TELL
    assert seen.first.marks, "and what was raised is shown"


def test_every_cause_has_advice_and_a_name() -> None:
    assert set(ADVICE) == set(Cause)
    for cause, advice in ADVICE.items():
        assert advice.inspect
        assert advice.reset
        assert named(cause, None) == cause.value
    assert named(Cause.PROBE_FROZEN, Place.MAT) == "the mat probe repeats itself"
    hot = " ".join(ADVICE[Cause.HEAT_UNASKED].inspect)
    assert "plug" in hot
    assert "licensed" in hot
    assert 0.0 < CLOSE < ENOUGH


values = st.floats(-20.0, 90.0) | st.just(math.nan)


@settings(max_examples=60)
@given(
    st.integers(0, 400),
    st.data(),
    st.lists(st.sampled_from(list(Alarm)), max_size=4),
    st.lists(st.tuples(st.floats(0, 3e4), st.floats(0, 3e4)), max_size=2),
)
def test_it_says_something_of_any_window(
    count: int, data: st.DataObject, alarms: list[Alarm], holes: list[tuple[float, float]]
) -> None:
    columns = {
        place: data.draw(hnp.arrays(np.float64, count, elements=values))
        for place in (Place.SUBSTRATE, Place.ROOM, Place.MAT)
    }
    heat = data.draw(hnp.arrays(np.bool_, count))
    made = Window(
        chamber="bench",
        config=BOX,
        at_s=np.arange(count) * CYCLE_S,
        celsius=columns,
        estimate_c=columns[Place.SUBSTRATE] - 2.0,
        setpoint_c=np.full(count, 25.0),
        duty=heat.astype(float),
        heat=heat,
        condition=[Condition.HOLDING] * count,
        said=[raised(alarm, 1.0) for alarm in alarms],
        holes=[Hole(min(pair), max(pair), "unknown") for pair in holes],
    )
    seen = diagnose(made)
    assert seen.first.cause in Cause
    weights = [each.weight for each in seen.ranked]
    assert weights == sorted(weights, reverse=True)
