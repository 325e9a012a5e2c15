"""How a fit reads on screen: three lines first, statistics only when asked for; pure."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING

from bottomheat.calibration.ageing import Advice
from bottomheat.calibration.fit import INTERCEPT_SPAN_K
from bottomheat.calibration.ledger import USUAL_SPOT
from bottomheat.calibration.outcome import FACTOR, FIXED, FLOW, K, widening
from bottomheat.config import FixedOffset, HeatFlow, TemperatureFactor

if TYPE_CHECKING:
    from bottomheat.calibration.advice import Next, Trust
    from bottomheat.calibration.fit import Fit
    from bottomheat.calibration.outcome import Outcome
    from bottomheat.cli.calibrate_fit import Report
    from bottomheat.cli.calibrate_fit_data import Material
    from bottomheat.config import Offset

WIDTH = 96
KEYS = {"on": "offset", "ajar": "offset_ajar", "off": "offset_off"}
AFTER = "Again after filling, moving or a new layer."

MOST = {
    "thermometer": "the thermometer itself",
    "reading it": "how it is read",
    "wet-layer probe": "the probes, which a jar would tell (calibrate jar)",
    "room probe": "the probes, which a jar would tell (calibrate jar)",
    "open lid": "the open lid",
    "spread over the box": "from spot to spot in the box",
    "readings disagree": "that readings disagree",
    "bed not steady": "weather while you read",
}
"""What makes most of an uncertainty, by the name of its source; others speak for themselves."""


def day(wall_s: float, zone: tzinfo | None) -> str:
    """A date as "6 Jan 2026"."""
    there = datetime.fromtimestamp(wall_s, UTC).astimezone(zone)
    return f"{there.day} {there:%b %Y}"


def within(expanded_k: float) -> str:
    """An expanded uncertainty: one decimal, two where one would hide half of it."""
    return f"± {expanded_k:.1f}" if expanded_k >= 0.095 else f"± {expanded_k:.2f}"


def nothing_to_fit(material: Material) -> str:
    """Why there is nothing to fit, and what to do, as a sentence."""
    lid, name = material.lid, material.name
    tried = "".join(f" {note}" for note in material.notes)
    here = [each for each in material.references if each.entry.lid == lid.value]
    if not here:
        other = sorted({each.entry.lid for each in material.references})
        elsewhere = (
            f" (there are some with the lid {' and '.join(other)}: --lid {other[0]})"
            if other
            else ""
        )
        return (
            f"there is no reading of {name} with the lid {lid} yet{elsewhere}. Read a thermometer "
            "that you trust at the bases, in the middle of the box, and say: bottomheat calibrate "
            f"add --chamber {name} --reference 24.8{tried}"
        )
    numbers = {each.number for each in here}
    reasons = [f"no. {out.number}: {out.why}" for out in material.left_out if out.number in numbers]
    more = f"; and {len(reasons) - 3} more" if len(reasons) > 3 else ""
    return (
        f"no reading of {name} with the lid {lid} can be used ({'; '.join(reasons[:3])}{more}). "
        f"Read again when the box has been closed and steady for a day.{tried}"
    )


def report_text(
    report: Report,
    offset: Offset,
    *,
    details: bool,
    asked: bool,
    zone: tzinfo | None = None,
) -> str:
    """The whole answer.

    Args:
        report: what a fit says.
        offset: the config's offset at present.
        details: with the statistics.
        asked: it was asked for to be written.
        zone: time zone; None is this machine's.
    """
    from bottomheat.cli.calibrate_fit_details import details_text

    lines = [*_first(report), *opening(report, zone), ""]
    for note in notes(report, zone):
        lines += textwrap.wrap(note, WIDTH, initial_indent="  ", subsequent_indent="    ")
    if lines[-1]:
        lines.append("")
    if not report.wrong:
        lines += config_lines(report.material, report.outcome.values, offset)
        if not asked:
            lines += ["", "With --write this goes into the config. --details shows the statistics."]
    if details:
        lines += ["", *details_text(report, zone)]
    return "\n".join(lines)


def _first(report: Report) -> list[str]:
    """What has to be said before anything else."""
    if not report.disagree or report.against is None:
        return []
    away = report.against
    way = "warmer" if away.difference_k > 0 else "cooler"
    text = (
        f"! Your thermometer read the bases {abs(away.difference_k):.1f} K {way} than the borrowed "
        f"probe taught, more than both allow ({within(away.expanded_k)}). One of them is wrong, or "
        "the box has changed: read both in one jar of water. The difference is in what follows."
    )
    return [*textwrap.wrap(text, WIDTH, subsequent_indent="  "), ""]


def opening(report: Report, zone: tzinfo | None = None) -> list[str]:
    """The three lines: what to set, how far to trust it, when to read once more.

    Args:
        report: what a fit says.
        zone: time zone; None is this machine's.
    """
    if report.wrong or report.trust is None:
        return [
            f"Set nothing yet: {'; '.join(report.wrong)}.",
            "Nothing can be trusted so far: wet layer and room may be crossed, or a reading is of "
            "another place.",
            "Read once more, in the middle of the box at the depth of the bases, the lid on for a "
            "day, the heat on.",
        ]
    return [
        f"Set {_what(report.outcome)}{_now(report)}, lid {report.material.lid}: "
        f"{_whence(report, zone)}.",
        trusted(report.trust, report.outcome),
        again(report, zone),
    ]


def _what(outcome: Outcome) -> str:
    constant = outcome.values.get("intercept")
    beside = f" with a constant part of {constant:+.2f} K" if isinstance(constant, float) else ""
    if outcome.method == FACTOR:
        return f"f to {outcome.value:.4f}{beside}"
    if outcome.method == FLOW:
        return f"R to {outcome.value:.4f} K/W{beside}"
    return f"the offset to {outcome.value:.2f} K"


def _now(report: Report) -> str:
    outcome, material = report.outcome, report.material
    offset, own = material.box.offset_with(material.lid)
    if not own:
        return " (now that of the lid on)"
    match offset:
        case TemperatureFactor(factor=factor) if outcome.method == FACTOR:
            return f" (now {factor:g})"
        case HeatFlow(resistance_k_per_w=resistance) if outcome.method == FLOW:
            return f" (now {resistance:g})"
        case FixedOffset(offset_k=offset_k) if outcome.method == FIXED:
            return f" (now {offset_k:g})"
        case _:
            return f" ({outcome.method}; now {offset.method})"


def _whence(report: Report, zone: tzinfo | None) -> str:
    material, taught = report.material, report.material.taught
    if report.outcome.source == "borrowed probe" and taught is not None:
        goes_on = ", which goes on" if taught.running else ""
        return (
            f"{taught.learned.hours:.0f} h of the borrowed probe, "
            f"{_days(taught.begin_s, taught.end_s, zone)}{goes_on}"
        )
    used = {row.number for row in material.rows}
    taken = [each.wall_ms / 1000 for each in material.references if each.number in used]
    many = f"{len(used)} reading{'' if len(used) == 1 else 's'}"
    return f"{many}, {_days(min(taken), max(taken), zone)}"


def _days(begin_s: float, end_s: float, zone: tzinfo | None) -> str:
    first, last = day(begin_s, zone), day(end_s, zone)
    if first == last:
        return first
    if first[-5:] == last[-5:]:
        return f"{first[:-5]} to {last}"
    return f"{first} to {last}"


def trusted(trust: Trust, outcome: Outcome) -> str:
    """How far to trust it, as one sentence."""
    head = f"The bases are known to {within(trust.expanded_k)} °C"
    if trust.rooms_c is None:
        if outcome.method == FLOW:
            return f"{head} with the mat at about {-outcome.line.centre_k:.0f} W; no room is known."
        return f"{head}; without a room probe nobody knows when it is more."
    low, high = (round(each) for each in trust.rooms_c)
    rooms = f"in a room of {low} °C" if low == high else f"in rooms of {low} to {high} °C"
    if trust.coldest_c is None or trust.coldest_k is None:
        return f"{head} {rooms}."
    night = f"on a night of {round(trust.coldest_c)} °C, the coldest on record."
    if not trust.beyond:
        return f"{head} {rooms}, as cold as any on record."
    if within(trust.coldest_k) == within(trust.expanded_k):
        return f"{head} {rooms} and {night}"
    return f"{head} {rooms}, {within(trust.coldest_k)} {night}"


def again(report: Report, zone: tzinfo | None = None) -> str:
    """When to read once more, as one line."""
    material, trust = report.material, report.trust
    change, newest_s = material.change, _newest_s(report)
    if change is not None and change.at_s > newest_s:
        word = "filled" if change.doing == "fill" else "moved"
        return f"Read again now: the box was {word} on {day(change.at_s, zone)}, after all of this."
    if report.outcome.method == FIXED:
        return f"Read again whenever the room is 3 K warmer or colder. {AFTER}"
    if report.following is not None:
        return f"{_following(report.following, report.outcome, material)} {AFTER}"
    taught = material.taught
    if report.outcome.source == "borrowed probe" and taught is not None:
        if taught.running:
            return f"Fit again when the borrowed probe's session is over. {AFTER}"
        wide = trust is not None and trust.beyond and trust.coldest_k is not None
        if wide and trust is not None and (trust.coldest_k or 0.0) - trust.expanded_k >= 0.1:
            cold = f"{trust.coldest_c:.0f} °C" if trust.coldest_c is not None else "cold"
            return f"Learn again when rooms of about {cold} come: it is known least there. {AFTER}"
        return f"No further reading is needed: one now and then is a check. {AFTER}"
    return f"Read once more when the mat runs twice as much as now, or half. {AFTER}"


def _newest_s(report: Report) -> float:
    material, taught = report.material, report.material.taught
    if report.outcome.source == "borrowed probe" and taught is not None:
        return taught.end_s
    used = {row.number for row in material.rows}
    return max(each.wall_ms / 1000 for each in material.references if each.number in used)


def _following(more: Next, outcome: Outcome, material: Material) -> str:
    if more.needed:
        return (
            f"Read once more in a room of {more.room_c:.0f} °C: {within(more.now_k)} at "
            f"{more.at_c:.0f} °C would become {within(more.then_k)}."
        )
    if outcome.zone.source == "assumed" and more.most.name == "spread over the box":
        return (
            f"Read once more {_elsewhere(material)}: most of {within(more.now_k)} is an assumed "
            "spread over the box; another room would hardly narrow it."
        )
    most = MOST.get(more.most.name, more.most.name)
    return (
        f"No more reading is needed: it would narrow {within(more.now_k)} by less than 0.1; most "
        f"of it is {most}."
    )


def _elsewhere(material: Material) -> str:
    there = {row.spot for row in material.rows}
    return "in a corner" if not there or USUAL_SPOT in there else "in the middle"


def notes(report: Report, zone: tzinfo | None = None) -> list[str]:
    """What else a grower should know, a sentence or two each."""
    material, outcome = report.material, report.outcome
    found = list(material.notes)
    if outcome.source == "borrowed probe" and material.taught is not None:
        found += [f"{text[0].upper()}{text[1:]}." for text in material.taught.learned.doubts]
        found += _checked(report)
        if material.bare:
            found.append(
                f"Never compared in one jar: {', '.join(material.bare)}. Compare them now "
                "(bottomheat calibrate jar --write) and fit again: the session counts as before, "
                "and all gets narrower."
            )
    else:
        found += _about_readings(material, outcome)
    if outcome.zone.source == "assumed":
        found.append(
            "All is from one spot: how much the box differs from spot to spot is assumed "
            f"({within(K * outcome.zone.u_k)} °C). A reading {_elsewhere(material)}, at base "
            "depth, would settle it."
        )
    if material.age is not None and material.age.advice is not Advice.NONE:
        head = "Fit again" if material.age.advice is Advice.FIT else "Read again"
        found.append(f"{head}, say the readings since the present one: {material.age.why}.")
    change = material.change
    if change is not None and outcome.source == "readings":
        old = [
            each.number
            for each in material.references
            if each.wall_ms / 1000 < change.at_s
            and each.number in {row.number for row in material.rows}
        ]
        if old:
            word = "filled" if change.doing == "fill" else "moved"
            found.append(
                f"No. {_listed(old)} {'is' if len(old) == 1 else 'are'} from before the box was "
                f"{word} on {day(change.at_s, zone)}. Filled otherwise it is another box: drop "
                "them then (bottomheat calibrate drop)."
            )
    return found


def _checked(report: Report) -> list[str]:
    if not report.checks:
        return []
    out = [check.number for check in report.checks if check.outside]
    many = len(report.checks)
    if not out:
        return [
            f"Your {many} reading{'' if many == 1 else 's'} beside it "
            f"{'agrees' if many == 1 else 'agree'} within what both allow."
        ]
    if len(out) == many:
        return [
            f"Your {many} reading{'' if many == 1 else 's'} beside it "
            f"{'lies' if many == 1 else 'lie'} outside what both allow."
        ]
    return [
        f"Beside it no. {_listed(out)} of your {many} readings "
        f"{'lies' if len(out) == 1 else 'lie'} outside what both allow."
    ]


def _about_readings(material: Material, outcome: Outcome) -> list[str]:
    from bottomheat.calibration.advice import verdict

    made = material.made
    if made is None:
        return []
    found = []
    has_room = material.box.probes.room is not None
    if has_room:
        found.append(verdict(made))
    if has_room and not made.with_intercept:
        span = f"{INTERCEPT_SPAN_K:g} K"
        rooms = (
            f"Rooms less than {span} apart support" if len(made.rows) > 1 else "One room supports"
        )
        found.append(
            f"{rooms} a factor alone; with another, {span} colder or warmer, a constant part would "
            "show as well."
        )
    z = dict(zip((row.number for row in made.rows), made.residuals_k, strict=True))
    for number in made.outliers:
        found.append(
            f"No. {number} lies {abs(z[number]):.1f} K from what the others say. It is used; if it "
            f"was wrong: bottomheat calibrate drop {number}"
        )
    if outcome.method == FIXED and not has_room:
        offsets_k = [row.x_k - row.y_k for row in made.rows]
        apart_k = max(offsets_k) - min(offsets_k)
        if apart_k >= 1.0:
            found.append(
                f"The offset was not fixed: it differed by {apart_k:.1f} K between readings, "
                "as the room did. A room probe would tell."
            )
    wider = _wider(made, outcome)
    if wider > 1.0:
        found.append(
            f"The readings scatter {wider:.1f} times as much as they should: all is widened by "
            "that. Look at --details."
        )
    usable = [
        out for out in material.left_out if not out.why.startswith(("dropped", "the lid was"))
    ]
    if usable:
        found.append(
            f"Not used: no. {_listed([out.number for out in usable])} (--details says why)."
        )
    return found


def _wider(made: Fit, outcome: Outcome) -> float:
    """By how much the scatter of the readings widens this outcome."""
    if outcome.method == FACTOR:
        return made.birge
    if outcome.method == FIXED:
        return 1.0
    method = next(each for each in made.methods if each.name == outcome.method)
    return widening(method.chi_square, method.freedom)


def _listed(numbers: Sequence[int]) -> str:
    words = [str(number) for number in numbers]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def config_lines(material: Material, values: Mapping[str, object], offset: Offset) -> list[str]:
    """The lines for the config.

    Args:
        material: what they were made of.
        values: the config's keys; None takes one out.
        offset: the offset at present.
    """
    lines = [f"In the config, below {material.name}:", f"    {KEYS[material.lid.value]}:"]
    for key, value in values.items():
        if value is not None:
            said = str(value).lower() if isinstance(value, bool) else str(value)
            lines.append(f"      {key}: {said}")
    names = {field.alias or name: name for name, field in type(offset).model_fields.items()}
    gone = [
        key
        for key, value in values.items()
        if value is None and names.get(key) in offset.model_fields_set
    ]
    if gone and offset.method == values.get("method"):
        lines.append(f"      # and no {', no '.join(gone)}")
    return lines
