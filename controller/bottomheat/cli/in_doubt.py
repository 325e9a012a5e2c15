"""Whether what a box's wet-layer probe said at a time of the log can be compared with anything."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from bottomheat.model import Alarm

if TYPE_CHECKING:
    from bottomheat_drivers.log import LogReader

_ACCUSED: Final = frozenset({Alarm.PROBE_DISPLACED, Alarm.PROBE_FROZEN, Alarm.CROSSED})


class InDoubt:
    """The times in which a wet-layer probe stood accused, or was found out later to be wrong.

    Args:
        reader: of the log.
        name: the box.
    """

    def __init__(self, reader: LogReader, name: str) -> None:
        self._before = [(each.from_ms, each.to_ms) for each in reader.doubted().get(name, ())]
        self._stood = [
            (row.raised_wall_ms, row.cleared_wall_ms)
            for row in reader.alarms()
            if row.chamber == name and row.alarm in _ACCUSED
        ]

    def at(self, wall_ms: int, *, known: bool) -> bool:
        """Whether it was in doubt at a time.

        Args:
            wall_ms: the time, UTC ms.
            known: the log has an estimate of it: then no alarm of that time was about this probe.
        """
        if any(from_ms <= wall_ms < to_ms for from_ms, to_ms in self._before):
            return True
        return not known and any(
            from_ms <= wall_ms and (to_ms is None or wall_ms < to_ms)
            for from_ms, to_ms in self._stood
        )
