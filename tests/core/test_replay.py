"""The logged readings through the cycle again: the same decisions, or where they part."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pytest

from beds import CYCLE_S, HOUR, Beds, keys_of
from bottomheat.chamber import Chamber
from bottomheat.config import Config
from bottomheat.model import Alarm, Bad, Condition, Good, Place, Reading
from bottomheat.protect.tending import Doing, Tending
from bottomheat.replay import SETTLE_MS, Act, Told, replay, together
from plant import config, silent

DAY0 = 1_796_000_000_000


@dataclass(frozen=True)
class Logged:
    """A row as the log gives it back."""

    run: int
    t_ms: int
    wall_ms: int
    chamber: str
    readings: tuple[tuple[Place, Reading], ...]
    setpoint_c: float | None
    duty: float | None
    heat: bool
    condition: Condition


def beds(**keys: Any) -> Beds:
    box = Chamber()
    return Beds(config(CYCLE_S, bench=keys_of(box, **keys)), {"bench": box}, room_c=8.0)


def logged(course: Beds, run: int = 1) -> list[Logged]:
    rows = []
    for record in course.records["bench"]:
        t_ms = round(record.at_s * 1000)
        rows.append(
            Logged(
                run,
                t_ms,
                DAY0 + t_ms,
                "bench",
                tuple((place, rounded(reading)) for place, reading in record.readings),
                record.setpoint_c,
                round(record.duty, 3),
                record.heat,
                record.condition,
            )
        )
    return rows


def rounded(reading: Reading) -> Reading:
    """As the log keeps it: thousandths of a degree, and of a bad one only why."""
    if isinstance(reading, Good):
        return Good(round(reading.celsius, 3), reading.at_s)
    return Bad(reading.fault, reading.at_s)


def again(course: Beds, *, by: Config | None = None, **more: Any):
    made = course.config if by is None else by
    told = [
        Told(DAY0 + round(e.at_s * 1000), e.chamber, e.alarm)
        for e in course.events
        if e.kind.value == "alarm-raised" and e.alarm is not None
    ]
    rows = together(logged(course))
    return replay(rows, lambda run, wall_ms: made, told=told, **more)


def test_an_ordinary_day_is_decided_again_as_it_was() -> None:
    course = beds()
    course.run(20.0)
    found = again(course)
    assert found.same, (found.spans, found.only_then, found.only_now)
    assert found.cycles == 20 * HOUR
    assert found.counted["bench"] == pytest.approx(18 * HOUR, abs=2)
    assert not found.latched_now


def test_a_fault_is_found_again() -> None:
    course = beds()
    course.run(16.0)
    course.power_share["bench"] = 0.0
    course.run(6.0)
    assert Alarm.NO_EFFECT in course.alarms()
    found = again(course)
    assert Alarm.NO_EFFECT in {told.alarm for told, _ in found.both}
    assert not found.only_then
    assert not found.only_now


def test_a_lost_probe_opens_the_relay_again() -> None:
    course = beds()
    course.run(10.0)
    course.override = lambda _, place, raw: silent(raw) if place is Place.SUBSTRATE else raw
    course.run(4.0)
    found = again(course)
    assert found.same
    assert Alarm.PROBE_LOST in {told.alarm for told, _ in found.both}


def test_another_setpoint_is_shown_where_it_parts() -> None:
    course = beds()
    course.run(16.0)
    lower = config(CYCLE_S, bench=keys_of(Chamber(), callus_zone=20.0))
    found = again(course, by=lower, keep_setpoints=False)
    assert found.spans
    assert sum(s.duty_now for s in found.spans) < sum(s.duty_then for s in found.spans)
    kept = again(course, by=lower)
    assert kept.same, "the logged setpoints count, unless another config is to decide"


def test_a_lower_limit_would_have_latched() -> None:
    course = beds()
    course.run(12.0)
    tight = config(CYCLE_S, bench=keys_of(Chamber(), limits={"substrate": 27, "callus": 28}))
    found = again(course, by=tight)
    assert "bench" in found.latched_now
    assert Alarm.CUTOFF in {told.alarm for told in found.only_now}


def test_a_correction_of_a_probe_is_taken_off_again() -> None:
    box = Chamber()
    keys = keys_of(box)
    probe = keys["probes"]["substrate"]
    made = Config.model_validate(
        {
            "cycle": CYCLE_S,
            "chambers": {"bench": keys},
            "corrections": {probe: {"add": 0.5, "uncertainty": 0.1}},
        }
    )
    course = Beds(made, {"bench": box}, room_c=8.0)
    course.run(14.0)
    found = again(course)
    assert found.same, found.spans


def test_what_the_grower_did_counts_again() -> None:
    course = beds()
    course.run(14.0)
    at_ms = round(course.now_s * 1000)
    course.tend(0.5)
    course.boxes["bench"].open_lid("off")
    course.run(0.5)
    course.boxes["bench"].open_lid("on")
    course.run(4.0)
    tending = Tending(Doing.FILL, at_ms / 1000, at_ms / 1000 + 1800.0)
    assert again(course, acts=[Act(1, at_ms, "bench", tending)]).same


def test_a_latch_of_before_holds_until_it_was_reset() -> None:
    course = beds()
    course.run(8.0)
    rows = [replace(row, condition=Condition.CUT_OUT) for row in logged(course)]
    held = replay(together(rows), lambda *_: course.config)
    assert held.spans
    assert {span.condition_now for span in held.spans} == {Condition.CUT_OUT}
    reset = Act(1, rows[HOUR].t_ms, "bench", reset=True)
    freed = replay(together(rows), lambda *_: course.config, [reset])
    assert {span.condition_now for span in freed.spans} & {Condition.HOLDING, Condition.WARMING}


def test_each_run_starts_anew_and_its_first_hours_do_not_count() -> None:
    course = beds()
    course.run(6.0)
    first = logged(course)
    gap_ms = 3_600_000
    second = [
        replace(row, run=2, wall_ms=row.wall_ms + first[-1].wall_ms - first[0].wall_ms + gap_ms)
        for row in first
    ]
    found = replay(together([*first, *second]), lambda *_: course.config)
    settled = 2 * (6.0 - SETTLE_MS / 3_600_000) * HOUR
    assert found.counted["bench"] == pytest.approx(settled, abs=4)
    assert not found.latched_now


def test_rows_without_a_config_are_counted_and_left_out() -> None:
    course = beds()
    course.run(1.0)
    found = replay(together(logged(course)), lambda *_: None)
    assert found.cycles == 0
    assert sum(found.skipped.values()) == HOUR


def test_rows_of_one_cycle_come_together() -> None:
    course = beds()
    course.run(0.1)
    rows = logged(course)
    both = [each for row in rows for each in (row, replace(row, chamber="other"))]
    assert [len(group) for group in together(both)] == [2] * len(rows)
