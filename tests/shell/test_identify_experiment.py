"""``identify --step`` and ``--relay``: requests, real cycle, real log, and the fit from that."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from bottomheat.chamber import Chamber
from bottomheat.cli import group, identify_experiment
from bottomheat.cli.identify_cmd import keep
from bottomheat.cli.identify_experiment import (
    Wish,
    conduct,
    evaluated,
    last_span,
    spans,
    stretch_of,
)
from bottomheat.commission import experiment_request
from bottomheat.commission.experiment import Kind
from bottomheat.errors import InputError, NotRunningError, RefusedError
from bottomheat.identification.found import Found, NotEnough
from bottomheat.model import Alarm, Event, EventKind, Place
from bottomheat.response import Response
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.log import LogReader
from experiment_world import Trial
from log_tools import NOW_MS, SetClock, journal
from loopbench import BOX, Bench, config


class Service:
    """A box under the real cycle that answers requests; an hour passes with each look."""

    def __init__(self, folder: Any, room_c: float = 14.0) -> None:
        self.trial = Trial(Chamber(), 45.0, room_c, settle_h=8.0)
        self.trial.plant.events.clear()
        self.clock = SetClock(self.trial.plant.now_s, NOW_MS)
        self.journal = journal(folder, self.clock)
        self.path = folder / "log.sqlite"
        self.asked: list[str] = []
        self.lose_heat_after: int | None = None
        self.dies_after: int | None = None

    def request(self, message: Any) -> dict[str, Any]:
        plant = self.trial.plant
        self.asked.append(message["do"])
        if message["do"] == "experiments":
            if self.dies_after is not None and len(self.asked) > self.dies_after:
                return {"ok": True, "experiments": {}}
            answer = {"ok": True, "experiments": experiment_request.shown(plant.state, plant.now_s)}
            self.hours(1.0)
            return answer
        if message["do"] == "experiment":
            done = experiment_request.handle(plant.state, plant.config, message, plant.now_s)
        else:
            done = experiment_request.stop(plant.state, message, plant.now_s)
        plant.state = done.state
        self.journal.record((), done.events)
        return done.answer

    def hours(self, hours: float) -> None:
        """Let time pass, into the log."""
        plant = self.trial.plant
        for _ in range(round(hours * 3600 / plant.config.cycle_s)):
            step = plant.step()
            self.clock.now_s = plant.now_s
            self.clock.wall = NOW_MS + round((plant.now_s - 29_800.0) * 1000)
            self.journal.record(step.records, step.events)

    def read(self) -> LogReader:
        self.journal.close()
        return LogReader(self.path)


@pytest.fixture
def service(tmp_path: Any) -> Service:
    return Service(tmp_path)


def wish(kind: Kind, **more: Any) -> Wish:
    return Wish(kind, **{"yes": True, "every_s": 0.0, **more})


@pytest.mark.parametrize("kind", list(Kind))
def test_from_the_question_to_the_model(
    service: Service, kind: Kind, capsys: pytest.CaptureFixture[str]
) -> None:
    """Explained, begun, followed, over; the log alone gives the model."""
    conduct(service.request, "bench", wish(kind))
    said = capsys.readouterr().out
    assert "come to rest: an hour at least" in said
    assert "All protection stays on" in said
    assert "waiting until the box is at rest" in said
    assert f"The {kind.value} is over" in said
    with service.read() as reader:
        span = last_span(reader, "bench", kind)
        assert span.how.startswith("complete")
        found, seen = evaluated(stretch_of(service.trial.plant.config, reader, "bench", span), span)
    assert isinstance(found, Found), found
    assert found.method == kind.value
    assert found.response.dead_s == pytest.approx(900.0, rel=0.5)
    assert (seen is not None) is (kind is Kind.RELAY)
    if seen is not None:
        plain = identify_experiment.relay_plain(seen)
        assert plain["ku_per_k"] == pytest.approx(seen.ku_per_k)
        assert any("Ultimate gain" in line for line in identify_experiment.relay_lines(seen))


def test_command_reads_the_last_one(service: Service, tmp_path: Any) -> None:
    """``--step --last`` in words, as JSON for ``tune``, and into the config."""
    conduct(service.request, "bench", wish(Kind.STEP))
    service.journal.close()
    file = tmp_path / "chamber.yaml"
    file.write_text(
        f"log: {service.path}\nrun_folder: {tmp_path}/nobody\nchambers:\n"
        "  bench:   # ours\n    callus_zone: 25\n    heater: {gpio: 17, watts: 45}\n"
        "    probes: {substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}\n"
        "    offset: {method: temperature-factor, factor: 0.74}\n"
    )
    words = ["identify", "--config", str(file), "--last"]
    shown = CliRunner().invoke(group, [*words, "--step"], catch_exceptions=False)
    assert shown.exit_code == 0, shown.output
    assert "from a step of" in shown.output
    assert "It ended so: complete" in shown.output
    data = CliRunner().invoke(group, [*words, "--step", "--json"], catch_exceptions=False)
    found = json.loads(data.stdout)["found"]
    assert found["method"] == "step"
    assert found["intervals"]["slope"][0] < found["intervals"]["slope"][1]
    assert 0.0 <= found["first_rise_s"] <= found["response"]["dead_s"]
    CliRunner().invoke(group, [*words, "--step", "--write"], catch_exceptions=False)
    text = file.read_text()
    assert "# ours" in text
    for key in ("dead_time:", "slope_uncertainty:", "method: step"):
        assert key in text
    model = load_config(file).chambers["bench"].model
    assert model is not None
    box = Chamber()
    mat_k_per_w = box.settled("mat", 1.0, 0.0) - box.settled("substrate", 1.0, 0.0)
    assert model.mat_gain_k_per_w == pytest.approx(mat_k_per_w, rel=0.08)
    none = CliRunner().invoke(group, [*words, "--relay"])
    assert isinstance(none.exception, InputError)
    assert "holds no relay of bench" in str(none.exception)
    for what in (["--step"], ["--stop"]):
        idle = CliRunner().invoke(group, ["identify", "--config", str(file), *what])
        assert isinstance(idle.exception, NotRunningError)
        assert "run by the service, under its protection" in str(idle.exception)


@pytest.mark.parametrize(("method", "stays"), [("step", True), ("log", False)])
def test_what_is_known_of_the_mat_stays_where_an_experiment_says_nothing_of_it(
    tmp_path: Any, method: Any, stays: bool
) -> None:
    """Its probe was silent, say; a log that says nothing is another matter."""
    file = tmp_path / "chamber.yaml"
    file.write_text(
        "chambers:\n  bench:\n    callus_zone: 25\n    heater: {gpio: 17, watts: 45}\n"
        "    probes: {substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}\n"
        "    offset: {method: temperature-factor, factor: 0.74}\n"
        "    model: {gain: 0.6, slow_lag: 9, quick_lag: 2, quick_share: 0.4, dead_time: 0.25, "
        "mat_gain: 0.51, mat_swing: 0.06, method: log}\n"
    )
    found = Found(
        response=Response(0.7, 32_000.0, 6000.0, 0.4, 900.0),
        callus=None,
        intervals={},
        method=method,
        hours=6.0,
        rows=30,
        residual_rms_k=0.01,
    )
    keep(file, file.read_text(), "bench", found, quiet=True)
    model = load_config(file).chambers["bench"].model
    assert model is not None
    assert (model.gain_k_per_w, model.method) == (0.7, method)
    assert (model.mat_gain_k_per_w == 0.51) is stays


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--step", "--relay"], "say one of"),
        (["--last"], "goes with --step or --relay"),
        (["--last", "--stop", "--step"], "say one of them"),
        (["--hours", "4"], "go with --step"),
        (["--periods", "4", "--step"], "goes with --relay"),
    ],
)
def test_options_that_do_not_go_together(words: list[str], why: str) -> None:
    shown = CliRunner().invoke(group, ["identify", *words])
    assert shown.exit_code == 2
    assert why in shown.output


def test_grower_who_says_no(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is begun."""
    monkeypatch.setattr("click.confirm", lambda _question, **_how: False)
    with pytest.raises(RefusedError, match="nothing was begun"):
        conduct(service.request, "bench", wish(Kind.STEP, yes=False))
    assert service.trial.chamber.experiment is None


def test_ctrl_c_stops_it(service: Service) -> None:
    """By hand: the service goes on, and what was logged is not thrown away."""
    looks: list[str] = []

    def request(message: Any) -> dict[str, Any]:
        looks.append(message["do"])
        if message["do"] == "experiments" and looks.count("experiments") == 5:
            raise KeyboardInterrupt
        return service.request(message)

    with pytest.raises(RefusedError, match="--step --last"):
        conduct(request, "bench", wish(Kind.STEP))
    assert looks[-1] == "experiment-stop"
    assert service.trial.experiment.over == experiment_request.STOPPED
    with service.read() as reader:
        span = last_span(reader, "bench", Kind.STEP)
        assert span.how == "broken off: stopped by hand"
        assert span.over_ms is not None


def test_what_stops_it_at_rest_is_said(service: Service) -> None:
    """Heat is lost before it began: refused with the reason, nothing to read out."""
    plant = service.trial.plant

    def request(message: Any) -> dict[str, Any]:
        answer = service.request(message)
        if message.get("confirmed"):
            plant.state = replace(plant.state, hold="no latch file")
        return answer

    with pytest.raises(RefusedError, match="was not begun: no heat: no latch file"):
        conduct(request, "bench", wish(Kind.STEP))
    with service.read() as reader, pytest.raises(InputError, match="holds no step of bench"):
        last_span(reader, "bench", Kind.STEP)


def test_service_that_was_restarted_lost_it(service: Service) -> None:
    """Its state is gone: said so."""
    service.dies_after = 4
    with pytest.raises(RefusedError, match="restarted meanwhile"):
        conduct(service.request, "bench", wish(Kind.STEP))


def test_second_window_joins(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    """One that runs is shown, not begun again."""
    service.request({"do": "experiment", "chamber": "bench", "kind": "step", "confirmed": True})
    conduct(service.request, "bench", wish(Kind.STEP))
    assert "under way already" in capsys.readouterr().out
    assert service.asked.count("experiment") == 1


def test_minutes_before_a_lost_probe_are_left_out(service: Service) -> None:
    """A wet-layer probe that slips out reads on for a while: that is not how a box answers."""
    looks: list[str] = []

    def request(message: Any) -> dict[str, Any]:
        looks.append(message["do"])
        if looks.count("experiments") == 6:
            service.trial.plant.lies["bench", Place.SUBSTRATE] = lambda _box, room_c: room_c
        return service.request(message)

    conduct(request, "bench", wish(Kind.STEP))
    with service.read() as reader:
        span = last_span(reader, "bench", Kind.STEP)
        assert not span.sound
        stretch = stretch_of(service.trial.plant.config, reader, "bench", span)
    assert stretch is not None
    assert span.over_ms is not None
    assert stretch.time_s[-1] < span.over_ms / 1000.0 - 590.0
    assert float(np.ptp(stretch.substrate_c)) < 2.0


def test_log_of_a_run_that_ended_in_between() -> None:
    """Begun and never over: the restart ended it; another kind and box are left alone."""

    class Row:
        def __init__(self, run: int, wall_ms: int, event: Event) -> None:
            self.run, self.wall_ms, self.sure, self.event = run, wall_ms, True, event

    def said(run: int, minute: int, text: str, box: str = "bench") -> Any:
        return Row(run, minute * 60_000, Event(EventKind.EXPERIMENT, 0.0, box, text))

    rows = [
        Row(1, 500 * 60_000, Event(EventKind.TENDING, 0.0, "bench", "tended before")),
        said(1, 510, "experiment: the step was asked for; first"),
        said(1, 570, "experiment: the step begins: heat changed"),
        said(1, 580, "experiment: the relay begins: heat", "other"),
        Row(2, 600 * 60_000, Event(EventKind.STARTED, 0.0, None, "service started")),
        said(2, 700, "experiment: the relay was asked for; first"),
        said(2, 760, "experiment: the relay begins: heat was on"),
        said(2, 999, "experiment: the relay is over, broken off: the box is being tended"),
    ]
    step, relay = spans(rows, "bench")
    assert (step.kind, step.run, step.over_ms) == (Kind.STEP, 1, None)
    assert step.from_ms == 500 * 60_000  # nobody at the box since
    assert relay.from_ms == 640 * 60_000
    assert (relay.over_ms, relay.how) == (999 * 60_000, "broken off: the box is being tended")


def test_nothing_left_in_the_log(service: Service) -> None:
    """An experiment whose rows are gone."""
    service.hours(0.05)
    with service.read() as reader:
        span = identify_experiment.Span(Kind.STEP, 1, 0, 1000, 2000, "complete")
        found, _ = evaluated(stretch_of(service.trial.plant.config, reader, "bench", span), span)
    assert isinstance(found, NotEnough)


# The loop

RIGHT = {"do": "experiment", "chamber": BOX, "kind": "step", "confirmed": True}


def looped(turns: int = 8, **more: Any) -> tuple[Bench, list[dict[str, Any]]]:
    """A service whose box is at rest from its first readings on: estimate 18, setpoint 18."""
    bench = Bench(turns, made=config(callus_zone=18.0, **more))
    return bench, []


def test_loop_begins_shows_and_stops() -> None:
    """By the control socket's handler, in the time between two cycles."""
    bench, answers = looped(12)
    bench.desk.plan[4] = lambda ask: answers.append(dict(ask({**RIGHT, "confirmed": False})))
    bench.desk.plan[5] = lambda ask: answers.append(dict(ask(RIGHT)))
    bench.desk.plan[7] = lambda ask: answers.append(dict(ask({"do": "status"})))
    bench.desk.plan[8] = lambda ask: answers.append(dict(ask(RIGHT)))
    bench.desk.plan[9] = lambda ask: answers.append(dict(ask({"do": "experiment-stop"})))
    bench.desk.plan[10] = lambda ask: answers.append(dict(ask({"do": "experiments"})))
    bench.loop.run()
    only_asked, begun, status, again, stopped, shown = answers
    assert (only_asked["done"], begun["done"]) == (False, True)
    trial = status["chambers"][0]["experiment"]
    assert (trial["kind"], trial["running"]) == ("step", True)
    assert "under way already" in again["error"]
    assert stopped["stopped"] == [BOX]
    assert shown["experiments"][BOX]["over"] == experiment_request.STOPPED
    told = [e.text for e in bench.journal.events if e.kind is EventKind.EXPERIMENT]
    assert len(told) == 2
    assert told[1].endswith("is over, broken off: stopped by hand")


@pytest.mark.parametrize(
    ("request_", "why"),
    [
        ({**RIGHT, "chamber": "attic"}, "no such chamber"),
        ({**RIGHT, "kind": "leap"}, "must be one of: step, relay"),
        ({**RIGHT, "hours": 100}, "2 to 12 hours"),
        ({**RIGHT, "hours": float("nan")}, "2 to 12 hours"),
        ({**RIGHT, "swing_k": 9.0}, "0.2 to 1.5 K"),
        ({**RIGHT, "periods": True}, "3 to 8 periods"),
        ({**RIGHT, "much": 1}, "does not know all"),
    ],
)
def test_nonsense_begins_nothing(request_: dict[str, Any], why: str) -> None:
    bench, answers = looped()
    bench.desk.plan[5] = lambda ask: answers.append(dict(ask(request_)))
    bench.loop.run()
    assert why in answers[0]["error"]
    assert all(e.kind is not EventKind.EXPERIMENT for e in bench.journal.events)


def test_refusals_name_their_reason() -> None:
    """Not before the start is over, not while tended, not unlogged, not without a room probe."""
    bench, answers = looped(14)
    bench.desk.plan[1] = lambda ask: answers.append(dict(ask(RIGHT)))

    def tended(ask: Any) -> None:
        ask({"do": "tend", "chamber": BOX, "doing": "water", "for_s": 1200})
        answers.append(dict(ask(RIGHT)))

    bench.desk.plan[5] = tended
    bench.loop.run()
    assert "there is no heat" in answers[0]["error"]
    assert "being tended" in answers[1]["error"]
    blind = Bench(
        8,
        made=config(
            callus_zone=18.0,
            probes={"substrate": "28-000000000001", "mat": "28-000000000003"},
            offset={"method": "fixed", "kelvin": 2.0},
        ),
    )
    blind.desk.plan[5] = lambda ask: answers.append(dict(ask(RIGHT)))
    blind.loop.run()
    assert "no room probe" in answers[2]["error"]
    idle, more = looped(8, in_use=False)
    idle.desk.plan[5] = lambda ask: more.append(dict(ask(RIGHT)))
    idle.loop.run()
    assert "not in use" in more[0]["error"]


def test_log_that_fails_is_a_reason() -> None:
    """Nothing could be learned."""
    bench, answers = looped()
    bench.journal.failing = "disk full"
    bench.desk.plan[5] = lambda ask: answers.append(dict(ask(RIGHT)))
    bench.loop.run()
    assert "nothing is logged" in answers[0]["error"]


def test_alarm_is_a_reason() -> None:
    """A chamber with a standing alarm."""
    trial = Trial(Chamber(), 45.0, 14.0, settle_h=1.0)
    trial.put(alarms=frozenset({Alarm.PROBE_DISPLACED}))
    plant = trial.plant
    done = experiment_request.handle(
        plant.state,
        plant.config,
        {"do": "experiment", "chamber": "bench", "kind": "relay"},
        plant.now_s,
    )
    assert "an alarm stands" in done.answer["error"]
    assert done.state is plant.state
