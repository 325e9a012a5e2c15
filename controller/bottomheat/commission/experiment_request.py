"""Requests to begin, stop or look at an experiment: checked, and what comes of them.  Pure.

A request may hold anything.  One that is refused changes nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

from bottomheat.asked import chamber_of, known_fields, number_of, word_of
from bottomheat.commission import experiment
from bottomheat.commission.experiment import Experiment, Kind, Phase, Plan
from bottomheat.config import ChamberConfig, Config
from bottomheat.errors import InputError
from bottomheat.model import Event
from bottomheat.state import ChamberState, ControllerState
from bottomheat.words import ALARM_WORDS

_FIELDS = frozenset({"do", "chamber", "kind", "hours", "swing_k", "periods", "confirmed"})
STOPPED = "stopped by hand"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What comes of a request: ``answer`` for the client, the rest for the daemon to take over."""

    state: ControllerState
    answer: dict[str, Any]
    events: tuple[Event, ...] = ()


def handle(
    state: ControllerState,
    config: Config,
    request: Mapping[str, Any],
    now_s: float,
    *,
    learning: Collection[str] = (),
    log_failure: str | None = None,
) -> Outcome:
    """Begin an experiment, or with ``confirmed`` not true only say whether it may; never raises.

    Args:
        state: the controller.
        config: the accepted config.
        request: ``{"do": "experiment", "chamber", "kind"}`` and, if wanted, ``hours`` and
            ``swing_k`` of a step, ``periods`` of a relay, ``confirmed``.
        now_s: monotonic time, s.
        learning: chambers where a borrowed probe teaches.
        log_failure: why nothing is logged, or None.
    """
    try:
        known_fields(request, _FIELDS)
        name = chamber_of(request, [name for name in config.chambers if name in state.chambers])
        plan = _plan(request)
    except InputError as error:
        return Outcome(state, {"ok": False, "error": str(error)})
    why = _against(state, name, config.chambers[name], now_s, learning, log_failure)
    if why is not None:
        return Outcome(state, {"ok": False, "error": f"{name}: {why}"})
    answer = {
        "ok": True,
        "done": request.get("confirmed") is True,
        "chamber": name,
        "kind": plan.kind.value,
        "hours": plan.hours,
        "rest_h": rest_h(config.chambers[name]),
        "swing_k": plan.swing_k,
        "bound_k": plan.bound_k,
        "periods": plan.periods,
    }
    if request.get("confirmed") is not True:
        return Outcome(state, answer)
    kept = state.chambers[name]
    trial = experiment.begin(plan, config.chambers[name], kept.lid, now_s)
    event = experiment.asked_event(name, trial, now_s)
    return Outcome(_with(state, name, trial), answer, (event,))


def stop(state: ControllerState, request: Mapping[str, Any], now_s: float) -> Outcome:
    """Stop a chamber's experiment, or all where no chamber is named; the law goes on at once."""
    named = request.get("chamber")
    running = [
        name
        for name, kept in state.chambers.items()
        if named in (None, name) and kept.experiment is not None and kept.experiment.over is None
    ]
    events = []
    for name in running:
        trial = state.chambers[name].experiment
        assert trial is not None  # noqa: S101 (it runs)
        trial = experiment.ended(trial, STOPPED, now_s)
        state = _with(state, name, trial)
        events.append(experiment.over_event(name, trial, now_s))
    return Outcome(state, {"ok": True, "stopped": running}, tuple(events))


def shown(state: ControllerState, now_s: float) -> dict[str, dict[str, Any]]:
    """Every experiment under way, and the last one that is over, by chamber, for the screen."""
    return {
        name: _shown(kept.experiment, now_s)
        for name, kept in state.chambers.items()
        if kept.experiment is not None
    }


def rest_h(chamber: ChamberConfig) -> float:
    """How long a box is measured at rest before anything is done, h, at least."""
    on_off = chamber.law == "hysteresis"
    return (experiment.ON_OFF_BLOCK_S if on_off else experiment.BLOCK_S) / 3600.0


def _shown(trial: Experiment, now_s: float) -> dict[str, Any]:
    until_s = now_s if trial.over_s is None else trial.over_s
    since_s = trial.asked_s if trial.begun_s is None else trial.begun_s
    left_s = None
    if trial.over is None and trial.phase is Phase.STEP:
        left_s = max(0.0, trial.plan.hours * 3600.0 - (now_s - since_s))
    return {
        "kind": trial.plan.kind.value,
        "running": trial.over is None,
        "phase": trial.phase.value,
        "phase_s": until_s - since_s,
        "left_s": left_s,
        "base": trial.base,
        "size": trial.size,
        "moved_k": trial.moved_k,
        "periods": max(0, trial.switched - 1),
        "of_periods": trial.plan.periods,
        "over": trial.over,
        "complete": trial.complete,
        "ago_s": now_s - until_s,
        "asked_ago_s": now_s - trial.asked_s,
        "begun_ago_s": None if trial.begun_s is None else now_s - trial.begun_s,
    }


def _with(state: ControllerState, name: str, trial: Experiment) -> ControllerState:
    chamber = replace(state.chambers[name], experiment=trial)
    return replace(state, chambers={**state.chambers, name: chamber})


def _plan(request: Mapping[str, Any]) -> Plan:
    kind = Kind(word_of(request, "kind", [kind.value for kind in Kind], "the experiment"))
    plan = Plan(kind)
    if request.get("hours") is not None:
        hours = number_of(request, "hours", (2.0, 12.0), "a step takes 2 to 12 hours.")
        plan = replace(plan, hours=hours)
    if request.get("swing_k") is not None:
        sentence = "a step may move the callus zone by 0.2 to 1.5 K."
        plan = replace(plan, swing_k=number_of(request, "swing_k", (0.2, 1.5), sentence))
    if request.get("periods") is not None:
        periods = number_of(request, "periods", (3, 8), "a relay makes 3 to 8 periods.")
        plan = replace(plan, periods=round(periods))
    return plan


def _against(
    state: ControllerState,
    name: str,
    chamber: ChamberConfig,
    now_s: float,
    learning: Collection[str],
    log_failure: str | None,
) -> str | None:
    """Why no experiment may begin there now; None where nothing stands against it."""
    kept = state.chambers[name]
    found = None
    if kept.experiment is not None and kept.experiment.over is None:
        found = f"a {kept.experiment.plan.kind.value} is under way already; --stop ends it."
    elif not chamber.in_use:
        found = "it is not in use, as the config says."
    elif chamber.probes.room is None:
        found = (
            "it has no room probe, and without the room no fit is worth anything: hang one near "
            "the box and name it in the config."
        )
    elif state.proving is not None and not state.proving.finished:
        found = "the wiring is being proved; begin when that is over."
    elif log_failure is not None:
        found = f"nothing is logged at present ({log_failure}), so nothing could be learned."
    elif name in learning:
        found = "a borrowed probe teaches there; let it finish first."
    elif kept.tending is not None and now_s < kept.tending.until_s:
        found = "it is being tended; begin when it is closed again."
    else:
        found = _unfit(kept)
    return found


def _unfit(kept: ChamberState) -> str | None:
    if kept.no_heat is not None:
        return f"there is no heat: {kept.no_heat}."
    if kept.alarms:
        return f"an alarm stands: {ALARM_WORDS[min(kept.alarms)]}."
    if kept.outlook.estimate is None or kept.outlook.fallback is not None:
        return (
            "the callus zone is not known well enough: look at the probes with bottomheat status."
        )
    return None
