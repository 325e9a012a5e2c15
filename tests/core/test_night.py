"""Which hours a night is, and what a box was like in them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bottomheat.config import Config
from bottomheat.model import Alarm, Condition, Good, Place, Record
from bottomheat.review.night import night, tops
from bottomheat.season import tops as alarm_tops
from bottomheat.season.ledger import Dated, SeasonEntry, What, fold
from bottomheat.season.night import ALL_IN_BAND, Hole, at_hour, night_of
from plant import chamber_keys

EAST = timezone(timedelta(hours=1))
SUMMER = ZoneInfo("Europe/Berlin")
HOUR_MS = 3_600_000
MINUTE_MS = 60_000
START_MS = 1_800_000_000_000


def ms(text: str, zone=EAST) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp() * 1000)


def span(text: str, zone=EAST, **how) -> tuple[str, str, bool]:
    from_ms, to_ms, is_night = night_of(ms(text, zone), zone, **how)
    words = [
        datetime.fromtimestamp(each / 1000, UTC).astimezone(zone).strftime("%d %H:%M")
        for each in (from_ms, to_ms)
    ]
    return words[0], words[1], is_night


@pytest.mark.parametrize(
    ("now", "from_", "to", "is_night"),
    [
        ("2027-01-16 07:10", "15 18:00", "16 07:10", True),
        ("2027-01-16 08:00", "15 18:00", "16 08:00", True),
        ("2027-01-16 12:00", "15 18:00", "16 08:00", True),
        ("2027-01-16 17:59", "15 18:00", "16 08:00", True),
        ("2027-01-16 18:00", "16 06:00", "16 18:00", False),
        ("2027-01-16 23:30", "16 11:30", "16 23:30", False),
        ("2027-01-16 00:05", "15 18:00", "16 00:05", True),
        ("2027-03-01 07:00", "28 18:00", "01 07:00", True),
    ],
)
def test_the_night_is_the_one_that_ended_this_morning(now, from_, to, is_night):
    assert span(now) == (from_, to, is_night)


def test_without_a_clock_it_is_the_last_twelve_hours():
    assert span("2027-01-16 07:10", clock_sure=False) == ("15 19:10", "16 07:10", False)


def test_the_night_when_the_clocks_change_is_an_hour_shorter_or_longer():
    spring = night_of(ms("2027-03-28 09:00", SUMMER), SUMMER)
    autumn = night_of(ms("2027-10-31 09:00", SUMMER), SUMMER)
    assert (spring[1] - spring[0]) / HOUR_MS == 13
    assert (autumn[1] - autumn[0]) / HOUR_MS == 15


@given(st.integers(1_600_000_000_000, 2_400_000_000_000), st.booleans())
@example(ms("2029-10-28 17:59", SUMMER), True)  # 24 h 59 min after the evening before
def test_a_night_lies_before_now_and_is_no_longer_than_a_day(now_ms, sure):
    for zone in (UTC, EAST, SUMMER):
        from_ms, to_ms, _ = night_of(now_ms, zone, clock_sure=sure)
        assert from_ms < to_ms <= now_ms
        a_day_h = 25 if zone is SUMMER else 24  # with the night in which clocks are put back
        assert now_ms - from_ms < a_day_h * HOUR_MS
        assert at_hour(now_ms, zone, 18, 1) <= now_ms


@dataclass
class Made:
    """Columns of a box."""

    wall_ms: np.ndarray
    estimate_c: np.ndarray
    expanded_k: np.ndarray
    setpoint_c: np.ndarray
    substrate_c: np.ndarray
    room_c: np.ndarray
    top_c: np.ndarray
    heat: np.ndarray
    closings: np.ndarray


def rows(count: int = 601, *, every_ms: int = MINUTE_MS, **over) -> Made:
    """A box at 25 °C, a row a minute; ``over`` replaces columns, by a number or all of it."""
    plain = {
        "wall_ms": START_MS + every_ms * np.arange(count),
        "estimate_c": 25.0,
        "expanded_k": 0.4,
        "setpoint_c": 25.0,
        "substrate_c": 29.0,
        "room_c": 9.0,
        "top_c": 10.0,
        "heat": False,
        "closings": 0,
    }
    made = {}
    for name, value in {**plain, **over}.items():
        kind = {"wall_ms": np.int64, "heat": np.bool_, "closings": np.int64}.get(name, np.float64)
        made[name] = np.broadcast_to(np.asarray(value, dtype=kind), count).copy()
    return Made(**made)


def kept(made: Made, keep: np.ndarray) -> Made:
    return Made(**{name: getattr(made, name)[keep] for name in Made.__dataclass_fields__})


END_MS = START_MS + 600 * MINUTE_MS


def test_a_still_night():
    found = night(rows(), START_MS, END_MS)
    assert found.known_h == pytest.approx(10.0)
    assert found.unknown_h == 0.0
    assert found.in_band_h == pytest.approx(10.0)
    assert found.all_in_band
    assert (found.low_c, found.high_c, found.setpoint_c, found.estimate_c) == (25, 25, 25, 25)
    assert (found.expanded_k, found.room_low_c, found.rise_k) == (0.4, 9.0, 20.0)
    assert found.newest_ms == END_MS
    assert found.setpoint_since_ms == START_MS
    assert found.heat_frac == 0.0
    assert found.closings == 0


def test_time_below_and_above_the_band_is_told_apart_and_to_the_crossing():
    estimate_c = np.full(601, 25.0)
    estimate_c[100:161] = 24.0  # an hour, with a minute of slope at each end
    estimate_c[300:331] = 26.0
    found = night(rows(estimate_c=estimate_c), START_MS, END_MS)
    slope_h = 1 / 60
    assert found.below_h == pytest.approx(1.0 + slope_h)
    assert found.above_h == pytest.approx(0.5 + slope_h)
    assert found.in_band_h == pytest.approx(10.0 - 1.5 - 2 * slope_h)
    assert (found.low_c, found.high_c) == (24.0, 26.0)
    assert found.low_ms == START_MS + 100 * MINUTE_MS
    assert not found.all_in_band


def test_the_band_follows_the_setpoint():
    setpoint_c = np.where(np.arange(601) < 300, 25.0, 20.0)
    found = night(rows(setpoint_c=setpoint_c, estimate_c=setpoint_c), START_MS, END_MS)
    assert found.all_in_band
    assert found.setpoint_c == 20.0
    assert found.setpoint_since_ms == START_MS + 300 * MINUTE_MS


def test_what_is_not_known_is_neither_in_band_nor_out():
    estimate_c = np.full(601, 25.0)
    estimate_c[100:221] = np.nan
    made = rows(estimate_c=estimate_c)
    blind = night(made, START_MS, END_MS)
    gone = night(kept(made, ~np.isnan(estimate_c)), START_MS, END_MS)
    for found in (blind, gone):
        assert found.unknown_h == pytest.approx(122 / 60)
        assert found.known_h + found.unknown_h == pytest.approx(10.0)
        assert found.in_band_h == pytest.approx(found.known_h)


def test_no_rows_and_no_probes_are_no_trouble():
    empty = night(rows(0), START_MS, END_MS)
    assert (empty.known_h, empty.unknown_h) == (0.0, 10.0)
    assert empty.newest_ms is None
    assert empty.in_band_frac is None
    assert not empty.all_in_band
    bare = night(rows(room_c=np.nan, substrate_c=np.nan, setpoint_c=np.nan), START_MS, END_MS)
    assert (bare.room_low_c, bare.rise_k, bare.setpoint_c) == (None, None, None)
    one = night(rows(1), START_MS, END_MS)
    assert one.heat_frac is None
    assert night(rows(expanded_k=np.inf), START_MS, END_MS).expanded_k is None


def test_rows_from_outside_make_the_edges_known_and_count_for_nothing_else():
    low = np.where(np.arange(601) < 60, 10.0, 25.0)
    found = night(rows(estimate_c=low, closings=1), START_MS + 90 * MINUTE_MS, END_MS)
    assert found.unknown_h == 0.0
    assert found.low_c == 25.0
    assert found.closings == 601 - 90


def test_heat_is_a_share_of_the_known_time_and_the_busiest_hour_stands_out():
    heat = np.zeros(601, dtype=bool)
    heat[60:120] = True  # all of the second hour
    heat[300:330] = True
    found = night(rows(heat=heat), START_MS, END_MS)
    assert found.heat_frac == pytest.approx(0.15)
    assert found.busiest_frac == pytest.approx(1.0)
    assert night(rows(heat=heat[:20], count=20), START_MS, END_MS).busiest_frac is None


@given(
    st.lists(st.one_of(st.none(), st.floats(20, 30, allow_nan=False)), min_size=2, max_size=60),
    st.lists(st.integers(1, 40), min_size=60, max_size=60),
)
def test_in_band_below_above_and_unknown_make_up_the_night(values, minutes):
    count = len(values)
    wall_ms = START_MS + MINUTE_MS * np.cumsum(minutes[:count])
    estimate_c = [np.nan if value is None else value for value in values]
    made = rows(count, wall_ms=wall_ms, estimate_c=estimate_c)
    found = night(made, START_MS, START_MS + 30 * HOUR_MS)
    parts = found.in_band_h + found.below_h + found.above_h
    assert parts == pytest.approx(found.known_h)
    assert found.known_h + found.unknown_h == pytest.approx(30.0)
    assert found.all_in_band == (
        found.known_h > 0 and found.in_band_h >= ALL_IN_BAND * found.known_h
    )


def test_warm_tops_are_told_with_their_beginning():
    top_c = np.full(601, 10.0)
    top_c[200:] = 13.0
    top_c[400] = 11.7  # not yet cool
    found = tops(rows(top_c=top_c), 12.0, END_MS)
    assert found is not None
    assert found.hours == pytest.approx(400 / 60)
    assert (found.limit_c, found.high_c) == (12.0, 13.0)
    top_c[500] = 11.4
    later = tops(rows(top_c=top_c), 12.0, END_MS)
    assert later is not None
    assert later.hours == pytest.approx(99 / 60)


def test_cool_unknown_or_long_unseen_tops_are_not_told():
    assert tops(rows(), 12.0, END_MS) is None
    assert tops(rows(top_c=np.nan), 12.0, END_MS) is None
    assert tops(rows(0), 12.0, END_MS) is None
    assert tops(rows(top_c=13.0), 12.0, END_MS + 2 * HOUR_MS) is None
    assert tops(rows(top_c=13.0), 12.0, START_MS - 1) is None


TOP = (Place.SUBSTRATE, Place.ROOM, Place.MAT, Place.TOP)
BOX = Config.model_validate({"chambers": {"bench": chamber_keys(probes=TOP)}})
DORMANT = fold(
    [
        Dated(
            1,
            START_MS,
            True,
            SeasonEntry(
                What.ADD, "GRP-2", "bench", {"species": "grapevine", "kind": "grafts", "count": 60}
            ),
        )
    ]
)


@given(st.lists(st.sampled_from([11.2, 11.6, 12.4, 13.0]), min_size=100, max_size=200))
def test_warm_tops_agree_with_the_alarm(course):
    """Two ways to the same 24 h: the service's, cycle by cycle, and this one, from the log."""
    every_s, warm = 1800.0, {}
    for index, top_c in enumerate(course):
        now_s = index * every_s
        record = Record(
            "bench",
            now_s,
            ((Place.TOP, Good(top_c, now_s)),),
            None,
            25.0,
            None,
            0.0,
            False,
            Condition.HOLDING,
            "",
        )
        warm = alarm_tops.follow(warm, [record], BOX, DORMANT)
        stands = alarm_tops.conditions(warm, [record], BOX, DORMANT, now_s)
    made = rows(len(course), every_ms=round(every_s * 1000), top_c=course)
    found = tops(made, BOX.season.warn_top_above_c, int(made.wall_ms[-1]))
    long = found is not None and found.hours >= 24.0
    assert long == (("bench", Alarm.TOP_WARM) in stands)


def test_a_hole_knows_its_length():
    assert replace(Hole(0, HOUR_MS, "power"), to_ms=3 * HOUR_MS).hours == 3.0
