"""Borrowed probes: read beside the loop, a thread each, and never waited for.

A borrowed probe teaches for some days and is never used by control, so it has no place in the
readers of ``w1`` and no deadline of the loop's to meet: its thread reads about every 20 s, and the
loop takes the newest answer that lies there.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Mapping
from pathlib import Path
from threading import Condition, Thread
from typing import Final

from bottomheat.model import Fault, Raw, Unread
from bottomheat.ports import Clock
from bottomheat_drivers.ds18b20 import decode
from bottomheat_drivers.probe_threads import read_file
from bottomheat_drivers.w1 import fault_of, is_supported, slave_file

__all__ = ["EVERY_S", "HUNG_S", "MemoryBorrowed", "W1Borrowed"]

EVERY_S: Final = 20.0
"""From the end of a read to the next one, s: fresh enough for ``plausible.STALE_S``, and three to
a row of the log, so that one bad answer costs none."""

HUNG_S: Final = 8.0
"""A read that takes longer has hung, s; 0.85 to 1.78 s have been reported from the field."""

_JOIN_S: Final = 1.0


class W1Borrowed:
    """Borrowed probes on the kernel's 1-Wire bus (``ports.BorrowedProbes``).

    A read that hangs leaves its thread behind.  When that probe is lent again, the same thread
    goes on with it, so that a probe never has more than one.

    Args:
        devices: the kernel's folder of 1-Wire devices.
        clock: gives the time stamps; called from several threads.
        every_s: pause between two reads, s of real time.
    """

    def __init__(self, devices: Path, clock: Clock, every_s: float = EVERY_S) -> None:
        self._devices = devices
        self._clock = clock
        self._every_s = every_s
        self._turn = Condition()
        self._lent: dict[str, str] = {}
        self._readers: dict[str, _Reader] = {}
        self._refused: dict[str, str] = {}

    def lend(self, chamber: str, probe: str) -> None:
        """Begin to read this probe for a chamber, in place of one that it had; returns at once."""
        self.give_back(chamber)
        with self._turn:
            self._lent[chamber] = probe
            self._refused.pop(chamber, None)
            if not is_supported(probe):
                self._refused[chamber] = "not of a kind that bottomheat can read"
                return
            known = self._readers.get(probe)
            if known is not None:
                known.closing = False
                known.raw = None
                self._turn.notify_all()
                return
            reader = _Reader(slave_file(self._devices, probe))
            thread = Thread(
                target=self._run, args=(probe, reader), name=f"borrowed {probe}", daemon=True
            )
            try:
                thread.start()
            except RuntimeError as error:  # the system gives no more threads
                self._refused[chamber] = str(error)
                return
            reader.thread = thread
            self._readers[probe] = reader

    def give_back(self, chamber: str) -> None:
        """Stop reading the chamber's borrowed probe; idempotent."""
        with self._turn:
            probe = self._lent.pop(chamber, None)
            if probe is None or probe in self._lent.values():
                return
            reader = self._readers.get(probe)
            if reader is not None:
                reader.closing = True
                self._turn.notify_all()

    def newest(self) -> Mapping[str, Raw]:
        """The newest answer by chamber; never blocks and never raises."""
        now_s = self._clock.monotonic_s()
        with self._turn:  # nobody holds it while reading
            return {chamber: self._newest(chamber, now_s) for chamber in self._lent}

    def close(self) -> None:
        """Stop reading all without waiting for a read that hangs; idempotent."""
        with self._turn:
            readers = list(self._readers.values())
            self._lent.clear()
            for reader in readers:
                reader.closing = True
            idle = [reader for reader in readers if reader.asked_s is None]
            self._turn.notify_all()
        for reader in idle:
            if reader.thread is not None:
                reader.thread.join(_JOIN_S)

    def _newest(self, chamber: str, now_s: float) -> Raw:
        refused = self._refused.get(chamber)
        if refused is not None:
            return Unread(Fault.NOT_READ, now_s, refused)
        reader = self._readers.get(self._lent[chamber])
        if reader is None:
            return Unread(Fault.NOT_READ, now_s)
        if reader.asked_s is not None and now_s - reader.asked_s > HUNG_S:
            return Unread(Fault.HUNG, now_s, f"asked {now_s - reader.asked_s:.0f} s ago")
        return Unread(Fault.NOT_READ, now_s) if reader.raw is None else reader.raw

    def _run(self, probe: str, reader: _Reader) -> None:
        # As in probe_threads: a signal for the main thread would end the kernel's wait early.
        signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        while True:
            with self._turn:
                if reader.closing:
                    # Forgotten under the lock, so that nobody can lend to a thread that ends.
                    del self._readers[probe]
                    return
                asked_s = self._clock.monotonic_s()
                reader.asked_s = asked_s
            raw = self._read(reader.file, asked_s)
            with self._turn:
                reader.asked_s = None
                reader.raw = raw
                self._turn.wait_for(reader.wanted, self._every_s)

    def _read(self, file: Path, asked_s: float) -> Raw:
        answer = read_file(file, self._clock.monotonic_s)
        if answer.at_s - asked_s > HUNG_S:
            # Nobody knows when the probe measured that.
            return Unread(Fault.HUNG, answer.at_s, "its read came back late")
        if answer.error is not None:
            return fault_of(answer.error, answer.at_s, self._devices)
        return decode(answer.text, answer.at_s)


class _Reader:
    """What one thread shares with the loop; every attribute is guarded by the condition."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.raw: Raw | None = None
        self.asked_s: float | None = None
        self.closing = False
        self.thread: Thread | None = None

    def wanted(self) -> bool:
        """Whether its thread has to end, or to read at once, because it was lent anew."""
        return self.closing or self.raw is None


class MemoryBorrowed:
    """A working stand-in: asks a function for every probe, on the caller's clock.

    Args:
        clock: gives the time stamps.
        answers: by name of the probe, what it says at a monotonic time in s; a probe that is not
            among them is absent.
        every_s: time between two reads, s of that clock.

    Attributes:
        lent: name of the probe by chamber.
    """

    def __init__(
        self,
        clock: Clock,
        answers: Mapping[str, Callable[[float], Raw]],
        every_s: float = EVERY_S,
    ) -> None:
        self.lent: dict[str, str] = {}
        self._clock = clock
        self._answers = answers
        self._every_s = every_s
        self._raws: dict[str, tuple[float, Raw]] = {}

    def lend(self, chamber: str, probe: str) -> None:
        """Begin to read this probe for a chamber, in place of one that it had."""
        self.lent[chamber] = probe
        self._raws.pop(chamber, None)

    def give_back(self, chamber: str) -> None:
        """Stop reading the chamber's borrowed probe; idempotent."""
        self.lent.pop(chamber, None)
        self._raws.pop(chamber, None)

    def newest(self) -> Mapping[str, Raw]:
        """The newest answer by chamber."""
        now_s = self._clock.monotonic_s()
        for chamber, probe in self.lent.items():
            read = self._raws.get(chamber)
            if read is None or now_s - read[0] >= self._every_s:
                ask = self._answers.get(probe)
                raw = Unread(Fault.ABSENT, now_s) if ask is None else ask(now_s)
                self._raws[chamber] = (now_s, raw)
        return {chamber: self._raws[chamber][1] for chamber in self.lent}

    def close(self) -> None:
        """Stop reading all; idempotent."""
        self.lent.clear()
        self._raws.clear()
