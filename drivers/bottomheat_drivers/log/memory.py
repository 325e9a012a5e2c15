"""A journal in memory: what rehearsals and tests look into without a file."""

from __future__ import annotations

from collections.abc import Sequence

from bottomheat.calibration.ledger import ProbeCheck, ReferenceEntry
from bottomheat.model import Event, Record
from bottomheat.season.ledger import SeasonEntry


class MemoryJournal:
    """Keeps what it is given, in order, while ``failing`` is None (``ports.Journal``).

    Attributes:
        records: every record taken.
        events: every event taken.
        clock_rows: (monotonic s, wall ms, synchronised).
        configs: (text, checksum).
        tendings: (chamber, doing, note, s or None, lid or None).
        references: every reading of a trusted thermometer.
        drops: (number of a reading, note).
        probe_checks: every comparison of a probe.
        borrowings: (chamber, probe, s or None where it ended, note).
        borrowed: (chamber, °C, monotonic s).
        season: every entry of the season's ledger.
        hurried: how often ``write_soon`` was called.
        failing: what ``failure`` says; while it is set, rows are counted in ``lost`` and dropped.
        lost: rows dropped.
        closed: whether ``close`` was called; rows that come later are dropped.
    """

    def __init__(self) -> None:
        self.records: list[Record] = []
        self.events: list[Event] = []
        self.clock_rows: list[tuple[float, int, bool]] = []
        self.configs: list[tuple[str, str]] = []
        self.tendings: list[tuple[str, str, str, float | None, str | None]] = []
        self.references: list[ReferenceEntry] = []
        self.drops: list[tuple[int, str]] = []
        self.probe_checks: list[ProbeCheck] = []
        self.borrowings: list[tuple[str, str, float | None, str]] = []
        self.borrowed: list[tuple[str, float, float]] = []
        self.season: list[SeasonEntry] = []
        self.hurried = 0
        self.failing: str | None = None
        self.lost = 0
        self.closed = False

    def record(self, records: Sequence[Record], events: Sequence[Event]) -> None:
        """Take a cycle's rows."""
        if self._takes(len(records) + len(events)):
            self.records.extend(records)
            self.events.extend(events)

    def note_clock(self, monotonic_s: float, wall_ms: int, synchronised: bool) -> None:
        """Tie monotonic to wall time."""
        if self._takes(1):
            self.clock_rows.append((monotonic_s, wall_ms, synchronised))

    def note_config(self, text: str, checksum: str) -> None:
        """Keep the text of an accepted config."""
        if self._takes(1):
            self.configs.append((text, checksum))

    def note_tending(
        self,
        chamber: str,
        doing: str,
        note: str = "",
        for_s: float | None = None,
        lid: str | None = None,
    ) -> None:
        """Keep that the box was opened, for what and how long."""
        if self._takes(1):
            self.tendings.append((chamber, doing, note, for_s, lid))

    def note_reference(self, entry: ReferenceEntry) -> None:
        """Keep a reading of a trusted thermometer."""
        if self._takes(1):
            self.references.append(entry)

    def note_drop(self, number: int, note: str) -> None:
        """Mark a reading as dropped."""
        if self._takes(1):
            self.drops.append((number, note))

    def note_probe_check(self, check: ProbeCheck) -> None:
        """Keep a comparison of a probe."""
        if self._takes(1):
            self.probe_checks.append(check)

    def note_borrowing(self, chamber: str, probe: str, for_s: float | None, note: str = "") -> None:
        """Keep that a borrowed probe begins to teach, or ends."""
        if self._takes(1):
            self.borrowings.append((chamber, probe, for_s, note))

    def note_borrowed(self, chamber: str, celsius: float, at_s: float) -> None:
        """Keep one reading of the borrowed probe."""
        if self._takes(1):
            self.borrowed.append((chamber, celsius, at_s))

    def note_season(self, entry: SeasonEntry, number: int | None = None) -> None:  # noqa: ARG002
        """Keep an entry of the season's ledger."""
        if self._takes(1):
            self.season.append(entry)

    def write_soon(self) -> None:
        """Count the call: what is taken is kept already."""
        self.hurried += 1

    def failure(self) -> str | None:
        """Why rows are not kept at present, or None."""
        return self.failing

    def close(self) -> None:
        """Take no more rows.  Idempotent."""
        self.closed = True

    def _takes(self, rows: int) -> bool:
        if self.failing is not None or self.closed:
            self.lost += rows
            return False
        return True
