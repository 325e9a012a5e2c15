"""What a review says of a diagnosis: how sure, what else, what now, whether to reset."""

from __future__ import annotations

import pytest

from bottomheat.model import Alarm, Place
from bottomheat.review.causes import ADVICE, NO_RESET, NOT_SAFE, PLUG, Cause
from bottomheat.review.diagnose import CLOSE, ENOUGH, Diagnosis
from bottomheat.review.episodes import Episode, Trouble
from bottomheat.review.features import Candidate, Mark
from bottomheat.review.story import (
    CLEAR,
    Found,
    Story,
    in_short,
    latched,
    others,
    reset,
    reset_command,
    rivals,
    ruled_out,
    steps,
    stopped_by_hand,
    sure,
    title,
    together,
)

NORTH, SOUTH = "north-bench", "south-bench"


def cause(what: Cause, *weights: float, place: Place | None = None) -> Candidate:
    return Candidate(what, place, tuple(Mark(weight, f"{what} {weight:g}") for weight in weights))


def diagnosis(*ranked: Candidate) -> Diagnosis:
    return Diagnosis(ranked[0], ranked)


def trouble(to_ms: int | None = 10, kind: Alarm | None = Alarm.NO_EFFECT, **more) -> Trouble:
    fields = {"chamber": NORTH, "what": "w", **more}
    return Trouble(0, to_ms, alarm=kind, **fields)


def episode(*troubles: Trouble, boxes: tuple[str, ...] = (NORTH,)) -> Episode:
    return Episode(0, 10, any(t.to_ms is None for t in troubles), boxes, troubles)


def story(one: Episode | None, *found: Found, waits: tuple[str, ...] = ()) -> Story:
    return Story(0, 10, one, found, (), (), waits, True, 10)


NO_HEAT = cause(Cause.NO_HEAT, 5.0)
NONE = diagnosis(Candidate(Cause.NONE))


def test_the_same_cause_in_both_boxes_is_told_once() -> None:
    cut, lost = diagnosis(cause(Cause.POWER_CUT, 8.0)), diagnosis(NO_HEAT)
    (one,) = together({NORTH: cut, SOUTH: diagnosis(cause(Cause.POWER_CUT, 8.0))})
    assert one.boxes == (NORTH, SOUTH)
    assert [each.boxes for each in together({NORTH: cut, SOUTH: lost})] == [(NORTH,), (SOUTH,)]


def test_two_probes_are_two_causes() -> None:
    mat = diagnosis(cause(Cause.PROBE_SILENT, 7.0, place=Place.MAT))
    room = diagnosis(cause(Cause.PROBE_SILENT, 7.0, place=Place.ROOM))
    assert len(together({NORTH: mat, SOUTH: room})) == 2


@pytest.mark.parametrize(
    ("second", "near", "far"),
    [(5.0 - CLOSE, 1, 0), (5.0 - 1.2 * CLOSE, 0, 1), (0.0, 0, 0), (-1.0, 0, 0)],
)
def test_what_is_too_close_cannot_be_told_apart(second: float, near: int, far: int) -> None:
    found = diagnosis(NO_HEAT, cause(Cause.WEAK_HEAT, second))
    assert (len(rivals(found)), len(others(found))) == (near, far)


def test_a_rival_has_to_be_likely_by_itself() -> None:
    found = diagnosis(cause(Cause.NO_HEAT, ENOUGH), cause(Cause.WEAK_HEAT, ENOUGH - CLOSE / 2))
    assert rivals(found) == ()
    assert len(others(found)) == 1


def test_sure_only_well_ahead() -> None:
    assert sure(diagnosis(NO_HEAT))
    assert sure(diagnosis(NO_HEAT, cause(Cause.WEAK_HEAT, 5.0 - CLEAR)))
    assert not sure(diagnosis(NO_HEAT, cause(Cause.WEAK_HEAT, 5.1 - CLEAR)))


def test_what_more_speaks_against_than_for_is_ruled_out() -> None:
    against = cause(Cause.WEAK_HEAT, 3.0, -4.0)
    nothing_for = cause(Cause.COLD_ROOM, -1.0)
    assert ruled_out(diagnosis(NO_HEAT, against, nothing_for)) == (against,)


def test_the_title_is_the_cause_or_what_was_said() -> None:
    one = episode(trouble(), trouble(kind=Alarm.HEAT_LOST))
    assert title(one, together({NORTH: diagnosis(NO_HEAT)})) == "No heat reaches the mat"
    assert title(one, together({NORTH: diagnosis(cause(Cause.POWER_CUT, 8.0))})) == "Power cut"
    said = "Heat has no effect; no heat, and the callus zone will be 3 K low within six hours"
    assert title(one, (Found((NORTH,), NONE),)) == said == in_short(one)
    assert title(None, (Found((NORTH,), NONE),)) == "No fault found"


def test_what_waits_for_a_reset() -> None:
    open_cutoff = trouble(None, Alarm.CUTOFF)
    assert latched(episode(open_cutoff, trouble(None))) == (NORTH,)
    assert latched(episode(trouble(10, Alarm.CUTOFF))) == ()
    assert latched(episode(trouble(None, Alarm.CUTOFF, chamber=None))) == ("all boxes",)


def test_to_reset_is_said_only_where_something_waits_for_it() -> None:
    found = Found((NORTH,), diagnosis(cause(Cause.HEAT_UNASKED, 6.0)))
    assert reset(story(episode(trouble()), found)) == "Nothing to reset."
    said = reset(story(episode(trouble(None, Alarm.CUTOFF)), found, waits=(NORTH,)))
    assert said == ADVICE[Cause.HEAT_UNASKED].reset


def test_what_nobody_can_explain_is_not_to_be_reset() -> None:
    waits = story(episode(trouble(None, Alarm.CUTOFF)), Found((NORTH,), NONE), waits=(NORTH,))
    assert reset(waits) == ADVICE[Cause.CANNOT_TELL].reset
    assert reset(story(None, waits=(NORTH,))) == ADVICE[Cause.CANNOT_TELL].reset


@pytest.mark.parametrize("harmless", [Cause.OPENED, Cause.POWER_CUT, Cause.ROOM_PROBE_WARMED])
def test_a_cutoff_is_not_explained_by_what_never_cuts_heat_out(harmless: Cause) -> None:
    found = Found((NORTH,), diagnosis(cause(harmless, 7.0)))
    waits = story(episode(trouble(None, Alarm.CUTOFF)), found, waits=(NORTH,))
    assert reset(waits) == ADVICE[Cause.CANNOT_TELL].reset


def test_of_causes_that_cannot_be_told_apart_the_one_against_a_reset_is_heard_first() -> None:
    found = Found((NORTH,), diagnosis(NO_HEAT, cause(Cause.HEAT_UNASKED, 4.8)))
    told = story(episode(trouble(None, Alarm.CUTOFF)), found, waits=(NORTH,))
    assert reset(told).startswith(ADVICE[Cause.HEAT_UNASKED].reset)
    assert reset(told).endswith(ADVICE[Cause.NO_HEAT].reset)
    assert steps(told)[0] == PLUG, "before anybody reaches under the box"


def test_every_advice_on_a_reset_says_whether_it_is_safe() -> None:
    for advice in ADVICE.values():
        assert advice.reset.startswith((NOT_SAFE, "Safe once")) or advice.reset == NO_RESET


@pytest.mark.parametrize(
    ("waits", "said"),
    [
        ((NORTH,), f"bottomheat reset cutoff {NORTH}"),
        ((NORTH, SOUTH), "bottomheat reset cutoff"),
        (("all boxes",), "bottomheat reset cutoff"),
    ],
)
def test_the_command_names_the_box_where_it_is_one(waits: tuple[str, ...], said: str) -> None:
    assert reset_command(story(None, waits=waits)) == said


def test_the_steps_are_those_of_the_cause_and_of_its_rivals_in_order() -> None:
    found = Found((NORTH,), diagnosis(NO_HEAT, cause(Cause.WEAK_HEAT, 4.8)))
    said = steps(story(episode(trouble()), found))
    both = (*ADVICE[Cause.NO_HEAT].inspect, *ADVICE[Cause.WEAK_HEAT].inspect)
    assert said == tuple(dict.fromkeys(both))


def test_of_two_causes_each_step_says_its_box() -> None:
    two = (Found((NORTH,), diagnosis(NO_HEAT)), Found((SOUTH,), diagnosis(cause(Cause.CROSSED, 7))))
    said = steps(story(episode(trouble()), *two))
    assert said[0].endswith(f"({NORTH})")
    assert said[-1].endswith(f"({SOUTH})")


def test_where_nothing_happened_there_is_nothing_to_do() -> None:
    assert steps(story(None, Found((NORTH,), NONE))) == ("Nothing.",)


def test_a_service_that_was_stopped_by_hand() -> None:
    stop = trouble(kind=None, gap="stopped", what="the service had been stopped", chamber=None)
    died = trouble(kind=None, gap="stopped", what="the service died or was killed", chamber=None)
    assert stopped_by_hand(episode(stop))
    assert not stopped_by_hand(episode(stop, died))
    assert not stopped_by_hand(None)
    assert in_short(episode(died)) == "Service stopped"
