"""What happened, in order, in few plain words."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bottomheat.model import Alarm, EventKind
from bottomheat.review.episodes import Trouble
from bottomheat.review.timeline import By, Entry, alarm_words, plain, short, timeline
from bottomheat.review.window import Said

MIN_MS = 60_000
NORTH = "north-bench"
FAR_MS = 10_000 * MIN_MS


def said(minute: float, kind: EventKind, text: str, chamber: str | None = NORTH) -> Said:
    return Said(minute * 60.0, kind, chamber, text)


def stood(from_min: float, to_min: float | None, kind: Alarm = Alarm.NO_EFFECT) -> Trouble:
    to_ms = None if to_min is None else round(to_min * MIN_MS)
    return Trouble(round(from_min * MIN_MS), to_ms, NORTH, "", kind)


def told(events=(), troubles=(), from_ms: int = 0, to_ms: int = FAR_MS) -> tuple[Entry, ...]:
    return timeline(events, troubles, from_ms, to_ms)


def test_an_alarm_is_one_line_with_how_long_it_stood_and_without_what_to_do() -> None:
    raised = said(10, EventKind.ALARM_RAISED, "heat has no effect: look at the mat")
    cleared = said(40, EventKind.ALARM_CLEARED, "heat has no effect: look at the mat")
    (one,) = told((raised, cleared), (stood(10, 40),))
    assert (one.text, one.at_ms, one.to_ms) == (
        "alarm: heat has no effect",
        10 * MIN_MS,
        40 * MIN_MS,
    )


def test_an_alarm_that_comes_and_goes_is_told_once_with_how_often() -> None:
    (one, late) = told((), (stood(10, 12), stood(20, 25), stood(50, 51), stood(200, 201)))
    assert (one.times, one.at_ms, one.to_ms) == (3, 10 * MIN_MS, 51 * MIN_MS)
    assert late.times == 1


def test_one_that_stands_says_so() -> None:
    (one,) = told((), (stood(10, 20), stood(30, None)))
    assert one.standing
    assert one.to_ms is None
    assert one.times == 2


def test_heat_held_off_is_one_line_from_when_to_when() -> None:
    events = (
        said(10, EventKind.HEAT_HELD, "mat probe: no good reading"),
        said(45, EventKind.HEAT_RELEASED, "heat may flow"),
        said(50, EventKind.HEAT_HELD, "mat probe: no good reading", "south-bench"),
        said(50.2, EventKind.HEAT_RELEASED, "heat may flow", "south-bench"),
    )
    (one,) = told(events)
    assert (one.text, one.to_ms) == ("no heat: mat probe: no good reading", 45 * MIN_MS)


def test_heat_that_is_held_off_to_the_end_is_told_as_standing() -> None:
    (one,) = told((said(10, EventKind.HEAT_HELD, "the lid: look at it"),))
    assert one.standing
    assert one.text == "no heat: the lid"


def test_what_the_grower_did_is_told_as_the_growers() -> None:
    events = (
        said(1, EventKind.TENDING, "tended for 30 min: looking"),
        said(2, EventKind.SEASON, "MUL-1: look: 8 of 10 callused"),
        said(3, EventKind.RESET, "cutoff reset"),
        said(4, EventKind.CONFIG_ACCEPTED, "config changed: cycle: 10.0 -> 20.0", None),
    )
    entries = told(events)
    assert [each.by for each in entries] == [By.GROWER] * 4
    assert [each.at_ms for each in entries] == [MIN_MS, 2 * MIN_MS, 3 * MIN_MS, 4 * MIN_MS]


def test_a_setpoint_by_the_batches_is_short_and_the_services_doing() -> None:
    text = "setpoint 24 °C, wet layer at most 32 °C: MUL-1 (mulberry, callusing) leads"
    (one,) = told((said(1, EventKind.SEASON, text),))
    assert (one.text, one.by) == ("setpoint 24 °C, wet layer at most 32 °C", By.SERVICE)


def test_a_gap_is_told_once_though_the_service_tells_it_too() -> None:
    gap = Trouble(10 * MIN_MS, 300 * MIN_MS, None, "power was cut", gap="power")
    outage = said(300, EventKind.OUTAGE, "nothing was recorded for 4 h 50 min", None)
    (one,) = told((outage,), (gap,))
    assert one.text == "nothing recorded: power was cut"


def test_only_what_reaches_into_the_time_is_told() -> None:
    troubles = (
        stood(10, 20, Alarm.CROSSED),
        stood(25, 100),
        stood(90, 95, Alarm.CUTOFF),
        stood(200, None),
    )
    events = (said(20, EventKind.RESET, "before"), said(60, EventKind.RESET, "in it"))
    entries = told(events, troubles, 30 * MIN_MS, 80 * MIN_MS)
    assert [each.text for each in entries] == ["alarm: heat has no effect", "in it"]


def test_what_is_to_be_done_is_left_to_its_own_place() -> None:
    assert plain("the mat warms with its relay open; unplug the mat") == (
        "the mat warms with its relay open"
    )
    assert plain("heat has no effect: look at the mat") == "heat has no effect"
    assert plain("tended for 30 min: looking") == "tended for 30 min: looking"


def test_every_alarm_has_words() -> None:
    for alarm in Alarm:
        words = alarm_words(alarm)
        assert words
        assert not words.endswith((".", ":"))


def test_of_too_many_the_great_ones_stay_in_their_order() -> None:
    events = [said(n, EventKind.KEEPER, f"word {n}") for n in range(30)]
    entries = told([*events, said(40, EventKind.CUTOFF, "mat at 61 °C")], (stood(15, 16),))
    kept, left = short(entries, 5)
    assert len(kept) == 5
    assert left == len(entries) - 5
    assert {"alarm: heat has no effect", "cut out: mat at 61 °C"} <= {e.text for e in kept}
    assert [each.at_ms for each in kept] == sorted(each.at_ms for each in kept)


KINDS = st.sampled_from([kind for kind in EventKind if not kind.startswith("alarm-")])


@given(
    st.lists(st.tuples(st.floats(0, 500), KINDS, st.sampled_from("abc")), max_size=30),
    st.lists(st.tuples(st.floats(0, 400), st.floats(0, 300) | st.none()), max_size=10),
)
def test_it_is_in_order_and_nothing_lasts_less_than_no_time(events, spans) -> None:
    entries = told(
        [said(minute, kind, text) for minute, kind, text in events],
        [stood(begin, None if long is None else begin + long) for begin, long in spans],
    )
    assert [each.at_ms for each in entries] == sorted(each.at_ms for each in entries)
    for each in entries:
        assert each.to_ms is None or each.to_ms >= each.at_ms
        assert each.times >= 1
    resets = [text for _, kind, text in events if kind is EventKind.RESET]
    assert sum(e.times for e in entries if e.by is By.GROWER and e.rank == 0) == len(resets)
