"""Ready for the first batch, or not, and why."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.alarm_words import TOLD, Level
from bottomheat.cli.ready_text import WIDTH, as_data, render
from bottomheat.config import Config
from bottomheat.model import Alarm
from bottomheat.season.night import Hole, Night
from bottomheat.season.ready import ONLY_YOU, Mark, Seen, Stood, judge
from plant import chamber_keys

NOW_MS = 1_768_547_400_000  # Fri 16 Jan 2026 07:10 UTC
HOUR_MS = 3_600_000
ROOMY = {"layer_ceiling": 50.0, "limits": {"substrate": 55.0}}
FROM_MS = NOW_MS - 48 * HOUR_MS
CALIBRATED = {"method": "temperature-factor", "factor": 0.75, "calibrated": True}


def config(**keys) -> Config:
    own = {"callus_zone": 25.0, "offset": CALIBRATED, "layer_ceiling": 38.0, **keys}
    house = {"coldest_room": own.pop("coldest_room", 8.0)}
    return Config.model_validate({"chambers": {"north-bench": chamber_keys(**own)}, **house})


CALM = Night(
    FROM_MS,
    NOW_MS,
    known_h=48.0,
    in_band_h=48.0,
    low_c=24.8,
    high_c=25.2,
    expanded_k=0.6,
    estimate_c=25.0,
    newest_ms=NOW_MS - 10_000,
    setpoint_c=25.0,
    setpoint_since_ms=FROM_MS,
    room_low_c=8.4,
    room_high_c=12.0,
    heat_frac=0.4,
    busiest_frac=0.6,
    rise_k=20.0,
    closings=240,
)
WELL = Seen(NOW_MS, CALM, closings_ever=900)


def verdict(seen: Seen = WELL, **keys):
    return judge("north-bench", config(**keys), seen)


def night(**over) -> Seen:
    return replace(WELL, night=replace(CALM, **over))


def why_not(found) -> list[str]:
    return [point.text for point in found.marked(Mark.NOT)]


def screen(found) -> str:
    return render(found, UTC)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_all_well_is_ready_and_says_what_was_looked_at():
    found = verdict()
    assert found.ready
    text = screen(found)
    assert text.startswith("north-bench, the 48 h up to Fri 16 Jan 07:10: READY\n")
    for said in (
        "no batch stands in it",
        "the wiring is proved",
        "nothing is cut out",
        "48 h of data, without a gap",
        "all in band: bases 24.8-25.2 °C, set 25.0 ± 0.5",
        "no alarm in that time",
        "calibrated: the bases are known to ± 0.6 °C",
        "heat on 40 % of the time, 60 % in the busiest hour, room down to 8.4 °C",
        "the relay closes 120 times a day, rated for 100 000",
        "the clock is set",
        "somebody is told of an alarm",
    ):
        assert said in flat(text), said
    assert "Why not" not in text


def test_what_only_a_person_sees_is_asked_every_time():
    for found in (verdict(), verdict(replace(WELL, night=None, log_problem="no log"))):
        for asked in ONLY_YOU:
            assert asked in flat(screen(found))
        assert "[ ] damp bags" in screen(found)


@pytest.mark.parametrize(
    ("seen", "why"),
    [
        (replace(WELL, inside=("GRP-2",)), "GRP-2 stands in it already"),
        (replace(WELL, inside=("GRP-2", "MUL-1")), "GRP-2 and MUL-1 stand in it already"),
        (replace(WELL, proved=False), "the wiring is not proved, so there is no heat"),
        (replace(WELL, proved=None), "may not be read by this user"),
        (replace(WELL, latched=None), "may not be read by this user"),
        (replace(WELL, latched=("mat at 61 °C",)), "heat is cut until somebody has looked: mat at"),
        (replace(WELL, ageing="the box was moved"), "the calibration is in doubt: the box was"),
        (replace(WELL, night=None), "the log knows nothing of this box"),
        (replace(WELL, night=None, log_problem="it is damaged."), "the log cannot be read: it is"),
        (night(newest_ms=None), "the log knows nothing of this box"),
        (night(known_h=30.0, in_band_h=30.0, unknown_h=18.0), "only 30 h of the last 48 h"),
        (night(newest_ms=NOW_MS - HOUR_MS), "the newest data is 1 h old"),
        (replace(WELL, running=False), "the service does not run"),
        (
            replace(night(newest_ms=NOW_MS - HOUR_MS), running=False),
            "the service does not run, the newest data is 1 h old",
        ),
        (night(in_band_h=40.0, below_h=8.0, low_c=18.0), "in band 83 % of the time (8 h below)"),
        (night(in_band_h=40.0, below_h=1.0, above_h=7.0), "(1 h below, 7 h above)"),
        (night(setpoint_since_ms=NOW_MS - 20 * HOUR_MS), "set to 25.0 °C only 20 h ago"),
        (replace(WELL, closings_ever=100_000), "and has closed 100000 times"),
    ],
)
def test_each_of_these_alone_is_not_ready(seen, why):
    found = verdict(seen)
    assert not found.ready
    assert any(why in text for text in why_not(found)), why_not(found)
    assert len(why_not(found)) == 1
    assert all(point.do for point in found.marked(Mark.NOT))
    assert ": NOT READY\n" in screen(found)


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"offset": {**CALIBRATED, "calibrated": False}}, "not calibrated: the bases are known to"),
        ({"offset": {"method": "fixed", "kelvin": 2.0}}, "right at one room temperature only"),
        ({"in_use": False}, "the config says that it is not in use"),
    ],
)
def test_a_config_that_does_not_do_is_not_ready(keys, why):
    found = verdict(**keys)
    assert any(why in text for text in why_not(found))


@pytest.mark.parametrize(
    ("seen", "keys", "told"),
    [
        (replace(WELL, clock_sure=False), {}, "the clock is not set"),
        (replace(WELL, told=False), {}, "nobody is told of an alarm"),
        (replace(WELL, lid="ajar"), {}, "the lid was said to be ajar"),
        (night(busiest_frac=0.99), {}, "99 % in the busiest hour"),
        (night(closings=2400), {}, "1200 times a day, rated for 100 000: worn out in about 83"),
        (night(heat_frac=0.6), {"coldest_room": -10.0, **ROOMY}, "ask for 140 % of what the mat"),
        (WELL, {"coldest_room": 0.0, "layer_ceiling": 30.0}, "wet layer at its ceiling"),
        (WELL, {"callus_zone": 24.0}, "the box holds 25.0 °C, the config says 24"),
        (WELL, {}, "one relay: if its contact welds"),
    ],
)
def test_what_a_grower_should_know_does_not_stop_him(seen, keys, told):
    found = verdict(seen, **keys)
    assert found.ready
    assert any(told in point.text for point in found.marked(Mark.NOTE))
    assert told in flat(screen(found))


def test_small_gaps_and_an_opened_box_do_not_stop_it():
    slips = tuple(Hole(FROM_MS, FROM_MS + n * 60_000, "stopped") for n in (1, 30))
    found = verdict(
        replace(night(known_h=47.4, in_band_h=46.0, below_h=1.4), holes=slips, opened=2)
    )
    assert found.ready
    text = flat(screen(found))
    assert "47 h of data, with gaps: 30 min stopped" in text
    assert "97 % of the time in band" in text
    assert "opened 2 times" in text


def test_a_gap_says_why_and_when_the_48_h_are_full():
    cut = Hole(NOW_MS - 10 * HOUR_MS, NOW_MS - 6 * HOUR_MS, "power")
    found = verdict(replace(night(known_h=44.0, in_band_h=44.0, unknown_h=4.0), holes=(cut,)))
    text = flat(screen(found))
    assert "only 44 h of the last 48 h are known (4 h power cut)" in text
    assert "The 48 h are full on Sun 18 Jan 01:10: look again then." in text
    assert "48 h are full" not in screen(verdict(replace(WELL, proved=False)))


@pytest.mark.parametrize("alarm", list(Alarm))
def test_an_alarm_that_stands_stops_it_and_one_that_is_over_as_its_level_says(alarm):
    standing = verdict(replace(WELL, alarms=(Stood(alarm, False), Stood(alarm, True))))
    assert not standing.ready
    over = verdict(replace(WELL, alarms=(Stood(alarm, True), Stood(alarm, True))))
    assert over.ready == (TOLD[alarm].level is Level.MORNING)
    assert "no alarm" not in screen(over)


def test_a_solid_state_relay_has_no_contact_to_wear():
    heater = {"gpio": 17, "watts": 45.0, "relay": "solid-state"}
    found = verdict(replace(night(closings=100_000), closings_ever=10**7), heater=heater)
    assert found.ready
    assert "no contact to wear" in flat(screen(found))


SEEN = st.builds(
    Seen,
    now_ms=st.just(NOW_MS),
    night=st.one_of(
        st.none(),
        st.builds(
            Night,
            st.just(FROM_MS),
            st.just(NOW_MS),
            known_h=st.floats(0, 48),
            in_band_h=st.floats(0, 48),
            below_h=st.floats(0, 48),
            above_h=st.floats(0, 48),
            low_c=st.one_of(st.none(), st.floats(-5, 30)),
            high_c=st.one_of(st.none(), st.floats(-5, 30)),
            expanded_k=st.one_of(st.none(), st.floats(0, 9)),
            newest_ms=st.one_of(st.none(), st.integers(FROM_MS, NOW_MS)),
            setpoint_c=st.one_of(st.none(), st.floats(5, 30)),
            setpoint_since_ms=st.one_of(st.none(), st.integers(FROM_MS, NOW_MS)),
            room_low_c=st.one_of(st.none(), st.floats(-9, 30)),
            heat_frac=st.one_of(st.none(), st.floats(0, 1)),
            busiest_frac=st.one_of(st.none(), st.floats(0, 1)),
            rise_k=st.one_of(st.none(), st.floats(-30, 30)),
            closings=st.integers(0, 9999),
        ),
    ),
    holes=st.lists(
        st.integers(0, 47).map(
            lambda h: Hole(FROM_MS + h * HOUR_MS, FROM_MS + (h + 1) * HOUR_MS, "power")
        ),
        max_size=3,
    ).map(tuple),
    alarms=st.lists(st.builds(Stood, st.sampled_from(Alarm), st.booleans()), max_size=3).map(tuple),
    proved=st.sampled_from([True, False, None]),
    latched=st.sampled_from([(), ("mat at 61 °C",), None]),
    closings_ever=st.integers(0, 200_000),
    running=st.booleans(),
    clock_sure=st.booleans(),
    inside=st.sampled_from([(), ("GRP-2",)]),
)


@given(SEEN)
def test_whatever_was_seen_the_page_fits_and_ready_means_that_nothing_speaks_against_it(seen):
    found = verdict(seen)
    text = screen(found)
    assert max(map(len, text.splitlines())) <= WIDTH
    assert ("NOT READY" in text) != found.ready
    data = as_data(found)
    assert data["ready"] is found.ready
    assert data["ready"] == (not any(point["mark"] == "not" for point in data["points"]))
    if seen.proved is not True or seen.latched != () or seen.inside or seen.night is None:
        assert not found.ready
