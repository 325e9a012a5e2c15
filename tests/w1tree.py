"""A folder that looks like the kernel's ``/sys/bus/w1/devices``, for tests of real readers.

Standard library only.  Every probe is a folder ``28-xxxxxxxxxxxx`` with a file ``w1_slave`` that
holds what Linux's ``w1_therm`` driver prints: the nine bytes of the scratchpad twice, a verdict and
the temperature in millidegrees::

    72 01 4b 46 7f ff 0e 10 57 : crc=57 YES
    72 01 4b 46 7f ff 0e 10 57 t=23125

A file is written beside the tree and renamed into place, so that another process may read at any
time and sees either the old or the new answer, whole.  What it cannot do is what only a kernel can:
take 0.75 s for a conversion, or answer EIO.

    tree = W1Tree(tmp_path)
    tree.set("28-000000000001", 24.5)         # plugs it in if it is not there
    tree.short("28-000000000001")             # data line to ground: nine zero bytes, checksum right
    tree.hang("28-000000000001")              # a read does not return ...
    tree.release("28-000000000001", 24.5)     # ... until now
    config["w1_devices"] = str(tree.devices)

The bytes are made here without any code of the drivers under test.
"""

import os
import shutil
from contextlib import suppress
from pathlib import Path

CONFIGURATION_BYTES = {9: 0x1F, 10: 0x3F, 11: 0x5F, 12: 0x7F}
COUNTS_PER_K = 16


def checksum(data: bytes) -> int:
    """Work out the 1-Wire CRC by long division, most significant bit of a mirrored word first.

    Written unlike the driver's on purpose: the two check each other.
    """
    bits = [byte >> place & 1 for byte in data for place in range(8)] + [0] * 8
    divisor = [1, 0, 0, 1, 1, 0, 0, 0, 1]  # x^8 + x^5 + x^4 + 1
    for start in range(len(data) * 8):
        if bits[start]:
            for index, bit in enumerate(divisor):
                bits[start + index] ^= bit
    return sum(bit << place for place, bit in enumerate(bits[-8:]))


def scratchpad(celsius: float, resolution_bits: int = 12, byte_6: int | None = None) -> bytes:
    """Nine bytes for the nearest 1/16 °C; byte 6 as in an authentic part, unless it is given."""
    count = round(celsius * COUNTS_PER_K) & 0xFFFF
    low, high = count & 0xFF, count >> 8
    if byte_6 is None:
        byte_6 = 0x10 - (low & 0x0F)
    return sealed(
        bytes([low, high, 0x4B, 0x46, CONFIGURATION_BYTES[resolution_bits], 0xFF, byte_6, 0x10])
    )


def sealed(eight: bytes) -> bytes:
    """Put the right checksum behind eight bytes."""
    return eight + bytes([checksum(eight)])


def answer(nine: bytes, *, yes: bool = True, second: bytes | None = None) -> str:
    """Print nine bytes as the kernel does; after NO the second line holds older bytes."""
    again = nine if second is None else second
    milli = int.from_bytes(again[:2], "little", signed=True) * 1000 / COUNTS_PER_K
    return (
        f"{nine.hex(' ')} : crc={nine[8]:02x} {'YES' if yes else 'NO'}\n"
        f"{again.hex(' ')} t={int(milli)}\n"
    )


class W1Tree:
    """A fake bus under ``root``; give ``devices`` to whatever reads probes."""

    def __init__(self, root: Path) -> None:
        self.devices = Path(root) / "devices"
        self._aside = Path(root) / "aside"
        self._last: dict[str, bytes] = {}
        self._count = 0
        (self.devices / "w1_bus_master1").mkdir(parents=True)
        self._aside.mkdir()

    def set(self, name: str, celsius: float, resolution_bits: int = 12) -> None:
        """The probe is well and at ``celsius``; plugs it in if it was not."""
        self._last[name] = scratchpad(celsius, resolution_bits)
        self.text(name, answer(self._last[name]))

    replug = set

    def unplug(self, name: str) -> None:
        """The probe's folder is gone, as it is from about 100 s after pulling the plug."""
        gone = self._spare()
        with suppress(FileNotFoundError):
            os.rename(self.devices / name, gone)
            shutil.rmtree(gone)

    def half_remove(self, name: str) -> None:
        """The folder is still there and its file is not, as for an instant during removal."""
        self._folder(name)
        with suppress(FileNotFoundError):
            os.unlink(self.devices / name / "w1_slave")

    def empty(self, name: str) -> None:
        """What a current kernel shows for every error, and in the first 100 s of unplugging."""
        self.text(name, "")

    def short(self, name: str) -> None:
        """The data line is on ground: all zero, and their checksum is right."""
        self.raw(name, bytes(9))

    def corrupt(self, name: str, bit: int = 0) -> None:
        """One bit of 72 is wrong, and the kernel did not notice."""
        nine = bytearray(self._known(name))
        nine[bit // 8] ^= 1 << bit % 8
        self.raw(name, bytes(nine))

    def say_no(self, name: str) -> None:
        """The kernel found the checksum wrong; its second line repeats the last good bytes."""
        good = self._known(name)
        bad = bytes([good[0] ^ 0x08]) + good[1:]
        self.text(name, answer(bad, yes=False, second=good))

    def one_line(self, name: str) -> None:
        """The second line is missing."""
        self.text(name, answer(self._known(name)).partition("\n")[0] + "\n")

    def truncate(self, name: str, characters: int) -> None:
        """Only the first ``characters`` of the answer are there."""
        self.text(name, answer(self._known(name))[:characters])

    def power_on(self, name: str) -> None:
        """85 °C from the power-on register: the probe never converted (byte 6 is 0c)."""
        self.raw(name, scratchpad(85.0, byte_6=0x0C))

    def no_conversion(self, name: str) -> None:
        """127.9375 °C: a conversion failed for lack of power."""
        self.raw(name, scratchpad(127.9375, byte_6=0x0C))

    def illegal_configuration(self, name: str, celsius: float) -> None:
        """A right checksum over a configuration byte that no DS18B20 has."""
        nine = scratchpad(celsius)
        self.raw(name, sealed(nine[:4] + b"\x00" + nine[5:8]))

    def raw(self, name: str, nine: bytes) -> None:
        """Exactly these nine bytes, as they are, and YES."""
        self.text(name, answer(nine))

    def text(self, name: str, text: str) -> None:
        """Exactly this file."""
        self._put(name, text.encode("latin-1"))

    def hang(self, name: str) -> None:
        """From now on a read blocks, in a FIFO that nobody writes to."""
        spare = self._spare()
        os.mkfifo(spare)
        os.replace(spare, self._folder(name) / "w1_slave")

    def release(self, name: str, late_celsius: float, then_celsius: float | None = None) -> None:
        """Let a hanging read return ``late_celsius``; later reads find ``then_celsius``."""
        now = late_celsius if then_celsius is None else then_celsius
        fifo = self.devices / name / "w1_slave"
        try:
            end = os.open(fifo, os.O_WRONLY | os.O_NONBLOCK)
        except OSError:  # nobody reads at the moment, so nobody hangs
            self.set(name, now)
            return
        try:
            os.write(end, answer(scratchpad(late_celsius)).encode())
            self.set(name, now)  # before the reader sees the end of the file and comes again
        finally:
            os.close(end)

    def _known(self, name: str) -> bytes:
        return self._last.setdefault(name, scratchpad(20.0))

    def _folder(self, name: str) -> Path:
        folder = self.devices / name
        folder.mkdir(exist_ok=True)
        return folder

    def _spare(self) -> Path:
        self._count += 1
        return self._aside / f"{os.getpid()}-{self._count}"

    def _put(self, name: str, content: bytes) -> None:
        spare = self._spare()
        spare.write_bytes(content)
        os.replace(spare, self._folder(name) / "w1_slave")
