"""The life of a relay's contact: nothing is left out of the count, and what it comes to."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.relay_life import (
    DAY_MS,
    DAYS_KEPT,
    Count,
    Life,
    changed,
    closed,
    from_plain,
    life,
    noted,
    resumed,
    to_plain,
)

NOW_MS = 1_800_000_000_000

counts = st.builds(
    Count,
    ever=st.integers(0, 10**7),
    logged=st.none() | st.integers(0, 10**7),
    begun_ms=st.none() | st.integers(0, NOW_MS),
    changes=st.lists(st.tuples(st.integers(0, NOW_MS), st.integers(0, 10**7)), max_size=8).map(
        tuple
    ),
    days=st.lists(st.tuples(st.integers(0, NOW_MS), st.integers(0, 10**7)), max_size=15).map(tuple),
)


@dataclass
class Bench:
    """A relay, a log that keeps every closing, and a file that is written now and then."""

    true: int = 0
    log: int | None = 0
    count: Count = Count(0, 0)  # noqa: RUF009 frozen
    file: Count | None = None

    def close(self, times: int) -> None:
        self.true += times
        self.log = None if self.log is None else self.log + times
        self.count = closed(self.count, times)

    def save(self) -> None:
        self.file = from_plain(json.loads(json.dumps(to_plain(self.count))))

    def start(self) -> None:
        self.count = resumed(self.file, self.log, NOW_MS)
        self.save()


acts = st.lists(
    st.sampled_from(["close", "close", "close", "save", "kill"]) | st.integers(2, 500), max_size=60
)


@given(acts)
def test_with_a_log_every_closing_counts_wherever_it_is_killed(doing):
    bench = Bench()
    for act in doing:
        match act:
            case "save":
                bench.save()
            case "kill":
                bench.start()
            case "close":
                bench.close(1)
            case _:
                bench.close(act)
        assert bench.count.ever == bench.true


@given(acts, st.integers(0, 60))
def test_a_lost_log_costs_nothing_that_was_kept(doing, lost_at):
    """A new log counts from 0; what closed between the last save and the loss is missing."""
    bench = Bench()
    for n, act in enumerate(doing):
        if n == lost_at:
            bench.save()
            bench.log = 0
            bench.start()
        match act:
            case "save":
                bench.save()
            case "kill":
                bench.start()
            case "close":
                bench.close(1)
            case _:
                bench.close(act)
        assert bench.count.ever == bench.true


@given(acts, st.integers(0, 5000))
def test_an_older_copy_of_the_log_that_is_put_back_adds_nothing(doing, older):
    bench = Bench()
    bench.close(5000)
    bench.save()
    bench.log = older
    bench.start()
    assert bench.count.ever == 5000
    for act in doing:
        match act:
            case "save":
                bench.save()
            case "kill":
                bench.start()
            case "close":
                bench.close(1)
            case _:
                bench.close(act)
        assert bench.count.ever == bench.true


@given(counts, st.none() | st.integers(0, 10**7))
def test_a_start_never_takes_a_closing_away(kept, logged):
    count = resumed(kept, logged, NOW_MS)
    assert count.ever >= kept.ever
    assert count.logged == logged
    assert (count.changes, count.days, count.begun_ms) == (kept.changes, kept.days, kept.begun_ms)


def test_without_a_file_the_log_counts_and_without_both_it_is_said():
    assert resumed(None, 4711, NOW_MS) == Count(4711, 4711)
    assert resumed(None, 0, NOW_MS) == Count(0, 0)
    assert resumed(None, None, NOW_MS) == Count(0, None)
    assert resumed(None, 4711, NOW_MS, lost=True).begun_ms is None
    assert resumed(None, None, NOW_MS, lost=True).begun_ms == NOW_MS
    assert resumed(None, 0, None, lost=True).begun_ms == 0


@given(counts)
def test_what_is_kept_reads_back(count):
    assert from_plain(json.loads(json.dumps(to_plain(count)))) == count


@pytest.mark.parametrize(
    "payload",
    [
        None,
        [],
        {},
        {**to_plain(Count(5)), "more": 1},
        *(
            {**to_plain(Count(5)), key: value}
            for key in ("ever", "logged", "begun_ms", "changes", "days")
            for value in ("5", True, 5.5, -(10**15), 10**15, [[1]], [[1, 2, 3]], [[1, -1]])
        ),
        {**to_plain(Count(5)), "ever": None},
        {**to_plain(Count(5)), "days": [[1, 1]] * (DAYS_KEPT + 1)},
    ],
)
def test_anything_else_is_refused(payload):
    with pytest.raises(ValueError, match="count of a relay"):
        from_plain(payload)


def heated(count: Count, from_ms: int, days: int, per_day: int) -> Count:
    """Days of heating, looked at every hour."""
    closings = 0
    for hour in range(24 * days + 1):
        due = per_day * hour // 24
        count = closed(count, due - closings)
        closings = due
        count = noted(count, from_ms + hour * DAY_MS // 24)
    return count


@given(st.integers(1, 60), st.integers(24, 1000), st.integers(0, 10**6))
def test_the_rate_is_that_of_the_last_fortnight(days, per_day, before):
    count = heated(Count(before), NOW_MS, days, per_day)
    found = life(count, 10**8, None, NOW_MS + days * DAY_MS)
    assert found.per_day == pytest.approx(per_day, abs=25 / min(days, 14))
    assert len(count.days) <= DAYS_KEPT


@given(st.integers(3, 300), st.integers(1, 6))
def test_a_summer_without_heat_is_no_part_of_the_rate(idle_days, after):
    count = heated(Count(), NOW_MS, 10, 96)
    later_ms = NOW_MS + (10 + idle_days) * DAY_MS
    assert life(count, 100_000, None, later_ms).per_day == pytest.approx(96, rel=0.02)
    count = heated(count, later_ms, after, 96)
    found = life(count, 100_000, None, later_ms + after * DAY_MS)
    assert found.per_day == pytest.approx(96, rel=0.05)


def test_a_life_is_projected_at_todays_rate():
    """1 000 days at 92 a day are 92 000 of 100 000: 8 000 left, 87 days."""
    found = Life(92_000, 100_000, per_day=92.0)
    assert found.left_days == pytest.approx(8000 / 92)
    assert found.until_ms(NOW_MS) == NOW_MS + round(8000 / 92 * DAY_MS)
    assert (found.worn, found.spent) == (True, False)
    assert Life(79_999, 100_000).worn is False
    assert Life(80_000, 100_000).worn is True
    assert Life(100_000, 100_000, per_day=92.0).left_days == 0.0
    assert Life(100_000, 100_000).spent is True
    for unsaid in (Life(5, None, per_day=92.0), Life(5, 100), Life(5, 100, per_day=0.0)):
        assert unsaid.left_days is None
        assert unsaid.until_ms(NOW_MS) is None
    assert (Life(10**9, None).worn, Life(10**9, None).spent) == (False, False)


def test_a_relay_that_was_changed_begins_at_nothing():
    count = heated(Count(), NOW_MS, 10, 96)
    change_ms = NOW_MS + 10 * DAY_MS
    count = changed(count, change_ms)
    assert life(count, 1000, change_ms, change_ms) == Life(
        0, 1000, change_ms, None, pytest.approx(96)
    )
    count = closed(count, 30)
    assert life(count, 1000, change_ms, None).closings == 30
    assert changed(count, change_ms) is count
    # Taken back, and told again: nothing is lost in between.
    assert life(count, 1000, None, None).closings == 990
    assert life(changed(count, None), 1000, change_ms, None).closings == 30


def test_a_change_that_is_told_late_counts_from_its_day():
    count = heated(Count(), NOW_MS, 10, 96)
    for days, left in ((4, 6 * 96), (9.5, 48), (10, 0)):
        change_ms = NOW_MS + round(days * DAY_MS)
        assert life(count, 1000, change_ms, None).closings == pytest.approx(left, abs=4)
    # Before what is known of single days: all of it, or since the change before.
    assert life(count, 1000, NOW_MS - DAY_MS, None).closings == 960
    kept = replace(count, changes=((NOW_MS - 5 * DAY_MS, 200),))
    assert life(kept, 1000, NOW_MS - DAY_MS, None).closings == 760


@given(counts, st.none() | st.integers(0, NOW_MS), st.none() | st.integers(0, NOW_MS))
def test_a_life_is_never_longer_than_all_that_was_counted(count, changed_ms, now_ms):
    known = replace(count, changes=tuple(c for c in count.changes if c[1] <= count.ever))
    sane = replace(known, days=tuple(sorted(d for d in count.days if d[1] <= count.ever)))
    found = life(sane, 100_000, changed_ms, now_ms)
    assert 0 <= found.closings <= sane.ever


def test_a_count_that_had_to_begin_anew_is_whole_after_the_next_change():
    count = Count(500, begun_ms=NOW_MS)
    assert life(count, 1000, None, None).begun_ms == NOW_MS
    assert life(count, 1000, NOW_MS - 1, None).begun_ms == NOW_MS
    assert life(count, 1000, NOW_MS + 1, None).begun_ms is None


def test_a_clock_that_ran_ahead_and_a_count_that_was_lost_spoil_no_day():
    count = noted(Count(100), NOW_MS + 90 * DAY_MS)
    count = heated(count, NOW_MS, 3, 96)
    assert life(count, 1000, None, NOW_MS + 3 * DAY_MS).per_day == pytest.approx(96)
    fewer = noted(replace(count, ever=50), NOW_MS + 4 * DAY_MS)
    assert fewer.days == ((NOW_MS + 4 * DAY_MS, 50),)
