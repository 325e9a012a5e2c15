"""The decoder on anything that a bus, a kernel or an accident can put into the file."""

import itertools
import math

from hypothesis import example, given
from hypothesis import strategies as st

from bottomheat.model import Fault, Sample, Unread
from bottomheat_drivers.ds18b20 import RESOLUTION_BITS, crc8, decode
from w1tree import answer, checksum, scratchpad, sealed

EIGHT = st.binary(min_size=8, max_size=8)
LIKELY = st.text(alphabet="0123456789abcdefYESNOtcr=-: \n", max_size=120)


@given(st.one_of(st.text(), LIKELY), st.floats(allow_nan=False, allow_infinity=False))
@example("", 0.0)
@example("\0" * 78, 0.0)
def test_any_text_is_a_fault_and_never_raises(text, at_s):
    raw = decode(text, at_s)
    # Text that was not made by the kernel's format with a right checksum is no temperature.
    assert isinstance(raw, Unread)
    assert raw.fault in {Fault.NO_ANSWER, Fault.PARTIAL, Fault.GARBLED, Fault.CRC}
    assert raw.at_s == at_s


@given(st.integers(-880, 2047))
def test_any_12_bit_count_comes_back(count):
    assert decode(answer(scratchpad(count / 16)), 3.5) == Sample(count / 16, 3.5)


@given(EIGHT)
def test_a_right_checksum_is_a_sample_and_says_whether_its_configuration_is_legal(eight):
    raw = decode(answer(sealed(eight)), 0.0)
    if not any(eight):
        assert raw == Unread(Fault.ALL_ZERO, 0.0)
        return
    assert isinstance(raw, Sample)
    assert math.isfinite(raw.celsius)
    assert raw.legal_configuration == (eight[4] in RESOLUTION_BITS)


@given(EIGHT)
def test_two_ways_of_computing_the_checksum_agree(eight):
    assert crc8(eight) == checksum(eight)


@given(st.floats(-55, 127.9375), st.sampled_from([9, 10, 11, 12]), st.booleans())
def test_no_one_or_two_wrong_bits_make_a_sample(celsius, bits, kernel_noticed):
    good = scratchpad(celsius, bits)
    for wrong in (*itertools.combinations(range(72), 1), *itertools.combinations(range(72), 2)):
        nine = bytearray(good)
        for bit in wrong:
            nine[bit // 8] ^= 1 << bit % 8
        assert crc8(bytes(nine)) != 0, wrong
    for wrong in ((0,), (71,), (0, 71), (7, 8), (12, 40)):
        nine = bytearray(good)
        for bit in wrong:
            nine[bit // 8] ^= 1 << bit % 8
        raw = decode(answer(bytes(nine), yes=not kernel_noticed), 0.0)
        assert raw == Unread(Fault.CRC, 0.0)


@given(st.floats(-55, 125), st.data())
def test_an_answer_cut_anywhere_is_cut_short(celsius, data):
    whole = answer(scratchpad(celsius))
    length = data.draw(st.integers(1, len(whole) - 1))
    assert decode(whole[:length], 0.0) == Unread(Fault.PARTIAL, 0.0)


@given(st.floats(-55, 125), st.data())
def test_one_foreign_character_is_no_sample(celsius, data):
    whole = answer(scratchpad(celsius))
    end = whole.index("t=")  # the number behind t= may say what it likes: it is not used
    where = data.draw(st.integers(0, end - 1))
    foreign = data.draw(st.characters().filter(lambda c: c != whole[where]))
    raw = decode(whole[:where] + foreign + whole[where + 1 :], 0.0)
    assert isinstance(raw, Unread)


@given(st.floats(-55, 125), st.floats(-55, 125))
def test_after_no_the_repeated_old_value_is_not_taken(old, new):
    text = answer(scratchpad(new), yes=False, second=scratchpad(old))
    assert decode(text, 0.0) == Unread(Fault.CRC, 0.0)


@given(st.floats(-55, 125), st.integers(0, 255))
def test_a_checksum_printed_other_than_the_one_received_is_no_sample(celsius, printed):
    nine = scratchpad(celsius)
    text = answer(nine).replace(f"crc={nine[8]:02x}", f"crc={printed:02x}")
    raw = decode(text, 0.0)
    assert isinstance(raw, Sample) == (printed == nine[8])
    if isinstance(raw, Unread):
        assert raw.fault is Fault.CRC
