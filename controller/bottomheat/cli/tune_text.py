"""What ``tune`` says: first what to set and what comes of it, then the figures."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Any

from bottomheat.cli.tune_source import Source
from bottomheat.config import ChamberConfig
from bottomheat.tuning.margins import Margins
from bottomheat.tuning.offers import PEAK_LIMIT
from bottomheat.tuning.prediction import Course
from bottomheat.tuning.rules import Gains
from bottomheat.tuning.study import DROP_K, Study

WIDTH = 78
CHART_COLUMNS = 78
CHART_LINES = 14

RULE_WORDS = {
    "simc": "SIMC, an integrating process by its early slope",
    "amigo": "AMIGO, an integrating process by its early slope",
    "relay": "Tyreus-Luyben, from the gain and period at which it would just swing",
}


def lines_of(found: Study) -> dict[str, float]:
    """The keys of ``pid`` as the config has them, rounded: duty per K and hours."""
    gains = found.offer.gains
    return {
        "gain": float(f"{gains.gain_per_k:.3g}"),
        "integral_time": round(gains.integral_s / 3600.0, 2),
        "derivative_time": round(gains.derivative_s / 3600.0, 3),
    }


def render(
    name: str,
    box: ChamberConfig,
    found: Study,
    source: Source,
    *,
    details: bool,
    written: bool,
) -> str:
    """The text, in 80 columns."""
    paragraphs = [
        _opening(name, found),
        _calm(found),
        _holds(box, found),
        f"Window: {found.window.reason}. {_wear(box, found)}",
    ]
    paragraphs += [f"{note[0].upper()}{note[1:]}." for note in found.offer.notes]
    if box.law == "hysteresis":
        paragraphs.append(
            f"{name} is switched on and off around its setpoint now (law: hysteresis), which these "
            "figures do not touch: they count once law is pid."
        )
    if source.assumed:
        paragraphs.append(
            "How sure the model is was not said, so early slope and dead time were tried 15 and "
            "20 % off either way; tune from bottomheat identify --json to go by its intervals."
        )
    parts = ["\n".join(_wrapped(paragraph) for paragraph in paragraphs)]
    parts.append(_drawn(found))
    if details:
        parts.append(_details(found, source))
    parts.append(_config_lines(name, box, found, written=written))
    return "\n\n".join(parts)


def _opening(name: str, found: Study) -> str:
    new, now = found.offer.gains, found.present.gains
    if found.as_good:
        return (
            f"{name}: what is set now is calm and holds as well; nothing needs to change. "
            f"The rule would say: {_spoken(new)} (now: {_spoken(now)})."
        )
    return f"{name}: set {_spoken(new)} (now: {_spoken(now)})."


def _spoken(gains: Gains) -> str:
    return (
        f"gain {gains.gain_per_k:.3g}, integral time {gains.integral_s / 3600.0:.2f} h, "
        f"derivative time {gains.derivative_s / 3600.0:.2f} h"
    )


def _calm(found: Study) -> str:
    new, now = found.offer.margins, found.present
    said = (
        f"The heat will settle without swinging: the gain could be {new.gain_margin:.1f} times "
        f"as high before it did"
    )
    if not now.margins.stable:
        return f"{said}. What is set now swings without end on this box."
    if now.margins.peak > PEAK_LIMIT:
        return f"{said}; with what is set now, {now.margins.gain_margin:.1f} times."
    return f"{said}."


def _holds(box: ChamberConfig, found: Study) -> str:
    return (
        f"On the model, in a room of {found.room_c:g} °C that swings by 3 K a day, the bases stay "
        f"within {found.rms_k:.2f} K RMS of {box.callus_zone_c:g} °C "
        f"(now {found.present.rms_k:.2f} K); the heat is on {found.duty:.0%} of the time."
    )


def _wear(box: ChamberConfig, found: Study) -> str:
    """What it does to the contact."""
    if box.heater.relay == "solid-state":
        return "Nothing wears."
    closings = found.closings_a_day
    if closings <= 0.0:
        return "In such a room the relay rests."
    days = box.heater.rated_closings / closings
    return (
        f"{closings:.0f} closings a day there: a contact rated for "
        f"{box.heater.rated_closings:,} lasts {days:.0f} days of heat.".replace(",", " ")
    )


def _drawn(found: Study) -> str:
    caption = f"°C  o bases   - as set now   room {DROP_K:g} K colder at 0   across: hours"
    return chart(found, caption)


def _details(found: Study, source: Source) -> str:
    offer, response = found.offer, source.response
    rows = [
        f"Model: {source.said}",
        f"  {response.gain_k_per_w:.3f} K/W; "
        f"{1 - response.quick_share:.0%} in {response.slow_s / 3600:.1f} h, "
        f"{response.quick_share:.0%} in {response.quick_s / 3600:.2f} h, "
        f"after {response.dead_s / 60:.0f} min",
        f"Rule: {RULE_WORDS[offer.rule]}",
    ]
    if offer.process is not None:
        rows.append(
            f"  {offer.process.slope_k_per_s * 3600:.2f} K/h at full power, "
            f"{offer.process.delay_s / 60:.1f} min delay with half a window"
        )
    if offer.ultimate is not None:
        rows.append(
            f"  {offer.ultimate.gain_per_k:.3f} per K, {offer.ultimate.period_s / 60:.0f} min"
        )
    rows.append(f"  the rule itself: {_spoken(offer.published)}")
    rows.append("")
    rows.append(f"{'':28}{'tuned':>12}{'now':>12}")
    for label, new, now in _figures(found):
        rows.append(f"{label:28}{new:>12}{now:>12}")
    rows.append("")
    rows.append(
        f"Ripple by switching, peak to peak: wet layer {found.window.layer_ripple_k:.3f} K, bases "
        f"{found.window.callus_ripple_k:.4f} K"
    )
    rows.append("")
    rows.append(step_chart(found))
    return "\n".join(rows)


def _figures(found: Study) -> list[tuple[str, str, str]]:
    new, now = found.offer.margins, found.present.margins
    late, late_now = _lowest_k(found.drop), _lowest_k(found.present_drop)
    return [
        ("gain margin", _factor(new), _factor(now)),
        ("phase margin", _degrees(new), _degrees(now)),
        ("sensitivity peak Ms", _peak(new.peak), _peak(now.peak)),
        (
            "  on all the model may be",
            _peak(found.offer.worst_peak),
            _peak(found.present.worst_peak),
        ),
        (f"room {DROP_K:g} K colder: deepest", f"{late:+.2f} K", f"{late_now:+.2f} K"),
        (
            "window, evaluation every",
            f"{found.window.window_s:.0f} s",
            f"{found.present.window_s:.0f} s",
        ),
    ]


def _factor(margins: Margins) -> str:
    return "none" if math.isinf(margins.gain_margin) else f"{margins.gain_margin:.2f}"


def _degrees(margins: Margins) -> str:
    return "none" if math.isinf(margins.phase_margin_deg) else f"{margins.phase_margin_deg:.0f}°"


def _peak(value: float) -> str:
    return "swings" if math.isinf(value) else f"{value:.2f}"


def _lowest_k(course: Course) -> float:
    return min(course.callus_c) - course.callus_c[0]


def _config_lines(name: str, box: ChamberConfig, found: Study, *, written: bool) -> str:
    rows = [] if written else ["With --write this goes into the config, which keeps its comments:"]
    rows += ["  chambers:", f"    {name}:"]
    if box.heater.window != found.window.window_s:
        rows += ["      heater:", f"        window: {found.window.window_s:.0f}"]
    rows.append("      pid:")
    rows += [f"        {key}: {value:g}" for key, value in lines_of(found).items()]
    return "\n".join(rows)


def _wrapped(paragraph: str) -> str:
    return textwrap.fill(paragraph, WIDTH, break_long_words=False, break_on_hyphens=False)


def chart(found: Study, caption: str) -> str:
    """The bases after the room fell, tuned and as set now."""
    return drawn(
        caption,
        found.drop.hours,
        ((found.present_drop.callus_c, "-"), (found.drop.callus_c, "o")),
        found.drop.callus_c[0],
    )


def step_chart(found: Study) -> str:
    """The bases and the wet layer after the setpoint went up by 1 K."""
    return drawn(
        "°C  o bases   + wet layer   setpoint 1 K higher at 0   across: hours",
        found.step.hours,
        ((found.step.layer_c, "+"), (found.step.callus_c, "o")),
        None,
    )


def drawn(
    caption: str,
    hours: Sequence[float],
    curves: Sequence[tuple[Sequence[float], str]],
    line_c: float | None,
) -> str:
    """Curves over hours as text, at most 80 columns, no colour.

    Args:
        caption: what the marks mean.
        hours: of the values, h.
        curves: values in °C with the mark they are drawn with; later ones lie on top.
        line_c: a level to draw, °C; None for none.
    """
    import plotext

    figure = plotext.figure
    figure.clear()
    figure.plot_size(CHART_COLUMNS, CHART_LINES)
    figure.theme("colorless")
    every = max(1, len(hours) // 300)
    for values, mark in curves:
        signal = figure.signal(list(hours[::every]), list(values[::every]), marker=mark)
        signal.lines(True)
        figure.draw(signal)
    if line_c is not None:
        figure.line(line_c, "horizontal")
    last = math.ceil(hours[-1])
    ticks = list(range(0, last + 1, max(1, last // 9)))
    figure.ruler("x").ticks(ticks, [f"{tick}" for tick in ticks])
    low = min(min(values) for values, _ in curves)
    high = max(max(values) for values, _ in curves)
    rungs = _rungs(low, high)
    figure.ruler("y").ticks(rungs, [f"{rung:g}" for rung in rungs])
    text = plotext.uncolorize(str(figure.build()))
    figure.clear()
    return "\n".join((caption, *(row.rstrip() for row in text.splitlines() if row.strip())))


def _rungs(low: float, high: float) -> list[float]:
    span = max(high - low, 1e-3)
    step = 10.0 ** math.floor(math.log10(span / 4.0))
    step *= next(k for k in (1, 2, 5, 10) if span / (step * k) <= 5)
    first = math.ceil(low / step)
    return [round(n * step, 6) for n in range(first, math.floor(high / step) + 1)]


def as_data(name: str, found: Study, source: Source) -> dict[str, Any]:
    """The same for a program; what is infinite is null."""
    offer, present = found.offer, found.present

    def finite(value: float) -> float | None:
        return None if math.isinf(value) else value

    def told(gains: Gains) -> dict[str, float]:
        return {
            "gain_per_k": gains.gain_per_k,
            "integral_s": gains.integral_s,
            "derivative_s": gains.derivative_s,
        }

    def margins_of(margins: Margins, worst_value: float) -> dict[str, Any]:
        return {
            "stable": margins.stable,
            "gain_margin": finite(margins.gain_margin),
            "phase_margin_deg": finite(margins.phase_margin_deg),
            "peak": finite(margins.peak),
            "worst_peak": finite(worst_value),
        }

    return {
        "chamber": name,
        "rule": offer.rule,
        "pid": lines_of(found),
        "tuned": {
            **told(offer.gains),
            **margins_of(offer.margins, offer.worst_peak),
            "rms_k": found.rms_k,
        },
        "published": told(offer.published),
        "now": {
            **told(present.gains),
            **margins_of(present.margins, present.worst_peak),
            "rms_k": present.rms_k,
            "window_s": present.window_s,
        },
        "as_good": found.as_good,
        "window": {
            "window_s": found.window.window_s,
            "reason": found.window.reason,
            "layer_ripple_k": found.window.layer_ripple_k,
            "callus_ripple_k": found.window.callus_ripple_k,
        },
        "room_c": found.room_c,
        "duty": found.duty,
        "closings_a_day": found.closings_a_day,
        "notes": list(offer.notes),
        "model": source.said,
        "doubt_assumed": source.assumed,
    }
