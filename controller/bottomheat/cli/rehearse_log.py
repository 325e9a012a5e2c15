"""The log that a rehearsal keeps: one run of the service each time the mains come back.

A power cut leaves it as it leaves a real one: what was not yet on the card is lost, the run stays
open, and the next one begins on another boot and tells how long nothing was recorded.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from bottomheat import __version__, outage
from bottomheat.cli.rehearse_inputs import LOG_VERSION_SUFFIX
from bottomheat.errors import InputError, LogError
from bottomheat.restart import openings
from bottomheat_drivers.log import SqliteJournal
from bottomheat_drivers.log.before import look_back
from bottomheat_drivers.log.writer import COMMIT_EVERY_S

if TYPE_CHECKING:
    from bottomheat.model import Event, Record
    from bottomheat.rehearse_world import World
    from bottomheat_drivers.clock import ManualClock

BOOT: Final = "rehearsal"


class RehearsedLog:
    """The log of a rehearsal, from run to run.

    Args:
        path: a file that is not there yet.
        clock: of the rehearsal; its monotonic time goes on over a power cut.
        text: of the config.
        checksum: of that text.
        cuts: the mains will be cut: write every ten minutes, as the service does.

    Raises:
        InputError: it cannot be written.
    """

    def __init__(
        self, path: Path, clock: ManualClock, text: str, checksum: str, *, cuts: bool
    ) -> None:
        self._path = path
        self._clock = clock
        self._config = text, checksum
        self._every_s = COMMIT_EVERY_S if cuts else math.inf
        self._boots = 1
        self._aftermath: outage.Aftermath | None = None
        self._written_s = clock.monotonic_s()
        self._journal: SqliteJournal | None = self._begun()

    def look(self, world: World) -> None:
        """Begin or end a run where the mains have come or gone; before each cycle.

        Raises:
            InputError: the log cannot be written.
        """
        if self._journal is not None and not world.powered:
            self._journal.abandon()
            self._journal = None
        elif self._journal is None and world.powered:
            self._restarted()

    def record(self, records: Sequence[Record], events: Sequence[Event]) -> None:
        """Take a cycle's rows."""
        journal, now_s = self._journal, self._clock.monotonic_s()
        if journal is None:
            return
        told: tuple[Event, ...] = ()
        if self._aftermath is not None:
            wall_ms = self._clock.wall_ms()
            self._aftermath, told = self._aftermath.follow(records, now_s, wall_ms)
        journal.record(records, (*events, *told))
        if now_s - self._written_s >= self._every_s:
            self._written_s = now_s
            journal.write_soon()

    def failure(self) -> str | None:
        """Why rows do not reach the disk, or None."""
        return None if self._journal is None else self._journal.failure()

    def close(self) -> None:
        """Write what is waiting; one that was not written to its end is an error.

        Raises:
            InputError: it was not.
        """
        if self._journal is None:
            return
        self._journal.close()
        if (failure := self._journal.failure()) is not None:
            raise InputError(f"the log of the rehearsal was not written to its end: {failure}")

    def _boot(self) -> str:
        return f"{BOOT}-{self._boots}"

    def _begun(self) -> SqliteJournal:
        version = __version__ + LOG_VERSION_SUFFIX
        try:
            journal = SqliteJournal(
                self._path, None, self._clock, version, self._boot(), background=False
            )
        except LogError as error:
            raise InputError(f"the log of the rehearsal cannot be written: {error}") from None
        journal.note_config(*self._config)
        return journal

    def _restarted(self) -> None:
        clock = self._clock
        self._boots += 1
        past = look_back(self._path, self._path.with_name("no-ring-files"), self._boot())
        self._journal = self._begun()
        start = outage.Start(self._boot(), clock.monotonic_s(), clock.wall_ms())
        events, self._aftermath = openings(past, start)
        self._journal.record((), events)


@contextlib.contextmanager
def rehearsed_log(
    path: Path, clock: ManualClock, text: str, checksum: str, *, cuts: bool
) -> Iterator[RehearsedLog]:
    """The log, closed on every way out.

    Raises:
        InputError: it cannot be written.
    """
    log = RehearsedLog(path, clock, text, checksum, cuts=cuts)
    try:
        yield log
    finally:
        log.close()
