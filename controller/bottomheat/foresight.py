"""Foresight in a run of the daemon: will tonight hold, and has the box changed over weeks?

It never touches the heat.  It gathers hours from the cycles' rows, looks once an hour, and keeps
what it has learned over a restart; a fault of its own is logged once and ends it, not the service.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from bottomheat import drift, drift_words, tonight
from bottomheat.alarm_desk import Key
from bottomheat.config import ChamberConfig
from bottomheat.hourly import HOUR_S, Gathering, Hour, take
from bottomheat.lift import Learned, lift_of
from bottomheat.model import Alarm, Event, EventKind, Record
from bottomheat.outside import Outside, Run
from bottomheat.protect.tending import Doing, Lid
from bottomheat.state import ChamberState

SAVE_EVERY_H = 6
"""What is learned is kept so often: less than is bridged after a restart (``GAPS_H``)."""

LONGEST_GAP_MS = 60 * 86_400_000
HOUR_MS = 3_600_000

_log = logging.getLogger("bottomheat")


@dataclass(slots=True)
class _Box:
    """What is remembered of one box."""

    gathering: Gathering | None = None
    night: tonight.Night = field(default_factory=tonight.Night)
    drift: drift.Drift = field(default_factory=drift.Drift)
    anew: bool = False


class Foresight:
    """The foresight of one run.

    Args:
        outside: the ports.
        run: what the loop keeps.
        say: logs and tells an event.
    """

    def __init__(self, outside: Outside, run: Run, say: Callable[[Event], None]) -> None:
        self._out = outside
        self._run = run
        self._say = say
        self._boxes: dict[str, _Box] = {}
        self._restored = outside.learned is None
        self._saved: int | None = None
        self._broken = False

    def turn(self, records: Sequence[Record], now_s: float) -> dict[Key, str]:
        """Take a cycle into account; the warnings that stand.  Never raises."""
        if self._broken:
            return {}
        try:
            return self._turn(records, now_s)
        except Exception as error:  # noqa: BLE001 - heat and alarms do not wait for foresight
            _log.error("a fault of foresight's own", exc_info=error)
            self._broken = True
            text = (
                "nothing is foretold of cold nights and of ageing any more, for a fault in "
                f"bottomheat itself: {type(error).__name__}: {error}"
            )
            self._say(Event(EventKind.DIAGNOSED, now_s, None, text, durable=True))
            return {}

    def _turn(self, records: Sequence[Record], now_s: float) -> dict[Key, str]:
        run = self._run
        house = bool(run.house.keys() & {Alarm.KEEPER_HOLDS, Alarm.KEEPER_SILENT})
        stands: dict[Key, str] = {}
        for record in records:
            chamber = run.config.chambers.get(record.chamber)
            state = run.state.chambers.get(record.chamber)
            if chamber is None or state is None:
                continue
            box = self._boxes.setdefault(record.chamber, _Box())
            tending = state.tending
            if tending is not None and tending.doing in (Doing.FILL, Doing.MOVE):
                box.anew = True
            calm = (
                chamber.in_use
                and not house
                and tending is None
                and state.lid is Lid.ON
                and state.no_heat is None
            )
            watts = chamber.heater.watts
            box.gathering, hour = take(box.gathering, record, watts, now_s, calm=calm)
            if hour is not None:
                self._restore(now_s)
                self._look(self._boxes[record.chamber], hour, record.chamber, chamber, state, now_s)
            night = self._boxes[record.chamber].night
            # Once it is cold the shortfall's own alarm has the word.
            foretold = night.stands and chamber.in_use and Alarm.SHORTFALL not in record.alarms
            if foretold and night.outlook is not None:
                stands[record.chamber, Alarm.TONIGHT] = tonight.words(night.outlook)
        self._keep(now_s)
        return stands

    def _look(
        self,
        box: _Box,
        hour: Hour,
        name: str,
        chamber: ChamberConfig,
        state: ChamberState,
        now_s: float,
    ) -> None:
        layer, lead = state.watch.layer, state.watch.lead
        learned = Learned(layer.full_k, lead.level_k, layer.learned_s / 3600.0)
        lift = lift_of(chamber, learned)
        box.night = tonight.advance_hour(box.night, hour, chamber, lift)
        if box.anew:
            box.drift, box.anew = drift.afresh(box.drift), False
        watts = chamber.heater.watts
        response = tonight.response_of(chamber, lift)
        box.drift, change = drift.advance_hour(box.drift, hour, response, watts)
        if change is not None:
            text = drift_words.words(change, self._day(change.since_day, hour))
            self._say(Event(EventKind.DIAGNOSED, now_s, name, text, durable=True))

    def _day(self, day: int, hour: Hour) -> str:
        """The day that the hours of a run call so, as "5 November"."""
        ago = hour.number // drift.DAY_H - day
        if not self._out.clock.synchronised():
            return f"{ago} days ago"
        now = datetime.fromtimestamp(self._out.clock.wall_ms() / 1000, UTC)
        then = now.astimezone(self._out.zone) - timedelta(days=ago)
        return f"{then.day} {then:%B}"

    def _restore(self, now_s: float) -> None:
        """Take up what the run before had learned; at the first hour, when the clock is set."""
        store = self._out.learned
        if self._restored or store is None:
            return
        self._restored = True
        payload = store.load()
        if payload is None:
            return
        try:
            boxes, later_h = self._taken(payload, now_s)
            for name, plain in boxes.items():
                if name in self._run.config.chambers:
                    box = self._boxes.setdefault(name, _Box())
                    box.night = tonight.from_plain(plain["night"], later_h)
                    box.drift = drift.from_plain(plain["drift"], later_h)
        except (ValueError, TypeError, KeyError) as error:
            _log.warning("what was learned of the boxes is forgotten: %s", error)

    def _taken(self, payload: Any, now_s: float) -> tuple[Mapping[str, Any], int | None]:
        """What was kept, and how the hours of then are called now."""
        match payload:
            case {"hour": int(then), "wall_ms": int(wall_ms), "boxes": dict(boxes)}:
                pass
            case _:
                raise ValueError("it is none of ours")
        if not self._out.clock.synchronised():
            return boxes, None
        gap_ms = self._out.clock.wall_ms() - wall_ms
        if not 0 <= gap_ms <= LONGEST_GAP_MS:
            return boxes, None
        return boxes, int(now_s // HOUR_S) - round(gap_ms / HOUR_MS) - then

    def stop(self, now_s: float) -> None:
        """Keep what was learned, at the end of a run.  Never raises."""
        if self._saved is None or self._broken:
            return
        self._saved -= SAVE_EVERY_H
        try:
            self._keep(now_s)
        except Exception as error:  # noqa: BLE001 - the end of the run is still to be logged
            _log.error("a fault of foresight's own", exc_info=error)

    def _keep(self, now_s: float) -> None:
        store, number = self._out.learned, int(now_s // HOUR_S)
        if store is None or not self._restored or not self._out.clock.synchronised():
            return
        if self._saved is None:
            self._saved = number
        if number - self._saved < SAVE_EVERY_H:
            return
        self._saved = number
        store.save(
            {
                "hour": number,
                "wall_ms": self._out.clock.wall_ms(),
                "boxes": {
                    name: {
                        "night": tonight.to_plain(box.night),
                        "drift": drift.to_plain(box.drift),
                    }
                    for name, box in self._boxes.items()
                },
            }
        )
