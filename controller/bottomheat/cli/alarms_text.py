"""How ``alarms`` reads on screen; pure."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from datetime import tzinfo
from typing import Any

from bottomheat.cli.status_text import stamp
from bottomheat.durations import words

WIDTH = 80
_SETTLED = ("seen", "paused")
"""States that a person has dealt with: one line each, unless all is asked for."""


def state_text(alarm: Mapping[str, Any], zone: tzinfo | None = None) -> str:
    """An alarm's state in words: "new", "paused until Thu 16 Jan 07:10"."""
    state = str(alarm["state"])
    until_ms = alarm.get("paused_until_ms")
    if state == "paused" and until_ms is not None:
        return f"paused until {stamp(until_ms, zone)}"
    if state == "needs reset" and alarm.get("seen"):
        return "seen, needs reset"
    return state


def render(answer: Mapping[str, Any], *, every: bool = False, zone: tzinfo | None = None) -> str:
    """The whole screen; ``zone`` None is this machine's."""
    lines: list[str] = []
    short: list[str] = []
    away = answer["away"]
    alarms = answer["alarms"]
    if away is not None:
        lines += [
            f"Away until {stamp(away['until_ms'], zone)}: bottomheat away --back ends it.",
            "",
        ]
    for alarm in alarms:
        settled = alarm["state"] in _SETTLED
        if settled and not every:
            short.append(f"  {alarm['id']}   {state_text(alarm, zone)}: {alarm['what']}")
        else:
            lines += _whole(alarm, answer["now_ms"], zone, helped=away is not None)
    if short:
        lines += ["Seen or paused (--all tells more):", *short, ""]
    if not alarms:
        lines.append("No alarms.")
    elif any(not alarm["seen"] for alarm in alarms):
        lines.append("To say that you have seen them: bottomheat ack")
    return "\n".join(lines).rstrip()


def _whole(
    alarm: Mapping[str, Any], now_ms: int, zone: tzinfo | None, *, helped: bool
) -> list[str]:
    since = f"since {stamp(alarm['raised_ms'], zone)}"
    gone_ms = alarm["gone_ms"]
    if gone_ms is not None:
        since = f"from {stamp(alarm['raised_ms'], zone)} to {stamp(gone_ms, zone)}"
    else:
        since += f", {words((now_ms - alarm['raised_ms']) / 1000)}"
    urgent = "NOW   " if alarm["level"] == "now" else ""
    lines = [f"{urgent}{alarm['id']}   {state_text(alarm, zone)}   {since}"]
    lines += _part("", alarm["what"])
    if alarm["active"] or alarm["state"] != "gone but not seen":
        lines += _part("You have: ", alarm["how_long"])
        lines += _part("First: ", alarm["first"])
        if alarm["helper"] is not None:
            lines += _part("Helper, now: " if helped else "For a helper: ", alarm["helper"])
    return [*lines, ""]


def _part(label: str, text: str) -> list[str]:
    return textwrap.wrap(f"{label}{text}", WIDTH, initial_indent="  ", subsequent_indent="    ")
