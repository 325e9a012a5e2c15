"""Answers to the commands about alarms: what stands, seen, paused, away.

What is written here changes the desk and nothing else: no answer can give heat.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from bottomheat import alarm_desk
from bottomheat.alarm_desk import Desk, Entry, Key, ordered
from bottomheat.alarm_states import SET_ASIDE
from bottomheat.alarm_words import LATCH_SENTENCE, TOLD, helper_sentence, sentence
from bottomheat.board import Board
from bottomheat.config import Config
from bottomheat.model import Alarm, Event

HOUSE = "house"
"""What stands for the chamber in the name of an alarm that no chamber owns."""

MOST_ROWS = 250
"""More alarms than anybody reads; the first level and what stands come first."""

Changed = tuple[Desk, tuple[Event, ...], dict[str, Any]]
"""The desk, what is to be logged, the answer."""


def alarm_id(key: Key) -> str:
    """An alarm's name: "north-bench/relay-stuck-on", "house/log-failed"."""
    return f"{key[0] or HOUSE}/{key[1].value}"


def alarm_row(key: Key, entry: Entry, config: Config, now_s: float, wall_ms: int) -> dict[str, Any]:
    """One alarm as a plain JSON object; times are wall ms."""
    chamber, alarm = key
    told = TOLD[alarm]
    until_s = entry.until_s if entry.machine.state in SET_ASIDE else None
    return {
        "id": alarm_id(key),
        "serial": entry.serial,
        "chamber": chamber,
        "alarm": alarm.value,
        "level": told.level.value,
        "at_once": told.at_once,
        "state": alarm_desk.state_word(entry),
        "seen": entry.machine.seen,
        "active": entry.machine.active,
        "raised_ms": entry.raised.label_ms(now_s, wall_ms),
        "gone_ms": None if entry.gone is None else entry.gone.label_ms(now_s, wall_ms),
        "paused_until_ms": None if until_s is None else wall_ms + round((until_s - now_s) * 1000),
        "what": sentence(alarm, entry.detail),
        "how_long": told.how_long,
        "first": told.first,
        "helper": helper_sentence(config, chamber, alarm),
    }


def alarms_answer(
    desk: Desk, board: Board, config: Config, now_s: float, wall_ms: int, *, synchronised: bool
) -> dict[str, Any]:
    """Everything that a message to the grower can be made from."""
    away = desk.away
    return {
        "ok": True,
        "now_ms": wall_ms,
        "synchronised": synchronised,
        "running_s": now_s - board.started_s,
        "away": None if away is None else {"until_ms": away.until_ms, "since_ms": away.since_ms},
        "alarms": [
            alarm_row(key, entry, config, now_s, wall_ms)
            for key, entry in ordered(desk)[:MOST_ROWS]
        ],
        "boxes": board.boxes(),
    }


def status_rows(desk: Desk, now_s: float, wall_ms: int) -> dict[str, Any]:
    """The alarms as ``status`` shows them: those that stand, and those gone but not seen."""
    standing: list[dict[str, Any]] = []
    gone: list[dict[str, Any]] = []
    for key, entry in ordered(desk):
        raised_ms = entry.raised.label_ms(now_s, wall_ms)
        row = {
            "id": alarm_id(key),
            "chamber": key[0],
            "alarm": key[1].value,
            "level": TOLD[key[1]].level.value,
            "state": alarm_desk.state_word(entry),
            "text": sentence(key[1], entry.detail),
            "for_s": max(0.0, (wall_ms - raised_ms) / 1000),
        }
        (standing if entry.machine.stands else gone).append(row)
    return {"alarms": standing, "gone": gone}


def acknowledge(desk: Desk, what: object, config: Config, now_s: float) -> Changed:
    """Note that one alarm, a chamber's or all have been seen."""
    keys = _chosen(desk, what, config)
    if isinstance(keys, str):
        return desk, (), {"ok": False, "error": keys}
    desk, events, done = alarm_desk.acknowledge(desk, keys, now_s)
    stay = [alarm_id(key) for key in done if (e := desk.entries.get(key)) and e.machine.stands]
    latching = any(TOLD[key[1]].latching for key in keys)
    return (
        desk,
        events,
        {
            "ok": True,
            "seen": [alarm_id(key) for key in done],
            "standing": stay,
            "note": LATCH_SENTENCE if latching else None,
        },
    )


def pause(desk: Desk, request: Mapping[str, Any], now_s: float, wall_ms: int) -> Changed:
    """Pause the alarm ``id`` for ``for_s``, or end its pause where ``end`` is true."""
    key = _key(desk, request.get("id"))
    if key is None:
        return desk, (), {"ok": False, "error": _unknown(desk, request.get("id"))}
    if request.get("end") is True:
        desk, events, refused = alarm_desk.resume(desk, key, now_s)
        if refused is not None:
            return desk, events, {"ok": False, "error": refused}
        return desk, events, {"ok": True, "id": alarm_id(key), "paused_until_ms": None}
    for_s = _number(request.get("for_s"))
    if for_s is None:
        return desk, (), {"ok": False, "error": "the length of the pause is missing"}
    desk, events, refused = alarm_desk.pause(desk, key, for_s, now_s)
    if refused is not None:
        return desk, events, {"ok": False, "error": refused}
    return (
        desk,
        events,
        {
            "ok": True,
            "id": alarm_id(key),
            "paused_until_ms": wall_ms + round(for_s * 1000),
            "note": LATCH_SENTENCE if TOLD[key[1]].latching else None,
        },
    )


def away(desk: Desk, request: Mapping[str, Any], now_s: float, wall_ms: int) -> Changed:
    """Note being away, ``{"until_ms"}``, or back, ``{"back": true}``; without either, say which."""
    events: tuple[Event, ...] = ()
    if request.get("back") is True:
        desk, events = alarm_desk.back(desk, now_s)
    elif "until_ms" in request:
        until_ms = _number(request["until_ms"])
        if until_ms is None:
            return desk, (), {"ok": False, "error": "the date is missing"}
        desk, events, refused = alarm_desk.set_away(desk, round(until_ms), now_s, wall_ms)
        if refused is not None:
            return desk, events, {"ok": False, "error": refused}
    now_away = desk.away
    return desk, events, {"ok": True, "until_ms": None if now_away is None else now_away.until_ms}


def _chosen(desk: Desk, what: object, config: Config) -> list[Key] | str:
    """The alarms that are meant, or why none can be."""
    if what is None or what == "all":
        return [key for key, _ in ordered(desk)]
    key = _key(desk, what)
    if key is not None:
        return [key]
    if isinstance(what, str) and what in config.chambers:
        return [key for key, _ in ordered(desk) if key[0] == what]
    if what == HOUSE:
        return [key for key, _ in ordered(desk) if key[0] is None]
    return _unknown(desk, what)


def _key(desk: Desk, name: object) -> Key | None:
    if not isinstance(name, str):
        return None
    chamber, slash, alarm_name = name.rpartition("/")
    if not slash:
        found = [key for key in desk.entries if key[1].value == name]
        return found[0] if len(found) == 1 else None
    try:
        alarm = Alarm(alarm_name)
    except ValueError:
        return None
    if (chamber, alarm) in desk.entries:
        return chamber, alarm
    return (None, alarm) if chamber == HOUSE and (None, alarm) in desk.entries else None


def _unknown(desk: Desk, name: object) -> str:
    known = ", ".join(alarm_id(key) for key, _ in ordered(desk))
    there = f"there are: {known}" if known else "there are none"
    shown = name[:60] if isinstance(name, str) else "that"
    return f"no alarm or box is called {shown}; {there}"


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:  # a whole number of four hundred digits
        return None
    return number if math.isfinite(number) else None
