"""A rehearsed cold night: foretold, told apart from a fault, and nothing is cut or blamed."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from itertools import pairwise
from typing import Self

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.campaign_boxes import BOXES, Scene, cold_enough, scene_world
from bottomheat.capacity import Basis, Lift, capacity
from bottomheat.chamber import Chamber
from bottomheat.config import Config
from bottomheat.errors import InputError
from bottomheat.model import Alarm, Estimate
from bottomheat.rehearse_faults import check, make_order, parse
from bottomheat.rehearse_kinds import KINDS
from bottomheat.rehearse_models import GuardedModel
from bottomheat.rehearse_nights import (
    COLDEST_C,
    LASTS_S,
    coldest,
    lift_in_truth,
    night_of,
    share,
)
from bottomheat.review.causes import Cause
from bottomheat.review.diagnose import diagnose
from diagnosis_world import RIGHT, Tape, window

NORTH = "north-bench"
ALONE = Scene(("nominal",), "10", (45.0,), 7)


def test_every_kind_has_a_cause_that_is_right_for_it() -> None:
    assert RIGHT.keys() == KINDS.keys() - {"tend"}


@pytest.mark.slow
def test_a_night_is_warned_of_and_the_diagnosis_names_the_cold_and_nothing_is_cut() -> None:
    world, tape = scene_world(ALONE, 4.0), Tape.blank()
    order = make_order("cold-night", 38 * 3600.0, NORTH)
    tape.follow(world, 60.0, [order])
    night = [event for event in tape.events if event.at_s > order.at_s and event.alarm is not None]
    first = next(event for event in night if event.alarm is Alarm.TONIGHT)
    cold = next(r for r in tape.records if r.estimate and r.at_s > order.at_s and _low(r.estimate))
    assert first.at_s < cold.at_s
    assert "instead of 25 °C" in first.text
    assert {event.alarm for event in night} <= {Alarm.TONIGHT, Alarm.SHORTFALL, Alarm.HEAT_LOST}
    assert world.latched == frozenset()
    seen = window(tape, world, NORTH, order.at_s - 4 * 3600.0)
    assert diagnose(seen).first.cause is Cause.COLD_ROOM


def _low(estimate: Estimate) -> bool:
    return estimate.celsius < 24.5


def test_what_a_watt_does_is_found_and_the_chamber_left_as_it_was() -> None:
    model = GuardedModel(Chamber(), "a chamber")
    lift = lift_in_truth(model, 45.0)
    box = Chamber()
    assert lift.k_per_w == pytest.approx(box.settled("substrate", 1.0, 0.0), rel=0.002)
    led_k = box.settled("mat", 1.0, 0.0) - box.settled("substrate", 1.0, 0.0)
    assert lift.mat_k_per_w == pytest.approx(led_k, rel=0.002)
    with pytest.raises(InputError):  # it has not been told its room yet
        model.temperature("callus")


@given(
    st.floats(0.2, 1.6),
    st.floats(10.0, 120.0),
    st.floats(0.5, 0.95),
    st.floats(0.0, 5.0),
)
def test_the_room_is_as_cold_as_leaves_the_bases_so_much_too_cold(
    k_per_w: float, watts: float, factor: float, short_k: float
) -> None:
    chamber = Config.model_validate(
        {
            "chambers": {
                NORTH: {
                    "callus_zone": 25.0,
                    "heater": {"gpio": 17, "watts": watts},
                    "probes": {"substrate": "28-000000000001", "room": "28-000000000002"},
                    "offset": {"method": "temperature-factor", "factor": factor},
                }
            }
        }
    ).chambers[NORTH]
    lift = Lift(k_per_w, Basis.MODEL)
    room_c = coldest(chamber, lift, short_k)
    coldest_found = capacity(chamber, lift, COLDEST_C)
    assert coldest_found is not None
    if room_c is None:
        assert 25.0 - coldest_found.callus_c.value < short_k
        return
    found = capacity(chamber, lift, room_c)
    warmer = capacity(chamber, lift, room_c + 0.05)
    assert found is not None
    assert warmer is not None
    assert 25.0 - found.callus_c.value >= short_k
    assert 25.0 - warmer.callus_c.value <= short_k + 1e-9


def test_the_room_falls_stays_and_comes_back_without_a_jump() -> None:
    course = [share(n / 1200) for n in range(1201)]
    assert (course[0], course[-1]) == (0.0, 0.0)
    assert max(course) == 1.0
    assert max(abs(b - a) for a, b in pairwise(course)) < 0.005
    assert sum(value == 1.0 for value in course) * LASTS_S / 1200 == pytest.approx(
        6 * 3600, rel=0.02
    )


def test_a_mat_that_no_night_is_too_cold_for_is_told_before_the_run() -> None:
    scene = Scene(("jacketed",), "10", (45.0,), 7)
    world = scene_world(scene, 1.0)
    order = parse("cold-night@38h", world.config)
    with pytest.raises(InputError, match="the mat of north-bench keeps the bases within 3 K"):
        check([order], world.config, world.stands)
    check([order], world.config, scene_world(ALONE, 1.0).stands)


def test_a_chamber_that_cannot_be_copied_is_one_sentence() -> None:
    class Stubborn(Chamber):
        def __deepcopy__(self, memo: dict[int, object]) -> Self:
            raise TypeError("I am one of a kind")

    with pytest.raises(InputError, match="needs a chamber that can be copied"):
        lift_in_truth(GuardedModel(Stubborn(), "a chamber"), 45.0)


def test_a_campaign_orders_a_night_only_where_the_days_are_held_and_a_night_is_not() -> None:
    fits = {
        (box, room): cold_enough(Scene((box,), room, (45.0,), 7))
        for box in ("nominal", "card", "jacketed")
        for room in ("20", "5", "10")
    }
    assert fits["nominal", "10"]
    assert fits["card", "20"]
    assert not fits["card", "10"]  # cold already
    assert not any(fits["jacketed", room] for room in ("20", "10", "5"))
    assert "jacketed" in BOXES


@pytest.mark.parametrize(
    ("callus_c", "left_s", "short_k"),
    [([25.0] * 5, None, 0.0), ([25.0, 24.4, 23.0, 24.0, 25.0], 20.0, 2.0)],
)
def test_a_box_leaves_its_band_where_its_twin_does_not(
    callus_c: Sequence[float], left_s: float | None, short_k: float
) -> None:
    night = night_of(NORTH, 25.0, callus_c, [25.0] * 6, 10.0, 0.0)
    assert night is not None
    assert (night.left_s, night.short_k) == (left_s, short_k)
    cold_anyway = night_of(NORTH, 25.0, callus_c, [25.0, *[24.0] * 5], 10.0, 0.0)
    assert cold_anyway is not None
    assert cold_anyway.left_s is None
    assert night_of(NORTH, 25.0, [24.0, *callus_c], [25.0] * 6, 10.0, 0.0) is None


def test_a_night_in_a_copy_stays_there() -> None:
    world = scene_world(ALONE, 1.0)
    spoiled = copy.deepcopy(world)
    spoiled.cold_c, spoiled.cold_share = 0.0, 1.0
    world.step()
    spoiled.step()
    assert world.truth(NORTH, ["room"]) == {"room": 10.0}
    assert spoiled.truth(NORTH, ["room"]) == {"room": 0.0}
