"""What of the desk outlives a restart, as plain JSON data and back; pure.

Kept are alarms with what a person did about them, pauses and being away.  A pause is kept with the
time it had left, because the wall clock may be wrong at the next start: it then ends after that
time at the latest.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Any

from bottomheat.alarm_desk import LONGEST_AWAY_MS, LONGEST_PAUSE_S, Away, Desk, Entry, Key, Moment
from bottomheat.alarm_desk import ordered as by_weight
from bottomheat.alarm_states import Machine, State
from bottomheat.alarm_words import TOLD
from bottomheat.model import Alarm

MOST_ENTRIES = 120
"""More would not fit the file; the first level and what stands come first."""

MOST_DETAIL = 200


def essence(desk: Desk) -> tuple[object, ...]:
    """What, once changed, is worth writing: nothing that time alone moves."""
    return (
        desk.next_serial,
        desk.away,
        tuple((key, entry.machine, entry.until_s) for key, entry in by_weight(desk)),
    )


def to_plain(desk: Desk, now_s: float, wall_ms: int) -> dict[str, Any]:
    """The desk as JSON data."""
    away = desk.away
    return {
        "next": desk.next_serial,
        "away": None if away is None else {"until_ms": away.until_ms, "since_ms": away.since_ms},
        "entries": [
            {
                "chamber": key[0],
                "alarm": key[1].value,
                "serial": entry.serial,
                "state": entry.machine.state.value,
                "active": entry.machine.active,
                "held": entry.machine.held,
                "seen": entry.machine.seen,
                "raised_ms": entry.raised.label_ms(now_s, wall_ms),
                "gone_ms": None if entry.gone is None else entry.gone.label_ms(now_s, wall_ms),
                "left_s": None if entry.until_s is None else entry.until_s - now_s,
                "saved_ms": wall_ms,
                "detail": entry.detail[:MOST_DETAIL],
            }
            for key, entry in by_weight(desk)[:MOST_ENTRIES]
        ],
    }


def from_plain(payload: Any, chambers: Collection[str], now_s: float, wall_ms: int) -> Desk:
    """The desk from what ``to_plain`` made; alarms of chambers that are no more are dropped.

    Raises:
        ValueError: it is none of ours.
    """
    match payload:
        case {"next": int(serial), "away": away, "entries": list(rows)}:
            entries: dict[Key, Entry] = {}
            for row in rows:
                found = _entry(row, now_s, wall_ms)
                if found is not None and (found[0][0] is None or found[0][0] in chambers):
                    entries[found[0]] = found[1]
            highest = max((entry.serial for entry in entries.values()), default=0)
            return Desk(entries, {}, max(serial, highest + 1), _away(away, wall_ms))
        case _:
            raise ValueError("it is no desk of alarms")


def _away(plain: Any, wall_ms: int) -> Away | None:
    match plain:
        case None:
            return None
        case {"until_ms": int(until_ms), "since_ms": int(since_ms)}:
            away = Away(until_ms, since_ms)
            # With a clock that has lost the date the end is as far off as it was at most.
            if until_ms - wall_ms > LONGEST_AWAY_MS:
                away = replace(away, until_ms=wall_ms + max(0, until_ms - since_ms))
            return away
        case _:
            raise ValueError("its word on being away is damaged")


def _entry(row: Any, now_s: float, wall_ms: int) -> tuple[Key, Entry] | None:
    match row:
        case {
            "chamber": (None | str()) as chamber,
            "alarm": str(name),
            "serial": int(serial),
            "state": str(state),
            "active": bool(active),
            "held": bool(held),
            "seen": bool(seen),
            "raised_ms": int(raised_ms),
            "gone_ms": (None | int()) as gone_ms,
            "left_s": (None | float() | int()) as left_s,
            "saved_ms": int(saved_ms),
            "detail": str(detail),
        }:
            pass
        case _:
            raise ValueError("one of its alarms is damaged")
    try:
        alarm = Alarm(name)
        where = State(state)
    except ValueError:
        return None  # of another version
    if where is State.NORMAL:
        return None
    machine = Machine(TOLD[alarm].latching, where, active, held and TOLD[alarm].latching, seen)
    until_s = None
    if left_s is not None:
        # What has passed meanwhile counts as far as the clock can be believed.
        passed_s = max(0.0, (wall_ms - saved_ms) / 1000)
        until_s = now_s + min(max(0.0, left_s - passed_s), LONGEST_PAUSE_S)
    elif where is State.SHELVED:
        until_s = now_s
    gone = None if gone_ms is None else Moment(None, gone_ms)
    entry = Entry(
        machine,
        serial,
        Moment(None, raised_ms),
        gone=gone,
        detail=detail,
        until_s=until_s,
        confirmed=False,
    )
    return (chamber, alarm), entry
