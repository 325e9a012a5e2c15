"""Which readings control may use, and which it may not but must not forget."""

import math

from hypothesis import given
from hypothesis import strategies as st

from bottomheat.model import Bad, Fault, Good, Raw, Sample, Unread
from bottomheat.plausible import (
    FORGET_S,
    HIGHEST_C,
    LOWEST_C,
    NO_CONVERSION_C,
    POWER_ON_C,
    STALE_S,
    History,
    judge,
)

numbers = st.one_of(
    st.floats(), st.sampled_from([85.0, 127.9375, -20.0, 125.0, 0.0]), st.floats(-30.0, 130.0)
)
raws: st.SearchStrategy[Raw] = st.one_of(
    st.builds(Sample, numbers, st.one_of(st.floats(), st.floats(0.0, 200.0)), st.booleans()),
    st.builds(Unread, st.sampled_from(Fault), st.floats()),
)


def feed(values, start_s=1000.0, every_s=10.0):
    """Judge readings one after another; floats are fresh samples."""
    history, out, now_s = History(), [], start_s
    for value in values:
        raw = value if isinstance(value, Sample | Unread) else Sample(value, now_s)
        history, reading = judge(history, raw, now_s)
        out.append(reading)
        now_s += every_s
    return out


@given(st.lists(st.tuples(raws, st.one_of(st.floats(), st.floats(0.0, 200.0))), max_size=20))
def test_whatever_a_probe_sends_only_a_fresh_possible_value_is_good(steps):
    history = History()
    for raw, now_s in steps:
        history, reading = judge(history, raw, now_s)
        if isinstance(reading, Good):
            assert isinstance(raw, Sample)
            assert reading == Good(raw.celsius, raw.at_s)
            assert raw.legal_configuration
            assert LOWEST_C <= raw.celsius <= HIGHEST_C
            assert raw.celsius not in (POWER_ON_C, NO_CONVERSION_C)
            assert -1.0 <= now_s - raw.at_s <= STALE_S
        if history.last is not None:
            assert math.isfinite(history.last.celsius)


@given(st.lists(st.floats(-100.0, 200.0), min_size=1, max_size=20))
def test_a_fresh_value_is_good_or_stays_as_evidence(values):
    for value, reading in zip(values, feed(values), strict=True):
        if isinstance(reading, Bad):
            assert reading.evidence_c == value
            assert reading.may_latch is (reading.fault in (Fault.RANGE, Fault.JUMP))


def test_values_that_a_faulty_probe_makes_are_evidence_that_does_not_latch():
    for sample, fault in (
        (Sample(85.0, 0.0), Fault.POWER_ON),
        (Sample(127.9375, 0.0), Fault.NO_CONVERSION),
        (Sample(60.0, 0.0, legal_configuration=False), Fault.CONFIGURATION),
    ):
        _, reading = judge(History(), sample, 0.0)
        assert isinstance(reading, Bad)
        assert (reading.fault, reading.evidence_c) == (fault, sample.celsius)
        assert not reading.may_latch


def test_an_impossibly_cold_reading_is_refused_as_well():
    assert [r.fault for r in feed([-20.0625, -55.0, -math.inf])] == [
        Fault.RANGE,
        Fault.RANGE,
        Fault.NOT_FINITE,
    ]


def test_old_and_future_readings_say_nothing():
    for at_s in (1000.0 - STALE_S - 0.01, 1001.1):
        _, reading = judge(History(), Sample(20.0, at_s), 1000.0)
        assert isinstance(reading, Bad)
        assert reading.fault is Fault.STALE
        assert reading.evidence_c is None


def test_a_jump_is_doubted_until_three_readings_agree():
    faults = [getattr(r, "fault", None) for r in feed([20.0, 27.0, 27.5, 26.5, 26.5])]
    assert faults == [None, Fault.JUMP, Fault.JUMP, None, None]


def test_readings_that_do_not_agree_after_a_jump_stay_in_doubt():
    assert all(
        isinstance(r, Bad) and r.fault is Fault.JUMP for r in feed([20.0, 30, 40, 50, 60, 70])[1:]
    )


def test_a_spike_between_good_readings_is_never_confirmed():
    out = feed([20.0, 50.0, 20.1, 50.0, 20.1, 50.0, 20.1, 50.0, 20.1])
    assert [isinstance(r, Good) for r in out] == [True, False] * 4 + [True]


def test_a_silence_breaks_the_row_of_doubted_readings():
    gone = Unread(Fault.CRC, 0.0)
    assert not any(isinstance(r, Good) for r in feed([20.0, 30.0, 30.0, gone, 30.0, 30.0])[1:])


def test_after_a_long_silence_the_last_value_no_longer_tells_what_is_a_jump():
    history, _ = judge(History(), Sample(20.0, 0.0), 0.0)
    _, soon = judge(history, Sample(40.0, FORGET_S), FORGET_S)
    _, later = judge(history, Sample(40.0, FORGET_S + 1), FORGET_S + 1)
    assert isinstance(soon, Bad)
    assert isinstance(later, Good)
