"""What a DS18B20 says through the kernel's ``w1_slave`` file: text to temperature, no input.

The file gives the nine bytes of a probe's scratchpad twice, with the kernel's own verdict and its
own temperature.  We trust neither: the checksum is computed again and the temperature comes from
the bytes, because a shorted data line passes the kernel's check (nine zero bytes have a valid
checksum) and its ``t=`` number has been wrong below 0 °C in released kernels.

Sources: Maxim DS18B20 datasheet 19-7487 Rev 6 (scratchpad, Table 1, CRC); Linux
``drivers/w1/slaves/w1_therm.c`` (format of the file, errors shown as an empty file).
"""

from __future__ import annotations

import re
from typing import Final

from bottomheat.model import Fault, Raw, Sample, Unread

SCRATCHPAD_BYTES: Final = 9
STEP_K: Final = 0.0625
"""One count of the temperature register at every resolution, K (datasheet, Table 1)."""

RESOLUTION_BITS: Final = {0x1F: 9, 0x3F: 10, 0x5F: 11, 0x7F: 12}
"""Resolution in bits by configuration byte; the part has no other value (datasheet, Table 2)."""

CONFIGURATION_BYTE: Final = 4
_BYTES: Final = r"((?:[0-9a-f]{2} ){9})"
_FIRST_LINE: Final = re.compile(_BYTES + r": crc=([0-9a-f]{2}) (YES|NO)")
_SECOND_LINE: Final = re.compile(_BYTES + r"t=-?[0-9]+")
_ZEROS: Final = "00 " * SCRATCHPAD_BYTES
# A cut line is one that becomes right when the rest of such a line is put behind it.
_FIRST_WHOLE: Final = (_ZEROS + ": crc=00 YES", _ZEROS + ": crc=00 NO")
_SECOND_WHOLE: Final = (_ZEROS + "t=0", _ZEROS + "t=-0")


def crc8(data: bytes) -> int:
    """Compute the 1-Wire CRC-8 of ``data``, 0 to 255; 0 over bytes that end in their own CRC.

    Polynomial x^8 + x^5 + x^4 + 1, least significant bit first, initial value 0
    (datasheet, "CRC generation"; Maxim Application Note 27).
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def decode(text: str, at_s: float) -> Raw:
    """Decode the content of a ``w1_slave`` file; never raises.

    A value that the part cannot mean (85.0 °C at power-on, 127.9375 °C without a conversion, an
    illegal configuration byte) is still a ``Sample``: the checksum is right, and whether it may be
    believed is judged elsewhere.

    Args:
        text: the whole file.
        at_s: monotonic time of the end of the read, s.

    Returns:
        The temperature in °C, -2048 to 2047.94 by the register's width, or the fault.
    """
    found = scratchpad(text)
    if isinstance(found, Fault):
        return Unread(found, at_s)
    resolution = RESOLUTION_BITS.get(found[CONFIGURATION_BYTE])
    count = int.from_bytes(found[:2], "little", signed=True)
    if resolution is not None:
        # Below 12 bits the lowest bits are undefined (datasheet, text under Table 1).
        count &= -(1 << (12 - resolution))
    return Sample(count * STEP_K, at_s, legal_configuration=resolution is not None)


_POWERED_UP: Final = bytes([0x50, 0x05])


def unlike_the_part(content: bytes) -> str | None:
    """Say in what a scratchpad with a right checksum differs from an authentic part's, or None.

    The datasheet gives bytes 5 and 7 as FF and 10.  That at 12 bits the low half of byte 6 makes
    up the low half of byte 0 is what those found who studied copies (cpetrich's
    counterfeit_DS18B20); the value of power-up is no sign either way.  Nothing here is proof.
    """
    odd = [
        f"byte {n} is {content[n]:02x}"
        for n, right in ((5, 0xFF), (7, 0x10))
        if content[n] != right
    ]
    twelve_bits = content[CONFIGURATION_BYTE] == 0x7F
    if twelve_bits and content[:2] != _POWERED_UP and (content[0] + content[6]) & 0x0F:
        odd.append(f"byte 6 is {content[6]:02x} beside {content[0]:02x}")
    return ", ".join(odd) or None


def scratchpad(text: str) -> bytes | Fault:
    """Take the nine bytes out of a ``w1_slave`` file, if all about it is right; never raises.

    The verdict, both copies of the bytes, and the checksum as we compute it have to agree.
    """
    if not text.strip(" \n"):
        return Fault.NO_ANSWER
    first, newline, rest = text.partition("\n")
    verdict = _FIRST_LINE.fullmatch(first)
    if verdict is None:
        cut = not newline and _is_cut(first, _FIRST_LINE, _FIRST_WHOLE)
        return Fault.PARTIAL if cut else Fault.GARBLED
    content = bytes.fromhex(verdict[1])
    if not newline or not rest:
        return Fault.CRC if verdict[3] == "NO" else Fault.PARTIAL
    second, newline, more = rest.partition("\n")
    repeat = _SECOND_LINE.fullmatch(second)
    if repeat is None or not newline:
        cut = not newline and _is_cut(second, _SECOND_LINE, _SECOND_WHOLE)
        return Fault.PARTIAL if cut else Fault.GARBLED
    if more:
        return Fault.GARBLED
    if not any(content):
        return Fault.ALL_ZERO
    if verdict[3] == "NO" or crc8(content) != 0 or int(verdict[2], 16) != content[-1]:
        return Fault.CRC
    # After NO the kernel's second line repeats the last good bytes; after YES they are the same.
    return content if repeat[1] == verdict[1] else Fault.GARBLED


def _is_cut(line: str, pattern: re.Pattern[str], wholes: tuple[str, ...]) -> bool:
    return any(pattern.fullmatch(line + whole[len(line) :]) for whole in wholes)
