"""The samples as columns, the same as row by row; the gaps between them, each with its cause."""

from __future__ import annotations

import math
import sqlite3
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.errors import LogError
from bottomheat.model import Bad, Condition, Estimate, Event, EventKind, Fault, Good, Place
from bottomheat_drivers.log import LogReader
from bottomheat_drivers.log.columns import VALUES, Columns, columns, gaps
from log_tools import NOW_MS, Disk, SetClock, journal, sample

HOUR_S = 3600.0
DAY_MS = 86_400_000
PLACES = {
    "substrate_c": Place.SUBSTRATE,
    "room_c": Place.ROOM,
    "mat_c": Place.MAT,
    "top_c": Place.TOP,
    "callus_c": Place.CALLUS,
}


def path_of(folder: Path) -> Path:
    return folder / "log.sqlite"


def number(value: float | None) -> float:
    return math.nan if value is None else value


def by_rows(path: Path, chamber: str, from_ms=None, to_ms=None) -> dict[str, list]:
    """What the columns have to be, from the reader of single rows."""
    with LogReader(path) as log:
        rows = sorted(log.samples(chamber, from_ms, to_ms), key=lambda row: row.wall_ms)
    found: dict[str, list] = {
        "wall_ms": [row.wall_ms for row in rows],
        "sure": [row.sure for row in rows],
        "setpoint_c": [number(row.setpoint_c) for row in rows],
        "estimate_c": [row.estimate.celsius if row.estimate else math.nan for row in rows],
        "expanded_k": [row.estimate.expanded_k if row.estimate else math.nan for row in rows],
        "duty": [number(row.duty) for row in rows],
        "heat": [row.heat for row in rows],
        "closings": [row.closings for row in rows],
        "condition": [row.condition.name for row in rows],
    }
    for name, place in PLACES.items():
        readings = [dict(row.readings).get(place) for row in rows]
        found[name] = [r.celsius if isinstance(r, Good) else math.nan for r in readings]
    return found


def as_lists(found: Columns) -> dict[str, list]:
    names = (*VALUES, "wall_ms", "sure", "setpoint_c", "heat", "closings")
    out = {name: getattr(found, name).tolist() for name in names}
    out["condition"] = [found.conditions[code] for code in found.condition]
    return out


def same(found: Columns, expected: dict[str, list]) -> None:
    given = as_lists(found)
    assert given.keys() == expected.keys()
    for name, values in expected.items():
        np.testing.assert_array_equal(given[name], values, err_msg=name)


temperatures = st.none() | st.integers(-20_000, 90_000).map(lambda mc: mc / 1000)


@st.composite
def cycles(draw) -> list[dict]:
    """Runs of some boots, each with its clock set or not, and samples of up to three boxes."""
    runs = []
    now_s = draw(st.floats(10.0, 3e6))
    for _ in range(draw(st.integers(1, 4))):
        rows = []
        at_s = now_s
        for _ in range(draw(st.integers(0, 12))):
            at_s += draw(st.floats(0.1, 3000.0))
            readings = []
            for place in PLACES.values():
                celsius = draw(temperatures)
                if celsius is not None:
                    readings.append((place, Good(celsius, at_s)))
                elif draw(st.booleans()):
                    readings.append((place, Bad(Fault.CRC, at_s)))
            estimate = draw(st.none() | temperatures)
            wide = draw(st.sampled_from([0.4, 2.0, math.inf]))
            rows.append(
                sample(
                    at_s,
                    draw(st.sampled_from(["north-bench", "south-bench", "attic"])),
                    draw(st.integers(0, 9)),
                    readings=tuple(readings),
                    estimate=None if estimate is None else Estimate(estimate, wide),
                    setpoint_c=draw(temperatures),
                    duty=draw(st.none() | st.sampled_from([0.0, 0.58, 1.0])),
                    heat=draw(st.booleans()),
                    condition=draw(st.sampled_from(Condition)),
                )
            )
        boot = draw(st.sampled_from(["boot-1", "boot-2"]))
        clock = (draw(st.integers(-DAY_MS, DAY_MS)), draw(st.booleans()))
        set_later = draw(st.none() | st.integers(-DAY_MS, DAY_MS))
        runs.append({"rows": rows, "boot": boot, "clock": clock, "set": set_later, "at_s": now_s})
        now_s = at_s + draw(st.floats(0.0, 5000.0))
    return runs


def write(folder: Path, runs: list[dict]) -> Path:
    for run in runs:
        clock = SetClock(run["at_s"], NOW_MS + run["clock"][0], run["clock"][1])
        kept = journal(folder, clock, background=False, boot_id=run["boot"])
        for place, row in enumerate(run["rows"]):
            if run["set"] is not None and place == len(run["rows"]) // 2:
                kept.note_clock(row.at_s, NOW_MS + run["set"] + round(row.at_s * 1000), True)
            kept.record([row], [])
        kept.close()
    return path_of(folder)


@settings(max_examples=40, deadline=None)
@given(cycles(), st.integers(-DAY_MS, DAY_MS), st.integers(0, DAY_MS))
def test_columns_are_what_the_single_rows_are(tmp_path_factory, runs, offset_ms, length_ms):
    path = write(tmp_path_factory.mktemp("log"), runs)
    windows = [(None, None)]
    whole = by_rows(path, "north-bench")["wall_ms"]
    if whole:
        middle = whole[len(whole) // 2]
        windows += [(middle, None), (None, middle), (middle + offset_ms, None)]
        windows += [(middle - length_ms // 2, middle + length_ms // 2), (middle, middle + 1)]
    for from_ms, to_ms in windows:
        found = columns(path, "north-bench", from_ms, to_ms)
        same(found, by_rows(path, "north-bench", from_ms, to_ms))
        assert len(found) == len(found.wall_ms)
        assert np.all(np.diff(found.wall_ms) >= 0)


def test_a_service_that_runs_for_months(tmp_path):
    """Times of a run are stored after a base of 2^31 ms; the order is the one of the clock."""
    turn_s = 2**31 / 1000
    times_s = [turn_s - 20.0, turn_s - 10.0, turn_s, turn_s + 10.0, 2 * turn_s - 5.0]
    kept = journal(tmp_path, background=False)
    kept.record([sample(at_s) for at_s in times_s], [])
    kept.close()
    found = columns(path_of(tmp_path), "north-bench")
    same(found, by_rows(path_of(tmp_path), "north-bench"))
    assert np.diff(found.wall_ms).tolist() == [10_000, 10_000, 10_000, 2**31 - 15_000]
    (gap,) = gaps(path_of(tmp_path))
    assert (gap.from_ms, gap.to_ms) == (found.wall_ms[3], found.wall_ms[4])


def test_only_some_columns(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.record([sample(100.0 + 10 * n) for n in range(5)], [])
    kept.close()
    found = columns(path_of(tmp_path), "north-bench", only=("estimate_c", "duty"))
    assert found.estimate_c.tolist() == [25.0] * 5
    assert found.duty.tolist() == [0.58] * 5
    assert np.isnan(found.mat_c).all()
    assert len(found.mat_c) == 5
    with pytest.raises(KeyError, match="pressure"):
        columns(path_of(tmp_path), "north-bench", only=("estimate_c", "pressure"))


def test_more_rows_than_are_read_at_once(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.record([sample(100.0 + 10 * n, heat=n % 7 < 3) for n in range(11_111)], [])
    kept.close()
    same(columns(path_of(tmp_path), "north-bench"), by_rows(path_of(tmp_path), "north-bench"))


def test_a_box_that_the_log_does_not_know_has_no_rows(tmp_path):
    journal(tmp_path, background=False).close()
    found = columns(path_of(tmp_path), "attic")
    assert len(found) == 0
    assert found.conditions == ()
    assert gaps(path_of(tmp_path)) == []


def test_a_log_that_cannot_be_read_is_one_sentence(tmp_path):
    with pytest.raises(LogError, match="There is no log"):
        columns(path_of(tmp_path), "north-bench")
    path_of(tmp_path).write_text("no database at all " * 200)
    with pytest.raises(LogError, match="damaged or not a log"):
        gaps(path_of(tmp_path))


def test_beside_a_running_service(tmp_path):
    kept = journal(tmp_path)
    kept.record([sample(110.0)], [])
    assert kept.flush(60.0)
    assert len(columns(path_of(tmp_path), "north-bench")) == 1
    kept.close()


def test_who_only_keeps_the_log_loads_no_numpy():
    script = (
        "import sys, bottomheat_drivers.log, bottomheat_drivers.log.gaps\n"
        "sys.exit('numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script], check=False)
    assert done.returncode == 0


# -- gaps

STOPPED = Event(EventKind.STOPPED, 0.0, None, "service stopped, relay open", durable=True)


def run(folder: Path, first_s: float, last_s: float, *, wall_s: float = 0.0, **how) -> None:
    """A run with a sample each 10 s; its monotonic clock is ``wall_s`` before NOW_MS."""
    clock = SetClock(first_s, NOW_MS + round((first_s + wall_s) * 1000))
    stop, events = how.pop("stop", True), how.pop("events", ())
    skip = how.pop("skip", (0.0, 0.0))
    kept = journal(folder, clock, background=False, **how)
    at_s = first_s
    while at_s <= last_s:
        if not skip[0] < at_s < skip[1]:
            kept.record([sample(at_s), sample(at_s, "south-bench")], [])
        at_s += 10.0
    kept.record([], [*events, *([STOPPED] if stop else [])])
    kept.close()


def told(folder: Path, *window: int | None, **how) -> list[tuple]:
    """Each gap's begin and end, s after NOW_MS, and its cause."""
    found = gaps(path_of(folder), *window, **how)
    return [((gap.from_ms - NOW_MS) / 1e3, (gap.to_ms - NOW_MS) / 1e3, gap.cause) for gap in found]


def test_each_cause_of_a_gap(tmp_path):
    run(tmp_path, 1000.0, 2000.0, stop=False)  # killed
    run(tmp_path, 3000.0, 4000.0)  # stopped in order
    run(tmp_path, 5000.0, 6000.0, stop=False)  # then the power went
    run(tmp_path, 50.0, 1050.0, wall_s=8000.0, boot_id="boot-2")
    run(tmp_path, 40.0, 240.0, wall_s=10_000.0, boot_id="boot-3", stop=False)
    run(tmp_path, 40.0, 240.0, wall_s=11_000.0, boot_id="unknown-7")
    assert told(tmp_path) == [
        (2000, 3000, "stopped"),
        (4000, 5000, "stopped"),
        (6000, 8050, "power"),
        (9050, 10_040, "stopped"),
        (10_240, 11_040, "unknown"),
    ]
    why = [gap.why for gap in gaps(path_of(tmp_path))]
    assert why == [
        "the service died or was killed",
        "the service had been stopped",
        "power was cut, or the machine crashed or was reset",
        "the service had been stopped, and the machine was off or restarted",
        "why is not known",
    ]


def test_a_restart_by_hand_leaves_no_gap(tmp_path):
    run(tmp_path, 1000.0, 2000.0)
    run(tmp_path, 2090.0, 3000.0)
    assert told(tmp_path) == []
    assert told(tmp_path, max_gap_s=60.0) == [(2000, 2090, "stopped")]


@pytest.mark.parametrize(
    ("event", "cause"),
    [
        (Event(EventKind.GAP, 1600.0, None, "no cycle ran for 400 s"), "unknown"),
        (Event(EventKind.GAP, 1900.0, None, "no cycle ran for 60 s"), "unknown"),
        (Event(EventKind.LOG, 1990.0, None, "82 rows were lost while it could not"), "log failed"),
        (Event(EventKind.LOG, 1100.0, None, "82 rows were lost while it could not"), "unknown"),
    ],
)
def test_a_gap_within_a_run(tmp_path, event, cause):
    run(tmp_path, 1000.0, 2000.0, skip=(1200.0, 1600.0), events=[event])
    assert told(tmp_path) == [(1200, 1600, cause)]


def test_rows_that_the_disk_never_took_are_a_gap_of_the_log(tmp_path):
    disk = Disk()
    kept = journal(tmp_path, connect=disk.connect, capacity=50, ballast_bytes=0)
    kept.record([sample(100.0 + 10 * n) for n in range(20)], [])
    assert kept.flush(60.0)
    disk.fail(sqlite3.SQLITE_FULL, "database or disk is full")
    kept.record([sample(300.0 + 10 * n) for n in range(100)], [])
    assert not kept.flush(0.2)
    disk.error = None
    assert kept.flush(60.0)
    kept.close()
    ((begin_s, end_s, cause),) = told(tmp_path)
    assert (begin_s, cause) == (190, "log failed")
    assert 300 < end_s < 1300


def test_a_clock_that_was_set_forward_in_the_middle_of_a_run(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.record([sample(100.0 + 10 * n) for n in range(50)], [])
    kept.note_clock(600.0, NOW_MS + 600_000 + 3_600_000, True)
    kept.record([sample(600.0 + 10 * n) for n in range(50)], [])
    kept.close()
    (gap,) = gaps(path_of(tmp_path))
    assert (gap.length_s, gap.cause, gap.why) == (3710, "unknown", "the clock was set forward")


def test_one_box_goes_on_while_the_other_is_not_read(tmp_path):
    kept = journal(tmp_path, background=False)
    for n in range(100):
        kept.record([sample(100.0 + 10 * n, "north-bench" if 20 < n < 80 else "south-bench")], [])
    kept.close()
    assert told(tmp_path) == []


def test_the_edges_of_a_window(tmp_path):
    run(tmp_path, 1000.0, 2000.0, stop=False)
    run(tmp_path, 3000.0, 4000.0)
    at = [NOW_MS + 1000 * n for n in range(6000)]
    assert told(tmp_path, at[1500], at[3500]) == [(2000, 3000, "stopped")]
    assert told(tmp_path, at[2400], at[2600]) == [(2400, 2600, "stopped")]
    assert told(tmp_path, at[2950], at[2990]) == [(2950, 2990, "stopped")]
    assert told(tmp_path, at[1100], at[1900]) == []
    assert told(tmp_path, at[500], at[1500]) == [(500, 1000, "unknown")]
    assert told(tmp_path, at[500], at[600]) == [(500, 600, "unknown")]
    assert told(tmp_path, at[3500], at[5000]) == [(4000, 5000, "stopped")]
    assert told(tmp_path, at[950], at[4100]) == [(2000, 3000, "stopped")]


def test_an_empty_log_holds_nothing_of_any_window(tmp_path):
    journal(tmp_path, background=False).close()
    assert told(tmp_path, NOW_MS, NOW_MS + 1000) == [(0, 1, "unknown")]


def test_the_end_of_a_run_that_may_go_on(tmp_path):
    run(tmp_path, 1000.0, 2000.0, stop=False)
    (gap,) = gaps(path_of(tmp_path), NOW_MS + 1_000_000, NOW_MS + 3_000_000)
    assert (gap.cause, gap.why) == ("unknown", "the log holds nothing after that yet")
    assert gap.length_s == 1000


def test_what_came_before_a_damaged_log(tmp_path):
    path_of(tmp_path).write_text("no log at all " * 400)
    run(tmp_path, 1000.0, 2000.0)
    assert told(tmp_path, NOW_MS, NOW_MS + 2_000_000) == [(0, 1000, "log failed")]


@settings(max_examples=400, deadline=None)
@given(cycles(), st.sampled_from([30.0, 120.0, 1000.0]))
def test_gaps_are_those_between_the_rows_of_all_boxes(tmp_path_factory, runs, longest_s):
    path = write(tmp_path_factory.mktemp("log"), runs)
    with LogReader(path) as log:
        rows = [row for name in log.chambers() for row in log.samples(name)]
    walls = sorted(row.wall_ms for row in rows)
    found = [(gap.from_ms, gap.to_ms) for gap in gaps(path, max_gap_s=longest_s)]
    assert found == [pair for pair in pairwise(walls) if pair[1] - pair[0] > longest_s * 1000]
