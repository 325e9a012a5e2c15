"""How ``status`` reads on screen; pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from textwrap import wrap
from types import MappingProxyType
from typing import Any

from bottomheat.config import ChamberConfig
from bottomheat.cycle import layer_cap
from bottomheat.model import PLACE_WORDS, Place
from bottomheat.operating_point import callus_given_c, operating_point, rise_k_per_w
from bottomheat.relay_life import Life, tally
from bottomheat.season.relays import HEAT

DAY_S = 86_400.0
WIDTH = 80


def duration(seconds: float) -> str:
    """A length of time in one unit: "8 s", "5 min", "31 h", "12 days"."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 2 * 3600:
        return f"{seconds / 60:.0f} min"
    if seconds < 3 * DAY_S:
        return f"{seconds / 3600:.0f} h"
    return f"{seconds / DAY_S:.0f} days"


def stamp(wall_ms: int, zone: tzinfo | None) -> str:
    """A wall time as "Thu 16 Jan 07:10"; ``zone`` None is this machine's."""
    utc = datetime.fromtimestamp(wall_ms / 1000, UTC)
    return utc.astimezone(zone).strftime("%a %d %b %H:%M")


def render(
    answer: Mapping[str, Any],
    cold_night: Mapping[str, str],
    zone: tzinfo | None = None,
    calibrated: Mapping[str, str] = MappingProxyType({}),
) -> str:
    """The whole screen.

    Args:
        answer: what the daemon said.
        cold_night: by chamber, what the coldest room of the config would do, where it matters.
        zone: time zone for the first line; None is this machine's.
        calibrated: by chamber, what the log says of its calibration.
    """
    age = answer["data_age_s"]
    clock = "clock synchronised" if answer["synchronised"] else "CLOCK NOT SET"
    lines = [
        "   ".join(
            (
                stamp(answer["wall_ms"], zone),
                "no data yet" if age is None else f"data {duration(age)} old",
                clock,
                f"running {duration(answer['running_s'])}",
            )
        ),
        "",
    ]
    width = max((len(c["name"]) for c in answer["chambers"]), default=0)
    for chamber in answer["chambers"]:
        lines += _chamber(chamber, width, calibrated.get(chamber["name"]))
    if answer["proving"]:
        lines.append(f"Proving the wiring: {answer['proving']}.")
    lines += _alarms(answer["alarms"], answer["gone"])
    lines += [f"{name}: {text}" for name, text in cold_night.items()]
    return "\n".join(lines)


def _alarms(standing: Sequence[Mapping[str, Any]], gone: Sequence[Mapping[str, Any]]) -> list[str]:
    lines = []
    if standing:
        lines.append("ALARMS" if len(standing) > 1 else "ALARM")
        for alarm in standing:
            urgent = "NOW, " if alarm["level"] == "now" else ""
            where = f"{alarm['chamber']}: " if alarm["chamber"] else ""
            state = f"({urgent}{alarm['state']}, for {duration(alarm['for_s'])})"
            lines.append(f"  {where}{alarm['text']} {state}")
        lines.append("  What to do first: bottomheat alarms")
    else:
        lines.append("No alarms.")
    if gone:
        names = ", ".join(alarm["id"] for alarm in gone)
        lines.append(f"Gone but not seen: {names} (bottomheat alarms, bottomheat ack)")
    return lines


def _chamber(chamber: Mapping[str, Any], width: int, calibrated: str | None) -> list[str]:
    name = str(chamber["name"]).ljust(width)
    estimate = chamber["estimate_c"]
    bases = "bases not known"
    if estimate is None and chamber.get("doubt"):
        bases += f": {chamber['doubt']}"
    if estimate is not None:
        bases = f"bases {estimate:.1f} ± {chamber['expanded_k']:.1f} °C"
    head = f"{name}   {chamber['condition']:<10}   set {chamber['setpoint_c']:.1f}   {bases}"
    if chamber["in_band_s"] is not None:
        head += f"   in band {duration(chamber['in_band_s'])}"
    lines = [head]
    if chamber["reason"]:
        lines.append(f"  ! {chamber['reason']}")
    lines += _season(chamber)
    fallback = chamber.get("fallback")
    if fallback and fallback != chamber["reason"]:
        lines.append(f"  ! {fallback}")
    temperatures = [
        f"{PLACE_WORDS[Place(place)]} {_value(value)}"
        for place, value in chamber["readings"].items()
    ]
    lines.append("  " + "   ".join(temperatures))
    keeper = chamber["keeper"]
    heat = "on now" if chamber["heat"] else "off now"
    lines.append(
        f"  heat on {100 * chamber['heat_fraction']:.0f} % of the time, {heat}   "
        f"{_closings(chamber)}   lid {chamber['lid']}"
    )
    tending = chamber["tending"]
    if tending is not None and tending["left_s"] > 0:
        lines.append(f"  being tended ({tending['doing']}), {duration(tending['left_s'])} left")
    trial = chamber.get("experiment")
    if trial is not None and trial["running"]:
        lines.append(_trial(trial))
    learning = chamber.get("learning")
    if learning is not None:
        lines.append(_learning(learning))
    if keeper is not None and (keeper["latched"] or chamber["heat"] is not keeper["closed"]):
        lines.append(f"  ! the keeper holds the relay open: {keeper['reason']}")
    if chamber["method"] == "fixed":
        lines.append("  a fixed offset is right at one room temperature only")
    if not chamber.get("lid_calibrated", True) and chamber["method"] != "direct":
        lines.append(f"  no calibration with the lid {chamber['lid']}: keep a thermometer in")
    elif not chamber["calibrated"]:
        lines.append("  not calibrated: keep a thermometer in")
    elif calibrated:
        lines.append(f"  {calibrated}")
    lines.append("")
    return lines


def _closings(chamber: Mapping[str, Any]) -> str:
    contacts = chamber.get("contacts")
    if not contacts:
        return f"{chamber['closings']} closings since start"
    return f"relay {tally(Life(contacts[HEAT]['closings'], contacts[HEAT]['rated']))}"


def _season(chamber: Mapping[str, Any]) -> list[str]:
    """What rules the setpoint, and what does not go together in the box."""
    season = chamber.get("season")
    if season is None:
        return []
    found = []
    if season["lead"] is not None:
        lowered = ""
        if chamber["setpoint_c"] > season["wanted_c"]:
            lowered = f" (being lowered to {season['wanted_c']:.1f})"
        found.append(f"rule{lowered}: {season['why']}")
    found += [f"! {text}" for text in season["conflicts"]]
    return [
        line
        for text in found
        for line in wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ")
    ]


def _trial(trial: Mapping[str, Any]) -> str:
    """An experiment under way."""
    told = f"  {trial['kind']} under way: {trial['phase']}, for {duration(trial['phase_s'])}"
    if trial["left_s"] is not None:
        told += f", {duration(trial['left_s'])} left"
    elif trial["periods"]:
        told += f", {trial['periods']} of {trial['of_periods']} periods"
    return told


def _learning(session: Mapping[str, Any]) -> str:
    says = "no reading yet"
    if session["fault"] is not None and session["last_c"] is not None:
        says = f"? ({session['fault']})"
    elif session["fault"] is not None:
        says = f"no reading yet ({session['fault']})"
    elif session["last_c"] is not None:
        says = f"now {session['last_c']:.1f}"
    return (
        f"  learns from the borrowed probe {session['probe']}: {says}, "
        f"{duration(session['left_s'])} left"
    )


def _value(value: Mapping[str, Any]) -> str:
    celsius = value.get("celsius")
    return f"{celsius:.1f}" if celsius is not None else f"? ({value['fault']})"


def cold_night(chamber: ChamberConfig, room_c: float) -> str | None:
    """What a room of ``room_c`` °C would do to a box that cannot hold its setpoint there."""
    wanted_c = operating_point(chamber, room_c).substrate_c
    cap_c = layer_cap(chamber)
    if wanted_c <= cap_c:
        return None
    drop_c = callus_given_c(
        cap_c, chamber.offset, room_c, rise_k_per_w(chamber.heater, chamber.model)
    )
    return (
        f"a room of {room_c:g} °C would put the wet layer at its ceiling: "
        f"the bases would drop to about {drop_c:.1f} °C"
    )
