"""Clocks: the one module that asks the machine for the time.

Control runs on ``monotonic_s``.  Wall time is a label for the log and for people, and on a Pi
without a clock battery it is wrong until something has set it, so it travels with
``synchronised``.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, tzinfo
from pathlib import Path

TIMESYNCD_FLAG = Path("/run/systemd/timesync/synchronized")
"""systemd-timesyncd makes this file at its first answer from a server (systemd-timesyncd(8))."""

_STA_UNSYNC = 0x0040
_TIME_ERROR = 5
_TIMEX_BYTES = 256
_STATUS_OFFSET_LONGS = 4


class SystemClock:
    """The machine's clocks.

    Monotonic time is CLOCK_MONOTONIC, which every process of one boot shares: a time sent by one
    process may be compared with the clock of another.
    """

    def monotonic_s(self) -> float:
        """Return seconds since an unspecified start, never stepped."""
        return time.monotonic()  # noqa: TID251 (this is that place)

    def wall_ms(self) -> int:
        """Return milliseconds of UTC since 1970, by whatever the wall clock says."""
        return time.time_ns() // 1_000_000

    def synchronised(self) -> bool:
        """Return whether the wall clock was set from outside since boot.

        True if systemd-timesyncd says so, or if the kernel's clock discipline does (any NTP
        daemon clears STA_UNSYNC; adjtimex(2)).  A clock set by hand counts as not synchronised.
        """
        return TIMESYNCD_FLAG.exists() or _kernel_says_synchronised()

    def zone(self) -> tzinfo:
        """Return the machine's time zone, as an offset that holds today."""
        found = datetime.fromtimestamp(time.time(), UTC).astimezone().tzinfo  # noqa: TID251
        return UTC if found is None else found

    def wait(self, seconds: float) -> None:
        """Do nothing for so long; for commands that look again and again, never for control."""
        time.sleep(seconds)  # noqa: TID251 (this is that place)


def _kernel_says_synchronised() -> bool:
    """Ask adjtimex(2) without changing anything; False where it cannot be asked."""
    import ctypes  # here, because the keeper must stay small and never asks

    # struct timex: unsigned modes (padded to a long), then the longs offset, freq, maxerror,
    # esterror, then int status.  modes = 0 makes the call read-only.  256 bytes are more than
    # the structure has on any Linux (208 on 64-bit).
    buffer = ctypes.create_string_buffer(_TIMEX_BYTES)
    try:
        adjtimex = ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError):
        return False
    state = int(adjtimex(buffer))
    offset = (_STATUS_OFFSET_LONGS + 1) * ctypes.sizeof(ctypes.c_long)
    status = ctypes.c_int.from_buffer(buffer, offset).value
    return state not in (-1, _TIME_ERROR) and not status & _STA_UNSYNC


class ManualClock:
    """A clock that goes when it is told to, for tests and rehearsals."""

    def __init__(
        self, start_s: float = 0.0, *, wall_ms: int = 0, synchronised: bool = True
    ) -> None:
        self._now_s = start_s
        self._wall_offset_ms = wall_ms - start_s * 1000.0
        self._synchronised = synchronised

    def monotonic_s(self) -> float:
        """Return the time set last, s."""
        return self._now_s

    def wall_ms(self) -> int:
        """Return the wall time that belongs to it, ms since 1970."""
        return round(self._now_s * 1000.0 + self._wall_offset_ms)

    def synchronised(self) -> bool:
        """Return what ``set_wall`` or the constructor said."""
        return self._synchronised

    def set(self, now_s: float) -> None:
        """Go to ``now_s``.

        Raises:
            ValueError: that would be backwards, which a monotonic clock never goes.
        """
        if not now_s >= self._now_s:
            raise ValueError(f"a monotonic clock cannot go from {self._now_s} s to {now_s} s")
        self._now_s = now_s

    def advance(self, by_s: float) -> None:
        """Go on by ``by_s`` seconds.

        Raises:
            ValueError: ``by_s`` is negative or not a number.
        """
        if not by_s >= 0:
            raise ValueError(f"a monotonic clock cannot advance by {by_s} s")
        self._now_s += by_s

    def set_wall(self, wall_ms: int, *, synchronised: bool = True) -> None:
        """Step the wall clock, in either direction, as a time server does."""
        self._wall_offset_ms = wall_ms - self._now_s * 1000.0
        self._synchronised = synchronised
