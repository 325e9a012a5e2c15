"""While the wet-layer probe stands accused nobody knows how warm the bases are; it is said so."""

from __future__ import annotations

import copy
import math
from dataclasses import replace
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from beds import CYCLE_S, HOUR, MAKES, Beds, keys_of, warmed
from bottomheat import cycle, doubtful
from bottomheat.config import Limits
from bottomheat.model import Alarm, Condition, Estimate, Event, EventKind, Good, Place, Sample
from bottomheat.outage import Before, Start
from bottomheat.protect import accused
from bottomheat.protect.cutoff import CLEAR, may_reset, watch_estimate
from bottomheat.protect.watch import AWAY, BACK, Watch
from bottomheat.restart import Known, openings, restarted
from plant import config

S, S2, ROOM, MAT, CALLUS = Place.SUBSTRATE, Place.SUBSTRATE_2, Place.ROOM, Place.MAT, Place.CALLUS
ACCUSED = {Alarm.PROBE_DISPLACED, Alarm.PROBE_FROZEN}
LIMITS = Limits(substrate=40, mat=60, callus=30)


def in_room(box, room_c: float) -> float:
    return room_c


def half_out(box, room_c: float) -> float:
    return (box.temperature("substrate") + room_c) / 2.0


def to_the_room(beds: Beds) -> None:
    beds.lies["bench", S] = in_room


def half_way(beds: Beds) -> None:
    beds.lies["bench", S] = half_out


def frozen(beds: Beds) -> None:
    beds.freeze(S)


FAULTS = {"room": to_the_room, "half": half_way, "frozen": frozen}
every_fault = pytest.mark.parametrize("fault", FAULTS)
two_boxes = pytest.mark.parametrize("make", ["nominal", "other make, deep"])


@cache
def _course(fault: str, make: str) -> tuple[Beds, float, float]:
    """A probe that goes wrong and is put right two hours after the alarm; when each was, s."""
    beds = warmed(MAKES[make])
    wrong_s = beds.now_s
    FAULTS[fault](beds)
    beds.until(lambda: bool(beds.alarms() & ACCUSED), 4.0)
    beds.run(2.0)
    right_s = beds.now_s
    beds.lies.clear()
    beds.stuck_at.clear()
    beds.until(lambda: not beds.alarms() & ACCUSED, 2.0)
    beds.run(8.0)
    return beds, wrong_s, right_s


@every_fault
@two_boxes
def test_while_the_alarm_stands_there_is_no_estimate_and_no_heat(fault, make):
    beds, _, right_s = _course(fault, make)
    accused_rows = [r for r in beds.records["bench"] if r.alarms & ACCUSED]
    assert len(accused_rows) > 2 * HOUR
    assert all(r.estimate is None for r in accused_rows)
    assert not any(r.heat for r in accused_rows)
    assert {r.condition for r in accused_rows} == {Condition.NO_HEAT}
    assert accused_rows[-1].at_s > right_s, "it agrees for a time before it is believed"


@every_fault
@two_boxes
def test_it_is_said_since_when_the_estimates_before_are_in_doubt(fault, make):
    beds, wrong_s, _ = _course(fault, make)
    (told,) = [e for e in beds.events if e.kind is EventKind.DOUBTED]
    raised = [e for e in beds.events if e.kind is EventKind.ALARM_RAISED and e.alarm in ACCUSED]
    assert told.at_s == raised[0].at_s
    (doubt,) = doubtful.spans([Row(round(told.at_s * 1000), told)])["bench"]
    assert doubt.to_ms == round(told.at_s * 1000)
    assert doubt.from_ms / 1000 <= wrong_s + 300.0, "all of the time from the fault on, but minutes"
    assert doubt.from_ms / 1000 >= wrong_s - 900.0, "and hardly more"
    assert doubt.why in (accused.DISPLACED, accused.FROZEN)


@every_fault
@two_boxes
def test_once_the_probe_is_believed_again_there_is_an_estimate_with_a_wider_interval(fault, make):
    beds, *_ = _course(fault, make)
    rows, true_c = beds.records["bench"], beds.callus_c["bench"]
    last = max(n for n, row in enumerate(rows) if row.alarms & ACCUSED)
    after = list(zip(rows, true_c, strict=True))[last + 1 :]
    known = [(row.estimate, celsius) for row, celsius in after if row.estimate is not None]
    assert len(known) == len(after), "through the hour of trial and on"
    assert all(abs(e.celsius - celsius) <= e.expanded_k for e, celsius in known)
    usual_k = rows[0].estimate.expanded_k
    assert known[0][0].expanded_k > usual_k + 0.5
    assert known[-1][0].expanded_k < usual_k + 0.3


def test_in_the_hour_of_trial_heat_is_half_of_what_the_model_needs():
    beds, *_ = _course("half", "nominal")
    rows = beds.records["bench"]
    last = max(n for n, row in enumerate(rows) if row.alarms & ACCUSED)
    trial = rows[last + 1 : last + 1 + HOUR]
    assert 0.0 < sum(row.heat for row in trial) / HOUR <= 0.5


def test_a_second_good_probe_on_the_wet_layer_is_enough():
    beds = warmed(second=True)
    beds.freeze(S)
    beds.until(lambda: Alarm.PROBE_FROZEN in beds.alarms(), 6.0)
    rows = beds.records["bench"]
    beds.run(1.0)
    assert rows[-1].estimate is not None
    assert abs(rows[-1].estimate.celsius - beds.temperature(CALLUS)) <= rows[-1].estimate.expanded_k
    assert not [e for e in beds.events if e.kind is EventKind.DOUBTED]


DIRECT = {
    "offset": {"method": "direct", "factor": 0.75},
    "probes": (S, ROOM, MAT, CALLUS),
}


@every_fault
def test_a_callus_probe_that_is_used_directly_tells_all_the_same(fault):
    beds = warmed(**DIRECT)
    FAULTS[fault](beds)
    beds.until(lambda: bool(beds.alarms() & ACCUSED), 4.0)
    beds.run(5.0)
    row = beds.records["bench"][-1]
    assert row.alarms & ACCUSED
    assert row.estimate is not None
    assert abs(row.estimate.celsius - beds.temperature(CALLUS)) <= row.estimate.expanded_k
    assert not row.heat
    assert not [e for e in beds.events if e.kind is EventKind.DOUBTED]
    watch = beds.state.chambers["bench"].watch
    assert not watch.callus.displaced, "it is not blamed for a bed that cools"
    assert not watch.callus.frozen


@pytest.mark.parametrize("method", ["direct", "temperature-factor"])
def test_a_callus_probe_is_not_blamed_for_what_the_layer_did_unseen(method):
    """Hours without heat in a hard frost, then the wet-layer probe is put right."""
    beds = warmed(
        room_c=-2.0,
        offset={"method": method, "factor": 0.75},
        probes=(S, ROOM, MAT, CALLUS),
    )
    to_the_room(beds)
    beds.until(lambda: Alarm.PROBE_DISPLACED in beds.alarms(), 4.0)
    beds.run(8.0)
    beds.lies.clear()
    beds.until(lambda: Alarm.PROBE_DISPLACED not in beds.alarms(), 2.0)
    for _ in range(6 * HOUR):
        beds.step()
        assert not beds.state.chambers["bench"].watch.callus.displaced
    assert beds.heated() > 0.0


def test_with_the_callus_probe_gone_as_well_nobody_knows():
    beds = warmed(**DIRECT)
    to_the_room(beds)
    beds.until(lambda: Alarm.PROBE_DISPLACED in beds.alarms(), 4.0)
    beds.unread = {("bench", CALLUS)}
    beds.state = _without_callus(beds)
    beds.step()
    assert beds.records["bench"][-1].estimate is None
    assert beds.state.chambers["bench"].outlook.doubt == accused.DISPLACED


def _without_callus(beds: Beds) -> cycle.ControllerState:
    """The state with the callus probe not believed any more."""
    box = beds.state.chambers["bench"]
    probe = replace(box.watch.callus, displaced=True)
    watch = copy.copy(box.watch)
    watch.__dict__["callus"] = probe
    return replace(beds.state, chambers={"bench": replace(box, watch=watch)})


def test_a_probe_that_is_lost_is_named_as_well():
    beds = warmed()
    step = None
    for _ in range(4):
        beds.now_s += CYCLE_S
        step = cycle.advance(beds.state, {"bench": {}}, beds.now_s, beds.config)
        beds.state = step.state
    assert step is not None
    assert step.records[0].estimate is None
    assert beds.state.chambers["bench"].outlook.doubt == accused.LOST


def test_after_hours_of_silence_the_estimate_says_what_the_bed_did_meanwhile():
    beds = warmed()
    box = beds.boxes["bench"]
    for _ in range(6 * HOUR):
        beds.now_s += CYCLE_S
        box.advance(CYCLE_S, 0.0, 12.0)
        beds.state = cycle.advance(beds.state, {"bench": {}}, beds.now_s, beds.config).state
    beds.heat = frozenset()
    beds.step()
    beds.until(lambda: beds.records["bench"][-1].estimate is not None, 0.5)
    for _ in range(4 * HOUR):
        beds.step()
        estimate = beds.records["bench"][-1].estimate
        assert abs(estimate.celsius - beds.temperature(CALLUS)) <= estimate.expanded_k


def test_the_boxes_that_answer_to_each_others_heat_have_no_estimate_until_a_reset():
    text = f"north and south {accused.crossing.FOREIGN}: plugs or probes have changed places"
    assert accused.why(Watch(), text, 25.0) == accused.CROSSED
    assert accused.why(Watch(latched=text), "wet layer at 41.0 °C, limit 40", 25.0)
    beds = warmed()
    box = beds.state.chambers["bench"]
    latched = replace(box, cutoff=replace(box.cutoff, latched=text))
    beds.state = replace(beds.state, chambers={"bench": latched})
    beds.run(0.5)
    assert all(row.estimate is None for row in beds.records["bench"])
    beds.state, cleared, _ = cycle.reset_cutoff(beds.state, "bench", beds.config)
    assert cleared
    beds.step()
    assert beds.records["bench"][-1].estimate is not None


def test_after_a_restart_a_latch_still_says_which_probe_is_not_believed():
    beds = warmed()
    text = f"{AWAY}: it fell by 8.8 K and the mat did not follow, for the second time in a day"
    beds.state = cycle.start(beds.config, {"bench": text}, proved=True)
    beds.run(0.5)
    assert all(row.estimate is None for row in beds.records["bench"])
    assert beds.state.chambers["bench"].outlook.doubt == accused.DISPLACED
    beds.state, cleared, _ = cycle.reset_cutoff(beds.state, "bench", beds.config)
    assert cleared
    beds.step()
    assert beds.records["bench"][-1].estimate is not None


@pytest.mark.parametrize("fault", ["room", "half"])
def test_a_restart_does_not_make_a_displaced_probe_right(fault):
    """The run after would learn from it: at 15 °C a bed would be 10 K too warm, and say nothing."""
    beds = warmed(MAKES["jacketed"], room_c=15.0)
    FAULTS[fault](beds)
    beds.until(lambda: Alarm.PROBE_DISPLACED in beds.alarms(), 4.0)
    beds.run(0.5)
    _start_again(beds, {"bench"})
    for _ in range(3 * HOUR):
        beds.step()
        row = beds.records["bench"][-1]
        assert row.estimate is None
        assert not row.heat
        assert Alarm.PROBE_DISPLACED in row.alarms
    beds.lies.clear()
    beds.until(lambda: Alarm.PROBE_DISPLACED not in beds.alarms(), 2.0)
    beds.run(8.0)
    assert beds.latched() is None
    assert beds.heated(last=HOUR) > 0.0
    estimate = beds.records["bench"][-1].estimate
    assert abs(estimate.celsius - beds.temperature(CALLUS)) <= estimate.expanded_k


def test_what_was_displaced_is_carried_where_a_mat_probe_can_tell_and_the_wiring_is_the_same():
    without = warmed(probes=(S, ROOM))
    _start_again(without, {"bench"})
    assert without.state.chambers["bench"].watch.displaced is None
    beds = warmed()
    _start_again(beds, {"bench"}, proved=False)
    assert beds.state.chambers["bench"].watch.displaced is None
    _start_again(beds, {"south"})
    assert beds.state.chambers["bench"].watch.displaced is None
    right = warmed()
    _start_again(right, {"bench"})
    right.until(lambda: right.heat == frozenset({"bench"}), 3.0)
    assert right.records["bench"][-1].estimate is not None


def _start_again(beds: Beds, displaced: set[str], *, proved: bool = True) -> None:
    before = Before("a", beds.now_s, None, False, displaced=frozenset(displaced))
    start = Start("a", beds.now_s + 60.0, None)
    (event, *more) = [e for e in openings(Known(before), start)[0] if e.kind is EventKind.DIAGNOSED]
    assert not more
    assert accused.displaced([event]) == displaced, "the run after this one knows it as well"
    beds.state = restarted(beds.config, {}, Known(before), start, proved=proved)
    beds.now_s, beds.heat = beds.now_s + 60.0, frozenset()


def test_what_was_displaced_at_the_end_is_read_from_what_was_told():
    def told(text: str, kind: EventKind = EventKind.DIAGNOSED, name: str | None = "bench") -> Event:
        return Event(kind, 0.0, name, text)

    away, back = told(f"{AWAY}: it fell"), told(f"{BACK}: heat is tried")
    assert accused.displaced([away]) == {"bench"}
    assert accused.displaced([away, back]) == frozenset()
    assert accused.displaced([back, away, told("box opened")]) == {"bench"}
    assert accused.displaced([away, told("cleared", EventKind.RESET)]) == frozenset()
    assert accused.displaced([told(f"{AWAY}: it fell", EventKind.TENDING)]) == frozenset()
    assert accused.displaced([told(f"{AWAY}: it fell", name=None)]) == frozenset()
    assert accused.displaced([back], {"bench", "south"}) == {"south"}


# --- what hangs on the estimate -----------------------------------------------------------------


def test_hot_evidence_speaks_against_heat_and_cool_evidence_for_nothing():
    hot, cool = Estimate(30.5, 1.0), Estimate(24.0, 1.0)

    def weigh(cutoff, now_s, **evidence):
        return watch_estimate(cutoff, None, 41.0, 10.0, LIMITS, now_s, **evidence)

    held, why = CLEAR, None
    for now_s in (0.0, 300.0, 600.0):
        held, why = weigh(held, now_s, evidence=hot)
    assert held.estimate_held
    assert why is not None
    still, why = weigh(held, 700.0, evidence=cool)
    assert still.estimate_held, "pulling the probe out does not cool the bed"
    assert why is not None
    known, why = watch_estimate(still, cool, 41.0, 10.0, LIMITS, 800.0)
    assert not known.estimate_held
    assert why is None
    far = Estimate(32.5, 1.0)
    latched, _ = weigh(weigh(CLEAR, 0.0, evidence=far)[0], 10.0, evidence=far)
    assert latched.latched is not None
    apart = weigh(weigh(weigh(CLEAR, 0.0, evidence=far)[0], 10.0, evidence=cool)[0], 20.0)[0]
    assert weigh(apart, 30.0, evidence=far)[0].latched is None, "two running"


def test_a_hot_probe_that_is_not_believed_stands_against_a_reset_and_a_cool_one_not():
    readings = [(S, Good(25.0, 0.0)), (MAT, Good(30.0, 0.0))]
    fit, lines = may_reset(readings, None, LIMITS, Estimate(31.0, 1.0))
    assert not fit
    assert "not known" in lines[-1]
    assert "31.0" in lines[-1]
    fit, lines = may_reset(readings, None, LIMITS, Estimate(15.0, 1.0))
    assert fit
    assert "15" not in lines[-1], "what it makes of the bases is not told"


@pytest.mark.parametrize("room_c", [12.0, 18.0])
def test_that_no_heat_flows_is_told_though_nobody_knows_how_cold_it_is(room_c):
    beds = warmed(room_c=room_c)
    half_way(beds)
    beds.until(lambda: Alarm.PROBE_DISPLACED in beds.alarms(), 4.0)
    beds.until(lambda: Alarm.HEAT_LOST in beds.alarms(), 4.0)
    count = len(beds.events)
    beds.run(4.0)
    cleared = [e for e in beds.events[count:] if e.kind is EventKind.ALARM_CLEARED]
    assert not cleared, "a probe that is not believed does not take it back"


def test_warmth_without_heat_is_neither_told_nor_taken_back_by_a_probe_that_is_not_believed():
    beds = warmed()
    beds.room_c = 32.0
    beds.until(lambda: Alarm.WARM_WITHOUT_HEAT in beds.alarms(), 24.0)
    box = beds.state.chambers["bench"]
    watch = copy.copy(box.watch)
    watch.__dict__.update(displaced="displaced", displaced_s=beds.now_s, displaced_c=30.0)
    beds.state = replace(beds.state, chambers={"bench": replace(box, watch=watch)})
    beds.lies["bench", S] = lambda box, room_c: 15.0
    for _ in range(HOUR // 4):
        beds.step()
        assert Alarm.WARM_WITHOUT_HEAT in beds.alarms()


# --- properties ---------------------------------------------------------------------------------

STARTS = (
    {"displaced": "the wet-layer probe is displaced: it fell", "displaced_s": 0.0},
    {"frozen": frozenset({S})},
    {"latched": f"a and b {accused.crossing.FOREIGN}"},
    {},
)
cycles = st.lists(
    st.tuples(
        st.one_of(st.none(), st.floats(-20.0, 60.0)),
        st.one_of(st.none(), st.floats(-20.0, 40.0)),
        st.one_of(st.none(), st.floats(-20.0, 70.0)),
        st.integers(1, 80),
    ),
    max_size=8,
)


@given(
    st.sampled_from(STARTS), st.sampled_from(["temperature-factor", "fixed", "heat-flow"]), cycles
)
def test_whatever_comes_no_estimate_while_the_only_wet_layer_probe_is_accused(
    start, method, course
):
    offset = {
        "temperature-factor": {"method": method, "factor": 0.75},
        "fixed": {"method": method, "kelvin": 1.5},
        "heat-flow": {"method": method, "resistance": 0.15},
    }[method]
    setting = config(CYCLE_S, bench=keys_of(MAKES["nominal"](), offset=offset))
    state = cycle.start(setting, {}, proved=True)
    box = state.chambers["bench"]
    watch = copy.copy(box.watch)
    watch.__dict__.update(start)
    state = replace(state, chambers={"bench": replace(box, watch=watch)})
    now_s = 1000.0
    for layer_c, room_c, mat_c, count in course:
        given_c = {S: layer_c, ROOM: room_c, MAT: mat_c}
        for _ in range(count):
            now_s += CYCLE_S
            raws = {p: Sample(c, now_s) for p, c in given_c.items() if c is not None}
            step = cycle.advance(state, {"bench": raws}, now_s, setting)
            state = step.state
            (row,), box = step.records, state.chambers["bench"]
            doubted = (
                box.watch.displaced is not None
                or S in box.watch.frozen
                or accused.crossing.FOREIGN in (box.watch.latched or "")
            )
            if doubted:
                assert row.estimate is None
                assert not row.heat
                assert box.outlook.lagged_c is None
            if row.estimate is not None:
                assert math.isfinite(row.estimate.celsius)
                assert row.estimate.expanded_k > 0.0


class Row:
    """An event as the log gives it."""

    def __init__(self, wall_ms: int, event: Event) -> None:
        self.wall_ms, self.event = wall_ms, event


@given(st.floats(1.0, 12 * 3600.0), st.integers(0, 2**42))
def test_what_is_said_of_the_time_before_is_read_again_to_the_minute(before_s, wall_ms):
    text = doubtful.words(accused.DISPLACED, before_s)
    event = Event(EventKind.DOUBTED, 0.0, "bench", text)
    (doubt,) = doubtful.spans([Row(wall_ms, event)])["bench"]
    assert (doubt.to_ms, doubt.why) == (wall_ms, accused.DISPLACED)
    assert 0.0 <= (wall_ms - doubt.from_ms) - before_s * 1000.0 <= 60_000.0 + 1.0


@given(st.text(), st.sampled_from(EventKind), st.one_of(st.none(), st.just("bench")))
def test_no_other_event_puts_time_in_doubt(text, kind, chamber):
    found = doubtful.spans([Row(10**12, Event(kind, 0.0, chamber, text))])
    assert not found or kind is EventKind.DOUBTED
