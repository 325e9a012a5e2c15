"""What ``status`` says of each box's calibration: when it was read, and whether to read again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Any

from bottomheat.config import Config
from bottomheat.errors import LogError

if TYPE_CHECKING:
    from bottomheat.calibration.ageing import Ageing
    from bottomheat.calibration.ledger import Reference
    from bottomheat_drivers.log.rows import BorrowingRow


def calibrations(config: Config, answer: Mapping[str, Any]) -> dict[str, str]:
    """By box: a line about its calibration; empty where the log cannot be read.

    Args:
        config: as the command has it.
        answer: what the daemon said, for the lid of each box and whether it is calibrated.
    """
    from bottomheat.cli.calibrate_box import reader_of
    from bottomheat.cli.calibrate_list import ages_of

    try:
        with reader_of(config) as reader:
            readings = reader.ledger()
            ages = ages_of(config, reader, readings)
            lent = reader.borrowings()
    except LogError:
        return {}  # status has better things to say; check and calibrate tell of the log
    return {
        chamber["name"]: said
        for chamber in answer["chambers"]
        if chamber["calibrated"]
        and (
            said := words(
                chamber["name"],
                chamber["lid"],
                readings,
                lent,
                ages.get((chamber["name"], chamber["lid"])),
            )
        )
    }


def words(
    name: str,
    lid: str,
    readings: Sequence[Reference],
    lent: Sequence[BorrowingRow],
    age: Ageing | None,
    zone: tzinfo | None = None,
) -> str:
    """The line of one box: when it was last read and in which rooms, and what makes that old.

    Args:
        name: of the box.
        lid: how its lid lies.
        readings: the ledger.
        lent: beginnings and ends of borrowed probes.
        age: how the calibration stands, or None where nobody can say.
        zone: time zone; None is this machine's.
    """
    from bottomheat.calibration.ageing import Advice

    used = [
        each
        for each in readings
        if each.entry.chamber == name
        and each.entry.lid == lid
        and each.entry.pairing.steady
        and each.dropped is None
    ]
    ended = [row.wall_ms for row in lent if row.chamber == name and row.for_s is None]
    told = []
    if used:
        rooms = [each.entry.pairing.room_c for each in used]
        last = max(each.wall_ms for each in used)
        told.append(f"thermometer last read {_day(last, zone)}{_rooms(rooms)}")
    if ended:
        told.append(f"borrowed probe until {_day(max(ended), zone)}")
    line = "calibrated" + (f": {', '.join(told)}" if told else "")
    if age is None or age.advice is Advice.NONE:
        return line if told else ""
    what = "fit again (bottomheat calibrate fit)"
    if age.advice is Advice.READ:
        what = "read again (bottomheat calibrate add)"
    return f"{line}\n  ! {age.why}: {what}"


def _rooms(rooms_c: Sequence[float | None]) -> str:
    known = [each for each in rooms_c if each is not None]
    if not known:
        return ""
    low, high = min(known), max(known)
    return f" (room {low:.0f} °C)" if high - low < 1.0 else f" (rooms {low:.0f} to {high:.0f} °C)"


def _day(wall_ms: int, zone: tzinfo | None) -> str:
    day = datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone)
    return f"{day.day} {day:%b}"
