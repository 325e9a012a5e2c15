"""The season in a run of the daemon: keeps the ledger, says which setpoints are in force.

It never touches the heat itself: the cycle gets a config whose setpoints and ceilings are those in
force.  Where the ledger could not be read, the setpoints of the run before stay.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from bottomheat.alarm_desk import Key
from bottomheat.config import Config
from bottomheat.model import Event, EventKind, Record
from bottomheat.outside import Outside, Run
from bottomheat.season import from_config, orders, relays, tops
from bottomheat.season.ledger import Dated, SeasonEntry, fold
from bottomheat.season.orders import Orders

_log = logging.getLogger("bottomheat")


class Seasonal:
    """The season of one run.

    Args:
        outside: the ports.
        run: what the loop keeps; ``run.config`` is always the config in force.
        say: logs and tells an event.
        entries: the ledger as the log had it at the start.
        trouble: why it could not be read, or None.
    """

    def __init__(
        self,
        outside: Outside,
        run: Run,
        say: Callable[[Event], None],
        entries: Iterable[Dated] = (),
        trouble: str | None = None,
    ) -> None:
        self._out = outside
        self._run = run
        self._say = say
        self._entries = list(entries)
        self._trouble = trouble
        self._season = fold(self._entries)
        self._orders = self._kept()
        self._saved: object = None
        self._warm: Mapping[str, tops.Warm] = {}
        self._unplaced: dict[int, float] = {}
        self._failure: str | None = None
        self._relays: relays.Told | None = None

    def _kept(self) -> Orders:
        """The setpoints of the run before; none where nothing usable was kept."""
        store = self._out.setpoints
        payload = None if store is None else store.load()
        if payload is None:
            return Orders()
        try:
            return orders.from_plain(payload)
        except ValueError as error:
            _log.warning("%s; the rule begins anew", error)
            return Orders()

    def start(self, now_s: float) -> None:
        """Take in what the config file says of batches, and put the setpoints in force."""
        if self._trouble is not None:
            self._tell_trouble(now_s)
        self.take_written(self._run.written)
        self.turn(now_s)

    def turn(self, now_s: float) -> None:
        """Put in force what the rule says by now; never raises: heat does not wait for it."""
        try:
            self._turn(now_s)
        except Exception as error:  # noqa: BLE001 - a fault of ours must not end in a cold box
            self._give_up(error, now_s)

    def _give_up(self, error: Exception, now_s: float) -> None:
        """Keep the setpoints as they are from now on, and say so."""
        _log.error("a fault of the season's own", exc_info=error)
        self._trouble = f"a fault in bottomheat itself: {type(error).__name__}: {error}"
        self._run.config = orders.as_kept(self._orders, self._run.written)
        self._tell_trouble(now_s)

    def _tell_trouble(self, now_s: float) -> None:
        kept = orders.as_kept(self._orders, self._run.written)
        boxes = ", ".join(
            f"{name} at {box.callus_zone_c:g} °C, wet layer at most {box.layer_ceiling_c:g}"
            for name, box in kept.chambers.items()
        )
        text = f"the season is not known ({self._trouble}); setpoints stay as they were: {boxes}"
        self._say(Event(EventKind.SEASON, now_s, None, text, durable=True))

    def _turn(self, now_s: float) -> None:
        run, clock = self._run, self._out.clock
        if self._trouble is not None:
            run.config = orders.as_kept(self._orders, run.written)
            return
        if self._unplaced and clock.synchronised():
            self._place(now_s)
        self._orders, run.config, events = orders.advance(
            self._orders,
            run.written,
            self._season,
            now_s,
            clock.wall_ms(),
            clock_sure=clock.synchronised(),
        )
        for event in events:
            self._say(event)
        self._keep()

    def _place(self, now_s: float) -> None:
        """Give what was entered before the clock was set the time that the log gives it too."""
        wall_ms = self._out.clock.wall_ms()
        for index, dated in enumerate(self._entries):
            at_s = self._unplaced.get(dated.number)
            if at_s is not None:
                entered_ms = wall_ms - round((now_s - at_s) * 1000)
                self._entries[index] = replace(dated, entered_ms=entered_ms, sure=True)
        self._unplaced.clear()
        self._season, self._relays = fold(self._entries), None

    def _keep(self) -> None:
        """Have the setpoints kept over a restart, where they changed."""
        store, essence = self._out.setpoints, orders.essence(self._orders)
        if store is not None and essence != self._saved:
            self._saved = essence
            store.save(orders.to_plain(self._orders))
        failure = None if store is None else store.failure()
        if failure != self._failure and failure is not None:
            now_s = self._out.clock.monotonic_s()
            self._say(Event(EventKind.LOG, now_s, None, failure))
        self._failure = failure

    def take_written(self, config: Config) -> None:
        """Make entries of what the config file says anew; never raises."""
        if self._trouble is not None:
            return  # what the ledger has already would be entered again
        try:
            self._take_written(config)
        except Exception as error:  # noqa: BLE001 - as above
            self._give_up(error, self._out.clock.monotonic_s())

    def _take_written(self, config: Config) -> None:
        clock = self._out.clock
        now_ms = clock.wall_ms() if clock.synchronised() else None
        new = from_config.entries(config, self._season, now_ms, self._out.zone)
        problems = self._season.problems
        for entry in new:
            self._note(entry)
        told = sorted({entry.batch for entry in new if entry.batch is not None})
        if told:
            text = f"taken from the config file: {', '.join(told)}"
            wrong = [each for each in self._season.problems if each not in problems]
            if wrong:
                text += "; " + "; ".join(wrong)
            self._say(Event(EventKind.SEASON, clock.monotonic_s(), None, text, durable=True))

    def conditions(self, records: Sequence[Record], now_s: float) -> dict[Key, str]:
        """The alarms of the season that stand."""
        if self._trouble is not None:
            return {}
        config = self._run.written
        self._warm = tops.follow(self._warm, records, config, self._season)
        return tops.conditions(self._warm, records, config, self._season, now_s)

    def answer(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Answer a request about batches; never raises on what a client may send."""
        if self._trouble is not None:
            return {
                "ok": False,
                "error": f"the season is not known ({self._trouble}): restart the service once the "
                "log is well; setpoints stay as they were",
            }
        from bottomheat.season import request  # a megabyte that most days need not be there

        clock = self._out.clock
        now_s = clock.monotonic_s()
        done = request.handle(
            self._entries,
            self._run.written,
            asked,
            clock.wall_ms(),
            now_s,
            clock_sure=clock.synchronised(),
            in_force_c={name: box.setpoint_c for name, box in self._orders.boxes.items()},
        )
        for entry in done.entries:
            self._note(entry)
        for event in done.events:
            self._say(event)
        if done.entries:
            self.turn(now_s)
        return done.answer

    def relays_changed(self) -> relays.Told | None:
        """When the grower had each relay changed; None where the ledger could not be read."""
        if self._trouble is not None:
            return None
        if self._relays is None:
            self._relays = relays.told(self._entries)
        return self._relays

    def shown(self) -> dict[str, dict[str, Any]]:
        """What rules each box, for the screen."""
        return {
            name: {
                "lead": box.order.lead,
                "wanted_c": box.order.setpoint_c,
                "why": box.order.why,
                "conflicts": list(box.order.conflicts),
            }
            for name, box in self._orders.boxes.items()
        }

    def _note(self, entry: SeasonEntry) -> None:
        clock = self._out.clock
        number = 1 + max((dated.number for dated in self._entries), default=0)
        self._out.journal.note_season(entry, number)
        self._entries.append(Dated(number, clock.wall_ms(), clock.synchronised(), entry))
        if not clock.synchronised():
            self._unplaced[number] = clock.monotonic_s()
        self._season, self._relays = fold(self._entries), None
