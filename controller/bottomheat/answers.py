"""Answers to the commands that come by the control socket, in the time between two cycles."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from bottomheat import alarm_answers, cycle, reference_request, tend_request
from bottomheat.alarm_answers import Changed
from bottomheat.commission import proving
from bottomheat.contacts import Contacts
from bottomheat.errors import LatchError
from bottomheat.lessons import Lessons
from bottomheat.model import Event, EventKind
from bottomheat.outside import Outside, Run
from bottomheat.seasonal import Seasonal


class Answers:
    """Answers to what clients ask of one run of the daemon.

    Args:
        outside: the ports.
        run: what the loop keeps; an answer may change it.
        say: logs and tells an event.
        lessons: the borrowed probes.
        seasonal: the batches.
        contacts: how often the relays have closed.
    """

    def __init__(
        self,
        outside: Outside,
        run: Run,
        say: Callable[[Event], None],
        lessons: Lessons,
        seasonal: Seasonal,
        contacts: Contacts,
    ) -> None:
        self._out = outside
        self._run = run
        self._say = say
        self._lessons = lessons
        self._seasonal = seasonal
        self._contacts = contacts

    def handle(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Answer one request of the control socket; never raises on what a client may send."""
        match request.get("do"):
            case "ping":
                return {"ok": True}
            case "status":
                return {"ok": True, **self._status()}
            case "reset":
                return self._do_reset(request.get("chamber"), confirmed=request.get("confirmed"))
            case "prove":
                return self._do_prove()
            case "prove-stop":
                return self._do_prove_stop()
            case "proving":
                return self._do_proving()
            case "experiment" | "experiment-stop" | "experiments":
                return self._experiment(request)
            case "alarms":
                return self._alarms()
            case "ack":
                return self._desk(
                    alarm_answers.acknowledge(
                        self._run.desk, request.get("what"), self._run.config, self._now_s()
                    )
                )
            case "pause":
                return self._desk(alarm_answers.pause(self._run.desk, request, *self._now()))
            case "tend":
                return self._tend(request)
            case "away":
                return self._desk(alarm_answers.away(self._run.desk, request, *self._now()))
            case "write-soon":
                self._out.journal.write_soon()
                return {"ok": True, "now_ms": self._out.clock.wall_ms()}
            case "reference" | "reference-drop" | "probe-check":
                return self._keep(request)
            case "season":
                return self._seasonal.answer(request)
            case "learn":
                return self._lessons.begin(request)
            case "learn-stop":
                return self._lessons.stop(request)
            case "learning":
                return {"ok": True, "sessions": self._lessons.shown()}
            case _:
                return {
                    "ok": False,
                    "error": "unknown request: is this command as new as the service?",
                }

    def _now_s(self) -> float:
        return self._out.clock.monotonic_s()

    def _now(self) -> tuple[float, int]:
        return self._now_s(), self._out.clock.wall_ms()

    def _alarms(self) -> dict[str, Any]:
        run, clock = self._run, self._out.clock
        return alarm_answers.alarms_answer(
            run.desk, run.board, run.config, *self._now(), synchronised=clock.synchronised()
        )

    def _desk(self, changed: Changed) -> dict[str, Any]:
        """Take over what a request did to the desk."""
        self._run.desk, events, answer = changed
        for event in events:
            self._say(event)
        return answer

    def _tend(self, request: Mapping[str, Any]) -> dict[str, Any]:
        run = self._run
        done = tend_request.handle(run.state, run.config, request, *self._now())
        run.state = done.state
        for event in done.events:
            self._say(event)
        if done.row is not None:
            self._out.journal.note_tending(*done.row)
        return done.answer

    def _keep(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Keep what a grower measured."""
        done = reference_request.handle(self._run.config, request, self._now_s())
        done.keep(self._out.journal)
        for event in done.events:
            self._say(event)
        return done.answer

    def _experiment(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Begin, stop or show experiments."""
        from bottomheat.commission import experiment_request

        run, now_s = self._run, self._now_s()
        if request.get("do") == "experiments":
            return {"ok": True, "experiments": experiment_request.shown(run.state, now_s)}
        if request.get("do") == "experiment":
            done = experiment_request.handle(
                run.state,
                run.config,
                request,
                now_s,
                learning=run.sessions,
                log_failure=self._out.journal.failure(),
            )
        else:
            done = experiment_request.stop(run.state, request, now_s)
        run.state = done.state
        for event in done.events:
            self._say(event)
        return done.answer

    def _status(self) -> dict[str, Any]:
        out, run = self._out, self._run
        now_s = out.clock.monotonic_s()
        status = out.keeper.status()
        answer = run.board.answer(run.state, run.config, status, now_s)
        sessions, seasons = self._lessons.shown(), self._seasonal.shown()
        contacts = self._contacts.shown()
        trials = {}
        if any(chamber.experiment is not None for chamber in run.state.chambers.values()):
            from bottomheat.commission import experiment_request

            trials = experiment_request.shown(run.state, now_s)
        for chamber in answer["chambers"]:
            chamber["experiment"] = trials.get(chamber["name"])
            chamber["learning"] = sessions.get(chamber["name"])
            chamber["season"] = seasons.get(chamber["name"])
            chamber["contacts"] = contacts.get(chamber["name"])
        answer |= alarm_answers.status_rows(run.desk, now_s, out.clock.wall_ms())
        answer["keeper_pid"] = None if status is None else status.pid
        answer["wall_ms"] = out.clock.wall_ms()
        answer["synchronised"] = out.clock.synchronised()
        answer["coldest_room_c"] = self._run.config.coldest_room_c
        return answer

    def _do_reset(self, name: object, *, confirmed: object) -> dict[str, Any]:
        if not isinstance(name, str) or name not in self._run.state.chambers:
            known = ", ".join(self._run.state.chambers)
            return {"ok": False, "error": f"no such chamber; there are: {known}"}
        chamber = self._run.state.chambers[name]
        cause = chamber.cutoff.latched
        status = self._out.keeper.status()
        line = None if status is None else status.line(name)
        keeper_latched = line is not None and line.latched
        new, cleared, lines = cycle.reset_cutoff(self._run.state, name, self._run.config)
        answer: dict[str, Any] = {
            "chamber": name,
            "latched": cause,
            "keeper_latched": line.reason if line is not None and keeper_latched else None,
            "since_ms": self._run.latched[name].wall_ms if name in self._run.latched else None,
            "proof": list(lines),
            "fit": cleared,
        }
        if cause is None and not keeper_latched:
            return {"ok": True, "done": False, **answer}
        if not cleared:
            return {"ok": False, "error": "the cause is not gone", **answer}
        own = self._run.config.chambers[name].keeper_probe
        if line is None:
            return {"ok": False, "error": "the keeper has not answered yet: try again", **answer}
        if line.latched and own is not None and line.probe_c is None:
            silent = "the keeper's own probe gives no good reading yet: try again in a minute"
            return {"ok": False, "error": silent, **answer}
        if confirmed is not True:
            return {"ok": True, "done": False, **answer}
        now_s = self._out.clock.monotonic_s()
        kept = {key: latch for key, latch in self._run.latched.items() if key != name}
        try:
            self._out.latches.save(kept)
        except LatchError as error:
            return {"ok": False, "error": str(error), **answer}
        self._run.latched = kept
        self._run.state = new
        self._run.reset.add(name)
        text = f"cutoff reset by hand; it was: {cause or 'the keeper alone had latched'}"
        self._say(Event(EventKind.RESET, now_s, name, text, durable=True))
        return {"ok": True, "done": True, **answer}

    def _do_prove(self) -> dict[str, Any]:
        state = self._run.state
        if state.proving is not None and not state.proving.finished:
            return {"ok": False, "error": "proving is already under way"}
        latched = [n for n, c in state.chambers.items() if c.cutoff.latched is not None]
        if latched:
            return {"ok": False, "error": f"{', '.join(latched)} is cut out: reset it first"}
        self._run.state = replace(state, proving=proving.begin(tuple(state.chambers)))
        self._run.proving_told = False
        return {"ok": True}

    def _do_prove_stop(self) -> dict[str, Any]:
        run = self._run.state.proving
        if run is not None and not run.finished:
            stopped = replace(run, cancelled="stopped by hand")
            self._run.state = replace(self._run.state, proving=stopped)
            now_s = self._out.clock.monotonic_s()
            self._say(Event(EventKind.PROVED, now_s, None, stopped.summary, durable=True))
        return {"ok": True}

    def _do_proving(self) -> dict[str, Any]:
        run = self._run.state.proving
        if run is None:
            return {"ok": True, "finished": True, "passed": self._run.state.proved, "chambers": []}
        under = run.waiting[0] if run.waiting else None
        no_heat = None if under is None else self._run.state.chambers[under].no_heat
        return {
            "ok": True,
            "finished": run.finished,
            "passed": run.passed,
            "summary": run.summary,
            "under_test": under,
            "phase": run.phase.value,
            "no_heat": no_heat,
            "rises": {
                f"{chamber} {place.value}": rise for (chamber, place), rise in run.peak.items()
            },
            "chambers": [
                {"chamber": v.chamber, "passed": v.passed, "lines": list(v.lines)}
                for v in run.verdicts
            ],
        }
