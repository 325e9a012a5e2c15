"""Counts the closings of the relays' contacts over restarts, kills and a lost log.

Heat never waits for it and never goes by it: a count that is lost, or a fault in here, costs the
count and is said.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from typing import Any

from bottomheat.alarm_desk import Key
from bottomheat.model import Alarm, Event, EventKind
from bottomheat.outside import Outside, Run
from bottomheat.relay_life import Count, Life, changed, closed, noted, resumed, tally, to_plain
from bottomheat.season.relays import HEAT, SERIES, Contact, Told, contacts_of, counts_of, life_of

_log = logging.getLogger("bottomheat")

SAVE_EVERY_S = 6 * 3600.0
"""What closes in between is known from the log; four small writes a day.  The first turn of a run
saves too, so that a log that is a new one is not taken for that again."""


class Contacts:
    """The counts of one run.

    Args:
        outside: the ports; where the store is missing, nothing is kept.
        run: what the loop keeps.
        say: logs and tells an event.
        said: gives what the grower said of changed relays; None: that cannot be known now.
        logged: what the log counts of each heat relay, over all runs before; None: it could not be
            read.
    """

    def __init__(
        self,
        outside: Outside,
        run: Run,
        say: Callable[[Event], None],
        said: Callable[[], Told | None],
        logged: Mapping[str, int] | None,
    ) -> None:
        self._out = outside
        self._run = run
        self._say = say
        self._said_changes = said
        self._logged = logged
        self._counts: dict[Contact, Count] = {}
        self._of_run: dict[str, int] = {}
        self._series: dict[str, tuple[int, bool]] = {}
        self._told: Told = {}
        self._lives: dict[Contact, Life] = {}
        self._saved: Mapping[Contact, Count] = {}
        self._saved_s = 0.0
        self._failure: str | None = None
        self._broken = False

    def start(self, now_s: float) -> None:
        """Go on from what was kept; never raises."""
        self._guarded(self._start, now_s)

    def turn(self, now_s: float) -> None:
        """Count what has closed since the turn before; never raises."""
        self._guarded(self._turn, now_s)

    def stop(self, now_s: float) -> None:
        """Have the counts kept; never raises."""
        self._guarded(self._save, now_s)

    def _guarded(self, do: Callable[[float], None], now_s: float) -> None:
        if self._broken:
            return
        try:
            do(now_s)
        except Exception as error:  # noqa: BLE001 - a fault of ours must not end in a cold box
            self._broken = True
            _log.error("a fault in the count of closings", exc_info=error)
            text = f"closings are no longer counted: a fault in bottomheat itself ({error})"
            self._say(Event(EventKind.LOG, now_s, None, text, durable=True))

    def _start(self, now_s: float) -> None:
        store, kept = self._out.contacts, {}
        payload = None if store is None else store.load()
        why = self._failure = None if store is None else store.failure()
        try:
            kept = counts_of(payload)
        except ValueError as error:
            why = f"{error}; closings of the relays are counted on from what the log knows"
        if why is not None:
            self._say(Event(EventKind.LOG, now_s, None, why, durable=True))
        self._counts = dict(kept)  # of boxes that are gone too: they may come back
        for contact in contacts_of(self._run.written):
            name, which = contact
            logged = None
            if which == HEAT and self._logged is not None:
                logged = self._logged.get(name, 0)
            self._counts[contact] = resumed(
                kept.get(contact), logged, self._wall_ms(), lost=why is not None
            )
        self._saved, self._saved_s = kept, now_s - SAVE_EVERY_S

    def _turn(self, now_s: float) -> None:
        before = dict(self._counts)
        for name, state in self._run.state.chambers.items():
            self._count(name, HEAT, self._more(name, state.relay.closings))
        at_once = self._count_series()
        said = self._said_changes()
        if said is not None:
            self._told = said
        wall_ms = self._wall_ms()
        for contact, count in self._counts.items():
            count = changed(count, self._told.get(contact))
            if wall_ms is not None:
                count = noted(count, wall_ms)
            at_once = at_once or count.changes != before[contact].changes
            self._counts[contact] = count
        if at_once or now_s - self._saved_s >= SAVE_EVERY_S:
            self._save(now_s)
        self._look_at_store(now_s)

    def _more(self, name: str, closings: int) -> int:
        last = self._of_run.get(name, 0)
        self._of_run[name] = closings
        return closings - last if closings >= last else closings

    def _count(self, name: str, contact: str, more: int) -> None:
        if more and (name, contact) in self._counts:
            self._counts[name, contact] = closed(self._counts[name, contact], more)

    def _count_series(self) -> bool:
        """Count series relays as the keeper says they are; whether one has closed.

        It is not switched with the heat, so that a look every cycle misses hardly a closing.
        """
        status = self._out.keeper.status()
        found = False
        for line in () if status is None else status.lines:
            if line.series_closed is None or status is None:
                continue
            keeper, was = self._series.get(line.chamber, (status.pid, line.series_closed))
            if line.series_closed and (not was or keeper != status.pid):  # a new keeper opens it
                self._count(line.chamber, SERIES, 1)
                found = True
            self._series[line.chamber] = (status.pid, line.series_closed)
        return found

    def _save(self, now_s: float) -> None:
        store = self._out.contacts
        self._saved_s = now_s
        if store is None or self._counts == self._saved:
            return
        self._saved = dict(self._counts)
        boxes: dict[str, dict[str, Any]] = {}
        for (name, contact), count in self._counts.items():
            boxes.setdefault(name, {})[contact] = to_plain(count)
        store.save({"boxes": boxes})

    def _look_at_store(self, now_s: float) -> None:
        failure = None if self._out.contacts is None else self._out.contacts.failure()
        if failure != self._failure and failure is not None:
            self._say(Event(EventKind.LOG, now_s, None, failure))
        self._failure = failure

    def _wall_ms(self) -> int | None:
        clock = self._out.clock
        return clock.wall_ms() if clock.synchronised() else None

    def lives(self) -> dict[Contact, Life]:
        """What each relay has done and has left; none after a fault."""
        self._guarded(self._look, self._out.clock.monotonic_s())
        return {} if self._broken else self._lives

    def _look(self, _now_s: float) -> None:
        config, wall_ms = self._run.written, self._wall_ms()
        self._lives = {
            contact: life_of(contact, count, config, self._told, wall_ms)
            for contact, count in self._counts.items()
            if contact[0] in config.chambers
        }

    def conditions(self) -> dict[Key, str]:
        """The alarms of relays that have nearly done what they are rated for."""
        found: dict[Key, str] = {}
        for (name, which), each in self.lives().items():
            if each.worn and self._run.written.chambers[name].in_use:
                relay = "the series relay" if which == SERIES else "the relay"
                found.setdefault((name, Alarm.RELAY_WORN), f"{relay} has {tally(each)}")
        return found

    def shown(self) -> dict[str, dict[str, dict[str, Any]]]:
        """The lives for the screen, by box and relay."""
        found: dict[str, dict[str, dict[str, Any]]] = {}
        for (name, contact), each in self.lives().items():
            found.setdefault(name, {})[contact] = {
                "closings": each.closings,
                "rated": each.rated,
                "since_ms": each.since_ms,
                "begun_ms": each.begun_ms,
                "per_day": each.per_day,
                "left_days": each.left_days,
                "worn": each.worn,
                "spent": each.spent,
            }
        return found
