"""Which alarms and gaps belong together."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from bottomheat.model import Alarm
from bottomheat.review.episodes import (
    NO_FAULT,
    TOGETHER_MS,
    Episode,
    Trouble,
    episodes,
    holes,
    matters,
)

HOUR_MS = 3_600_000
MIN_MS = 60_000
NORTH, SOUTH = "north-bench", "south-bench"
BOTH = (NORTH, SOUTH)
NOW_MS = 1000 * HOUR_MS


def alarm(
    from_h: float, to_h: float | None, chamber: str | None = NORTH, kind: Alarm = Alarm.NO_EFFECT
) -> Trouble:
    to_ms = None if to_h is None else round(to_h * HOUR_MS)
    return Trouble(round(from_h * HOUR_MS), to_ms, chamber, str(kind), kind)


def cut(from_h: float, to_h: float, cause: str = "power", why: str = "power was cut") -> Trouble:
    return Trouble(round(from_h * HOUR_MS), round(to_h * HOUR_MS), None, why, gap=cause)


def found(*troubles: Trouble, boxes: tuple[str, ...] = BOTH) -> tuple[Episode, ...]:
    return episodes(troubles, lambda _: boxes, NOW_MS)


def test_alarms_of_a_box_within_two_hours_of_each_other_are_one_episode() -> None:
    one, other = found(alarm(10, 11), alarm(12.5, 13), alarm(16, 17))
    assert (one.from_ms, one.to_ms) == (10 * HOUR_MS, 13 * HOUR_MS)
    assert [len(one.troubles), len(other.troubles)] == [2, 1]


def test_a_long_alarm_holds_together_what_comes_while_it_stands() -> None:
    """The second one is over long before the first, and the third still follows the first."""
    (one,) = found(alarm(10, 40), alarm(12, 13), alarm(41, 42))
    assert one.to_ms == 42 * HOUR_MS


def test_one_that_stands_goes_on_though_a_later_one_is_over() -> None:
    (one,) = found(alarm(10, None), alarm(11, 12))
    assert one.standing
    assert one.to_ms == NOW_MS


def test_a_power_cut_is_told_once_of_both_boxes() -> None:
    (one,) = found(cut(10, 15))
    assert one.boxes == BOTH
    assert one.house
    assert len(one.troubles) == 1


def test_a_trouble_of_the_house_joins_boxes_whose_own_began_at_other_times() -> None:
    """The one began five hours before the cut, the other one hour after it."""
    (one,) = found(alarm(5, 9.5, NORTH), cut(10, 15), alarm(16, 18, SOUTH))
    assert set(one.boxes) == set(BOTH)
    assert [each.chamber for each in one.of(SOUTH)] == [None, SOUTH]


def test_what_begins_in_two_boxes_at_about_the_same_time_is_one_episode() -> None:
    (one,) = found(alarm(10, 11, NORTH), alarm(11, 12, SOUTH))
    assert one.boxes == BOTH


def test_what_two_boxes_have_at_different_times_is_two_episodes() -> None:
    """An alarm that nobody looks at does not swallow what happens in the other box."""
    one, other = found(alarm(10, None, NORTH), alarm(40, 41, SOUTH))
    assert (one.boxes, other.boxes) == ((NORTH,), (SOUTH,))
    assert one.standing
    assert one.to_ms == NOW_MS
    assert not other.standing


def test_alarms_that_are_no_fault_make_no_episode() -> None:
    assert found(*(alarm(10, 11, kind=each) for each in NO_FAULT)) == ()
    assert found(alarm(10, 11, kind=Alarm.CUTOFF)) != ()


def test_where_no_box_is_in_use_a_power_cut_is_nobodys() -> None:
    assert found(cut(10, 15), boxes=()) == ()


def test_a_restart_by_hand_is_no_episode_and_a_stop_of_an_hour_is() -> None:
    stopped = cut(10, 10.1, "stopped", "the service had been stopped")
    assert not matters(stopped)
    assert matters(replace(stopped, to_ms=11 * HOUR_MS))
    assert matters(replace(stopped, what="the service died or was killed"))


def test_before_and_after_the_log_nothing_happened() -> None:
    assert not matters(cut(0, 10, "unknown", "the log begins only then"))
    assert not matters(cut(10, 20, "unknown", "the log holds nothing after that yet"))


def every(minutes: float, number: int, from_min: float = 0.0) -> list[Trouble]:
    """Rows so far apart that each two have a gap between them."""
    return [
        cut((from_min + n * minutes) / 60, (from_min + (n + 1) * minutes) / 60, "unknown", "why")
        for n in range(number)
    ]


def test_rows_that_are_few_by_intent_leave_no_holes() -> None:
    """A row every ten minutes, and once none for two hours."""
    gaps = [*every(10, 20), *every(120, 1, 200), *every(10, 20, 320)]
    assert [(each.from_ms, each.to_ms) for each in holes(gaps)] == [(200 * MIN_MS, 320 * MIN_MS)]


def test_rows_that_are_few_need_not_be_even() -> None:
    gaps = [*every(10, 5), *every(15, 1, 50), *every(10, 5, 65), *every(25, 1, 115)]
    assert holes(gaps) == ()


def test_two_holes_one_after_the_other_stay_holes() -> None:
    gaps = every(30, 2)
    assert holes(gaps) == tuple(gaps)
    assert holes([]) == ()


def test_what_lies_between_two_parts_of_an_episode_of_its_box_belongs_to_it() -> None:
    """The house's trouble ties the later part to the first one, over what north had in between."""
    (one,) = found(alarm(0, 0), alarm(0, 4, SOUTH), alarm(3, 3), alarm(6, 6, None))
    assert len(one.troubles) == 4


def test_an_alarm_that_stands_in_one_box_does_not_hold_what_the_other_has_later() -> None:
    one, other = found(alarm(10, None, NORTH), alarm(10, 11, SOUTH), alarm(40, 41, SOUTH))
    assert one.boxes == BOTH
    assert one.standing
    assert other.boxes == (SOUTH,)


LENGTHS = st.tuples(st.floats(0, 200), st.floats(0, 20), st.sampled_from((NORTH, SOUTH, None)))


@given(st.lists(LENGTHS, max_size=12), st.randoms(use_true_random=False))
def test_every_trouble_is_in_an_episode_of_its_box_whatever_their_order(spans, random) -> None:
    made = [alarm(begin, begin + long, chamber) for begin, long, chamber in spans]
    shuffled = made.copy()
    random.shuffle(shuffled)
    told = found(*made)
    assert {each.boxes for each in found(*shuffled)} == {each.boxes for each in told}
    assert {t for each in told for t in each.troubles} == set(made)
    for each in told:
        assert each.from_ms == min(t.from_ms for t in each.troubles)
        assert each.to_ms == max(NOW_MS if t.to_ms is None else t.to_ms for t in each.troubles)
        assert {t.chamber for t in each.troubles} <= {None, *each.boxes}
    for box in BOTH:
        spans_of = sorted(
            (min(t.from_ms for t in each.of(box)), max(t.to_ms or 0 for t in each.of(box)))
            for each in told
            if box in each.boxes
        )
        for (_, end), (begin, _) in pairwise(spans_of):
            assert begin - end > TOGETHER_MS
