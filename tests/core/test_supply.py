"""Whether a probe can be relied on: start, three cycles, ten minutes."""

from hypothesis import given
from hypothesis import strategies as st

from bottomheat.model import Bad, Fault, Good, Reading
from bottomheat.protect.supply import (
    LOST_CYCLES,
    RETURN_S,
    START_AGREE_K,
    START_READINGS,
    Standing,
    Supply,
    follow,
    restart,
)

BAD = Bad(Fault.CRC, 0.0)


def feed(values, supply=None, every_s=10.0, now_s=0.0):
    """What control may use after each reading; None in ``values`` is a bad one."""
    supply, out = supply or Supply(), []
    for value in values:
        reading: Reading = BAD if value is None else Good(value, now_s)
        supply = follow(supply, reading, now_s)
        out.append(supply.usable)
        now_s += every_s
    return supply, out


def test_three_agreeing_readings_at_start():
    assert feed([20.0, 21.0, 22.0, 22.5])[1] == [None, None, 22.0, 22.5]


def test_readings_that_disagree_at_start_wait_for_three_that_agree():
    assert feed([20.0, 25.0, 20.0, 20.5, 20.2])[1] == [None, None, None, None, 20.2]


def test_a_bad_reading_at_start_begins_the_row_again():
    assert feed([20.0, 20.0, None, 20.0, 20.0, 20.0])[1] == [None] * 5 + [20.0]


def test_one_or_two_bad_readings_are_bridged_and_the_third_is_not():
    supply, out = feed([20.0, 20.0, 20.0, None, None, 20.3, None, None, None])
    assert out[2:] == [20.0, 20.0, 20.0, 20.3, 20.3, 20.3, None]
    assert supply.standing is Standing.LOST
    assert supply.lost


def test_a_lost_probe_is_back_after_ten_good_minutes_and_not_before():
    supply, _ = feed([20.0] * 3 + [None] * 3)
    supply, out = feed([20.0] * 62, supply, now_s=1000.0)
    assert out == [None] * 60 + [20.0, 20.0]
    assert RETURN_S == 60 * 10.0


def test_one_bad_reading_begins_the_ten_minutes_again():
    supply, _ = feed([20.0] * 3 + [None] * 3)
    supply, out = feed([20.0] * 59 + [None] + [20.0] * 60, supply, now_s=1000.0)
    assert out == [None] * 120
    assert supply.lost


def test_a_probe_that_never_answers_is_told_as_lost():
    supply, out = feed([None] * 3)
    assert supply.lost
    assert out == [None] * 3


def test_after_a_gap_a_probe_starts_again_and_a_lost_one_stays_lost():
    sound, _ = feed([20.0] * 3)
    assert restart(sound).usable is None
    assert feed([20.0] * 3, restart(sound))[1] == [None, None, 20.0]
    lost, _ = feed([20.0] * 3 + [None] * 3 + [20.0] * 59)
    assert restart(lost).standing is Standing.LOST
    assert feed([20.0] * 60, restart(lost))[1] == [None] * 60


@given(st.lists(st.one_of(st.none(), st.floats(-20.0, 125.0)), max_size=40))
def test_what_control_uses_was_good_within_the_last_three_cycles(values):
    _, out = feed(values)
    for i, used in enumerate(out):
        if used is not None:
            recent = values[max(0, i - LOST_CYCLES + 1) : i + 1]
            last = [value for value in recent if value is not None][-1]
            assert used == last


@given(st.lists(st.one_of(st.none(), st.floats(-20.0, 125.0)), max_size=40))
def test_nothing_is_used_before_three_readings_running_have_agreed(values):
    _, out = feed(values)
    first = next((i for i, used in enumerate(out) if used is not None), None)
    if first is not None:
        row = values[first - START_READINGS + 1 : first + 1]
        assert len(row) == START_READINGS
        assert None not in row
        assert max(row) - min(row) <= START_AGREE_K
