"""The series relay and the alarms of a chamber that may not be heated, whatever the reason."""

from dataclasses import replace

import pytest

from beds import FACTS
from bottomheat import cycle, guard
from bottomheat.model import Alarm, Feedback, Place, Sample
from bottomheat.protect import detect, series_proof
from bottomheat.protect.lead import Lead
from bottomheat.protect.watch import WELDED, Watch
from plant import Feed, chamber_keys

S, MAT, ROOM = Place.SUBSTRATE, Place.MAT, Place.ROOM


def test_a_minute_without_heat_opens_the_series_relay_and_one_bad_reading_does_not():
    feed = Feed().warm()
    assert feed.step({S: None}).open_series == frozenset()
    assert feed.step().open_series == frozenset()
    steps = [feed.step({S: None}) for _ in range(12)]
    asked = ["bench" in step.open_series for step in steps]
    # Lost by the third cycle, and a minute more.
    assert asked.index(True) == 2 + guard.IDLE_S / 10.0
    assert all(asked[asked.index(True) :])


def test_the_series_relay_may_close_again_with_the_heat():
    feed = Feed().warm()
    feed.heat({S: None}, count=20)
    steps = [feed.step() for _ in range(70)]
    assert steps[-1].heat == {"bench"}
    assert steps[-1].open_series == frozenset()


def test_a_latch_opens_it_in_the_same_cycle():
    feed = Feed().warm()
    feed.step({MAT: 61.0})
    step = feed.step({MAT: 61.0})
    assert step.latched
    assert step.open_series == {"bench"}


def test_a_weld_is_remembered_over_a_restart_and_not_reset_while_the_mat_is_fed():
    feed = Feed(latched={"bench": detect.STUCK})
    feed.heat({MAT: 45.0, S: 30.0}, count=400)
    assert feed.chamber.watch.stuck
    assert Alarm.RELAY_STUCK_ON in feed.chamber.alarms
    _, cleared, lines = cycle.reset_cutoff(feed.state, "bench", feed.config)
    assert not cleared
    assert any("still" in line and "warmer than the wet layer" in line for line in lines)
    feed.heat({MAT: 21.0}, count=5)
    state, cleared, _ = cycle.reset_cutoff(feed.state, "bench", feed.config)
    assert cleared
    assert not state.chambers["bench"].watch.stuck


def test_other_latches_do_not_come_back_as_welds():
    feed = Feed(latched={"bench": "wet layer at 41.0 °C, limit 40"})
    feed.heat(count=3)
    assert not feed.chamber.watch.stuck
    assert detect.STUCK.startswith(WELDED)


@pytest.mark.parametrize(("proved", "told"), [(True, True), (False, False)])
def test_a_bed_that_is_cold_from_the_start_is_told_once_its_wiring_has_been_proved(proved, told):
    feed = Feed(proved=proved)
    feed.heat({S: None}, count=200)
    assert (Alarm.HEAT_LOST in feed.chamber.alarms) is told


def test_the_keepers_probe_bounds_the_heat_where_the_chamber_has_none():
    keys = chamber_keys(probes=(S, ROOM), keeper={"probe": "28-0000000000aa"})
    feed = Feed(keys)

    def heat_with(mat_c):
        seen = {"bench": Feedback(closed=True, probe_c=mat_c)}
        raws = {S: 20.0, ROOM: 15.0}
        for _ in range(4):
            feed.now_s += 10.0
            readings = {"bench": {p: Sample(c, feed.now_s) for p, c in raws.items()}}
            step = cycle.advance(feed.state, readings, feed.now_s, feed.config, feedback=seen)
            feed.state = step.state
        return "bench" in step.heat

    assert heat_with(40.0)
    assert not heat_with(57.5), "3 K below the mat limit of 60 is where the law holds"


PROVING = Watch(
    lead=Lead(at_s=1000.0, ripple_k=24.0, level_k=24.0, lead_k=12.0, mean_k=12.0, since=0.5),
    proof_from_s=1000.0,
    proof_lead_k=12.0,
    proof_sleeve=0.5,
)


@pytest.mark.parametrize(("closed", "series_open"), [(False, True), (True, False)])
def test_nothing_is_proved_about_the_series_relay_unless_both_relays_are_where_they_should(
    closed, series_open
):
    facts = replace(FACTS, series=True, closed=closed, series_open=series_open)
    watch, found = series_proof.advance(PROVING, facts, 1000.0 + 4.0 * FACTS.cycle_s, quiet=False)
    assert found is None
    assert watch.proof_from_s is None
    assert watch.proof_s is None
