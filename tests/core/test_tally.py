"""A box added up block by block comes to what the thermal record's arithmetic gives at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.review import exposure
from bottomheat.review.tally import Adding, Tally

HOUR_MS = 3_600_000
Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Rows:
    wall_ms: npt.NDArray[np.int64]
    estimate_c: Array
    setpoint_c: Array
    room_c: Array
    heat: npt.NDArray[np.bool_]
    whole: npt.NDArray[np.bool_]

    def part(self, low: int, high: int) -> Rows:
        return Rows(*(getattr(self, name)[low:high] for name in self.__dataclass_fields__))


def rows(
    minutes: list[float], celsius: list[float], setpoint_c: list[float] | float = 25.0
) -> Rows:
    count = len(minutes)
    return Rows(
        np.round(np.array(minutes) * 60_000).astype(np.int64),
        np.array(celsius, dtype=float),
        np.broadcast_to(np.array(setpoint_c, dtype=float), count),
        np.full(count, 9.0),
        np.arange(count) % 2 == 0,
        np.zeros(count, dtype=bool),
    )


def added(*blocks: Rows, jump_s: float = 120.0) -> Tally:
    adding = Adding(jump_s)
    for block in blocks:
        adding.add(block)
    return adding.tally()


def test_a_crossing_counts_from_its_moment() -> None:
    """25.0 to 23.5 °C in 10 min: below 24.5 for the last two thirds."""
    found = added(rows([0, 10], [25.0, 23.5]))
    assert found.below_h == pytest.approx(10 / 60 * 2 / 3, abs=1e-12)
    assert found.above_h == 0.0
    assert found.in_band_frac == pytest.approx(1 / 3)
    assert found.low == (23.5, 600_000)
    assert found.high == (25.0, 0)


def test_what_lies_over_a_gap_is_not_known_and_not_in_band() -> None:
    found = added(rows([0, 1, 2, 62, 63], [25.0] * 5))
    assert found.known_h == pytest.approx(3 / 60)
    assert found.jumps == ((120_000, 3_720_000),)


def test_a_missing_estimate_is_no_gap_of_the_log() -> None:
    nan = float("nan")
    found = added(rows([0, 1, 2, 3], [nan, nan, nan, nan]))
    assert (found.known_h, found.in_band_frac, found.low) == (0.0, None, None)
    assert found.recorded_h == pytest.approx(3 / 60)
    assert found.jumps == ()


def test_rows_that_are_few_by_intent_leave_no_jumps() -> None:
    found = added(rows([10.0 * n for n in range(50)], [25.0] * 50))
    assert found.jumps == ()
    assert found.known_h == pytest.approx(490 / 60)


def test_heat_holds_from_its_row_to_the_next() -> None:
    found = added(rows([0, 1, 3], [25.0] * 3))
    assert found.heat_h == pytest.approx(1 / 60)
    assert found.heat_frac == pytest.approx(1 / 3)
    assert found.room_c == (9.0, 9.0)


def test_nothing_comes_to_nothing() -> None:
    found = added()
    assert (found.rows, found.in_band_frac, found.heat_frac, found.room_c) == (0, None, None, None)


STEPS = st.lists(
    st.tuples(
        st.floats(0.05, 30.0),
        st.one_of(st.floats(20.0, 30.0), st.just(float("nan"))),
        st.sampled_from((25.0, 22.0)),
    ),
    min_size=2,
    max_size=60,
)


@given(STEPS, st.data())
def test_in_blocks_it_is_what_the_record_gives_for_the_whole(steps, data) -> None:
    minutes = np.cumsum([step for step, _, _ in steps]).tolist()
    whole = rows(minutes, [c for _, c, _ in steps], [s for _, _, s in steps])
    cut = data.draw(st.integers(0, len(steps)))
    found = added(whole.part(0, cut), whole.part(cut, len(steps)))
    from_ms, to_ms = int(whole.wall_ms[0]), int(whole.wall_ms[-1])
    line = exposure.trace(whole.wall_ms, whole.estimate_c, from_ms, to_ms)
    setpoint_c = whole.setpoint_c[line.row]
    assert found.known_h == pytest.approx(line.known_h, abs=1e-9)
    assert found.below_h == pytest.approx(exposure.below(line, setpoint_c - 0.5).hours, abs=1e-9)
    assert found.above_h == pytest.approx(exposure.above(line, setpoint_c + 0.5).hours, abs=1e-9)
    assert found.in_band_h == pytest.approx(
        exposure.within_h(line, setpoint_c - 0.5, setpoint_c + 0.5), abs=1e-9
    )
