"""How a rehearsal reads on screen: a summary for a grower and a chart, 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping

from bottomheat.config import ChamberConfig
from bottomheat.model import EventKind
from bottomheat.rehearse import AlarmNote, Note, Outcome, Trace
from bottomheat.score import BAND_K, Score

WIDTH = 80
CHART_LINES = 20
LISTED = 12
ROUTINE_HOURS = 0.2
"""Probes and keeper find each other in the first minutes; nobody needs to read about that."""

_NAMES = (("substrate", "wet layer"), ("mat", "mat"), ("room", "room"), ("top", "air at buds"))


def render(
    outcomes: Mapping[str, Outcome],
    chambers: Mapping[str, ChamberConfig],
    *,
    model: str,
    room: str,
    charts: bool = True,
) -> str:
    """Write the whole screen.

    Args:
        outcomes: by chamber.
        chambers: their configs.
        model: what the chambers were calculated with.
        room: where the room came from.
        charts: draw the course of each chamber.
    """
    days = max(outcome.score.hours for outcome in outcomes.values()) / 24.0
    head = (
        f"REHEARSAL of {days:g} {_plural(days, 'day')}: a simulation on a calculated chamber "
        f"({model}), not a measurement of your box. The controller is the real one, the room "
        f"{room}. How good it looks depends on how well the calculated box resembles yours."
    )
    parts = [textwrap.fill(head, WIDTH)]
    for name, outcome in outcomes.items():
        parts.append(_chamber(name, outcome, chambers[name]))
        if charts and len(outcome.trace.hours) > 1:
            parts.append(chart(outcome.trace, outcome.score.setpoint_c))
    return "\n\n".join(parts)


def _chamber(name: str, outcome: Outcome, chamber: ChamberConfig) -> str:
    score = outcome.score
    law = "on/off" if chamber.law == "hysteresis" else "pid"
    lines = [f"{name}   set {score.setpoint_c:.1f} °C   control method {law}"]
    lines += _held(score)
    if score.estimate_rms_k is not None and score.estimate_bias_k is not None:
        lines.append(
            f"worked out from the probes {score.estimate_bias_k:+.2f} K off the truth on average, "
            f"{score.estimate_rms_k:.2f} K typically (RMS)"
        )
    lines.append(_range(score))
    lines.append(_heat(score, chamber))
    low = score.condition_hours.get("HELD LOW", 0.0)
    if low:
        lines.append(
            f"held below the setpoint for {low:.0f} h because a bound was reached; insulate the "
            "box, or expect it on such nights"
        )
    lines += _alarms(outcome.alarms)
    lines += _events(outcome.events, outcome.notes_dropped)
    return "\n".join(
        textwrap.fill(line, WIDTH, initial_indent=first, subsequent_indent="    ")
        for line, first in zip(lines, ["", *["  "] * (len(lines) - 1)], strict=True)
    )


def _held(score: Score) -> list[str]:
    if score.warm_up_hours is None:
        return [
            f"the bases never came within {BAND_K:g} K of the setpoint, "
            f"{score.max_c['callus']:.1f} °C at most: the mat is too weak, a limit too "
            "low, the room too cold for this box, or the rehearsal too short"
        ]
    lines = [f"warmed up in {score.warm_up_hours:.1f} h"]
    over = score.overshoot_k
    if over is not None:
        lines[0] += (
            f", then at most {over:.2f} K above the setpoint in the day after"
            if over > 0.0
            else ", then never above the setpoint in the day after"
        )
    if score.rms_k is None or score.worst_k is None or score.in_band_fraction is None:
        lines.append("too short to score the holding, which starts a day after that")
        return lines
    lines.append(
        f"bases within {BAND_K:g} K for {100.0 * score.in_band_fraction:.1f} % of the "
        f"{_long(score.scored_hours)} from then on; off by {score.rms_k:.2f} K typically (RMS), "
        f"{score.worst_k:+.2f} K at worst"
    )
    return lines


def _range(score: Score) -> str:
    places = [
        f"{word} {score.min_c[place]:.1f} to {score.max_c[place]:.1f}"
        for place, word in _NAMES
        if place in score.max_c
    ]
    return ", ".join(places) + " °C"


def _heat(score: Score, chamber: ChamberConfig) -> str:
    text = (
        f"heat on {100.0 * score.mean_duty:.0f} % of the time, {score.energy_kwh:.1f} kWh; "
        f"the relay closed {score.closings_per_day:.0f} times a day"
    )
    rated = chamber.heater.rated_closings
    years = score.relay_years(rated)
    if chamber.heater.relay == "solid-state":
        return text + ", which does not wear a solid-state relay"
    if years is None:
        return text
    last = f"{years:.0f} years" if years >= 2.0 else f"{12.0 * years:.0f} months"
    spaced = f"{rated:,}".replace(",", " ")
    return f"{text}: its rated {spaced} closings would last {last} of such days"


def _alarms(alarms: tuple[AlarmNote, ...]) -> list[str]:
    if not alarms:
        return ["no alarms"]
    lines = []
    for alarm in alarms[:LISTED]:
        until = (
            "to the end" if alarm.cleared_hours is None else f"until {when(alarm.cleared_hours)}"
        )
        lines.append(f"ALARM from {when(alarm.raised_hours)} {until}: {alarm.text}")
    if len(alarms) > LISTED:
        lines.append(f"and {len(alarms) - LISTED} more alarms")
    return lines


def _events(events: tuple[Note, ...], dropped: int) -> list[str]:
    routine = (EventKind.KEEPER, EventKind.HEAT_RELEASED, EventKind.HEAT_HELD)
    told = [e for e in events if e.kind not in routine or e.hours > ROUTINE_HOURS]
    lines = [f"{when(event.hours)}: {event.text}" for event in told[:LISTED]]
    more = max(0, len(told) - LISTED) + dropped
    if more:
        lines.append(f"and {more} more events")
    return lines


def when(hours: float) -> str:
    """A time from the start as "day 3, 14:20"; the first day is day 1."""
    minutes = int(hours * 60.0)
    return f"day {minutes // 1440 + 1}, {minutes // 60 % 24:02d}:{minutes % 60:02d}"


def _long(hours: float) -> str:
    return f"{hours / 24.0:.1f} days" if hours >= 48.0 else f"{hours:.0f} h"


def _plural(count: float, word: str) -> str:
    return word if count == 1 else f"{word}s"


def chart(trace: Trace, setpoint_c: float) -> str:
    """Draw bases, wet layer and room over time with the setpoint as a line, 80 columns, no colour.

    Args:
        trace: the course.
        setpoint_c: °C.
    """
    import plotext

    figure = plotext.figure
    figure.clear()
    figure.plot_size(WIDTH, CHART_LINES)
    figure.theme("colorless")
    days = [hours / 24.0 for hours in trace.hours]
    # Later ones lie on top: the callus zone is what matters.
    for values, marker in ((trace.room_c, "."), (trace.substrate_c, "+"), (trace.callus_c, "o")):
        signal = figure.signal(days, list(values), marker=marker)
        signal.lines(True)
        figure.draw(signal)
    figure.line(setpoint_c, "horizontal")
    ticks = _ticks(0.0, days[-1], 14)
    figure.ruler("x").ticks(ticks, [f"{tick:g}" for tick in ticks])
    every = (*trace.room_c, *trace.substrate_c, *trace.callus_c, setpoint_c)
    rungs = _ticks(min(every), max(every), 6)
    figure.ruler("y").ticks(rungs, [f"{rung:g}" for rung in rungs])
    drawn = plotext.uncolorize(str(figure.build()))
    figure.clear()
    caption = f"o bases   + wet layer   . room   line: setpoint {setpoint_c:g} °C   across: days"
    body = [line.rstrip() for line in drawn.splitlines() if line.strip()]
    return "\n".join((f"°C  {caption}", *body))


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Round values from low to high, ``most`` at the most."""
    step = next(s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100) if (high - low) / s <= most)
    first = -(-low // step)
    return [round((first + n) * step, 6) for n in range(int((high - first * step) / step) + 1)]
