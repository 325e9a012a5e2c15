"""The cycle with the lid on, ajar and off: each position goes by its own offset."""

from __future__ import annotations

from typing import Any

import pytest

from bottomheat import cycle
from bottomheat.config import ChamberConfig
from bottomheat.estimate import Outlook
from bottomheat.guard import gather
from bottomheat.model import Place, Sample
from bottomheat.protect.tending import Lid
from bottomheat.words import held_low, unreliable
from plant import Feed, chamber_keys

S, ROOM, MAT = Place.SUBSTRATE, Place.ROOM, Place.MAT
FACTOR = {"method": "temperature-factor", "factor": 0.743}
OFF = {"method": "temperature-factor", "factor": 0.68, "intercept": -0.2}
FLOW = {"method": "heat-flow", "resistance": 0.2}


def lidded(feed: Feed, lid: Lid) -> Feed:
    feed.state = cycle.tend(feed.state, "bench", None, lid)
    return feed


def chamber(**keys: Any) -> ChamberConfig:
    return Feed(chamber_keys(**keys)).config.chambers["bench"]


def hours(feed: Feed, count: int) -> float:
    """So many hours with readings that stir by one count; the mean setpoint of the last one."""
    asked_c = []
    for n in range(count * 120):
        stir_k = (n // 20 % 2) / 16
        feed.heat({S: 20.0 + stir_k, ROOM: 15.0, MAT: 25.0 + stir_k}, dt_s=30.0)
        asked_c.append(feed.chamber.outlook.substrate_setpoint_c)
    return sum(asked_c[-120:]) / 120


def test_the_setpoint_of_the_wet_layer_follows_the_lid() -> None:
    feed = Feed(chamber_keys(offset=FACTOR, offset_off=OFF)).warm()
    assert hours(feed, 1) == pytest.approx(15.0 + 10.0 / 0.743)
    lidded(feed, Lid.OFF)  # what the first hands over dies away in hours
    assert hours(feed, 12) == pytest.approx(15.0 + 10.2 / 0.68, abs=0.02)
    lidded(feed, Lid.AJAR)
    assert hours(feed, 12) == pytest.approx(15.0 + 10.0 / 0.743, abs=0.02)


def test_moving_the_lid_makes_no_bump() -> None:
    feed = Feed(chamber_keys(offset=FACTOR, offset_off=OFF)).warm()
    feed.heat(count=200)
    before = feed.chamber
    after = lidded(feed, Lid.OFF)
    after.heat()
    assert before.outlook.substrate_setpoint_c is not None
    assert feed.chamber.outlook.substrate_setpoint_c == pytest.approx(
        before.outlook.substrate_setpoint_c, abs=0.01
    )
    assert feed.chamber.law.duty == pytest.approx(before.law.duty, abs=0.02)


def test_what_is_likely_at_the_callus_follows_the_lid() -> None:
    feed = lidded(Feed(chamber_keys(offset=FACTOR, offset_off=OFF)).warm(), Lid.OFF)
    feed.step()
    state = feed.chamber
    facts = gather(
        state,
        feed.config.chambers["bench"],
        {S: 20.0, ROOM: 15.0, MAT: 25.0},
        20.0,
        {},
        None,
        feed.now_s,
        10.0,
        pulse=False,
        heard=True,
    )
    assert facts.likely_c == pytest.approx(15.0 + 0.68 * 5.0 - 0.2)


@pytest.mark.parametrize(
    ("offset", "held"),
    [
        (FACTOR, 25.0 - 0.743 * 2.0),
        ({"method": "fixed", "kelvin": 1.5}, 23.0),
        (FLOW, 23.0),
    ],
)
def test_held_low_says_what_the_offset_in_force_leaves(offset: dict[str, Any], held: float) -> None:
    box = chamber(offset=offset)
    assert f"held at {held:.1f}, not 25" in held_low(box, box.offset, 2.0)


def test_held_low_goes_by_the_open_lid() -> None:
    # The cap is 34 - 0.15: with the lid off the layer would want 15 + 14.2/0.68 = 35.88.
    keys = chamber_keys(callus_zone=29.0, limits={"callus": 33}, offset=FACTOR, offset_off=OFF)
    feed = lidded(Feed(keys), Lid.OFF).warm()
    (record,) = feed.step().records
    assert record.reason.startswith("held at 27.6, not 29: wet layer at its ceiling")


def test_heat_flow_waits_for_the_keeper_and_says_so() -> None:
    """Nobody knows the mean power before the keeper has said anything; no probe is to blame."""
    feed = Feed(chamber_keys(offset=FLOW, probes=(S, MAT)))
    for _ in range(5):
        feed.now_s += 10.0
        raws = {S: Sample(20.0, feed.now_s), MAT: Sample(25.0, feed.now_s)}
        step = cycle.advance(feed.state, {"bench": raws}, feed.now_s, feed.config, feedback={})
        feed.state = step.state
    assert step.heat == frozenset()
    assert feed.chamber.no_heat == "mean power of the mat not known yet"
    assert True in feed.heat(count=5)


def test_each_method_names_the_probe_that_it_misses() -> None:
    nothing = Outlook(None, None, None, None)
    feed = Feed(chamber_keys(offset=FACTOR)).warm()
    supplies = feed.chamber.supplies
    for offset, words in (
        (chamber(offset=FACTOR).offset, "room probe"),
        (chamber(offset={"method": "direct"}).offset, "callus probe"),
        (chamber(offset=FLOW).offset, "mean power"),
    ):
        told = unreliable(offset, supplies, nothing)
        assert told is not None
        assert words in told


def test_the_integral_is_rebuilt_for_another_position_with_an_offset_of_its_own() -> None:
    feed = Feed(chamber_keys(offset=FACTOR, offset_off=OFF)).warm()
    feed.heat(count=100)
    key = feed.chamber.law.key
    lidded(feed, Lid.AJAR).heat()
    assert feed.chamber.law.key == key
    lidded(feed, Lid.OFF).heat()
    assert feed.chamber.law.key != key
