"""Foresight in a run of the daemon: will tonight hold, and has the box changed over weeks?

It never touches the heat.  ``Boxes`` gathers hours from the cycles' rows and looks once an hour, in
the daemon as in a rehearsal.  ``Foresight`` keeps what that has learned over a restart; a fault of
its own is logged once and ends it, not the service.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection, Container, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from bottomheat import drift, drift_words, tonight
from bottomheat.alarm_desk import Key
from bottomheat.config import ChamberConfig, Config
from bottomheat.drift_words import Change
from bottomheat.hourly import HOUR_S, Gathering, Hour, take
from bottomheat.lift import Learned, lift_of
from bottomheat.model import Alarm, Event, EventKind, Record
from bottomheat.outside import Outside, Run
from bottomheat.protect.tending import Doing, Lid
from bottomheat.state import ChamberState, ControllerState

SAVE_EVERY_H = 6
"""What is learned is kept so often: less than is bridged after a restart (``GAPS_H``)."""

LONGEST_GAP_MS = 60 * 86_400_000
HOUR_MS = 3_600_000

_log = logging.getLogger("bottomheat")


IN_DOUBT: Final = frozenset({Alarm.KEEPER_HOLDS, Alarm.KEEPER_SILENT})
"""While one of these stands in the house nobody knows whether heat flows: no hour is calm."""


@dataclass(frozen=True, slots=True)
class Box:
    """What is remembered of one box; ``anew``: it was filled or moved since it was looked at."""

    gathering: Gathering | None = None
    night: tonight.Night = field(default_factory=tonight.Night)
    drift: drift.Drift = field(default_factory=drift.Drift)
    anew: bool = False


@dataclass(frozen=True, slots=True)
class Changed:
    """A box that has changed, and the hour that showed it."""

    chamber: str
    change: Change
    hour: Hour


class Boxes:
    """What is foretold of each box, and what is remembered for it.  Knows no clock and no file."""

    def __init__(self) -> None:
        self._boxes: dict[str, Box] = {}

    def __deepcopy__(self, memo: dict[int, Any]) -> Boxes:
        twin = Boxes()
        twin._boxes = dict(self._boxes)  # a box never changes
        return twin

    def turn(
        self,
        records: Sequence[Record],
        config: Config,
        state: ControllerState,
        house: Collection[Alarm],
        now_s: float,
        before_look: Callable[[], None] = lambda: None,
    ) -> tuple[dict[Key, str], tuple[Changed, ...]]:
        """Take a cycle into account: the warnings that stand, and the boxes that have changed.

        Args:
            records: the cycle's rows.
            config: the one in force.
            state: the controller's, after the cycle.
            house: alarms of the house that stand.
            now_s: monotonic time, s.
            before_look: called before an hour that has ended is looked at.
        """
        doubt = not IN_DOUBT.isdisjoint(house)
        stands: dict[Key, str] = {}
        changes: list[Changed] = []
        for record in records:
            name = record.chamber
            chamber, of = config.chambers.get(name), state.chambers.get(name)
            if chamber is None or of is None:
                continue
            box = self._boxes.get(name, Box())
            tending = of.tending
            anew = box.anew or (tending is not None and tending.doing in (Doing.FILL, Doing.MOVE))
            calm = (
                chamber.in_use
                and not doubt
                and tending is None
                and of.lid is Lid.ON
                and of.no_heat is None
            )
            gathering, hour = take(box.gathering, record, chamber.heater.watts, now_s, calm=calm)
            self._boxes[name] = Box(gathering, box.night, box.drift, anew)
            if hour is not None:
                before_look()
                box, change = _looked(self._boxes[name], hour, chamber, of)
                self._boxes[name] = box
                if change is not None:
                    changes.append(Changed(name, change, hour))
            night = self._boxes[name].night
            # Once it is cold the shortfall's own alarm has the word.
            foretold = night.stands and chamber.in_use and Alarm.SHORTFALL not in record.alarms
            if foretold and night.outlook is not None:
                stands[name, Alarm.TONIGHT] = tonight.words(night.outlook)
        return stands, tuple(changes)

    def to_plain(self) -> dict[str, Any]:
        """What is worth keeping over a restart, as JSON data."""
        return {
            name: {"night": tonight.to_plain(box.night), "drift": drift.to_plain(box.drift)}
            for name, box in self._boxes.items()
        }

    def take_up(self, plain: Mapping[str, Any], later_h: int | None, names: Container[str]) -> None:
        """Go on with what a run before has kept; the hours gathered since the start stay.

        Args:
            plain: what ``to_plain`` made.
            later_h: what to add to its hours; None where nobody knows how long ago it was.
            names: the boxes that there are.

        Raises:
            KeyError, TypeError, ValueError: it is none of ours.
        """
        for name, kept in plain.items():
            if name in names:
                night = tonight.from_plain(kept["night"], later_h)
                drifted = drift.from_plain(kept["drift"], later_h)
                box = self._boxes.get(name, Box())
                self._boxes[name] = replace(box, night=night, drift=drifted)


def _looked(
    box: Box, hour: Hour, chamber: ChamberConfig, state: ChamberState
) -> tuple[Box, Change | None]:
    """Look at an hour that has ended; also how the box has changed, if it has."""
    layer, lead = state.watch.layer, state.watch.lead
    learned = Learned(layer.full_k, lead.level_k, layer.learned_s / HOUR_S)
    lift = lift_of(chamber, learned)
    night = tonight.advance_hour(box.night, hour, chamber, lift)
    drifted = drift.afresh(box.drift) if box.anew else box.drift
    response = tonight.response_of(chamber, lift)
    drifted, change = drift.advance_hour(drifted, hour, response, chamber.heater.watts)
    return Box(box.gathering, night, drifted), change


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
        self._boxes = Boxes()
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
        stands, changes = self._boxes.turn(
            records, run.config, run.state, run.house, now_s, lambda: self._restore(now_s)
        )
        for each in changes:
            text = drift_words.words(each.change, self._day(each.change.since_day, each.hour))
            self._say(Event(EventKind.DIAGNOSED, now_s, each.chamber, text, durable=True))
        self._keep(now_s)
        return stands

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
            self._boxes.take_up(*self._taken(payload, now_s), self._run.config.chambers)
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
                "boxes": self._boxes.to_plain(),
            }
        )
