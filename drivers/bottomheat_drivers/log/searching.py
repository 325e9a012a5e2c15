"""Finding rows by their time: by rowid, run and time never decrease."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, TypeAlias

from bottomheat_drivers.log.logfile import LogFile
from bottomheat_drivers.log.placing import Placing

Table: TypeAlias = Literal["sample", "thinned"]
LONGEST_ROW_MS = 1_800_000
"""No thinned row is longer: ten minutes, and 15 of them where an estimate is bridged."""


class Searcher(LogFile):
    """The log's file, open for looking up samples, or what older ones were thinned to."""

    def _all_rows(self, table: Table = "sample") -> tuple[int, int]:
        """The rowids of the samples, or of what is left of older ones: first, and one past last."""
        # Each on its own: both in one query would read the whole table.
        low, high = self._all(
            f"SELECT coalesce((SELECT min(id) FROM {table}), 0), "  # noqa: S608 a name of ours
            f"coalesce((SELECT max(id) FROM {table}), -1) + 1"
        )[0]
        return low, high

    def _run_rows(self, run: int, table: Table = "sample") -> tuple[int, int]:
        """The rowids of a run's rows: the first, and one past the last."""
        low, high = self._all_rows(table)
        first = self._search(low, high, (run, -(2**62)), table)
        return first, self._search(first, high, (run + 1, -(2**62)), table)

    def _extent(
        self,
        placings: Mapping[int, Placing],
        from_ms: int,
        to_ms: int,
        table: Table = "sample",
    ) -> tuple[int, int]:
        """The rowids that hold every row of this stretch of wall time, and maybe some more."""
        found: list[tuple[int, int]] = []
        for run, placing in placings.items():
            first, end = self._within(run, *placing.t_range(from_ms, to_ms), table)
            if first < end:
                found.append((first, end))
        return min((low for low, _ in found), default=0), max((e for _, e in found), default=0)

    def _within(
        self, run: int, from_t_ms: int, to_t_ms: int, table: Table = "sample"
    ) -> tuple[int, int]:
        """The rowids of a run's rows from one of its times to another."""
        low, high = self._run_rows(run, table)
        first = self._search(low, high, (run, from_t_ms), table)
        return first, self._search(first, high, (run, to_t_ms), table)

    def _search(self, low: int, high: int, key: tuple[int, int], table: Table = "sample") -> int:
        """The first rowid whose (run, t_ms) is ``key`` or after: it never decreases by rowid."""
        while low < high:
            middle = (low + high) // 2
            rows = self._all(
                f"SELECT {table}.id, run, base_ms + t_ms FROM {table} CROSS JOIN state "  # noqa: S608
                f"ON state.id = {table}.state WHERE {table}.id >= ? AND {table}.id < ? "
                f"ORDER BY {table}.id LIMIT 1",
                (middle, high),
            )
            if not rows or (rows[0][1], rows[0][2]) >= key:
                high = middle
            else:
                low = rows[0][0] + 1
        return low
