"""The borrowed probes in a run of the daemon: reads them, keeps rows, answers requests.

It never decides anything about heat, and what it asks of the outside returns at once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from bottomheat import borrowing
from bottomheat.borrowing import Outcome
from bottomheat.model import Event
from bottomheat.outside import Outside, Run


class Lessons:
    """The sessions of one run; they are kept in ``run.sessions``.

    Args:
        outside: the ports.
        run: what the loop keeps; the sessions that go on from the run before are begun at once.
        say: logs and tells an event.
    """

    def __init__(self, outside: Outside, run: Run, say: Callable[[Event], None]) -> None:
        self._out = outside
        self._run = run
        self._say = say
        if outside.borrowed is not None:
            for name, session in run.sessions.items():
                outside.borrowed.lend(name, session.probe)

    def turn(self, now_s: float) -> None:
        """Take what the borrowed probes say in this cycle."""
        run, port = self._run, self._out.borrowed
        if not run.sessions or port is None:
            return
        answers = port.newest()
        for name, session in list(run.sessions.items()):
            step = borrowing.advance(name, session, answers.get(name), run.config, now_s)
            if step.kept is not None:
                self._out.journal.note_borrowed(name, step.kept.celsius, step.kept.at_s)
            if step.session is None:
                del run.sessions[name]
                port.give_back(name)
            else:
                run.sessions[name] = step.session
            self._keep(step.row, step.events)

    def begin(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Answer a request to learn."""
        port = self._out.borrowed
        if port is None:
            return {"ok": False, "error": "this service has no bus to read a borrowed probe on."}
        now_s = self._out.clock.monotonic_s()
        done = borrowing.begin(self._run.sessions, self._run.config, request, now_s)
        if done.row is not None:
            port.lend(done.row.chamber, done.row.probe)
        return self._take(done)

    def stop(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Answer a request to stop learning."""
        now_s = self._out.clock.monotonic_s()
        done = borrowing.stop(self._run.sessions, self._run.config, request, now_s)
        if done.row is not None and self._out.borrowed is not None:
            self._out.borrowed.give_back(done.row.chamber)
        return self._take(done)

    def shown(self) -> dict[str, dict[str, Any]]:
        """The sessions for the screen, by chamber."""
        return borrowing.shown(self._run.sessions, self._out.clock.monotonic_s())

    def _take(self, done: Outcome) -> dict[str, Any]:
        self._run.sessions = dict(done.sessions)
        self._keep(done.row, done.events)
        return done.answer

    def _keep(self, row: borrowing.Row | None, events: tuple[Event, ...]) -> None:
        if row is not None:
            self._out.journal.note_borrowing(*row)
        for event in events:
            self._say(event)
