"""What the controller takes to have flowed before it began, and while it did not run."""

from dataclasses import replace

import pytest

from beds import CYCLE_S, HOUR, MAKES, Beds
from bottomheat import cycle
from bottomheat.model import Alarm, Place
from plant import chamber_keys, config

PROBES = (Place.SUBSTRATE, Place.MAT)
SEED_K_PER_W = {"nominal": 0.202, "other make, deep": 0.184}
"""R of the boxes, K/W: wet layer less callus zone in steady state, for a watt."""


def flow_bed(make="nominal", room_c=3.0, hours=26.0):
    offset = {"method": "heat-flow", "resistance": SEED_K_PER_W[make]}
    keys = chamber_keys(probes=PROBES, offset=offset)
    beds = Beds(config(cycle_s=CYCLE_S, bench=keys), {"bench": MAKES[make]()}, room_c=room_c)
    beds.run(hours)
    beds.forget()
    return beds


def restart(beds, *, remembered):
    """Begin the controller anew, a minute later, as a service that was restarted does."""
    estimate = beds.state.chambers["bench"].outlook.estimate
    beds.state = cycle.start(beds.config, {}, proved=True)
    beds.heat = frozenset()
    beds.now_s += 60.0
    if remembered:
        chamber = beds.state.chambers["bench"]
        estimator = replace(chamber.estimator, before_c=estimate.celsius)
        beds.state = replace(beds.state, chambers={"bench": replace(chamber, estimator=estimator)})


@pytest.mark.parametrize("make", SEED_K_PER_W)
@pytest.mark.parametrize("remembered", [True, False])
def test_a_restart_on_a_frosty_night_neither_latches_nor_cools_a_bed_by_heat_flow(make, remembered):
    beds = flow_bed(make)
    assert beds.temperature(Place.SUBSTRATE) > 31.0  # above what the callus zone is held to
    restart(beds, remembered=remembered)
    beds.run(8.0)
    assert beds.latched() is None
    no_heat = [r for r in beds.records["bench"][5:] if r.condition in ("cut-out", "no-heat")]
    assert not no_heat
    assert min(beds.callus_c["bench"]) > (23.5 if remembered else 21.5)
    assert max(beds.callus_c["bench"]) < 26.5


def test_no_power_is_counted_for_a_gap_in_which_the_lease_ran_out():
    beds = flow_bed(room_c=10.0)
    beds.until(lambda: beds.heat == {"bench"}, 1.0)
    before_w = beds.state.chambers["bench"].estimator.power_w
    box, room_c = beds.boxes["bench"], beds.room_c
    box.advance(HOUR * CYCLE_S - CYCLE_S, 0.0, room_c)
    beds.now_s += HOUR * CYCLE_S - CYCLE_S
    beds.heat = frozenset()  # the keeper let go
    beds.step()
    after_w = beds.state.chambers["bench"].estimator.power_w
    assert after_w == pytest.approx(before_w * 0.647, rel=0.03)  # exp(-1 h / 2.3 h)


def test_a_callus_probe_that_fell_out_is_named_and_what_it_taught_goes_with_it():
    probes = (Place.SUBSTRATE, Place.ROOM, Place.MAT, Place.CALLUS)
    keys = chamber_keys(probes=probes, offset={"method": "direct", "factor": 0.743})
    beds = Beds(config(cycle_s=CYCLE_S, bench=keys), {"bench": MAKES["nominal"]()}, room_c=12.0)
    beds.lies["bench", Place.CALLUS] = lambda _box, room_c: room_c  # from the first day on
    beds.run(18.0)
    assert sum("callus probe is displaced" in text for text in beds.diagnosed()) == 1
    assert beds.alarms() == {Alarm.PROBE_DISPLACED}
    assert max(beds.callus_c["bench"]) < 27.0  # 28.2 while it kept what it had been taught


def unused(in_use=False):
    keys = (chamber_keys(in_use=in_use), chamber_keys(1))
    return Beds(
        config(CYCLE_S, bench=keys[0], other=keys[1]),
        {n: MAKES["nominal"]() for n in ("bench", "other")},
    )


def test_a_box_that_is_not_in_use_gets_no_heat_and_nobody_is_told_that_it_is_cold():
    beds = unused()
    beds.room_c = 3.0
    beds.run(12.0)
    assert not any(record.heat for record in beds.records["bench"])
    assert beds.heated("other") > 0.3
    assert not beds.alarms("bench")
    assert "not in use" in beds.records["bench"][-1].reason


def test_a_box_taken_out_of_use_cools_unsaid_and_heats_again_when_put_back():
    beds = unused(in_use=True)
    beds.room_c = 3.0
    beds.run(14.0)
    in_use, beds.config = beds.config, unused().config
    beds.run(12.0)
    assert not beds.alarms("bench") - {Alarm.CUTOFF}
    assert not beds.latched("bench")
    assert not any(record.heat for record in beds.records["bench"][-10 * HOUR :])
    beds.config = in_use
    beds.run(1.0)
    assert beds.heated("bench", HOUR // 2) > 0.5
    assert not beds.latched("bench")


def test_the_limits_of_a_box_that_is_not_in_use_count_all_the_same():
    beds = unused()
    beds.stuck_at["bench", Place.MAT] = 65.0
    beds.run(0.2)
    assert beds.latched("bench")
    assert Alarm.CUTOFF in beds.alarms("bench")


def test_the_wiring_of_a_box_that_is_not_in_use_can_be_proved():
    keys = (chamber_keys(in_use=False), chamber_keys(1))
    boxes = {name: MAKES["nominal"]() for name in ("bench", "other")}
    beds = Beds(config(CYCLE_S, bench=keys[0], other=keys[1]), boxes, proved=False)
    assert beds.prove().passed


def test_a_cold_box_that_is_put_into_use_raises_no_alarm_about_the_cold_before():
    beds = unused()
    beds.room_c = 5.0
    beds.run(3.0)
    before = len(beds.events)
    beds.config = unused(in_use=True).config
    beds.run(2.0)
    assert not beds.raised(before)
    assert beds.heated("bench", HOUR) > 0.5


def test_nothing_is_diagnosed_of_a_box_that_is_not_in_use():
    beds = unused()
    beds.run(4.0)
    beds.boxes["bench"].open_lid("off")
    beds.boxes["bench"].add_water(2.0, 8.0)
    beds.run(4.0)
    told = [e for e in beds.events if e.kind.value == "diagnosed" and e.chamber == "bench"]
    assert not told
