"""The walk of ``prepare``: which step is done, which is next, and the three sentences; pure."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

WIDTH = 80


class Step(StrEnum):
    """Steps in their order."""

    PROVE = "prove"
    IDENTIFY = "identify"
    TUNE = "tune"
    CAPACITY = "capacity"
    LIMITS = "limits"


WHAT = {
    Step.PROVE: "each relay heats the box that its probes lie in",
    Step.IDENTIFY: "how the box answers heat and room",
    Step.TUNE: "the heat is governed as this box needs it",
    Step.CAPACITY: "the mat holds on the coldest night",
    Step.LIMITS: "limits and ceiling fit the coldest night",
}

AFTER_IDENTIFY = "waits until it is known how the box answers"
SKIPPED_ALONE = "the on/off method has nothing to tune"


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a box; everything a later walk can find again.

    Attributes:
        name: the box.
        setpoint_c: what its bases should feel, °C.
        room_c: coldest room to be ready for, °C.
        proved: whether the wiring is proved; None where this user may not see.
        model: whether the config has a model of it.
        tuned: whether the config has tunings for it.
        on_off: it runs by the on/off method.
        verdict: what the mat can do in that room, a sentence without its full stop.
        holds: whether it holds there; None where nobody can say.
        measured: whether that rests on this box and not on a usual one.
        remedy: what would do where it does not hold; empty where there is none.
        wrong: what does not fit in limits and ceiling, a sentence each.
        skipped: why a step was left out, by step.
    """

    name: str
    setpoint_c: float
    room_c: float
    proved: bool | None
    model: bool
    tuned: bool
    on_off: bool
    verdict: str
    holds: bool | None
    measured: bool
    remedy: str = ""
    wrong: tuple[str, ...] = ()
    skipped: Mapping[Step, str] = field(default_factory=dict)

    def done(self, step: Step) -> bool:
        """Whether a step has nothing left to do."""
        match step:
            case Step.PROVE:
                return self.proved is True
            case Step.IDENTIFY:
                return self.model
            case Step.TUNE:
                return self.tuned or self.on_off
            case Step.CAPACITY:
                return self.holds is True
            case Step.LIMITS:
                return not self.wrong

    def why_skipped(self, step: Step) -> str | None:
        """Why a step that is not done was left out; None where it was not."""
        return None if self.done(step) else self.skipped.get(step)

    @property
    def well(self) -> bool:
        """Whether every step is done or was left out for a reason."""
        return all(self.done(step) or step in self.skipped for step in Step)


def to_do(facts: Facts) -> list[Step]:
    """The steps that something is done in, and that are neither done nor left out."""
    return [
        step
        for step in (Step.PROVE, Step.IDENTIFY, Step.TUNE)
        if not facts.done(step) and step not in facts.skipped
    ]


def progress(facts: Facts) -> str:
    """A line a step: done, left out with its reason, or still to do."""
    rows = [f"{facts.name}:"]
    for number, step in enumerate(Step, 1):
        rows += _row(number, step, facts)
    return "\n".join(rows)


def _row(number: int, step: Step, facts: Facts) -> list[str]:
    why = facts.why_skipped(step)
    if step is Step.PROVE and facts.proved is None:
        said = "cannot be seen by this user; use sudo"
    elif step is Step.TUNE and facts.on_off:
        said = SKIPPED_ALONE
    elif why is not None:
        said = f"left out: {why}"
    elif step is Step.CAPACITY:
        said = facts.verdict + ("" if facts.measured else ", by the figures of a usual box")
    elif step is Step.LIMITS and facts.wrong:
        said = "; ".join(facts.wrong)
    else:
        said = "done" if facts.done(step) else "still to do"
    mark = "x" if facts.done(step) else "-" if why is not None else " "
    head = f"  {number} [{mark}] {step.value:<9} {WHAT[step]}: "
    return textwrap.wrap(f"{head}{said}", WIDTH, subsequent_indent=" " * 18, break_on_hyphens=False)


def closing(facts: Facts) -> tuple[str, str, str]:
    """What it all comes to: may heat flow, is the box known, will it hold."""
    return _heat(facts), _known(facts), _holds(facts)


def _heat(facts: Facts) -> str:
    name = facts.name
    if facts.proved:
        return f"Heat may flow in {name}: its wiring is proved."
    if facts.proved is None:
        return f"Whether the wiring of {name} is proved cannot be seen: run this with sudo."
    why = facts.skipped.get(Step.PROVE)
    after = f" (left out: {why})" if why else ""
    return f"No heat flows in {name} before its wiring is proved: bottomheat prove{after}."


def _known(facts: Facts) -> str:
    name = facts.name
    if facts.on_off:
        known = "it is known how it answers" if facts.model else "how it answers is not known"
        return f"{name} switches on and off around its setpoint, and {known}."
    if facts.model and facts.tuned:
        return f"The heat is governed by what was measured in {name}; leave it so."
    if facts.model:
        return (
            f"It is known how {name} answers, and its heat is still governed by figures that suit "
            f"a usual box{_because(facts, Step.TUNE)}: bottomheat tune --chamber {name} --write."
        )
    if facts.tuned:
        return (
            f"{name} has tunings of its own and no model to check them by"
            f"{_because(facts, Step.IDENTIFY)}: bottomheat identify --chamber {name}."
        )
    return (
        f"{name} is governed by figures that suit a usual box, which may swing in this one"
        f"{_because(facts, Step.IDENTIFY)}: let it run five days, then bottomheat prepare again."
    )


def _because(facts: Facts, step: Step) -> str:
    why = facts.skipped.get(step)
    return f" ({step.value} was left out: {why})" if why else ""


def _holds(facts: Facts) -> str:
    rests = "" if facts.measured else ", by the figures of a usual box"
    if facts.wrong:
        return f"See to this before a cold night: {facts.wrong[0]}."
    if facts.holds is None:
        return f"Whether it holds on a cold night cannot be said: {facts.verdict}."
    if facts.holds:
        return f"It will hold on the coldest night{rests}: {facts.verdict}."
    after = f"; {facts.remedy}" if facts.remedy else ""
    return f"It will not hold on the coldest night{rests}: {facts.verdict}{after}."


def as_data(facts: Facts) -> dict[str, Any]:
    """The same for a program."""
    return {
        "chamber": facts.name,
        "well": facts.well,
        "steps": [
            {
                "step": step.value,
                "done": facts.done(step),
                "left_out": facts.why_skipped(step),
            }
            for step in Step
        ],
        "proved": facts.proved,
        "holds": facts.holds,
        "capacity": facts.verdict,
        "wrong": list(facts.wrong),
        "sentences": list(closing(facts)),
    }
