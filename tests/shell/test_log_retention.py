"""Old samples become rows of minutes, and the log still tells what they told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bottomheat.review import exposure
from bottomheat.review.exposure import Side
from bottomheat.review.tally import Adding
from bottomheat_drivers.log import LogReader
from bottomheat_drivers.log.blocks import BlockReader
from bottomheat_drivers.log.columns import VALUES, Columns, columns
from bottomheat_drivers.log.gaps import gaps
from bottomheat_drivers.log.schema import SCHEMA_VERSION
from bottomheat_drivers.log.store import Old
from log_tools import NOW_MS, journal, old_log, raw, shape
from thinning_tools import (
    DAY_MS,
    HOUR_S,
    MINUTES,
    START_S,
    TENS,
    course,
    days,
    row,
    store,
    thin,
    thin_at,
    wall_ms,
    whole,
    write,
)

AGES = {"minutes": (MINUTES,), "tens": (TENS,), "minutes and then tens": (MINUTES, TENS)}
each_age = pytest.mark.parametrize("nows_ms", AGES.values(), ids=AGES)


def limits_h(found: Columns, from_ms: int, to_ms: int, limit_c: float, side: Side):
    """How long beyond a limit: by the line, and its least and most without uncertainty."""
    line = exposure.trace(
        found.wall_ms,
        found.estimate_c,
        from_ms,
        to_ms,
        beside_k=(found.under_k, found.over_k),
    )
    return exposure.beyond(line, limit_c, side).hours, *exposure.bounds_h(line, limit_c, side)


@each_age
@pytest.mark.parametrize("seed", range(4))
def test_the_record_is_that_of_the_samples(tmp_path, seed, nows_ms):
    records = course(seed)
    path = write(tmp_path, records)
    span = wall_ms(-600), wall_ms(10 * HOUR_S)
    before = columns(path, "north-bench")
    was = whole(before, *span)
    thin_at(path, nows_ms)
    assert raw(path, "SELECT count(*) FROM sample") == [(0,)]
    after = columns(path, "north-bench")
    now = whole(after, *span)
    assert now.known_h == pytest.approx(was.known_h, abs=1e-9)
    for name in ("in_band", "above_span", "below_span"):
        own, theirs = getattr(now, name), getattr(was, name)
        assert own.hours == pytest.approx(theirs.hours, abs=1e-4), name  # a part of a ms each row
        # The uncertainty of a row is its largest, and its course may have lain anywhere in it.
        assert own.least_h <= theirs.least_h + 1e-4, name
        assert own.most_h >= theirs.most_h - 1e-4, name
    for name in ("above", "below"):
        area = getattr(was, name).degree_hours
        assert getattr(now, name).degree_hours == pytest.approx(area, abs=1e-4), name
    assert now.mean_c == pytest.approx(was.mean_c, abs=2e-4)
    assert (now.coldest.celsius, now.hottest.celsius) == pytest.approx(
        (was.coldest.celsius, was.hottest.celsius), abs=1e-9
    )
    assert (now.closings, now.heat_h) == (was.closings, pytest.approx(was.heat_h, abs=1e-6))
    assert [(u.from_ms, u.to_ms) for u in now.unknown] == [
        (u.from_ms, u.to_ms) for u in was.unknown
    ]
    assert was.thinned_h == 0.0
    assert now.thinned_h == pytest.approx(now.known_h)
    assert (now.grain_h > 0.1) == (nows_ms[-1] == TENS)
    for limit_c in (24.1, 24.5, 24.83, 25.0, 25.5, 25.71):
        for side in Side:
            hours, _, _ = limits_h(before, *span, limit_c, side)
            own, least, most = limits_h(after, *span, limit_c, side)
            assert least - 1e-6 <= hours <= most + 1e-6
            assert least - 1e-6 <= own <= most + 1e-6


@each_age
def test_the_overview_is_that_of_the_samples(tmp_path, nows_ms):
    path = write(tmp_path, sorted(course(1) + course(2, chamber="other"), key=lambda r: r.at_s))
    told = {}
    for name in ("before", "after"):
        with BlockReader(path) as reader:
            adding = {"north-bench": Adding(120.0), "other": Adding(120.0)}
            for block in reader.blocks(wall_ms(-600), wall_ms(10 * HOUR_S)):
                adding[block.chamber].add(block)
            told[name] = {box: each.tally() for box, each in adding.items()}
            if name == "after":
                low = told[name]["other"].low
                assert reader.expanded_k("other", low[1], *reader_span()) == pytest.approx(
                    0.45, abs=0.06
                )
        if name == "before":
            thin_at(path, nows_ms)
    for box, was in told["before"].items():
        now = told["after"][box]
        for name in ("known_h", "below_h", "above_h", "heat_h", "recorded_h"):
            assert getattr(now, name) == pytest.approx(getattr(was, name), abs=1e-4), (box, name)
        assert now.low[0] == was.low[0]
        assert now.high[0] == was.high[0]
        assert now.room_c == was.room_c
        assert now.jumps == was.jumps


def reader_span():
    return wall_ms(-600), wall_ms(10 * HOUR_S)


def test_gaps_are_those_of_the_samples(tmp_path):
    path = write(tmp_path, course(3))
    was = gaps(path, wall_ms(-600), wall_ms(10 * HOUR_S))
    assert len(was) > 2
    for now_ms in (MINUTES, TENS):
        thin(path, now_ms=now_ms)
        assert gaps(path, wall_ms(-600), wall_ms(10 * HOUR_S)) == was
    assert gaps(path) == gaps(path, None, None)


def test_young_samples_stay_and_the_seam_is_whole(tmp_path):
    records = [row(60.0 * n, 25.0 + (n % 50) / 100, closings=n // 30) for n in range(3000)]
    path = write(tmp_path, records)
    was = whole(columns(path, "north-bench"), wall_ms(0), wall_ms(60.0 * 3000))
    thin(path, now_ms=days(15))
    left = raw(
        path, "SELECT min(base_ms + t_ms), count(*) FROM sample JOIN state ON state.id = state"
    )
    ((oldest_ms, count),) = left
    # An hour and what lies around it is thinned when all of it is old enough.
    assert START_S + DAY_MS / 1000 - 2.5 * HOUR_S < oldest_ms / 1000 <= START_S + DAY_MS / 1000
    assert 1500 < count < 1800
    now = whole(columns(path, "north-bench"), wall_ms(0), wall_ms(60.0 * 3000))
    assert now.known_h == pytest.approx(was.known_h, abs=1e-9)
    assert now.in_band.hours == pytest.approx(was.in_band.hours, abs=1e-4)
    assert now.closings == was.closings
    assert now.unknown == was.unknown


def test_in_small_steps_it_comes_to_the_same(tmp_path):
    for name in ("once", "hourly"):
        (tmp_path / name).mkdir()
        write(tmp_path / name, sorted(course(6) + course(7, chamber="other"), key=lambda r: r.at_s))
    thin(tmp_path / "once" / "log.sqlite", now_ms=TENS)
    path = tmp_path / "hourly" / "log.sqlite"
    kept = store(path)
    for _ in range(30):
        kept.write([], Old(TENS, 14 * DAY_MS))
    kept.close(orderly=True)
    columns_ = (
        "run, t_ms, span_ms, samples, chamber, closings, heat_ms, above_ms, below_ms, estimate_mc"
    )
    found = [
        raw(each, f"SELECT {columns_} FROM thinned_row WHERE run = 1 ORDER BY t_ms, chamber")  # noqa: S608
        for each in (tmp_path / "once" / "log.sqlite", path)
    ]
    assert found[0] == found[1]
    assert raw(path, "SELECT count(*) FROM sample") == [(0,)]


def thinned_rows(path: Path) -> list[tuple[object, ...]]:
    """All of them, by their order, without their ids."""
    return [values[1:] for values in raw(path, "SELECT * FROM thinned ORDER BY id")]


def test_by_way_of_minutes_or_at_once_rows_of_ten_minutes_are_the_same(tmp_path):
    records = sorted(course(4) + course(5, chamber="other"), key=lambda r: r.at_s)
    found = []
    for name, nows_ms in (("at-once", (TENS,)), ("by-minutes", (MINUTES, TENS))):
        (tmp_path / name).mkdir()
        thin_at(path := write(tmp_path / name, records), nows_ms)
        found.append(thinned_rows(path))
    assert found[0] == found[1]
    assert 54 < len(found[0]) < 400


def test_where_samples_stay_for_longer_than_minutes_they_become_rows_of_ten(tmp_path):
    path = write(tmp_path, [row(10.0 * n, 25.0) for n in range(3 * 360)])
    kept = store(path)
    kept.write([], Old(days(59.9), 60 * DAY_MS))
    assert thinned_rows(path) == []
    kept.write([], Old(days(60) + 2_400_000, 60 * DAY_MS))
    spans = [span // 1000 for (span,) in raw(path, "SELECT span_ms FROM thinned ORDER BY id")]
    kept.close(orderly=True)
    assert spans == [200, 600, 600]  # all that ended 15 minutes before it was so old


def test_rows_of_ten_minutes_span_ten_minutes_however_old_they_were(tmp_path):
    """Also where minutes and tens are made in one go, so that ids are free again at the end."""
    path = write(tmp_path, [row(10.0 * n, 25.0) for n in range(3 * 360)])
    kept = store(path)
    for _ in range(10):
        kept.write([], Old(TENS, 14 * DAY_MS))
    kept.close(orderly=True)
    spans = [span // 1000 for (span,) in raw(path, "SELECT span_ms FROM thinned ORDER BY id")]
    assert spans[1:-1] == [600] * 17


# -- the file


def test_a_log_of_format_4_is_brought_up_to_date_and_its_samples_keep_their_values(tmp_path):
    path = old_log(tmp_path, 4)
    view = "SELECT id, run, t_ms, substrate_mc, mat_mc, estimate_mc, closings FROM sample_row"
    was = raw(path, view)
    journal(tmp_path, background=False).close()
    (tmp_path / "new").mkdir()
    journal(tmp_path / "new", background=False).close()
    assert shape(path) == shape(tmp_path / "new" / "log.sqlite")
    assert raw(path, view) == was
    assert was[0][4:6] == (43_800, 25_000)
    found = columns(path, "north-bench")
    assert found.estimate_c.tolist() == [25.0] * 4
    assert found.mat_c.tolist() == [43.8] * 4
    (copy,) = tmp_path.glob("log.sqlite.before-format-*")
    assert copy.name.endswith(f"-{SCHEMA_VERSION}")
    assert raw(copy, "PRAGMA user_version") == [(4,)]
    with LogReader(path) as log:
        assert [dated.entry.batch for dated in log.season_entries()] == ["MUL-1"]


def test_samples_of_an_older_format_are_thinned_too(tmp_path):
    path = old_log(tmp_path, 4)
    journal(tmp_path, background=False).close()
    was = whole(columns(path, "north-bench"), NOW_MS, NOW_MS + 60_000)
    thin(path, now_ms=NOW_MS + 30 * DAY_MS)
    now = columns(path, "north-bench")
    assert whole(now, NOW_MS, NOW_MS + 60_000).known_h == pytest.approx(was.known_h)
    assert np.nanmax(now.estimate_c) == 25.0
    assert np.nanmin(now.mat_c) == np.nanmax(now.mat_c) == 43.8


def test_all_values_of_a_thinned_row(tmp_path):
    path = write(tmp_path, [row(10.0 * n, 25.0 + n % 2, room_c=9.0 + n % 3) for n in range(360)])
    before = columns(path, "north-bench")
    thin(path, now_ms=MINUTES)
    after = columns(path, "north-bench")
    assert after.sure.all()
    for name in set(VALUES) - {"duty", "expanded_k"}:
        own, theirs = getattr(after, name), getattr(before, name)
        if np.isnan(theirs).all():
            assert np.isnan(own).all(), name
        else:
            assert (np.nanmin(own), np.nanmax(own)) == (theirs.min(), theirs.max()), name
    with LogReader(path) as log:
        assert log.coldest_room("north-bench") == 9.0


def test_thinned_rows_as_samples_of_their_means(tmp_path):
    """For a diagnosis, and for what a borrowed probe taught."""
    path = write(
        tmp_path, [row(10.0 * n, 25.0 + (n % 6) / 10, heat=n % 2 == 0) for n in range(360)]
    )
    with LogReader(path) as log:
        was = list(log.samples("north-bench", longest_row_s=120.0))
        assert was == list(log.samples("north-bench"))
        assert log.thinned("north-bench", wall_ms(0), wall_ms(4000)) == (0, 0.0)
    thin(path, now_ms=MINUTES)
    with LogReader(path) as log:
        assert list(log.samples("north-bench")) == []
        means = list(log.samples("north-bench", longest_row_s=120.0))
        count, longest_s = log.thinned("north-bench", wall_ms(0), wall_ms(4000))
    assert (count, longest_s) == (len(means), 60.0)
    assert [each.wall_ms for each in means] == sorted(each.wall_ms for each in means)
    middle = means[10]
    assert (middle.grain_s, middle.setpoint_c, middle.duty) == (60.0, 25.0, 0.5)
    assert middle.estimate.celsius == pytest.approx(25.25, abs=0.001)
    assert dict(middle.readings)["room"].celsius == 9.0
    thin(path, now_ms=TENS)
    with LogReader(path) as log:
        assert list(log.samples("north-bench", longest_row_s=120.0)) == []
        assert len(list(log.samples("north-bench", longest_row_s=700.0))) in (6, 7)
