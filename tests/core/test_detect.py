"""One cycle of detection, whatever the facts: never raises, never a NaN, and what must hold."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beds import FACTS
from bottomheat.model import Alarm, Place
from bottomheat.protect import crossing, detect
from bottomheat.protect import thresholds as th
from bottomheat.protect import watch as watching
from bottomheat.protect.layer import Layer
from bottomheat.protect.lead import Lead
from bottomheat.protect.watch import Facts, Watch

# Values that come again, as counts of a probe do, and any others.
celsius = st.one_of(
    st.none(),
    st.sampled_from([-20.0, 5.0, 15.0, 24.9375, 25.0, 40.0, 85.0, 125.0]),
    st.floats(-20.0, 125.0),
)


@st.composite
def facts(draw: st.DrawFn, watts: float, series: bool) -> Facts:
    substrate_c, mat_c, room_c = draw(celsius), draw(celsius), draw(celsius)
    readings_c = {Place.SUBSTRATE: substrate_c, Place.ROOM: room_c}
    for place in (Place.CALLUS, Place.TOP):
        if draw(st.booleans()):
            readings_c[place] = draw(celsius)
    if draw(st.booleans()):
        readings_c[Place.MAT] = mat_c
    if draw(st.booleans()):
        readings_c[Place.SUBSTRATE_2] = draw(celsius)
    return replace(
        FACTS,
        heat=draw(st.booleans()),
        readings_c=readings_c,
        mat_c=mat_c,
        substrate_c=substrate_c,
        room_c=room_c,
        other_rooms_c=draw(
            st.dictionaries(st.sampled_from("ab"), st.floats(-20.0, 125.0), max_size=2)
        ),
        likely_c=draw(celsius),
        estimate_c=draw(celsius),
        needed_c=draw(st.none() | st.floats(-50.0, 125.0)),
        duty=draw(st.floats(0.0, 1.0)),
        short=draw(st.booleans()),
        no_heat=draw(st.none() | st.just("held")),
        tending=draw(st.sampled_from([False, False, False, True])),
        modulated=draw(st.booleans()),
        pulse=draw(st.sampled_from([False, False, False, True])),
        heard=draw(st.sampled_from([True, True, True, False])),
        series=series,
        closed=draw(st.booleans()),
        watts=watts,
        full_power_rise_k=draw(st.none() | st.just(30.0)),
    )


Course = list[tuple[Facts, int, float, float, float]]

drifts = st.just(0.0) | st.floats(-2.0, 2.0)


@st.composite
def courses(draw: st.DrawFn) -> Course:
    """Spells of like facts: facts, cycles, step of the time, drift of mat and layer a cycle."""
    watts, series = draw(st.floats(5.0, 400.0)), draw(st.booleans())
    return draw(
        st.lists(
            st.tuples(
                facts(watts, series),
                st.integers(1, 25),
                st.sampled_from([0.0, 10.0, 30.0, 30.0, 60.0, 400.0, 4000.0, 40_000.0]),
                drifts,
                drifts,
            ),
            min_size=1,
            max_size=10,
        )
    )


LEARNED = Watch(
    lead=Lead(
        at_s=1000.0, ripple_k=24.0, level_k=24.0, mean_k=2.0, lead_k=2.0, level_xx=9e3, level_xy=2e5
    ),
    layer=Layer(at_s=1000.0, full_k=32.0, room_c=15.0, xx=9e3, xy=3e5),
)

starts = st.sampled_from(
    [
        Watch(),
        LEARNED,
        replace(LEARNED, frozen=frozenset({Place.SUBSTRATE})),
        replace(LEARNED, frozen=frozenset({Place.MAT}), no_effect="no effect"),
        replace(LEARNED, displaced="displaced", displaced_s=900.0),
        replace(LEARNED, displaced_s=900.0, probation_s=4000.0),
        replace(LEARNED, proof_from_s=990.0, held=True, last_c=25.0),
        replace(LEARNED, look_s=990.0, look_mat_c=40.0, look_lead_k=12.0),
    ]
)
"""What may be known and suspected when a course begins."""


def play(course: Course, watch: Watch | None = None, now_s: float = 1000.0) -> Iterator[Any]:
    """Run a course: (facts, watch before, watch after, finding) of each cycle."""
    watch = watch or Watch()
    standing: frozenset[Alarm] = frozenset()
    for given_facts, cycles, dt_s, mat_k, layer_k in course:
        now = given_facts
        for _ in range(cycles):
            now_s += dt_s
            now = drift(now, mat_k, layer_k)
            before = watch
            watch, finding = detect.advance(watch, now, now_s, standing)
            standing = finding.alarms
            yield now, before, watch, finding


def after(course: Course, start: Watch) -> Watch:
    """The watch at the end of a course."""
    return [watch for _, _, watch, _ in play(course, start)][-1]


def drift(now: Facts, mat_k: float, layer_k: float) -> Facts:
    mat_c, layer_c = moved(now.mat_c, mat_k), moved(now.substrate_c, layer_k)
    readings_c = {**now.readings_c, Place.SUBSTRATE: layer_c}
    if Place.MAT in readings_c:
        readings_c[Place.MAT] = mat_c
    return replace(now, mat_c=mat_c, substrate_c=layer_c, readings_c=readings_c)


def moved(celsius: float | None, by_k: float) -> float | None:
    return None if celsius is None else min(125.0, max(-20.0, celsius + by_k))


def numbers(value: Any) -> Iterator[float]:
    if isinstance(value, float):
        yield value
    elif is_dataclass(value):
        for field in fields(value):
            yield from numbers(getattr(value, field.name))
    elif isinstance(value, dict):
        for item in value.values():
            yield from numbers(item)
    elif isinstance(value, tuple | list):
        for item in value:
            yield from numbers(item)


def sound(model: Lead | Layer) -> bool:
    return all(
        math.isfinite(v)
        for field in fields(model)
        if field.name != "minute_s"
        for v in numbers(getattr(model, field.name))
    )


@settings(max_examples=80, deadline=None)
@given(courses(), starts)
def test_whatever_comes_it_never_raises_and_never_makes_a_nan(course, start):
    for now, _, watch, finding in play(course, start):
        assert not any(math.isnan(v) for v in numbers(watch))
        assert sound(watch.lead)
        assert sound(watch.layer)
        assert 0.0 <= watch.mean_duty <= 1.0
        if finding.duty_cap is not None:
            assert 0.0 <= finding.duty_cap <= 1.0
        if watch.layer.full_k is not None:
            prior_k = now.layer_prior_k
            lowest_k = min(prior_k, th.LAYER_K_PER_W * now.watts, 30.0) / th.PRIOR_SPAN
            highest_k = max(prior_k, th.LAYER_K_PER_W * now.watts, 30.0) * th.PRIOR_SPAN
            assert lowest_k - 1e-9 <= watch.layer.full_k <= highest_k + 1e-9


@settings(max_examples=80, deadline=None)
@given(courses(), starts)
def test_a_latch_and_a_weld_never_go_away_by_themselves(course, start):
    for _, before, watch, finding in play(course, start):
        if before.latched is not None:
            assert watch.latched == before.latched
        if before.stuck:
            assert watch.stuck
        if watch.latched is not None:
            assert finding.latch == watch.latched
        if watch.stuck:
            assert finding.latch is not None
            assert finding.open_series
            assert finding.no_heat is not None
            assert Alarm.RELAY_STUCK_ON in finding.alarms


@settings(max_examples=80, deadline=None)
@given(courses(), starts)
def test_what_is_wrong_with_a_probe_or_a_relay_takes_the_heat_away(course, start):
    for now, _, watch, finding in play(course, start):
        if watch.displaced is not None:
            assert finding.no_heat is not None
            assert Alarm.PROBE_DISPLACED in finding.alarms
        if Place.MAT in watch.frozen:
            assert finding.no_heat is not None
        layers = {
            p for p in (Place.SUBSTRATE, Place.SUBSTRATE_2) if now.readings_c.get(p) is not None
        }
        if layers and layers <= watch.frozen:
            assert finding.no_heat is not None
        assert watch.frozen <= finding.dropped <= watch.frozen | {Place.CALLUS, Place.ROOM}
        if watch.frozen:
            assert Alarm.PROBE_FROZEN in finding.alarms


OUTSIDE = {Alarm.WARM_WITHOUT_HEAT, Alarm.SHORTFALL, Alarm.HEAT_LOST, Alarm.ROOM_DOUBTED}
"""What is not said of the bed but of what lies around it."""


@settings(max_examples=80, deadline=None)
@given(courses(), courses(), starts)
def test_while_a_box_is_tended_nothing_but_a_stuck_relay_is_found(before, during, start):
    now_s = 1000.0 + sum(cycles * dt_s for _, cycles, dt_s, *_ in before)
    tended = [(replace(f, tending=True, pulse=False), *rest) for f, *rest in during]
    for _, past, watch, finding in play(tended, after(before, start), now_s):
        assert watch.displaced == past.displaced
        # After long, a plug that was pulled for the work and forgotten is no secret of an open box.
        at_s = max(watch.lead.at_s or 0.0, watch.layer.at_s or 0.0)
        long = watch.tending_s is not None and at_s - watch.tending_s >= th.TENDED_LONG_S
        assert watch.no_effect == past.no_effect or long
        assert watch.frozen <= past.frozen
        assert watch.look_s is None
        assert not finding.pause
        assert finding.told == ()
        if watch.latched != past.latched:
            assert watch.stuck
        new = finding.alarms - OUTSIDE - {Alarm.RELAY_STUCK_ON}
        if long:
            new -= {Alarm.NO_EFFECT}
        assert not new - {
            alarm
            for alarm, was in (
                (Alarm.PROBE_FROZEN, past.frozen or past.room_frozen or past.callus.frozen),
                (Alarm.PROBE_DISPLACED, past.displaced or past.callus.displaced),
                (Alarm.NO_EFFECT, past.no_effect),
                (Alarm.SERIES_STUCK, past.series_stuck),
            )
            if was
        }


@settings(max_examples=80, deadline=None)
@given(courses(), starts)
def test_from_a_tended_or_suspected_bed_nothing_is_learned(course, start):
    for now, before, watch, _ in play(course, start):
        if now.tending or now.pulse or before.suspected:
            assert watch.lead.ripple_k == before.lead.ripple_k
            assert watch.lead.level_k == before.lead.level_k
            assert watch.layer.full_k == before.layer.full_k


@settings(max_examples=60, deadline=None)
@given(courses(), starts)
def test_what_a_person_clears_is_gone_and_what_was_learned_stays(course, start):
    watch = after(course, start)
    cleared = watching.reset(watch)
    assert cleared.lead == watch.lead
    assert cleared.layer == watch.layer
    assert (cleared.stuck, cleared.latched, cleared.displaced, cleared.no_effect) == (
        False,
        None,
        None,
        None,
    )
    assert cleared.frozen == frozenset()
    assert cleared.series_stuck == watch.series_stuck


@settings(max_examples=60, deadline=None)
@given(courses())
def test_time_that_stands_still_finds_nothing_in_a_fresh_watch(course):
    still = [(f, cycles, 0.0, 0.0, 0.0) for f, cycles, *_ in course]
    for _, _, watch, finding in play(still):
        assert not watch.stuck
        assert watch.latched is None
        assert watch.displaced is None
        assert watch.no_effect is None
        assert watch.frozen == frozenset()
        assert finding.told == ()


# --- stuck on, by hand --------------------------------------------------------------------------


def off_with(mat_c: float, layer_k: float, minutes: int = 40, watch: Watch = LEARNED) -> Watch:
    """The mat and the layer with the heat off: their rise over so many minutes, K."""
    course = []
    for i in range(2 * minutes):
        share = i / (2 * minutes)
        now = replace(
            FACTS,
            mat_c=27.0 + (mat_c - 27.0) * share,
            substrate_c=25.0 + layer_k * share,
        )
        now = replace(
            now,
            readings_c={
                Place.SUBSTRATE: now.substrate_c,
                Place.MAT: now.mat_c,
                Place.ROOM: 15.0,
            },
        )
        course.append((now, 1, 30.0, 0.0, 0.0))
    return after(course, watch)


def test_a_mat_that_warms_by_itself_with_its_contact_open_is_a_stuck_relay():
    assert off_with(40.0, 0.0).stuck


@pytest.mark.parametrize(
    ("mat_c", "layer_k"),
    [(27.0, 0.0), (28.5, 0.0), (35.0, 8.0), (30.0, 10.0), (20.0, -5.0)],
    ids=["still", "a little", "with the layer", "behind the layer", "cools"],
)
def test_what_is_not_a_stuck_relay(mat_c, layer_k):
    assert not off_with(mat_c, layer_k).stuck


@pytest.mark.parametrize(
    ("change", "stuck"),
    [
        ({"tending": True}, True),
        # Nobody knows whether heat flows: the keeper is silent, and heat is asked for.
        ({"heard": False, "closed": True}, False),
        # Silent or not, none is asked for and none is left in the mat.
        ({"heard": False}, True),
    ],
)
def test_a_stuck_relay_is_found_where_it_is_known_that_no_heat_may_flow(change, stuck):
    course = [(replace(FACTS, mat_c=27.0 + i / 5, **change), 1, 30.0, 0.0, 0.0) for i in range(80)]
    assert after(course, LEARNED).stuck is stuck


def test_heat_in_the_mat_after_the_contact_has_opened_is_not_a_stuck_relay():
    """The probe lags: for a minute and a half after the contact opened the mat still seems to warm.

    Below the bound of the rise no length of time makes it one.
    """
    course = [(replace(FACTS, heat=True, mat_c=40.0), 1, 30.0, 0.0, 0.0)]
    course += [(replace(FACTS, mat_c=40.0 + 3.0 * min(i, 3)), 1, 30.0, 0.0, 0.0) for i in range(60)]
    assert not after(course, LEARNED).stuck


# --- reset --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("lead_k", "may"), [(1.0, True), (5.5, True), (6.5, False), (None, False)])
def test_a_stuck_relay_is_cleared_only_once_the_mat_has_cooled(lead_k, may):
    watch = replace(LEARNED, stuck=True, lead=replace(LEARNED.lead, lead_k=lead_k))
    allowed, lines = watching.may_reset(watch)
    assert allowed is may
    assert lines


def test_with_no_stuck_relay_nothing_stands_against_clearing():
    assert watching.may_reset(LEARNED)[0]
    assert watching.may_reset(replace(LEARNED, lead=replace(LEARNED.lead, lead_k=None)))[0]


# --- crossing -----------------------------------------------------------------------------------


NOW_S = 1e5


def unheated(lead_k: float, sleeve: float = 0.5, **more: Any) -> Watch:
    lead = Lead(at_s=NOW_S, since=sleeve, lead_k=lead_k, level_k=24.0, ripple_k=24.0)
    return Watch(lead=lead, **more)


WARM = Watch(stuck=True, stuck_s=NOW_S)


def crossed(watches: dict[str, Watch], now_s: float = NOW_S) -> set[str]:
    return set(crossing.crossed(watches, now_s))


def test_one_bed_warm_without_heat_and_one_cold_with_it_are_crossed():
    cold = unheated(0.0)
    assert crossed({"north": WARM, "south": cold}) == {"north", "south"}
    assert crossed({"north": WARM, "south": unheated(12.0)}) == set()
    assert crossed({"north": Watch(), "south": cold}) == set()
    assert crossed({"north": WARM}) == set()
    told = crossing.crossed({"north": WARM, "south": cold, "west": unheated(12.0)}, NOW_S)
    assert set(told) == {"north", "south"}
    assert all("north" in text and "south" in text for text in told.values())


def test_a_heated_bed_whose_heat_has_no_effect_counts_as_cold():
    assert crossed({"a": WARM, "b": unheated(12.0, no_effect="x")}) == {"a", "b"}
    assert crossed({"a": WARM, "b": unheated(0.0, sleeve=0.0, no_effect="x")}) == set()


@pytest.mark.parametrize(
    "open_box",
    [{"disturbed_s": NOW_S - 60.0}, {"tended_s": NOW_S - 60.0}, {"unheard_s": NOW_S - 60.0}],
)
def test_a_bed_that_was_opened_or_not_heard_of_is_not_taken_for_a_cold_one(open_box):
    assert crossed({"a": WARM, "b": unheated(0.0, **open_box)}) == set()


def test_crossing_is_judged_while_the_weld_is_new():
    watches = {"a": WARM, "b": unheated(0.0)}
    assert crossed(watches, NOW_S + th.CROSSED_S) == {"a", "b"}
    assert crossed(watches, NOW_S + th.CROSSED_S + 1.0) == set()
    assert crossed(watches, NOW_S + 86_400.0) == set(), "a latched weld is days old by then"


# --- duty ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("room_c", "needed_c", "full_k", "duty"),
    [(15.0, 25.0, 20.0, 0.5), (15.0, 10.0, 20.0, 0.0), (15.0, 60.0, 20.0, 1.0)],
)
def test_duty_that_a_setpoint_needs(room_c, needed_c, full_k, duty):
    now = replace(FACTS, room_c=room_c, needed_c=needed_c, full_power_rise_k=full_k)
    assert watching.needed_duty(Watch(), now) == pytest.approx(duty)


def test_without_a_room_a_setpoint_or_a_gain_nobody_knows_what_is_needed():
    full = {"full_power_rise_k": 20.0}
    assert watching.needed_duty(Watch(), replace(FACTS, room_c=None, **full)) is None
    assert watching.needed_duty(Watch(), replace(FACTS, needed_c=None, **full)) is None
    assert watching.needed_duty(Watch(), FACTS) is None
