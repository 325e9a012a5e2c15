"""Which probe was warmed: pure."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bottomheat.commission.warmed import (
    BASELINE_ROUNDS,
    LEAD,
    MOST_BASELINE_ROUNDS,
    RISE_K,
    Watch,
    advance,
)

A, B, C = "28-00000000000a", "28-00000000000b", "28-00000000000c"
REST = {A: 20.0, B: 20.1, C: 19.9}


def after(*rounds: dict[str, float | None], watch: Watch | None = None) -> Watch:
    watch = Watch() if watch is None else watch
    for readings in rounds:
        watch = advance(watch, readings)
    return watch


def at_rest() -> Watch:
    watch = after(*[REST] * BASELINE_ROUNDS)
    assert watch.ready
    assert not watch.restless
    return watch


def test_the_one_that_rises_is_named() -> None:
    watch = after({**REST, B: 21.0}, {**REST, B: 22.0}, watch=at_rest())
    assert watch.found is None, "one round above the threshold may be a wrong reading"
    assert advance(watch, {**REST, B: 23.0}).found == B


def test_one_wrong_reading_names_nothing() -> None:
    watch = after({**REST, A: 85.0}, REST, {**REST, A: 85.0}, REST, watch=at_rest())
    assert watch.found is None


def test_two_that_rise_together_are_confusing() -> None:
    watch = after({A: 22.0, B: 22.0, C: 20.0}, {A: 24.0, B: 23.5, C: 20.0}, watch=at_rest())
    assert watch.found is None
    assert watch.confused == (A, B)


def test_a_second_one_that_rises_half_as_far_makes_it_wait() -> None:
    watch = after({**REST, A: 21.8, B: 21.2}, {**REST, A: 21.8, B: 21.2}, watch=at_rest())
    assert watch.found is None
    assert watch.confused == ()
    assert after(*[{**REST, A: 23.0, B: 21.2}] * 2, watch=watch).found == A


def test_all_cooling_but_one_still_names_that_one() -> None:
    cooler = {name: value - 1.0 for name, value in REST.items()}
    assert after(*[{**cooler, C: 22.0}] * 2, watch=at_rest()).found == C


def test_waits_for_rest_and_says_who_does_not() -> None:
    watch = Watch()
    for number in range(MOST_BASELINE_ROUNDS - 1):
        watch = advance(watch, {**REST, B: 20.0 + number / 2})
        assert not watch.ready
    watch = advance(watch, {**REST, B: 20.0 + MOST_BASELINE_ROUNDS / 2})
    assert watch.ready
    assert watch.restless == (B,)


def test_without_a_reading_there_is_no_baseline() -> None:
    silent = dict.fromkeys(REST)
    assert not after(*[silent] * (MOST_BASELINE_ROUNDS + 1)).ready


def test_a_probe_that_comes_late_starts_from_where_it_is() -> None:
    first = {A: 20.0, B: 20.0}
    watch = after(*[first] * BASELINE_ROUNDS, *[{**first, C: 30.0}] * 3)
    assert watch.found is None
    assert after(*[{**first, C: 32.0}] * 2, watch=watch).found == C


readings = st.dictionaries(
    st.sampled_from([A, B, C]), st.none() | st.floats(-20, 125), min_size=0, max_size=3
)


@given(st.lists(readings, max_size=25))
def test_who_is_named_has_risen_and_leads(rounds: list[dict[str, float | None]]) -> None:
    watch = Watch()
    for each in rounds:
        watch = advance(watch, each)
        if watch.found is not None:
            now = each[watch.found]
            assert now is not None
            rise_k = now - watch.base_c[watch.found]
            assert rise_k >= RISE_K
            others = [
                value - watch.base_c[name]
                for name, value in each.items()
                if name != watch.found and value is not None
            ]
            assert all(rise_k >= LEAD * other for other in others)
            assert not watch.confused
