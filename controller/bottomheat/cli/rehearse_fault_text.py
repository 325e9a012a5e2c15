"""How the faults of a rehearsal read on screen: what was ordered and said, and how warm it got."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from bottomheat.cli.rehearse_text import when
from bottomheat.durations import words
from bottomheat.model import PLACE_WORDS, Place
from bottomheat.rehearse_acts import KEEPER, Order
from bottomheat.rehearse_kinds import KINDS, right_alarms
from bottomheat.rehearse_verdict import FaultResult

WIDTH = 80


def render(results: Sequence[FaultResult]) -> str:
    """Write what came of each fault."""
    return "\n\n".join(map(_fault, results))


def listed() -> str:
    """Every kind on a line of its own, for the help."""
    lines = []
    for kind in KINDS.values():
        size = "" if kind.value is None else f" (={kind.value:g} {kind.unit})"
        lasts = "" if kind.lasts_s is None else f", for {words(kind.lasts_s)}"
        expect = f". Expect {kind.expect}" if kind.expect else ""
        lines.append(
            textwrap.fill(
                f"{kind.name}: {kind.words}{size}{lasts}{expect}",
                WIDTH - 2,
                initial_indent="  ",
                subsequent_indent="      ",
                break_on_hyphens=False,
            )
        )
    return "\n".join(lines)


def _fault(result: FaultResult) -> str:
    order = result.order
    at = when(order.at_s / 3600.0)
    lines = [f"FAULT {at}, {order.chamber}: {KINDS[order.kind].words} ({_name(order)})"]
    lines.append(_known(result))
    if result.heat_due_off:
        lines.append(_heat(result))
    if result.latched_s is not None:
        tail = "; THAT WAS NOT DUE" if result.false_latch else ""
        lines.append(f"cut out and latched after {words(result.latched_s)}{tail}")
    lines += [
        f"a wrong alarm after {words(heard.at_s - order.at_s)}: {heard.text}"
        for heard in result.wrong
    ]
    lines.append(
        f"bases {result.min_callus_c:.1f} to {result.max_callus_c:.1f} °C, mat at most "
        f"{result.max_mat_c:.1f} °C from then on; without the fault at most "
        f"{result.twin_max_callus_c:.1f} and {result.twin_max_mat_c:.1f} °C"
    )
    return "\n".join(
        textwrap.fill(line, WIDTH, initial_indent=first, subsequent_indent="    ")
        for line, first in zip(lines, ["", *["  "] * (len(lines) - 1)], strict=True)
    )


def _name(order: Order) -> str:
    if order.place is None or order.kind == "tend":
        return order.kind
    if order.place == KEEPER:
        return f"{order.kind}, the keeper's own probe"
    return f"{order.kind}, {PLACE_WORDS[Place(order.place)]}"


def _known(result: FaultResult) -> str:
    order = result.order
    if KINDS[order.kind].foretold:
        return _foretold(result)
    departed = result.departed_s
    left = (
        "the wet layer stayed on its course"
        if departed is None
        else f"the wet layer was 0.25 K off its course after {words(departed)}"
    )
    if not right_alarms(order):
        return f"no alarm is due; {left}"
    if result.known_s is None:
        return f"NO ALARM says so within {words(result.hours * 3600.0)}; {left}"
    told = next(heard.text for heard in result.heard if heard.alarm is result.known_by)
    return f"known after {words(result.known_s)}; {left}. ALARM: {told}"


def _foretold(result: FaultResult) -> str:
    """A cold night: when each box was warned of, how long before it was cold, and how cold."""
    told = []
    for night in result.nights:
        cold = f"the bases fell to {night.short_k:.1f} K below their setpoint"
        if night.left_s is None:
            cold = f"the bases stayed in their band, {max(0.0, night.short_k):.1f} K low at most"
        if night.warned_s is None:
            told.append(f"{night.chamber} was NOT WARNED OF; {cold}")
            continue
        when_told = f"{night.chamber} was warned of after {words(night.warned_s)}"
        if night.ahead_s is not None and night.ahead_s >= 0.0:
            when_told += f", {words(night.ahead_s)} before the bases left their band"
        elif night.ahead_s is not None:
            when_told += f", {words(-night.ahead_s)} AFTER the bases had left their band"
        told.append(f"{when_told}; {cold}")
    if not told:
        return "no box was in its band when the night began, so there was nothing to foretell"
    said = next((h.text for h in result.heard if h.alarm in right_alarms(result.order)), None)
    quiet = not result.wrong and result.latched_s is None
    end = "" if said is None else f" ALARM: {said}"
    return ". ".join(told) + "." + (" Nothing was cut out, nothing blamed." if quiet else "") + end


def _heat(result: FaultResult) -> str:
    if result.heat_off_s is None:
        return "HEAT STAYED ON: power went into the mat to the end"
    if not result.heated_s:
        return "heat went off at once"
    return (
        f"heat off after {words(result.heat_off_s)}, with power on the mat for "
        f"{words(result.heated_s)} of them"
    )
