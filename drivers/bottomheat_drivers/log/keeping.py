"""When the thread that writes the log may thin what is old."""

from __future__ import annotations

from bottomheat.ports import Clock

EVERY_S = 4 * 3600.0
"""Between two goes: each of them costs the card some pages besides the rows (bench_log.py)."""
AGAIN_S = 3600.0
"""The same while there is more to do, as after an update: a day of the log in six hours."""
STEP_MS = 2000
"""A wall clock that moved by more against the monotonic one was set."""


class Keeping:
    """For how long samples stay, and whether now is a time to thin older ones.

    Only by a clock that is set from outside, and that was not set anew since the time before: a
    date that is wrong would take months for a fortnight.

    Args:
        keep_s: samples younger than this stay, s.
        every_s: between two goes, s.
        again_s: the same while there is more to do, s.
    """

    def __init__(self, keep_s: float, every_s: float = EVERY_S, again_s: float = AGAIN_S) -> None:
        self.keep_ms = round(keep_s * 1000)
        self._every_s = every_s
        self._again_s = again_s
        self._due_s: float | None = None
        self._offset_ms: float | None = None

    def now_ms(self, clock: Clock) -> int | None:
        """The time, UTC ms, if it is one to thin at; None: it is not."""
        now_s, wall_ms = clock.monotonic_s(), clock.wall_ms()
        if self._due_s is not None and now_s < self._due_s:
            return None
        self._due_s = now_s + self._again_s
        offset_ms = wall_ms - now_s * 1000
        before_ms = self._offset_ms
        self._offset_ms = offset_ms if clock.synchronised() else None
        if self._offset_ms is None or before_ms is None:
            return None
        return int(wall_ms) if abs(offset_ms - before_ms) <= STEP_MS else None

    def went(self, clock: Clock, *, more: bool) -> None:
        """It was done; ``more``: there is more to do."""
        self._due_s = clock.monotonic_s() + (self._again_s if more else self._every_s)
