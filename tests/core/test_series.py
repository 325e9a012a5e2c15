"""Rows of the log as the record that a borrowed probe is learnt from."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.calibration.pairing import Seen
from bottomheat.calibration.series import (
    STEP_S,
    Lent,
    Tended,
    last_change,
    series,
    sessions,
    stretches,
)

HOUR = 3600.0


def rows(heat: list[float], step_s: float = 10.0, layer_c: float | None = 29.0) -> list[Seen]:
    return [Seen(1000.0 + i * step_s, layer_c, 9.0, each) for i, each in enumerate(heat)]


def test_means_fall_into_the_step_that_they_were_taken_in() -> None:
    seen = [Seen(float(s), 20.0 if s < STEP_S else 30.0, 9.0, 0.0) for s in range(0, 600, 10)]
    callus = [(30.0, 24.0), (90.0, 26.0), (400.0, 27.0)]
    found = series(seen, callus, watts=45.0, counted=[(0.0, 1e6)], to_s=600.0)
    assert found.at_s.tolist() == [150.0, 450.0]
    assert found.substrate_c.tolist() == [20.0, 30.0]
    assert found.callus_c.tolist() == [25.0, 27.0]


def test_the_borrowed_probe_counts_in_its_stretches_alone() -> None:
    seen = [Seen(float(s), 20.0, 9.0, 0.0) for s in range(0, 1200, 10)]
    callus = [(float(s), 24.0) for s in range(0, 1200, 60)]
    found = series(seen, callus, watts=45.0, counted=[(300.0, 600.0)], to_s=1200.0)
    assert np.isfinite(found.callus_c).tolist() == [False, True, False, False]


def test_power_counts_from_a_row_to_the_next() -> None:
    """Irregular rows: heat for 100 s of 300 s is a third of the mat's power."""
    seen = [Seen(0.0, 20.0, 9.0, 1.0), Seen(100.0, 20.0, 9.0, 0.0), Seen(300.0, 20.0, 9.0, 0.0)]
    found = series(seen, [], watts=45.0, counted=[], to_s=300.0)
    assert found.power_w[0] == pytest.approx(15.0)


def test_what_a_hole_held_is_not_known() -> None:
    seen = [*rows([1.0] * 31), *(Seen(20_000.0 + i * 10.0, 29.0, 9.0, 1.0) for i in range(31))]
    found = series(seen, [], watts=45.0, counted=[], to_s=20_300.0)
    hole = (found.at_s > 1500.0) & (found.at_s < 19_800.0)
    assert np.isnan(found.substrate_c[hole]).all()
    assert np.isnan(found.power_w[hole]).all()
    assert found.power_w[0] == pytest.approx(45.0)


def test_a_lost_probe_leaves_a_gap_and_not_a_zero() -> None:
    found = series(rows([0.5] * 60, layer_c=None), [], watts=45.0, counted=[], to_s=1600.0)
    assert np.isnan(found.substrate_c).all()
    assert found.room_c[0] == 9.0


@given(st.lists(st.floats(0.0, 1.0), min_size=60, max_size=120), st.floats(5.0, 100.0))
def test_no_heat_is_lost_or_made(heat: list[float], watts: float) -> None:
    """Whole steps hold the energy of their rows."""
    seen = rows(heat)
    steps = (len(heat) - 1) * 10 // int(STEP_S)
    found = series(seen, [], watts=watts, counted=[], to_s=1000.0 + steps * STEP_S)
    wanted = sum(heat[: steps * int(STEP_S) // 10]) * 10.0 * watts
    assert float(found.power_w[:steps].sum()) * STEP_S == pytest.approx(wanted, abs=1e-6)


def test_sessions_end_at_the_row_that_says_so_or_run_on() -> None:
    lent = [
        Lent(0.0, "28-a", 48 * HOUR),
        Lent(40 * HOUR, "28-a", None),
        Lent(100 * HOUR, "28-b", 48 * HOUR),
    ]
    first, second = sessions(lent, 120 * HOUR)
    assert (first.begin_s, first.end_s, first.running) == (0.0, 40 * HOUR, False)
    assert (second.probe, second.end_s, second.running) == ("28-b", 120 * HOUR, True)


def test_a_session_counts_since_the_box_was_filled_or_moved() -> None:
    (session,) = sessions([Lent(0.0, "28-a", 48 * HOUR), Lent(48 * HOUR, "28-a", None)], 60 * HOUR)
    water = Tended(5 * HOUR, "water", None)
    filled = Tended(10 * HOUR, "fill", None)
    assert stretches(session, [water], "on", 60 * HOUR) == [(0.0, 48 * HOUR)]
    assert stretches(session, [water, filled], "on", 60 * HOUR) == [(10 * HOUR, 48 * HOUR)]
    later = Tended(50 * HOUR, "move", None)
    assert stretches(session, [filled, later], "on", 60 * HOUR) == []
    assert last_change([water, filled, later], 60 * HOUR) == later
    assert last_change([water, filled, later], 20 * HOUR) == filled
    assert last_change([water], 60 * HOUR) is None


def test_a_session_counts_while_the_lid_lay_so() -> None:
    (session,) = sessions([Lent(0.0, "28-a", 48 * HOUR), Lent(48 * HOUR, "28-a", None)], 60 * HOUR)
    moves = [Tended(10 * HOUR, "done", "ajar"), Tended(20 * HOUR, "done", "on")]
    assert stretches(session, moves, "ajar", 60 * HOUR) == [(10 * HOUR, 20 * HOUR)]
    assert stretches(session, moves, "on", 60 * HOUR) == [
        (0.0, 10 * HOUR),
        (20 * HOUR, 48 * HOUR),
    ]
    assert stretches(session, moves, "off", 60 * HOUR) == []
