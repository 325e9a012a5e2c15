"""A reading and what the probes showed: lags, steadiness, and the reasons when there was none."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.calibration import ledger
from bottomheat.calibration.pairing import (
    LEAST_HOURS,
    STEADY_K,
    WITHIN_S,
    Seen,
    pair,
)
from bottomheat.config_sections import Direct, FixedOffset, HeatFlow, TemperatureFactor
from bottomheat.errors import InputError
from bottomheat.model import Estimate

HOUR = 3600.0
FACTOR = TemperatureFactor(method="temperature-factor", factor=0.75)
PROBES = {"substrate": "28-000000000001", "room": "28-000000000002"}


def course(hours, layer, room, heat=lambda h: 0.5, every_s=60.0):
    """Rows of the log, with the reading's time at 0 and the record from ``-hours`` on."""
    steps = round(hours * HOUR / every_s)
    return [
        Seen(
            -index * every_s,
            layer(-index * every_s / HOUR),
            room(-index * every_s / HOUR),
            heat(-index * every_s / HOUR),
            Estimate(24.9, 0.6),
            25.0,
        )
        for index in range(steps, -3, -1)
    ]


def paired(seen, offset=FACTOR, at_s=0.0, tended_s=()):
    return pair(
        seen,
        at_s,
        offset=offset,
        watts=40.0,
        probes=PROBES,
        corrections_k={"substrate": 0.1, "room": -0.2},
        calibrated=False,
        tended_s=tended_s,
    )


STILL = course(48, lambda h: 27.0, lambda h: 15.0)


def test_a_still_bed_is_steady_and_pairs_with_what_the_probes_show():
    got = paired(STILL)
    assert (got.steady, got.why) == (True, "")
    assert (got.substrate_c, got.room_c) == pytest.approx((27.0, 15.0))
    assert (got.lagged_substrate_c, got.lagged_room_c) == pytest.approx((27.0, 15.0))
    assert got.power_w == pytest.approx(20.0)
    assert got.steadiness_k < 0.001
    assert got.hours == pytest.approx(48.0, abs=0.1)
    assert (got.estimate_c, got.expanded_k) == (24.9, 0.6)
    assert got.probes == PROBES
    assert got.corrections_k == {"substrate": 0.1, "room": -0.2}


def test_the_lags_are_those_of_the_offset_and_exact():
    """First-order answer to a step: 1 - exp(-t/tau)."""
    box = TemperatureFactor(
        method="temperature-factor", factor=0.75, room_lag=2.0, substrate_lag=0.5
    )
    seen = course(60, lambda h: 27.0 if h < -1.0 else 27.3, lambda h: 15.0 if h < -2.0 else 10.0)
    got = paired(seen, box)
    assert got.lagged_room_c == pytest.approx(15.0 - 5.0 * (1 - math.exp(-1)), abs=0.02)
    assert got.lagged_substrate_c == pytest.approx(27.0 + 0.3 * (1 - math.exp(-2)), abs=0.01)
    assert (got.room_lag_h, got.substrate_lag_h) == pytest.approx((2.0, 0.5))


@pytest.mark.parametrize(
    ("seen", "tended_s", "word"),
    [
        (course(8, lambda h: 27.0, lambda h: 15.0), (), "goes back only 8 h"),
        (course(48, lambda h: 27.0 + 6 * min(0.0, (h + 9) / 3), lambda h: 15.0), (), "colder"),
        (course(48, lambda h: 27.0 + 0.6 * max(0.0, h + 3), lambda h: 15.0), (), "warming"),
        (course(48, lambda h: 27.0 - 0.6 * max(0.0, h + 3), lambda h: 15.0), (), "cooling"),
        (course(48, lambda h: 27.0, lambda h: 15.0 - (9.0 if h > -3 else 0.0)), (), "calmer"),
        (STILL, (-40 * 60.0,), "opened 40 min before"),
    ],
)
def test_a_bed_that_is_not_steady_says_why(seen, tended_s, word):
    got = paired(seen, tended_s=tended_s)
    assert not got.steady
    assert word in got.why
    assert "read again" in got.why


def test_tending_long_ago_or_later_does_not_matter():
    assert paired(STILL, tended_s=(-5 * HOUR, 60.0)).steady


def test_a_swinging_room_makes_the_reading_doubtful_in_proportion():
    """Weather enters as this reading's own uncertainty, not as a rule that throws it away."""

    def swing(k):
        return course(72, lambda h: 27.0, lambda h: 15.0 + k * math.sin(2 * math.pi * h / 24))

    doubts = [paired(swing(k)).steadiness_k for k in (0.0, 1.0, 2.0, 3.0)]
    assert doubts == sorted(doubts)
    assert doubts[2] == pytest.approx(2 * doubts[1], rel=0.01)
    assert 0.0 < doubts[3] < STEADY_K


def test_measured_lags_leave_less_doubt():
    measured = TemperatureFactor(
        method="temperature-factor", factor=0.75, room_lag=3.75, substrate_lag=1.25
    )
    seen = course(72, lambda h: 27.0, lambda h: 15.0 + 3 * math.sin(2 * math.pi * h / 24))
    assert paired(seen, measured).steadiness_k < 0.6 * paired(seen).steadiness_k


def test_nothing_logged_near_is_one_sentence():
    seen = [row for row in STILL if row.at_s < -WITHIN_S]
    with pytest.raises(InputError, match="nothing to compare with"):
        paired(seen)
    silent = [Seen(row.at_s, None, 15.0, 0.0) for row in STILL]
    with pytest.raises(InputError, match="nothing to compare with"):
        paired(silent)
    with pytest.raises(InputError):
        paired([])


def test_rows_after_the_reading_are_not_looked_at():
    later = [Seen(at, 40.0, 30.0, 1.0) for at in (200.0, 400.0)]
    assert paired([*STILL, *later]) == paired(STILL)


def test_a_gap_begins_the_record_anew():
    seen = [row for row in STILL if not -6 * HOUR < row.at_s < -4 * HOUR]
    got = paired(seen)
    assert got.hours == pytest.approx(4.0, abs=0.1)
    assert got.hours < LEAST_HOURS
    assert not got.steady


@pytest.mark.parametrize(
    "offset",
    [
        FixedOffset(method="fixed", kelvin=1.5),
        HeatFlow(method="heat-flow", resistance=0.2),
        Direct(method="direct"),
    ],
)
def test_every_method_can_be_paired_without_a_room(offset):
    seen = course(48, lambda h: 27.0, lambda h: None)
    got = paired(seen, offset)
    assert got.steady
    assert got.room_c is None
    assert got.lagged_room_c is None
    assert got.power_w == pytest.approx(20.0)


value = st.one_of(st.none(), st.floats(-20.0, 125.0))
rows = st.lists(
    st.tuples(st.floats(0.0, 7200.0), value, value, st.floats(0.0, 1.0)), min_size=1, max_size=60
)


@given(rows, st.floats(0.0, 100_000.0))
def test_any_log_gives_a_pairing_that_can_be_kept_or_one_sentence(steps, at_s):
    now_s, seen = 0.0, []
    for dt_s, layer_c, room_c, heat in steps:
        now_s += dt_s
        seen.append(Seen(now_s, layer_c, room_c, heat))
    try:
        got = paired(seen, at_s=at_s)
    except InputError:
        return
    kept = ledger.from_plain(json.loads(json.dumps(ledger.to_plain(got))))
    assert kept == got
    near = [s.substrate_c for s in seen if s.substrate_c is not None]
    slack = 1e-9
    assert min(near) - slack <= got.lagged_substrate_c <= max(near) + slack
    assert got.steadiness_k >= 0.0
    assert 0.0 <= got.power_w <= 40.0 + slack
