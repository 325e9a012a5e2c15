"""The series relay is proved: a good one passes, a stuck one is told, and no weld is made up."""

from __future__ import annotations

import pytest

import chambers
from beds import CYCLE_S, HOUR, MAKES, Beds, keys_of, warmed
from bottomheat.chamber import Chamber
from bottomheat.model import Alarm
from bottomheat.protect import thresholds as th
from plant import config

every_box = pytest.mark.parametrize("make", MAKES.values(), ids=MAKES)
two_boxes = pytest.mark.parametrize("make", [Chamber, chambers.DeepBox], ids=["nominal", "other"])


def proved_s(beds: Beds) -> float | None:
    return beds.state.chambers["bench"].watch.proof_s


def fresh(make, **more) -> Beds:
    box = make()
    beds = Beds(
        config(CYCLE_S, bench=keys_of(box, series=True, **more)),
        {"bench": box},
        room_c=12.0,
        start_c=12.0,
    )
    return beds


@every_box
def test_a_good_series_relay_passes_within_the_first_day_and_alarms_nobody(make):
    beds = fresh(make)
    beds.run(24)
    assert proved_s(beds) is not None
    assert any("series relay opens" in text for text in beds.diagnosed())
    assert beds.raised() == set()
    assert beds.latched() is None
    assert beds.callus_c["bench"][-1] == pytest.approx(25.0, abs=0.4)


@every_box
def test_a_welded_series_relay_is_told_and_goes_on_heating(make):
    beds = fresh(make)
    beds.series_welded.add("bench")
    beds.run(24)
    assert beds.raised() == {Alarm.SERIES_STUCK}
    assert Alarm.SERIES_STUCK in beds.alarms()
    assert any("does not open" in text for text in beds.diagnosed())
    assert beds.latched() is None
    assert beds.heated(last=4 * HOUR) > 0.1


@two_boxes
def test_the_series_relay_is_opened_for_minutes_only_and_once_a_week(make):
    beds = warmed(make, series=True)
    before_s = proved_s(beds)
    assert before_s is not None
    opened = 0
    for _ in range(24 * HOUR):
        beds.step()
        opened += bool(beds._open_series)
    assert opened == 0
    assert proved_s(beds) == before_s


@pytest.mark.slow
def test_it_is_proved_again_after_a_week_at_the_cost_of_minutes_of_heat():
    beds = warmed(series=True)
    first_s = proved_s(beds)
    opened = spells = 0
    was = False
    while proved_s(beds) == first_s:
        beds.step()
        now = bool(beds._open_series)
        opened += now
        spells += now and not was
        was = now
        assert beds.now_s - first_s < th.PROOF_EVERY_S + 86_400.0
    assert beds.now_s - first_s >= th.PROOF_EVERY_S
    assert spells <= 3
    assert opened * CYCLE_S <= 3 * (th.PROOF_S + 3 * CYCLE_S)
    assert max(abs(c - 25.0) for c in beds.callus_c["bench"]) < 0.4
    assert beds.raised() == set()


@two_boxes
def test_a_weld_is_still_known_where_the_series_relay_is_welded_as_well(make):
    beds = warmed(make, series=True)
    beds.series_welded.add("bench")
    beds.until(lambda: "bench" not in beds.heat, 1.0)
    beds.welded.add("bench")
    beds.until(lambda: Alarm.RELAY_STUCK_ON in beds.alarms(), 0.75)
    beds.run(1)
    assert beds.powered("bench")
    assert Alarm.RELAY_STUCK_ON in beds.alarms()


def test_a_proof_that_is_disturbed_is_broken_off_and_proves_nothing():
    beds = fresh(Chamber)
    beds.until(lambda: bool(beds._open_series), 24.0)
    beds.step()
    beds.tend(0.5)
    beds.boxes["bench"].add_water(2.0, 45.0)
    beds.step()
    assert not beds._open_series
    assert proved_s(beds) is None
    beds.run(3)
    assert Alarm.SERIES_STUCK not in beds.raised()
    assert Alarm.RELAY_STUCK_ON not in beds.raised()


def test_without_a_series_relay_there_is_nothing_to_prove():
    beds = warmed()
    beds.run(12)
    assert proved_s(beds) is None
    assert not any("series" in text for text in beds.diagnosed())


def test_a_dead_mat_is_no_proof_that_the_series_relay_opens():
    """With no heat at all the mat stays cold whatever the series relay does."""
    beds = fresh(Chamber)
    beds.series_welded.add("bench")
    beds.power_share["bench"] = 0.0
    beds.run(12)
    assert proved_s(beds) is None
