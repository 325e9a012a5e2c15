"""The alarm state machine.

``STANDARD`` below is written down anew from OPC 10000-9 (OPC UA Part 9), section 4.8, which says
that it follows IEC 62682 and ISA-18.2, and from the transitions that a public implementation of
ISA-18.2 names; rows marked M are from memory.  The standards' own texts were not read.
"""

from __future__ import annotations

import ast
import inspect
from collections import deque

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat import alarm_states
from bottomheat.alarm_states import SET_ASIDE, TABLE, Cue, Machine, State, advance, word

cues = st.lists(st.sampled_from(Cue), max_size=40)

# state, the condition stands, it latches, cue -> state
STANDARD = [
    ("normal", False, False, "condition-comes", "unacknowledged"),
    ("unacknowledged", True, False, "acknowledge", "acknowledged"),
    ("unacknowledged", True, False, "condition-goes", "returned-to-normal-unacknowledged"),
    ("acknowledged", True, False, "condition-goes", "normal"),
    ("returned-to-normal-unacknowledged", False, False, "acknowledge", "normal"),
    ("returned-to-normal-unacknowledged", False, False, "condition-comes", "unacknowledged"),
    ("normal", False, True, "condition-comes", "unacknowledged"),
    ("unacknowledged", True, True, "acknowledge", "acknowledged"),
    ("unacknowledged", True, True, "condition-goes", "latched-unacknowledged"),
    ("acknowledged", True, True, "condition-goes", "latched-acknowledged"),
    ("latched-unacknowledged", False, True, "acknowledge", "latched-acknowledged"),
    ("latched-acknowledged", False, True, "reset", "normal"),
    # M
    ("latched-unacknowledged", False, True, "reset", "returned-to-normal-unacknowledged"),
    ("latched-unacknowledged", False, True, "condition-comes", "unacknowledged"),
    ("latched-acknowledged", False, True, "condition-comes", "unacknowledged"),
]
ASIDE = [
    ("shelve", "shelved", ("unshelve", "shelf-time-ran-out")),
    ("suppress", "suppressed-by-design", ("unsuppress",)),
    ("take-out-of-service", "out-of-service", ("put-back-into-service",)),
]
BASE = [state for state in State if state not in SET_ASIDE]


def machine(state: str, active: bool, latching: bool) -> Machine:
    held = latching and state != "normal"
    seen = state not in (
        "unacknowledged",
        "latched-unacknowledged",
        "returned-to-normal-unacknowledged",
    )
    return Machine(latching, State(state), active, held, seen)


def after(cues: list[Cue], latching: bool) -> Machine:
    at = Machine(latching)
    for cue in cues:
        at, _ = advance(at, cue)
    return at


@pytest.mark.parametrize(("state", "active", "latching", "cue", "target"), STANDARD)
def test_transition_of_the_standard(
    state: str, active: bool, latching: bool, cue: str, target: str
) -> None:
    to, possible = advance(machine(state, active, latching), Cue(cue))
    assert possible
    assert to.state.value == target


@pytest.mark.parametrize(("cue", "target", "ends"), ASIDE)
@pytest.mark.parametrize("state", BASE)
def test_every_state_can_be_set_aside_and_what_stands_is_announced_after(
    state: State, cue: str, target: str, ends: tuple[str, ...]
) -> None:
    active = state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
    start = machine(state.value, active, state.value.startswith("latched"))
    aside, possible = advance(start, Cue(cue))
    assert possible
    assert aside.state.value == target
    assert aside.active is active
    for end in ends:
        back, possible = advance(aside, Cue(end))
        assert possible
        if active:
            assert back.state is State.UNACKNOWLEDGED
        elif start.held:
            assert back.state is State.LATCHED_UNACKNOWLEDGED
        else:
            assert back.state in (State.NORMAL, State.RETURNED)


def test_every_state_is_reached_from_normal() -> None:
    reached: set[State] = set()
    for latching in (False, True):
        waiting = deque([Machine(latching)])
        known = {Machine(latching)}
        while waiting:
            at = waiting.popleft()
            reached.add(at.state)
            for cue in Cue:
                to, _ = advance(at, cue)
                if to not in known:
                    known.add(to)
                    waiting.append(to)
    assert reached == set(State)


@given(cues, st.booleans(), st.sampled_from(Cue))
def test_impossible_cue_changes_nothing_and_says_so(
    before: list[Cue], latching: bool, cue: Cue
) -> None:
    at = after(before, latching)
    to, possible = advance(at, cue)
    if (at.state, cue) not in TABLE:
        assert not possible
    if not possible:
        assert to == at


@given(cues, st.booleans())
def test_no_cue_loses_an_active_alarm(given_cues: list[Cue], latching: bool) -> None:
    at, active = Machine(latching), False
    for cue in given_cues:
        at, _ = advance(at, cue)
        active = {Cue.COMES: True, Cue.GOES: False}.get(cue, active)
        assert at.active is active
        if active:
            assert at.state in {State.UNACKNOWLEDGED, State.ACKNOWLEDGED} | SET_ASIDE
        else:
            assert at.state not in {State.UNACKNOWLEDGED, State.ACKNOWLEDGED}


@given(cues)
def test_a_latch_is_cleared_by_a_reset_alone_and_never_while_the_condition_stands(
    given_cues: list[Cue],
) -> None:
    at = Machine(latching=True)
    for cue in given_cues:
        to, _ = advance(at, cue)
        if at.held and not to.held:
            assert cue is Cue.RESET
            assert not at.active
        if to.held:
            assert to.state is not State.NORMAL
        at = to


@given(cues, st.booleans())
def test_what_comes_in_the_open_is_seen_by_a_person_or_still_told(
    given_cues: list[Cue], latching: bool
) -> None:
    """Nothing but a person's own act takes an unseen alarm off the desk."""
    at, owed = Machine(latching), False
    for cue in given_cues:
        to, possible = advance(at, cue)
        if possible and cue is Cue.COMES and at.state not in SET_ASIDE:
            owed = True
        if possible and cue in (Cue.ACKNOWLEDGE, Cue.SHELVE):
            owed = False
        if owed:
            assert to.state is not State.NORMAL
            assert not to.seen
        at = to


@given(cues, st.booleans())
def test_every_alarm_can_be_brought_back_to_normal(given_cues: list[Cue], latching: bool) -> None:
    at = after(given_cues, latching)
    way = (Cue.UNSHELVE, Cue.UNSUPPRESS, Cue.PUT_BACK, Cue.GOES, Cue.ACKNOWLEDGE, Cue.RESET)
    for cue in way:
        at, _ = advance(at, cue)
    assert at.state is State.NORMAL
    assert not at.stands


@given(cues, st.booleans())
def test_screen_words_are_the_five_that_growers_know(given_cues: list[Cue], latching: bool) -> None:
    at = after(given_cues, latching)
    known = {"", "new", "seen", "gone but not seen", "paused", "needs reset"}
    assert word(at) in known
    assert (word(at) == "") is (at.state is State.NORMAL)


def test_the_machine_has_no_field_for_heat_and_imports_nothing_of_ours() -> None:
    assert set(Machine.__dataclass_fields__) == {"latching", "state", "active", "held", "seen"}
    tree = ast.parse(inspect.getsource(alarm_states))
    modules = {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    assert not any(str(module).startswith("bottomheat") for module in modules)
