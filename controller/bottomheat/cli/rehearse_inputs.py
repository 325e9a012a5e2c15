"""What a rehearsal is given: config, room, log; a bad one is one clear sentence."""

from __future__ import annotations

import csv
import math
import sysconfig
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import bottomheat
from bottomheat.errors import InputError, LogError
from bottomheat.rooms import RoomSeries

SAMPLE = "chamber.yaml"
COLUMNS: Final = ("hours", "room_c")
COLDEST_C, WARMEST_C = -60.0, 60.0
LARGEST_BYTES = 64 * 2**20
LOG_VERSION_SUFFIX = " rehearsal"


def sample_config() -> Path:
    """Find the sample config that ships: in a checkout, or where the wheel put it.

    Raises:
        InputError: it is in neither place.
    """
    checkout = Path(bottomheat.__file__).resolve().parents[2] / "config" / SAMPLE
    installed = Path(sysconfig.get_path("data")) / "share" / "bottomheat" / "config" / SAMPLE
    for path in (checkout, installed):
        if path.is_file():
            return path
    raise InputError(
        f"the sample config is neither {checkout} nor {installed}; name a config with --config."
    )


def read_room(path: Path) -> RoomSeries:
    """Read a room from a CSV file with the columns ``hours`` and ``room_c``.

    Raises:
        InputError: the file or a row of it is not usable.
    """
    try:
        if path.exists() and not path.is_file():
            raise InputError(f"the room {path} is not a file; name a CSV file.")
        if path.stat().st_size > LARGEST_BYTES:
            raise InputError(f"the room {path} is larger than 64 MB; thin its rows out.")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(f"the room {path} cannot be read: {why}.") from None
    except ValueError:
        raise InputError(f"the room {path} is not text in UTF-8; name a CSV file.") from None
    try:
        return _room(path, csv.reader(text.splitlines(), strict=True))
    except csv.Error as error:
        raise InputError(f"the room {path} is no CSV file: {error}.") from None


def _room(path: Path, rows: Iterable[list[str]]) -> RoomSeries:
    numbered = ((number, row) for number, row in enumerate(rows, 1) if any(map(str.strip, row)))
    first = next(numbered, None)
    if first is None:
        raise InputError(f"the room {path} is empty; its first line has to be hours,room_c.")
    header = [name.strip() for name in first[1]]
    if sorted(header) != sorted(COLUMNS):
        found = ",".join(header)
        raise InputError(
            f"the room {path} has the columns {found[:60]!r}; its first line has to be "
            "hours,room_c."
        )
    time_at, room_at = (header.index(name) for name in COLUMNS)
    hours: list[float] = []
    room_c: list[float] = []
    for number, row in numbered:
        where = f"the room {path}, line {number}:"
        if len(row) != len(COLUMNS):
            raise InputError(f"{where} {len(row)} values; each line needs two, hours and room_c.")
        hour = _number(row[time_at], where, "hours")
        celsius = _number(row[room_at], where, "room_c")
        if not COLDEST_C <= celsius <= WARMEST_C:
            raise InputError(
                f"{where} a room of {celsius:g} is not possible; give °C from -60 to 60."
            )
        if hours and hour <= hours[-1]:
            raise InputError(
                f"{where} hour {hour:g} does not come after {hours[-1]:g}; sort the lines by time, "
                "each hour once."
            )
        hours.append(hour)
        room_c.append(celsius)
    if not hours:
        raise InputError(f"the room {path} has no line after its first; give at least one.")
    return RoomSeries(hours, room_c)


def _number(text: str, where: str, column: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise InputError(f"{where} {column} is {text[:40]!r}, which is no number.") from None
    if not math.isfinite(value):
        raise InputError(f"{where} {column} is {text.strip()}; give a finite number.")
    return value


def require_free(path: Path) -> None:
    """See to it that a rehearsal's rows do not end up in the log of a real box.

    A log that holds nothing but rehearsals is deleted, to be begun anew.

    Raises:
        InputError: the file holds something else, or cannot be written.
    """
    try:
        if path.exists() and not path.is_file():
            raise InputError(f"the log {path} is not a file; give the name of a new file.")
        if not path.exists() or path.stat().st_size == 0:
            return
        if not _only_rehearsals(path):
            raise InputError(
                f"the log {path} exists already and is not of a rehearsal, which would spoil it; "
                "give the name of a new file."
            )
        for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
            path.with_name(name).unlink(missing_ok=True)
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(f"the log {path} cannot be written: {why}.") from None


def _only_rehearsals(path: Path) -> bool:
    from bottomheat_drivers.log import LogReader

    try:
        with LogReader(path) as reader:
            versions = [run.version for run in reader.runs()]
    except LogError:
        return False
    return bool(versions) and all(v.endswith(LOG_VERSION_SUFFIX) for v in versions)
