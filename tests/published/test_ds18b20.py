"""The decoder against what the maker of the part publishes."""

import pytest

from bottomheat.model import Sample
from bottomheat_drivers.ds18b20 import RESOLUTION_BITS, crc8, decode
from w1tree import answer, checksum, sealed

TABLE_1 = [
    # Maxim DS18B20 datasheet 19-7487 Rev 6, Table 1 "Temperature/Data Relationship": all ten.
    (125.0, 0x07D0),
    (85.0, 0x0550),
    (25.0625, 0x0191),
    (10.125, 0x00A2),
    (0.5, 0x0008),
    (0.0, 0x0000),
    (-0.5, 0xFFF8),
    (-10.125, 0xFF5E),
    (-25.0625, 0xFE6F),
    (-55.0, 0xFC90),
]


@pytest.mark.parametrize(("celsius", "register"), TABLE_1)
def test_every_pair_of_table_1(celsius, register):
    low, high = register & 0xFF, register >> 8
    nine = sealed(bytes([low, high, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10]))
    assert decode(answer(nine), 7.0) == Sample(celsius, 7.0)


def test_t_is_never_trusted():
    # The kernel cuts millidegrees off (25.0625 °C shows as t=25062) and, in released kernels of
    # February 2021, got it wrong by thousands below zero (raspberrypi/linux issue 4124).
    nine = sealed(bytes([0x6F, 0xFE, 0x4B, 0x46, 0x7F, 0xFF, 0x01, 0x10]))
    wrong = answer(nine).replace("t=-25062", "t=4070937")
    assert wrong != answer(nine)
    assert decode(wrong, 0.0) == Sample(-25.0625, 0.0)


CRC_VECTORS = [
    # Maxim Application Note 27, worked example (read second hand, recomputed).
    ("02 1c b8 01 00 00 00", 0xA2),
    # Recomputed with a second implementation; scratchpads and a ROM as parts send them.
    ("50 05 4b 46 7f ff 0c 10", 0x1C),  # power-on register
    ("91 01 4b 46 7f ff 0f 10", 0x25),  # 25.0625 °C
    ("ff 07 4b 46 7f ff 0c 10", 0xA6),  # 127.9375 °C
    ("28 13 9b bb 0b 00 00", 0x1F),
    ("00 00 00 00 00 00 00 00", 0x00),  # the trap: all zeros pass
    ("ff ff ff ff ff ff ff ff", 0xC9),
]


@pytest.mark.parametrize(("data", "crc"), CRC_VECTORS)
def test_crc_vectors(data, crc):
    assert crc8(bytes.fromhex(data)) == crc
    assert checksum(bytes.fromhex(data)) == crc
    assert crc8(bytes.fromhex(data) + bytes([crc])) == 0


@pytest.mark.parametrize(("configuration", "undefined_bits"), [(0x1F, 3), (0x3F, 2), (0x5F, 1)])
def test_undefined_low_bits_are_masked(configuration, undefined_bits):
    # Datasheet, text under Table 1: at 11, 10 and 9 bits the lowest 1, 2 and 3 bits are undefined.
    for count in (0x0191, 0xFE6F):
        seen = set()
        for junk in range(1 << undefined_bits):
            register = count >> undefined_bits << undefined_bits | junk
            low, high = register & 0xFF, register >> 8
            nine = sealed(bytes([low, high, 0x4B, 0x46, configuration, 0xFF, 0x0F, 0x10]))
            seen.add(decode(answer(nine), 0.0))
        signed = count - 0x10000 if count & 0x8000 else count
        step = 1 << undefined_bits
        assert seen == {Sample(signed // step * step / 16, 0.0)}


def test_configuration_bytes_are_those_of_table_2():
    # Datasheet, Table 2: R1 R0 = 00, 01, 10, 11 is 9, 10, 11, 12 bits; the register is 0RR11111.
    assert {r << 5 | 0x1F: 9 + r for r in range(4)} == RESOLUTION_BITS
