"""Corrections of probes on their way into control: what they change, and what they cannot hide."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.board import Board
from bottomheat.chamber import Chamber
from bottomheat.config import Config
from bottomheat.config_sections import Correction
from bottomheat.model import Alarm, Bad, EventKind, Fault, Good, Place, Sample
from bottomheat.plausible import FADE_K_PER_S, JUMP_K, History, judge
from bottomheat.protect import cutoff as cut
from plant import Feed, Plant, chamber_keys, config

S, S2, ROOM, MAT, CALLUS = (
    Place.SUBSTRATE,
    Place.SUBSTRATE_2,
    Place.ROOM,
    Place.MAT,
    Place.CALLUS,
)
adds_k = st.floats(-2.0, 2.0)


def corrected(cfg: Config, **by_place: float) -> Config:
    """The config with corrections of the bench's probes, K by place."""
    names = {p.name.lower(): name for p, name in cfg.chambers["bench"].probes.by_place().items()}
    found = {
        names[place]: Correction(add_k=add_k, uncertainty_k=0.05)
        for place, add_k in by_place.items()
    }
    return cfg.model_copy(update={"corrections": found})


def fed(keys: dict[str, Any] | None = None, **by_place: float) -> Feed:
    feed = Feed(keys)
    feed.config = corrected(feed.config, **by_place)
    return feed


def one(celsius: float, add_k: float) -> Good | Bad:
    return judge(History(), Sample(celsius, 0.0), 0.0, add_k)[1]


@given(st.floats(-19.0, 84.0), adds_k)
def test_a_good_reading_is_corrected_and_its_heat_is_not_hidden(raw_c: float, add_k: float) -> None:
    reading = one(raw_c, add_k)
    assert isinstance(reading, Good)
    assert reading.celsius == raw_c + add_k
    assert cut.evidence(reading) == (max(raw_c, raw_c + add_k), True, True)


@given(
    st.sampled_from([85.0, 127.9375, 125.0625, 126.0, -20.0625, 130.0]),
    adds_k,
)
def test_the_exact_tests_are_of_what_the_probe_sent(raw_c: float, add_k: float) -> None:
    plain, reading = one(raw_c, 0.0), one(raw_c, add_k)
    assert isinstance(plain, Bad)
    assert isinstance(reading, Bad)
    assert (reading.fault, reading.may_latch) == (plain.fault, plain.may_latch)
    assert reading.evidence_c == max(raw_c, raw_c + add_k)
    # A probe that is right on what another makes when it fails is believed.
    assert isinstance(one(85.0 - add_k, add_k), Good) or abs(add_k) < 1e-9


@given(st.lists(st.tuples(st.floats(10.0, 30.0), adds_k), min_size=2, max_size=30))
def test_a_correction_that_changes_is_no_jump(steps: list[tuple[float, float]]) -> None:
    """Whether a reading is a jump does not depend on corrections, whatever they do."""
    with_it, without, now_s = History(), History(), 0.0
    for raw_c, add_k in steps:
        now_s += 10.0
        with_it, one_ = judge(with_it, Sample(raw_c, now_s), now_s, add_k)
        without, other = judge(without, Sample(raw_c, now_s), now_s)
        assert type(one_) is type(other)
        assert with_it.last == without.last


@given(adds_k, adds_k, st.floats(1.0, 60.0))
def test_a_correction_fades_in_and_arrives(from_k: float, to_k: float, dt_s: float) -> None:
    history, _ = judge(History(), Sample(20.0, 0.0), 0.0, from_k)
    now_s, before_k = 0.0, from_k
    for _ in range(int(abs(to_k - from_k) / (FADE_K_PER_S * dt_s)) + 1):
        now_s += dt_s
        history, reading = judge(history, Sample(20.0, now_s), now_s, to_k)
        assert isinstance(reading, Good)
        in_force_k = reading.celsius - 20.0
        assert abs(in_force_k - before_k) <= FADE_K_PER_S * dt_s + 1e-9
        before_k = in_force_k
    assert before_k == pytest.approx(to_k, abs=1e-9)


def test_a_silent_probe_does_not_stop_the_fading() -> None:
    history, _ = judge(History(), Sample(20.0, 0.0), 0.0, 0.0)
    for now_s in range(10, 3600, 10):
        history, _ = judge(history, Sample(85.0, now_s), now_s, 0.4)
    _, reading = judge(history, Sample(20.0, 3600.0), 3600.0, 0.4)
    assert reading == Good(20.4, 3600.0)


def test_control_goes_by_corrected_readings() -> None:
    feed = fed(substrate=0.3, room=-0.2).warm()
    assert dict(feed.chamber.readings)[S] == Good(20.3, feed.now_s)
    assert dict(feed.chamber.readings)[ROOM] == Good(14.8, feed.now_s, 15.0)
    estimate = feed.chamber.outlook.estimate
    assert estimate is not None
    assert estimate.celsius == pytest.approx(14.8 + 0.743 * (20.3 - 14.8))


def test_compared_probes_narrow_the_interval() -> None:
    def expanded_k(feed: Feed) -> float:
        estimate = feed.warm().chamber.outlook.estimate
        assert estimate is not None
        return estimate.expanded_k

    two = chamber_keys(probes=(S, S2, ROOM, MAT))
    alone = expanded_k(fed())
    assert expanded_k(fed(substrate=0.0)) < alone
    assert expanded_k(fed(substrate=0.0, room=0.0)) < expanded_k(fed(substrate=0.0))
    assert expanded_k(fed(mat=0.0)) == alone
    # One compared probe of two on the wet layer says nothing about the other.
    assert expanded_k(fed(two, substrate=0.0)) == expanded_k(fed(two))
    assert expanded_k(fed(two, substrate=0.0, substrate_2=0.0)) < expanded_k(fed(two))


@pytest.mark.parametrize(("place", "raw_c"), [("substrate", 40.0), ("mat", 60.0)])
def test_a_negative_correction_hides_no_heat_from_the_cutoff(place: str, raw_c: float) -> None:
    feed = fed(**{place: -2.0}).warm()
    # By jumps and through: the third is believed, and the second has latched already.
    feed.heat({Place(place): raw_c}, count=2)
    assert "bench" in feed.latched
    assert f"{raw_c:g}" in feed.latched["bench"]
    feed.heat(count=10)
    fit, lines = cut.may_reset(
        [(Place(place), Good(raw_c - 2.5, 0.0, raw_c - 0.5))],
        None,
        feed.config.chambers["bench"].limits,
    )
    assert not fit
    assert f"{raw_c - 0.5:.1f} °C, still near" in lines[0]


def test_a_positive_correction_is_believed_by_the_cutoff() -> None:
    feed = fed(mat=1.0).warm()
    for mat_c in (29.0, 33.0, 37.0, 41.0, 45.0, 49.0, 53.0, 57.0, 58.9):
        feed.heat({MAT: mat_c})
        assert not feed.latched
    feed.heat({MAT: 59.5}, count=2)
    assert "mat at 60.5 °C, limit 60" in feed.latched["bench"]


def test_a_callus_probe_that_reads_high_may_be_held_at_its_setpoint() -> None:
    """The check keeps the limit far enough away; 2 K is what it asks for at the least."""
    keys = chamber_keys(
        probes=(S, ROOM, MAT, CALLUS),
        offset={"method": "direct"},
        limits={"callus": 27.5},
    )
    feed = fed(keys, callus=-0.4).warm()
    feed.heat({S: 25.0, CALLUS: 25.4}, count=100)
    assert not feed.latched
    assert dict(feed.chamber.readings)[CALLUS] == Good(25.0, feed.now_s, 25.4)


ALARMS = frozenset(Alarm)
CHANGES = [
    {"mat": 2.0},
    {"mat": -2.0},
    {"substrate": 2.0},
    {"substrate": -2.0},
    {"substrate": -2.0, "mat": 2.0},
    {"room": 2.0},
    {"room": -2.0},
]


@pytest.mark.parametrize("change", CHANGES, ids=str)
def test_a_change_at_run_time_latches_nothing_and_raises_no_alarm(change: dict[str, float]) -> None:
    plant = Plant(config(cycle_s=30.0), {"bench": Chamber()}, room_c=12.0)
    plant.run(20)
    before = plant.records["bench"][-1]
    told = len(plant.events)
    plant.config = corrected(plant.config, **change)
    plant.run(0.1)
    assert plant.records["bench"][-1].duty == pytest.approx(before.duty, abs=0.1)
    plant.run(9.9)
    kept = plant.state.chambers["bench"]
    assert kept.cutoff.latched is None
    assert plant.records["bench"][-1].alarms == frozenset()
    kinds = {event.kind for event in plant.events[told:]}
    assert kinds <= {EventKind.CONFIG_ACCEPTED}
    place, add_k = next(iter(change.items()))
    history = kept.histories[Place(place)]
    assert history.add_k == add_k


def test_a_jump_is_told_as_the_probe_sent_it() -> None:
    history, _ = judge(History(), Sample(20.0, 0.0), 0.0, 1.0)
    _, reading = judge(history, Sample(20.0 + JUMP_K + 0.5, 10.0), 10.0, 1.0)
    assert isinstance(reading, Bad)
    assert reading.fault is Fault.JUMP
    assert reading.detail == "from 20.0 to 25.5 °C"
    assert reading.evidence_c == 26.5


def test_status_tells_the_offset_in_force() -> None:
    from bottomheat import cycle
    from bottomheat.protect.tending import Lid

    feed = Feed(
        chamber_keys(
            offset={"method": "temperature-factor", "factor": 0.743, "calibrated": True},
            offset_off={"method": "heat-flow", "resistance": 0.2},
        )
    ).warm()

    def told(lid: Lid) -> dict[str, Any]:
        feed.state = cycle.tend(feed.state, "bench", None, lid)
        step = feed.step()
        board = Board(0.0).take(step, feed.now_s)
        (chamber,) = board.answer(step.state, feed.config, None, feed.now_s)["chambers"]
        return {key: chamber[key] for key in ("method", "calibrated", "lid_calibrated", "fallback")}

    assert told(Lid.ON) == {
        "method": "temperature-factor",
        "calibrated": True,
        "lid_calibrated": True,
        "fallback": None,
    }
    assert told(Lid.AJAR) == {
        "method": "temperature-factor",
        "calibrated": True,
        "lid_calibrated": False,
        "fallback": None,
    }
    assert told(Lid.OFF) == {
        "method": "heat-flow",
        "calibrated": False,
        "lid_calibrated": True,
        "fallback": None,
    }
    feed.heat({ROOM: None}, count=4)
    assert "room probe lost" in told(Lid.ON)["fallback"]
