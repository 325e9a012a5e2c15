"""Whether the log may thin what is old now."""

from __future__ import annotations

from bottomheat.ports import Clock
from bottomheat_drivers.log.store import Old

STEP_MS = 2000
"""A wall clock that moved by more against the monotonic one was set."""
EVERY_S = 540.0
"""With each commit of ten minutes, and with none that comes soon after for another reason."""


class Keeping:
    """For how long samples stay as they are.

    Older ones are thinned by a clock alone that is set from outside, and was not set anew since the
    time before: a date that is wrong could take a fortnight for months.

    Args:
        keep_s: samples younger than this stay, s.
        every_s: from one time to the next, s.
    """

    def __init__(self, keep_s: float, every_s: float = EVERY_S) -> None:
        self._keep_ms = round(keep_s * 1000)
        self._every_s = every_s
        self._next_s: float | None = None
        self._offset_ms: float | None = None

    def old(self, clock: Clock) -> Old | None:
        """What may be thinned, or None: nothing for now."""
        now_s, wall_ms, before_ms = clock.monotonic_s(), clock.wall_ms(), self._offset_ms
        if self._next_s is not None and now_s < self._next_s:
            return None
        self._next_s = now_s + self._every_s
        offset_ms = wall_ms - now_s * 1000
        self._offset_ms = offset_ms if clock.synchronised() else None
        if self._offset_ms is None or before_ms is None or abs(offset_ms - before_ms) > STEP_MS:
            return None
        return Old(int(wall_ms), self._keep_ms)
