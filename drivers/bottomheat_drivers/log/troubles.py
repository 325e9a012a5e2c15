"""Why the log is not written, in words."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from bottomheat.errors import LogError
from bottomheat_drivers.log import migrations


def explain(error: BaseException, path: Path) -> str:
    """Why the log is not written, in one sentence for the grower."""
    if isinstance(error, LogError):
        return str(error)
    match migrations.primary_code(error):
        case sqlite3.SQLITE_FULL:
            return f"The card is full: the log {path} cannot grow, so free some space."
        case sqlite3.SQLITE_READONLY:
            return (
                f"The log {path} may not be written: check its owner, and whether the card "
                "has turned read-only (if so, change the card)."
            )
        case sqlite3.SQLITE_IOERR:
            return (
                f"The card gave an input/output error at the log {path}: copy the log to another "
                "place and change the card."
            )
        case sqlite3.SQLITE_CANTOPEN:
            return (
                f"The log {path} cannot be opened: check that its folder exists and that the "
                "service may write there."
            )
        case sqlite3.SQLITE_CORRUPT | sqlite3.SQLITE_NOTADB:
            return f"The log {path} is damaged; it is set aside and a new one begun."
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return f"Another program keeps the log {path} locked: close that program."
        case _:
            return f"The log {path} cannot be written: {error}."
