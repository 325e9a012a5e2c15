"""What is written is read back: values, wall times, counts."""

from __future__ import annotations

import sqlite3
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.errors import LogError
from bottomheat.model import (
    Alarm,
    Bad,
    Condition,
    Estimate,
    Event,
    EventKind,
    Fault,
    Good,
    Place,
    Record,
)
from bottomheat_drivers.log import LogReader, codec
from bottomheat_drivers.log.placing import Pair, Span, place
from log_tools import NOW_MS, SetClock, journal, note, raw, sample

celsius = st.integers(-20_000, 125_000).map(lambda mc: mc / 1000)
any_float = st.floats(allow_nan=True, allow_infinity=True)


@st.composite
def rows(draw) -> list[Record]:
    out: list[Record] = []
    at_ms = 100_000
    for _ in range(draw(st.integers(0, 12))):
        at_ms += draw(st.integers(0, 20_000))
        at_s = at_ms / 1000
        reading = st.one_of(
            celsius.map(lambda c, at=at_s: Good(c, at)),
            st.sampled_from(Fault).map(lambda f, at=at_s: Bad(f, at)),
        )
        places = draw(st.sets(st.sampled_from(Place), min_size=1))
        out.append(
            Record(
                chamber=draw(st.sampled_from(["north-bench", "south-bench"])),
                at_s=at_s,
                readings=tuple((p, draw(reading)) for p in codec.PLACES if p in places),
                estimate=draw(
                    st.none()
                    | st.builds(Estimate, celsius, st.integers(0, 900).map(lambda n: n / 100))
                ),
                setpoint_c=draw(celsius),
                substrate_setpoint_c=draw(st.none() | celsius),
                duty=draw(st.integers(0, 1000)) / 1000,
                heat=draw(st.booleans()),
                condition=draw(st.sampled_from(Condition)),
                reason="",
                closings=draw(st.integers(0, 50)),
            )
        )
    return out


def as_read(record: Record) -> tuple:
    return (
        record.at_s,
        record.chamber,
        record.readings,
        record.estimate,
        record.setpoint_c,
        record.substrate_setpoint_c,
        record.duty,
        record.heat,
        record.condition,
    )


@settings(max_examples=60, deadline=None)
@given(rows())
def test_every_value_comes_back(records):
    with tempfile.TemporaryDirectory() as name:
        kept = journal(Path(name), background=False)
        kept.record(records, [])
        kept.close()
        with LogReader(Path(name) / "log.sqlite") as log:
            for chamber in ("north-bench", "south-bench"):
                own = [record for record in records if record.chamber == chamber]
                found = list(log.samples(chamber))
                assert [
                    (
                        row.t_ms / 1000,
                        row.chamber,
                        row.readings,
                        row.estimate,
                        row.setpoint_c,
                        row.substrate_setpoint_c,
                        row.duty,
                        row.heat,
                        row.condition,
                    )
                    for row in found
                ] == [as_read(record) for record in own]
                assert all(row.wall_ms == NOW_MS + row.t_ms - 100_000 for row in found)
                assert sum(row.closings for row in found) == log.closings(chamber)
                assert log.last_sample(chamber) == (found[-1] if found else None)


@settings(max_examples=100, deadline=None)
@given(any_float, any_float, any_float, any_float, st.text() | st.just("\udcff"))
def test_ring_bytes_hold_any_row(one, two, three, at_s, text):
    record = sample(
        at_s, chamber=text, estimate=Estimate(one, two), duty=three, substrate_setpoint_c=one
    )
    for item in (
        codec.sample_item(7, record),
        codec.event_item(8, Event(EventKind.LOG, at_s, text, text)),
    ):
        data = codec.to_bytes(item, 10_000)
        assert data is not None
        assert codec.from_bytes(data) == item


@given(st.text(max_size=2000), st.integers(200, 498))
def test_long_event_text_is_cut_to_the_slot(text, room):
    item = codec.event_item(2**40, note(123.0, text))
    data = codec.to_bytes(item, room)
    if data is None:  # text of characters that take several bytes each
        assert len(text.encode()) > len(text)
        return
    assert len(data) <= room
    back = codec.from_bytes(data)
    assert isinstance(back, codec.EventItem)
    assert back.text == item.text or item.text.startswith(back.text.removesuffix("…"))


def test_uncertainty_is_never_understated(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.record([sample(110.0, estimate=Estimate(25.0, 0.4012))], [])
    kept.record([sample(120.0, estimate=Estimate(25.0, float("nan")))], [])
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        found = [row.estimate.expanded_k for row in log.samples("north-bench")]
    assert found == [0.41, float("inf")]


def test_closings_are_counted_over_runs(tmp_path):
    for counts in ([0, 1, 1, 2], [1, 3], [2]):  # each run counts from nothing
        kept = journal(tmp_path, background=False)
        kept.record([sample(110.0 + n, closings=c) for n, c in enumerate(counts)], [])
        kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        assert log.closings("north-bench") == 2 + 3 + 2
        assert [row.closings for row in log.samples("north-bench")] == [0, 1, 0, 1, 1, 2, 2]
        assert log.closings("no-such-bench") == 0


def test_alarms_from_raised_to_cleared(tmp_path):
    kept = journal(tmp_path, background=False)

    def tell(at_s, kind, alarm, chamber="north-bench"):
        kept.record([], [Event(kind, at_s, chamber, alarm.value, alarm, durable=True)])

    tell(110.0, EventKind.ALARM_RAISED, Alarm.ROOM_LOST)
    tell(111.0, EventKind.ALARM_RAISED, Alarm.ROOM_LOST)  # said twice: one alarm
    tell(112.0, EventKind.ALARM_RAISED, Alarm.ROOM_LOST, "south-bench")
    tell(120.0, EventKind.ALARM_CLEARED, Alarm.ROOM_LOST)
    tell(130.0, EventKind.ALARM_CLEARED, Alarm.SHORTFALL)  # never raised
    tell(140.0, EventKind.ALARM_RAISED, Alarm.ROOM_LOST)
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        found = [
            (row.alarm, row.chamber, row.raised_wall_ms - NOW_MS, row.cleared_wall_ms)
            for row in log.alarms()
        ]
    assert found == [
        (Alarm.ROOM_LOST, "north-bench", 10_000, NOW_MS + 20_000),
        (Alarm.ROOM_LOST, "south-bench", 12_000, None),
        (Alarm.ROOM_LOST, "north-bench", 40_000, None),
    ]


def test_a_stretch_of_time_holds_its_start_and_not_its_end(tmp_path):
    for _ in range(3):  # three runs at the same wall time: a stepped clock does that
        kept = journal(tmp_path, background=False)
        kept.record([sample(100.0 + 10 * n) for n in range(100)], [])
        kept.record([], [note(100.0 + 10 * n, str(n)) for n in range(100)])
        kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        found = [row.t_ms for row in log.samples("north-bench", NOW_MS + 20_000, NOW_MS + 50_000)]
        assert found == [120_000, 130_000, 140_000] * 3
        events = log.events(NOW_MS + 20_000, NOW_MS + 50_000)
        assert [row.event.text for row in events] == ["2", "3", "4"] * 3
        assert list(log.samples("north-bench", NOW_MS + 10**9)) == []
        assert len(list(log.samples("north-bench", None, NOW_MS + 10_000))) == 3


def test_uptime_of_many_weeks(tmp_path):
    starts = [10.0, 2**31 / 1000 - 10, 2**31 / 1000 + 10, 1e7]
    kept = journal(tmp_path, background=False)
    kept.record([sample(at_s) for at_s in starts], [])
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        found = [row.t_ms for row in log.samples("north-bench")]
        assert found == [round(at_s * 1000) for at_s in starts]
        late = log.samples("north-bench", NOW_MS + 2**31 - 100_000)
        assert [row.t_ms for row in late] == found[2:]


def test_a_start_in_1970_is_placed_by_the_first_synchronised_pair(tmp_path):
    clock = SetClock(now_s=5.0, wall_ms=5_000, synchronised=False)
    kept = journal(tmp_path, clock, background=False)
    kept.record([sample(10.0)], [note(11.0, "no network yet")])
    kept.note_clock(60.0, 60_000, False)
    kept.record([sample(70.0)], [])
    kept.note_clock(80.0, NOW_MS, True)
    kept.record([sample(90.0)], [])
    kept.note_clock(3680.0, NOW_MS + 3_600_200, True)  # slewed by 200 ms in the hour
    kept.record([sample(3690.0)], [])
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        found = [(row.wall_ms - NOW_MS, row.sure) for row in log.samples("north-bench")]
        assert found == [(-70_000, True), (-10_000, True), (10_000, True), (3_610_200, True)]
        assert [row.wall_ms - NOW_MS for row in log.events()] == [-69_000]
        assert [row.began_wall_ms - NOW_MS for row in log.runs()] == [-75_000]
        early = log.samples("north-bench", NOW_MS - 80_000, NOW_MS - 60_000)
        assert [row.t_ms for row in early] == [10_000]


def test_a_run_never_synchronised_is_flagged_and_not_before_the_run_before(tmp_path):
    kept = journal(tmp_path, SetClock(100.0, NOW_MS, True), background=False)
    kept.record([sample(200.0)], [])
    kept.close()
    clock = SetClock(3.0, 3_000, False)
    kept = journal(tmp_path, clock, boot_id="boot-2", background=False)
    kept.record([sample(10.0)], [])
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        first, second = log.samples("north-bench")
    assert (first.wall_ms, first.sure) == (NOW_MS + 100_000, True)
    assert (second.wall_ms, second.sure) == (NOW_MS + 107_000, False)


def test_a_run_borrows_the_clock_of_its_boot():
    spans = [Span(1, "a", 0, 50), Span(2, "a", 100, 200), Span(3, "b", 0, 9)]
    pairs = [Pair(1, 0, 7, False), Pair(2, 150, 10_150, True), Pair(3, 2, 20_002, False)]
    placings = place(spans, pairs)
    assert (placings[1].wall_ms(0), placings[1].sure) == (10_000, True)
    assert (placings[3].wall_ms(0), placings[3].sure) == (20_000, False)


@given(
    st.lists(st.tuples(st.integers(0, 10**6), st.integers(-(10**4), 10**4)), min_size=1),
    st.integers(0, 10**6),
)
def test_a_row_in_a_stretch_is_never_left_out(pairs, t_ms):
    rows = [Pair(1, at, at + NOW_MS + off, True) for at, off in pairs]
    placing = place([Span(1, "a", 0, 10**6)], rows)[1]
    wall = placing.wall_ms(t_ms)
    low, high = placing.t_range(wall, wall + 1)
    assert low <= t_ms < high


def everything(log):
    return [*log.samples("north-bench"), *log.events()]


@pytest.mark.parametrize(
    "word",
    [
        "UPDATE state SET condition = 'NAPPING'",
        "UPDATE state SET faults = 'mat:TIRED'",
        "UPDATE event SET kind = 'nap'",
    ],
)
def test_a_word_from_a_later_version_is_one_sentence(tmp_path, word):
    kept = journal(tmp_path, background=False)
    kept.record([sample(110.0, readings=((Place.MAT, Bad(Fault.CRC, 110.0)),))], [])
    kept.record([], [note(110.0, "text")])
    kept.close()
    connection = sqlite3.connect(tmp_path / "log.sqlite")
    connection.execute(word)
    connection.commit()
    connection.close()
    with (
        LogReader(tmp_path / "log.sqlite") as log,
        pytest.raises(LogError, match="update") as told,
    ):
        everything(log)
    assert "\n" not in str(told.value)


def test_the_view_gives_plain_numbers(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.record([sample(110.0)], [])
    kept.close()
    assert raw(
        tmp_path / "log.sqlite",
        "SELECT chamber, substrate_mc, callus_mc, duty_pm, heat, condition FROM sample_row",
    ) == [("north-bench", 29_400, None, 580, 1, "HOLDING")]
