"""What a rehearsal is given: config, room, chamber class, log; a bad one is one clear sentence."""

from __future__ import annotations

import csv
import importlib.util
import inspect
import itertools
import math
import sys
import sysconfig
from collections.abc import Iterable
from pathlib import Path
from typing import Final, cast

import bottomheat
from bottomheat.errors import InputError, LogError
from bottomheat.rehearse import ChamberModel
from bottomheat.rooms import RoomSeries

SAMPLE = "chamber.yaml"
COLUMNS: Final = ("hours", "room_c")
COLDEST_C, WARMEST_C = -60.0, 60.0
LARGEST_BYTES = 64 * 2**20
LOG_VERSION_SUFFIX = " rehearsal"

_modules = itertools.count(1)


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


def load_chamber_class(named: str) -> type[ChamberModel]:
    """Load the class of ``FILE.py:CLASS``.

    Raises:
        InputError: there is no such file or class, or the file does not run.
    """
    file, colon, name = named.rpartition(":")
    if not colon or not file or not name.isidentifier():
        raise InputError(f"the chamber {named!r} is not of the form FILE.py:CLASS; write both.")
    path = Path(file)
    if not path.is_file():
        raise InputError(f"the chamber file {path} does not exist or is no file; check its path.")
    # A name of its own each time: two chambers of the same file name must not share a module.
    spec = importlib.util.spec_from_file_location(f"_rehearsed_chamber_{next(_modules)}", path)
    if spec is None or spec.loader is None:
        raise InputError(f"the chamber file {path} is no Python file; its name has to end in .py.")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up there
    sys.path.append(str(path.parent.resolve()))  # for what lies beside it; at the end: no shadows
    try:
        spec.loader.exec_module(module)
    except SyntaxError as error:
        raise InputError(
            f"the chamber file {path} has a syntax error in line {error.lineno}: {error.msg}."
        ) from error
    except (Exception, SystemExit) as error:
        raise InputError(
            f"the chamber file {path} fails when it is loaded, with {_said(error)}."
        ) from error
    found = getattr(module, name, None)
    if not inspect.isclass(found):
        raise InputError(f"the chamber file {path} has no class {name}; check its spelling.")
    for method in ("advance", "temperature"):
        if not callable(getattr(found, method, None)):
            raise InputError(
                f"the chamber {named} has no method {method}; a chamber needs "
                "advance(seconds, heater_watts, room_c) and temperature(place)."
            )
    return cast("type[ChamberModel]", found)


def build_chamber(kind: type[ChamberModel], label: str) -> ChamberModel:
    """Make one chamber.

    Raises:
        InputError: its constructor fails.
    """
    try:
        return kind()
    except Exception as error:
        raise InputError(
            f"the chamber {label} cannot be built without arguments: {_said(error)}."
        ) from error


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


def _said(error: BaseException) -> str:
    first = str(error).partition("\n")[0]
    return f"{type(error).__name__}: {first}" if first else type(error).__name__
