"""What a start says of the time before it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.model import Condition, Estimate, EventKind, Record
from bottomheat.outage import FIRST_WITHIN_S, SHORT_S, Before, Start, length_s, opening

NOW_MS = 1_768_550_000_000
BASES = (("north-bench", Estimate(24.94, 0.4)), ("south-bench", None))


def before(boot: str = "boot-1", wall_ms: int | None = NOW_MS, orderly: bool = False) -> Before:
    return Before(boot, 9000.0, wall_ms, orderly, BASES)


def text_of(past: Before, start: Start) -> str:
    event, _ = opening(past, start)
    assert event is not None
    assert (event.kind, event.at_s, event.chamber) == (EventKind.OUTAGE, start.at_s, None)
    assert event.durable
    return event.text


def record(at_s: float, chamber: str, estimate: Estimate | None) -> Record:
    return Record(chamber, at_s, (), estimate, 25.0, None, 0.0, False, Condition.STARTING, "")


def test_the_first_start_of_all_has_nothing_to_say():
    assert opening(None, Start("boot-1", 50.0, NOW_MS)) == (None, None)


def test_a_power_cut_says_how_long_why_and_how_warm_it_was():
    text = text_of(before(), Start("boot-2", 30.0, NOW_MS + 20_100_000))
    assert text == (
        "nothing was recorded for 5 h 35 min; power was cut, or the machine crashed or was reset; "
        "bases when the record ended: north-bench 24.9 ± 0.4 °C, south-bench not known"
    )


@pytest.mark.parametrize(
    ("boot", "orderly", "start", "why"),
    [
        ("boot-1", False, "boot-1", "the service died or was killed"),
        ("boot-1", True, "boot-1", "the service had been stopped;"),
        ("boot-1", False, "boot-2", "power was cut"),
        ("boot-1", True, "boot-2", "stopped in order, and the machine was off or restarted since"),
        ("unknown-7-ab", False, "boot-2", "why is not known"),
        ("boot-1", False, "unknown-7-ab", "why is not known"),
        ("unknown-7-ab", False, "unknown-7-ab", "why is not known"),
        ("", False, "", "why is not known"),
    ],
)
def test_why_as_far_as_it_is_known(boot, orderly, start, why):
    assert why in text_of(before(boot, orderly=orderly), Start(start, 12_600.0, NOW_MS + 3_600_000))


@pytest.mark.parametrize(
    ("then_ms", "now_ms", "why"),
    [
        (NOW_MS, None, "the clock is not set"),
        (None, None, "the clock is not set"),
        (None, NOW_MS, "the clock was not set"),
        (NOW_MS, NOW_MS - 1, "the clock went backwards"),
    ],
)
def test_a_length_that_no_clock_gives_is_not_guessed(then_ms, now_ms, why):
    text = text_of(before(wall_ms=then_ms), Start("boot-2", 30.0, now_ms))
    assert f"how long is not known: {why}" in text
    assert " min;" not in text
    assert " h;" not in text


def test_within_a_boot_no_wall_clock_is_needed():
    text = text_of(before(wall_ms=None), Start("boot-1", 9000.0 + 1800.0, None))
    assert text.startswith("nothing was recorded for 30 min; the service died or was killed")


@pytest.mark.parametrize(
    ("gap_s", "orderly", "told"),
    [(SHORT_S - 1, True, False), (SHORT_S, True, True), (5.0, False, True)],
)
def test_an_orderly_restart_is_no_outage_and_a_crash_always_is(gap_s, orderly, told):
    event, after = opening(before(orderly=orderly), Start("boot-1", 9000.0 + gap_s, NOW_MS))
    assert (event is not None, after is not None) == (told, told)


def test_the_first_estimate_of_each_box_is_told_once_beside_the_last_one():
    _, after = opening(before(), Start("boot-2", 30.0, NOW_MS + 1000))
    assert after is not None
    silent, events = after.follow([record(40.0, "north-bench", None)], 40.0, NOW_MS)
    assert events == ()
    assert silent is not None
    first = [record(60.0, "north-bench", Estimate(17.2, 0.5)), record(60.0, "attic", None)]
    rest, (event,) = silent.follow(first, 60.0, NOW_MS)
    assert event.chamber == "north-bench"
    assert event.text == (
        "first estimate after the outage: bases 17.2 ± 0.5 °C, before it 24.9 ± 0.4 °C"
    )
    assert rest is not None
    assert rest.follow(first, 70.0, NOW_MS)[1] == ()
    done, (event,) = rest.follow([record(80.0, "south-bench", Estimate(9.0, 2.0))], 80.0, NOW_MS)
    assert "9.0 ± 2.0 °C, before it not known" in event.text
    assert done is None


def test_an_estimate_that_never_comes_is_not_awaited_for_ever():
    _, after = opening(before(), Start("boot-1", 10_000.0, None))
    assert after is not None
    assert after.follow([], 10_000.0 + FIRST_WITHIN_S, None)[0] is not None
    assert after.follow([], 10_001.0 + FIRST_WITHIN_S, None) == (None, ())


def test_the_length_is_told_as_soon_as_the_clock_is_set():
    """The clock is set 90 s after the start, 5 h 35 min after the last row."""
    _, after = opening(before(), Start("boot-2", 30.0, None))
    assert after is not None
    still, events = after.follow([], 60.0, None)
    assert events == ()
    assert still is not None
    rest, (event,) = still.follow([], 120.0, NOW_MS + 20_100_000 + 90_000)
    assert "5 h 35 min" in event.text
    assert rest is not None
    assert rest.follow([], 130.0, NOW_MS)[1] == ()


def test_a_length_that_can_never_be_known_is_not_awaited():
    none_known = Before("boot-1", 9000.0, None, orderly=False)
    event, after = opening(none_known, Start("boot-2", 30.0, None))
    assert event is not None
    assert "bases" not in event.text
    assert after is None


@given(
    st.sampled_from(["boot-1", "boot-2", "", "unknown-x"]),
    st.sampled_from(["boot-1", "boot-2", "", "unknown-y"]),
    st.floats(0, 1e9),
    st.floats(0, 1e9),
    st.none() | st.integers(-(2**53), 2**53),
    st.none() | st.integers(-(2**53), 2**53),
    st.booleans(),
)
def test_a_length_is_never_negative_and_only_told_where_a_clock_gives_it(
    old, new, last_s, at_s, then_ms, now_ms, orderly
):
    past = Before(old, last_s, then_ms, orderly, BASES)
    start = Start(new, at_s, now_ms)
    gap_s = length_s(past, start)
    known = (old == new and old.startswith("boot")) or (
        then_ms is not None and now_ms is not None and now_ms >= then_ms
    )
    assert (gap_s is not None) == known
    assert gap_s is None or gap_s >= 0
    event, _ = opening(past, start)
    if event is not None:
        assert ("how long is not known" in event.text) == (gap_s is None)
