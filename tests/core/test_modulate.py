"""Time proportioning: exact in the long run, gentle on the contact, open at once."""

import random
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.modulate import Modulator, force_open, on_off, proportion

TOLERANCE_S = 0.001


def times(cycle_s, count, jitter, seed):
    """Cycle times on a grid, each late by up to ``jitter`` of a cycle."""
    late = random.Random(seed)
    return [i * cycle_s + late.random() * jitter * cycle_s for i in range(count)]


def phases(history, end_s):
    """Lengths of whole closed and open phases, s; the first and last are not whole."""
    changes = [
        (now_s, closed)
        for (_, before), (now_s, closed) in pairwise([(0.0, False), *history])
        if closed is not before
    ]
    whole = [(b - a, closed) for (a, closed), (b, _) in pairwise(changes)]
    return [s for s, closed in whole if closed], [s for s, closed in whole if not closed]


@st.composite
def relays(draw):
    """A relay as a checked config may have it: minimum times fit, two cycles or more a window."""
    cycle_s = draw(st.floats(2.0, 60.0))
    min_on_s, min_off_s = draw(st.sampled_from([(0.0, 0.0), (20.0, 20.0), (60.0, 10.0)]))
    least_s = max(2 * cycle_s, min_on_s + min_off_s)
    window_s = draw(st.floats(least_s, max(least_s, 1200.0)))
    return cycle_s, {"window_s": window_s, "min_on_s": min_on_s, "min_off_s": min_off_s}


@settings(max_examples=60, deadline=None)
@given(relays(), st.floats(0.0, 1.0), st.sampled_from([0.0, 0.3]), st.integers(0, 99))
def test_long_run_duty_is_exact_and_the_contact_is_spared(relay, duty, jitter, seed):
    cycle_s, keys = relay
    # What is still owed at the end is a window at most: 300 windows make that a third of a percent.
    count = round(300 * keys["window_s"] / cycle_s)
    count = min(count, 12_000)
    modulator, history = Modulator(), []
    on_s, last_s = 0.0, None
    for now_s in times(cycle_s, count, jitter, seed):
        if last_s is not None and modulator.closed:
            on_s += now_s - last_s
        last_s = now_s
        modulator = proportion(modulator, duty, now_s, bound=False, **keys)
        history.append((now_s, modulator.closed))
    windows = last_s / keys["window_s"]
    assert on_s / last_s == pytest.approx(duty, abs=max(0.005, 1.5 / windows))
    assert modulator.closings <= windows + 1
    closed, opened = phases(history, last_s)
    assert all(s >= keys["min_on_s"] - TOLERANCE_S for s in closed)
    assert all(s >= keys["min_off_s"] - TOLERANCE_S for s in opened)


@settings(max_examples=60, deadline=None)
@given(
    relays(),
    st.lists(
        st.tuples(st.floats(0.0, 1.0), st.booleans(), st.booleans(), st.booleans()), max_size=150
    ),
)
def test_minimum_times_hold_whatever_is_asked_but_for_protection(relay, steps):
    """Any duty, bound, restart and forced opening, at any cycle."""
    cycle_s, keys = relay
    modulator, now_s = Modulator(), 0.0
    changed_s, protected = None, False
    for duty, bound, restart, stop in steps:
        before = modulator
        if stop and bound:
            modulator = force_open(modulator, now_s)
            assert not modulator.closed
        else:
            modulator = proportion(modulator, duty, now_s, bound=bound, restart=restart, **keys)
            assert not (bound and modulator.closed)
        protected = bound or modulator.cut
        if modulator.closed is not before.closed:
            lasted_s = None if changed_s is None else now_s - changed_s
            if lasted_s is not None:
                if modulator.closed:
                    assert lasted_s >= keys["min_off_s"] - TOLERANCE_S
                elif not protected:
                    assert lasted_s >= keys["min_on_s"] - TOLERANCE_S
            changed_s = now_s
        now_s += cycle_s


def cycles(modulator, duty, start_s, count, bound=lambda now_s: False, cycle_s=10.0):
    on_s = 0.0
    for i in range(count):
        now_s = start_s + i * cycle_s
        modulator = proportion(
            modulator,
            duty,
            now_s,
            window_s=600.0,
            min_on_s=20.0,
            min_off_s=20.0,
            bound=bound(now_s),
        )
        on_s += cycle_s if modulator.closed else 0.0
    return modulator, on_s


def test_a_window_begins_with_its_closed_part():
    modulator, _ = cycles(Modulator(), 0.5, 0.0, 1)
    assert modulator.closed
    modulator, on_s = cycles(Modulator(), 0.5, 0.0, 60)
    assert on_s == 300.0
    assert not modulator.closed


def test_a_window_cut_by_a_bound_owes_nothing_to_the_next():
    modulator, cut_s = cycles(Modulator(), 0.5, 0.0, 60, bound=lambda now_s: now_s >= 100.0)
    assert cut_s == 100.0
    modulator, on_s = cycles(modulator, 0.5, 600.0, 60)
    assert on_s == 300.0


def test_a_window_that_was_cut_stays_open_when_the_bound_is_gone():
    modulator, on_s = cycles(Modulator(), 0.5, 0.0, 60, bound=lambda now_s: 90 < now_s < 150)
    assert on_s == 100.0
    assert modulator.closings == 1


def test_a_duty_too_small_for_the_contact_is_saved_up():
    modulator, on_s = cycles(Modulator(), 0.005, 0.0, 60 * 40)
    # 3 s a window, 20 s at least a closing: never more than one closing in 20/3 windows.
    assert 1 <= modulator.closings <= 6
    assert on_s == pytest.approx(0.005 * 24_000, abs=20)


def test_full_duty_never_lets_go():
    modulator, on_s = cycles(Modulator(), 1.0, 0.0, 600)
    assert on_s == 6000.0
    assert modulator.closings == 1


@given(st.booleans(), st.floats(0, 1e6), st.floats(0, 1e6), st.floats(0, 1000))
def test_force_open_always_opens_and_forgets_what_was_owed(closed, changed_s, now_s, owed_s):
    modulator = Modulator(
        closed=closed, changed_s=changed_s, at_s=changed_s, window_start_s=changed_s, owed_s=owed_s
    )
    opened = force_open(modulator, now_s)
    assert not opened.closed
    assert opened.owed_s == 0.0
    assert opened.window_start_s is None
    assert opened.closings == modulator.closings


def test_a_long_gap_is_not_made_up_for():
    modulator, _ = cycles(Modulator(), 0.5, 0.0, 45)
    assert not modulator.closed
    modulator, on_s = cycles(modulator, 0.5, 100_000.0, 120)
    assert on_s <= 600.0 + 300.0


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.booleans()), max_size=200))
def test_on_off_keeps_minimum_times_and_opens_at_once_at_a_bound(steps):
    modulator, changed_s = Modulator(), None
    for i, (want, bound) in enumerate(steps):
        now_s = i * 10.0
        before = modulator
        modulator = on_off(modulator, want, now_s, min_on_s=30.0, min_off_s=50.0, bound=bound)
        assert not (bound and modulator.closed)
        if modulator.closed is before.closed:
            continue
        if changed_s is not None:
            assert bound or now_s - changed_s >= (50.0 if modulator.closed else 30.0)
        changed_s = now_s


def test_the_mean_duty_is_that_of_the_last_hour_or_so():
    modulator, _ = cycles(Modulator(), 0.5, 0.0, 6 * 60 * 6)
    assert modulator.mean_duty == pytest.approx(0.5, abs=0.05)
