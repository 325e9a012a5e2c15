"""The report's strips: cut into stretches, tables by the grower's clock, and the terminal chart."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

import report_world
from bottomheat.review.exposure import trace, within_h
from bottomheat.review.report import Mark, MarkKind, grid_for, local, strip_of, when
from bottomheat.review.terminal_chart import LINES, WIDTH, chart
from bottomheat.telling import BAND_K
from report_world import BEGIN_MS, DAY_MS, ZONE

HOUR_MS = 3_600_000


def utc_ms(*moment: int) -> int:
    return round(datetime(*moment, tzinfo=UTC).timestamp() * 1000)


def strip_and_grid(days: int = 5, gaps=(), step_s: int = 60):
    grid = grid_for(BEGIN_MS, BEGIN_MS + days * DAY_MS, ZONE)
    rows = report_world.rows(grid.from_ms, grid.to_ms, step_s=step_s, gaps=gaps)
    return strip_of("north-bench", rows, grid, holes=gaps), grid, rows


def test_a_season_made_in_stretches_is_the_season_made_at_once():
    days, step_s = 12, 120
    grid = grid_for(BEGIN_MS, BEGIN_MS + days * DAY_MS, ZONE, 2)
    at_once, parts = (
        report_world.strip(grid, "south-bench", 1, days, step_s, block_days=each)
        for each in (days, 1)
    )
    for course, other in ((at_once.chart, parts.chart), (at_once.table, parts.table)):
        for word in ("estimate_c", "least_c", "most_c", "layer_c", "room_c", "mat_c", "top_c"):
            one, two = getattr(course, word), getattr(other, word)
            np.testing.assert_allclose(two.low, one.low, atol=1e-9)
            np.testing.assert_allclose(two.high, one.high, atol=1e-9)
            np.testing.assert_allclose(two.mean, one.mean, atol=1e-6)
            np.testing.assert_allclose(two.known_s, one.known_s)
        np.testing.assert_allclose(other.heat.mean, course.heat.mean, atol=1e-9)
    np.testing.assert_array_equal(parts.setpoint_c, at_once.setpoint_c)
    np.testing.assert_allclose(parts.in_band_h, at_once.in_band_h, atol=1e-9)


def test_time_in_band_of_all_rows_is_that_of_the_window():
    strip, grid, rows = strip_and_grid(gaps=report_world.gaps_of(5))
    line = trace(rows.wall_ms, rows.estimate_c, grid.from_ms, grid.to_ms)
    setpoint_c = rows.setpoint_c[line.row]
    whole_h = within_h(line, setpoint_c - BAND_K, setpoint_c + BAND_K)
    assert np.sum(strip.in_band_h) == pytest.approx(whole_h, abs=1e-9)
    assert np.sum(strip.table.estimate_c.known_s) / 3600 == pytest.approx(line.known_h)


def test_a_gap_is_neither_drawn_nor_in_band():
    gap = (BEGIN_MS + 2 * DAY_MS - 60_000, BEGIN_MS + 3 * DAY_MS)
    strip, grid, _ = strip_and_grid(gaps=(gap,))
    inside = (grid.edges_ms[:-1] >= gap[0]) & (grid.edges_ms[1:] <= gap[1])
    assert inside.sum() > 10
    for thinned in (strip.chart.estimate_c, strip.chart.mat_c, strip.chart.most_c):
        assert np.isnan(thinned.mean[inside]).all()
        assert not np.isnan(thinned.mean[~inside][:-1]).any()
    assert np.isnan(strip.chart.heat.mean[inside]).all()
    assert np.isnan(strip.setpoint_c[inside]).all()
    assert strip.in_band_h[2] == 0
    assert strip.table.estimate_c.known_s[2] == 0


def test_nothing_is_in_band_where_nothing_was_wanted():
    _, grid, rows = strip_and_grid(days=1)
    idle = replace(rows, setpoint_c=np.full(len(rows.wall_ms), np.nan))
    assert np.sum(strip_of("north-bench", idle, grid).in_band_h) == 0


def test_doubt_that_is_not_known_has_no_band():
    _, grid, rows = strip_and_grid(days=1)
    doubtful = replace(rows, expanded_k=np.full(len(rows.wall_ms), np.inf))
    made = strip_of("north-bench", doubtful, grid).chart
    assert np.isnan(made.most_c.high).all()
    assert not np.isnan(made.estimate_c.high[:-2]).any()


def test_rows_of_the_table_are_days_of_the_growers_clock_when_it_changes():
    zone = ZoneInfo("Europe/Berlin")
    from_ms = utc_ms(2026, 10, 23, 10)
    grid = grid_for(from_ms, from_ms + 6 * DAY_MS, zone)
    starts = [local(each, zone) for each in grid.periods_ms[1:-1].tolist()]
    assert [(each.hour, each.minute) for each in starts] == [(0, 0)] * 6
    lengths = np.diff(grid.periods_ms)[1:-1] // HOUR_MS
    assert lengths.tolist() == [24, 25, 24, 24, 24]  # 25 October 2026 has an hour more
    assert grid.periods_ms[0] == from_ms
    assert grid.periods_ms[-1] == grid.to_ms


def test_a_short_window_has_hours_and_a_long_one_weeks():
    short = grid_for(BEGIN_MS + 600_000, BEGIN_MS + 5 * HOUR_MS, ZONE)
    assert short.period == "hour"
    assert np.diff(short.periods_ms).tolist() == [HOUR_MS - 600_000, *[HOUR_MS] * 4]
    long = grid_for(BEGIN_MS, BEGIN_MS + 300 * DAY_MS, ZONE)
    assert long.period == "week"


def test_more_boxes_have_fewer_buckets():
    wide, narrow = (grid_for(BEGIN_MS, BEGIN_MS + 120 * DAY_MS, ZONE, n) for n in (1, 8))
    assert len(narrow.edges_ms) < len(wide.edges_ms) <= 3001


def test_when_is_said_by_the_growers_clock():
    assert when(utc_ms(2027, 1, 16, 6, 10), ZONE) == "16 Jan 07:10"


def lines_of(days: int, marks=(), gaps=(), name: str = "north-bench") -> list[str]:
    strip, grid, _ = strip_and_grid(days, gaps)
    return chart(replace(strip, name=name), grid, marks, ZONE).splitlines()


def row(lines: list[str], word: str) -> str:
    return next(line.split("┤", 1)[1] for line in lines if line.strip().startswith(f"{word}┤"))


def test_the_terminal_chart_fits_80_columns():
    for days in (1, 3, 14):
        lines = lines_of(days, report_world.marks_of(days, ("north-bench",)))
        assert max(len(line) for line in lines) <= WIDTH
        assert len(lines) <= LINES + 1
        assert "\x1b" not in "".join(lines)
        for marker in "o+." if days > 1 else "o+.-":
            assert any(marker in line for line in lines[1:])


def test_the_terminal_chart_marks_alarms_and_gaps_where_they_lie():
    gap = (BEGIN_MS + 5 * DAY_MS, BEGIN_MS + 10 * DAY_MS)
    alarm = BEGIN_MS + 7 * DAY_MS
    marks = (
        Mark(MarkKind.GAP, *gap, "power"),
        Mark(MarkKind.ALARM, alarm, None, "heat lost", "north-bench"),
        Mark(MarkKind.URGENT, alarm, None, "not of this box", "south-bench"),
    )
    lines = lines_of(10, marks, (gap,))
    gone, alarms = row(lines, "no data"), row(lines, "alarm")
    assert re.fullmatch(r" *x+ *│?", gone)
    assert gone.count("x") == pytest.approx(35, abs=3)
    assert alarms.count("!") == 1
    assert alarms.index("!") / len(alarms) == pytest.approx(0.7, abs=0.05)
    # No line runs through the gap: at its columns there is nothing of the boxes.
    half = gone.index("x") + 3
    body = [line.split("┤")[-1].split("│")[1 if "┤" not in line else 0] for line in lines[2:14]]
    assert all(set(each[half:]) <= {" "} for each in body)


def test_the_terminal_chart_of_nothing_says_so():
    _, grid, rows = strip_and_grid(days=1)
    none = rows.where(np.zeros(len(rows.wall_ms), dtype=bool))
    assert chart(strip_of("new-box", none, grid), grid) == "new-box: no data in this time."


def test_a_spike_shows_in_the_terminal_chart():
    _, grid, rows = strip_and_grid(days=5)
    hot = rows.estimate_c.copy()
    hot[4000] = 41.0
    lines = chart(strip_of("x", replace(rows, estimate_c=hot), grid), grid, (), ZONE).splitlines()
    assert lines[2].count("o") == 1
    calm = chart(strip_of("x", rows, grid), grid, (), ZONE).splitlines()
    assert float(re.findall(r"(\d+)┤", "\n".join(lines))[0]) >= 40
    assert float(re.findall(r"(\d+)┤", "\n".join(calm))[0]) <= 30
