"""Reads many slow files at once, and never waits longer than told for any of them.

Reading a probe's file makes the kernel start a conversion and sleep until it is done, 0.75 s and
more.  Some kernels let go of the bus meanwhile, so that reads overlap, and on others they follow
each other.  A read may also never return.  Hence one thread a probe: a stuck one is left behind and
the others go on.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Condition, Thread
from typing import Final

_LONGEST_ANSWER_BYTES: Final = 4096  # a sysfs file is one page at most
_JOIN_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Answer:
    """What a file held, or why it could not be read.

    Attributes:
        text: its content; empty where ``error`` is set.
        at_s: monotonic time of the end of the read, s; of a late answer, when it was asked for.
        error: what the system call said, with its errno.
    """

    text: str
    at_s: float
    error: OSError | None = None


@dataclass(frozen=True, slots=True)
class Hung:
    """The read that was asked for at ``asked_s`` (monotonic, s) has not returned."""

    asked_s: float


class ProbeThreads:
    """One daemon thread a file, asleep until asked.

    Args:
        files: the file to read, by the name of its probe.
        monotonic_s: the clock; called from every thread.

    Raises:
        RuntimeError: the system gives no more threads.
    """

    def __init__(self, files: Mapping[str, Path], monotonic_s: Callable[[], float]) -> None:
        self._turn = Condition()
        self._closed = False
        self._readers: list[_Reader] = []
        try:
            for name, file in files.items():
                self._readers.append(_Reader(name, file, self._turn, monotonic_s))
        except RuntimeError:
            self.close()
            raise

    def read(self, now_s: float, deadline_s: float) -> dict[str, Answer | Hung]:
        """Read every file once and return within ``deadline_s`` seconds.

        A thread that is still in an earlier read is not asked again.  An answer that came too late
        for the read that asked for it is given by the next one that has no newer, once, and with
        the time of asking: a read that hung may have measured at any moment since.

        Args:
            now_s: monotonic time of asking, s.
            deadline_s: longest wait for all of them together, s of real time.
        """
        with self._turn:
            if self._closed:
                return {}
            late = {reader.name: reader.take_late() for reader in self._readers}
            asked = [reader for reader in self._readers if reader.idle]
            for reader in asked:
                reader.ask(now_s)
            self._turn.notify_all()
            self._turn.wait_for(lambda: all(reader.idle for reader in asked), deadline_s)
            fresh = {reader.name: reader.take() for reader in asked if reader.idle}
            return {
                reader.name: fresh.get(reader.name)
                or reader.take_late()
                or late[reader.name]
                or Hung(reader.asked_s)
                for reader in self._readers
            }

    def close(self) -> None:
        """End the threads without waiting for one that hangs; idempotent."""
        with self._turn:
            self._closed = True
            idle = [reader for reader in self._readers if reader.idle]
            for reader in self._readers:
                reader.closing = True
            self._turn.notify_all()
        for reader in idle:
            reader.thread.join(_JOIN_S)


class _Reader:
    """One thread with one file; every attribute is guarded by the shared condition."""

    def __init__(
        self, name: str, file: Path, turn: Condition, monotonic_s: Callable[[], float]
    ) -> None:
        self.name = name
        self.asked_s = 0.0
        self.closing = False
        self._asked = 0
        self._answered = 0
        self._answer: Answer | None = None
        self._file = file
        self._turn = turn
        self._monotonic_s = monotonic_s
        self.thread = Thread(target=self._run, name=f"probe {name}", daemon=True)
        self.thread.start()

    @property
    def idle(self) -> bool:
        """Whether the last read asked for has been answered."""
        return self._asked == self._answered

    def ask(self, now_s: float) -> None:
        """Ask for a read; the caller holds the condition and notifies."""
        self._asked += 1
        self.asked_s = now_s

    def take(self) -> Answer | None:
        """Take the answer out, if there is one that nobody has taken; the caller asked for it."""
        answer, self._answer = self._answer, None
        return answer

    def take_late(self) -> Answer | None:
        """The same for an answer to an earlier asking, whose time it gets."""
        answer = self.take()
        return answer and replace(answer, at_s=self.asked_s)

    def _run(self) -> None:
        # The kernel's wait for a conversion ends early on any signal, and the file then reads as
        # empty: a signal meant for the main thread must not look like a lost probe.
        signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        while True:
            with self._turn:
                self._turn.wait_for(lambda: self.closing or not self.idle)
                if self.closing:
                    return
                asked = self._asked
            answer = read_file(self._file, self._monotonic_s)
            with self._turn:
                self._answer = answer
                self._answered = asked
                self._turn.notify_all()


def read_file(file: Path, monotonic_s: Callable[[], float]) -> Answer:
    """Read a probe's file in the calling thread, which may take for ever.

    Args:
        file: what to read.
        monotonic_s: the clock, asked at the end of the read.
    """
    content = b""
    try:
        with file.open("rb", buffering=0) as stream:
            while room := _LONGEST_ANSWER_BYTES - len(content):
                piece = stream.read(room)
                if not piece:
                    break
                content += piece
    except OSError as error:
        return Answer("", monotonic_s(), error)
    return Answer(content.decode("ascii", "replace"), monotonic_s())
