"""The log: SQLite on the card, a ring file in memory for what is not there yet."""

from bottomheat_drivers.log.memory import MemoryJournal
from bottomheat_drivers.log.reader import LogReader
from bottomheat_drivers.log.rows import (
    AlarmRow,
    BorrowingRow,
    ConfigRow,
    EventRow,
    ProbeCheckRow,
    ReferenceRow,
    RunRow,
    SampleRow,
    TendingRow,
)
from bottomheat_drivers.log.schema import SCHEMA_VERSION
from bottomheat_drivers.log.writer import SqliteJournal, boot_id

__all__ = [
    "SCHEMA_VERSION",
    "AlarmRow",
    "BorrowingRow",
    "ConfigRow",
    "EventRow",
    "LogReader",
    "MemoryJournal",
    "ProbeCheckRow",
    "ReferenceRow",
    "RunRow",
    "SampleRow",
    "SqliteJournal",
    "TendingRow",
    "boot_id",
]
