"""Reads probes as they are, uncorrected, until they are steady."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import click

from bottomheat.calibration.comparing import Stretch, stretch
from bottomheat.durations import words
from bottomheat.errors import BottomheatError, DriverError, InputError

if TYPE_CHECKING:
    from bottomheat_drivers.w1 import FoundProbe

Reader = Callable[[], Mapping[str, float | str]]
"""One round: by probe its own temperature in °C, or why there is none."""

Points = Mapping[str, Sequence[tuple[float, float]]]
"""By probe: time in s and temperature in °C of each reading."""

TELL_S = 15.0
LOOK_S = 10.0
"""How often at most it is told how it goes, and how often it is looked whether it may go on."""

SILENT_S = 60.0
"""A probe that gives no good reading for so long will give none."""


class Pace(Protocol):
    """Monotonic time and waiting, both in s."""

    def monotonic_s(self) -> float:
        """Seconds on a clock that is never stepped."""
        ...

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        ...


def found_probes(devices: Path, names: Sequence[str]) -> dict[str, FoundProbe]:
    """The named probes as they are on the bus; all that can be read where none is named.

    Raises:
        DriverError: there is no bus, or nothing on it.
        InputError: a named one is not there, or cannot be read.
    """
    from bottomheat_drivers.w1 import list_probes

    found = {each.name: each for each in list_probes(devices)}
    for name in names:
        if name not in found:
            there = ", ".join(found) or "none at all"
            raise InputError(f"{_plain(name)} is not on the bus; there: {there}.")
        if not found[name].supported:
            raise InputError(f"{name} is of a kind that cannot be read here: take a DS18B20.")
    if not found:
        raise DriverError(
            f"no probe is on the bus in {devices}: look at the supply, ground and data wires and "
            "the pull-up resistor (4.7 kΩ)"
        )
    wanted = names or [name for name, each in found.items() if each.supported]
    return {name: found[name] for name in dict.fromkeys(wanted)}


@contextmanager
def raw_reader(devices: Path, names: Sequence[str]) -> Iterator[Reader]:
    """Rounds of uncorrected readings of these probes, or why one cannot be used."""
    from bottomheat.model import Good, Place
    from bottomheat.plausible import History, judge
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.w1 import W1Probes

    clock = SystemClock()
    probes = W1Probes(devices, {name: {Place.SUBSTRATE: name} for name in names}, clock)
    histories = dict.fromkeys(names, History())

    def read() -> Mapping[str, float | str]:
        raw = probes.read_all(clock.monotonic_s())
        found: dict[str, float | str] = {}
        for name in names:
            sample = raw[name][Place.SUBSTRATE]
            histories[name], reading = judge(histories[name], sample, clock.monotonic_s())
            found[name] = reading.celsius if isinstance(reading, Good) else reading.fault.value
        return found

    try:
        yield read
    finally:
        probes.close()


def until_steady(
    read: Reader,
    pace: Pace,
    why_not: Callable[[Mapping[str, Stretch | None]], str],
    *,
    names: Sequence[str],
    window_s: float,
    every_s: float,
    timeout_s: float,
    may_go_on: Callable[[], None] = lambda: None,
    say: Callable[[str], None] = click.echo,
) -> dict[str, Stretch]:
    """Read again and again until a stretch of ``window_s`` is steady; returns it by probe.

    Args:
        read: takes one round of readings.
        pace: time.
        why_not: why a stretch is not steady, in words; empty where it is.
        names: the probes.
        window_s: length of the stretch, s.
        every_s: pause between rounds, s.
        timeout_s: longest time for all of it, s.
        may_go_on: raises where it may not.
        say: tells how it goes.

    Raises:
        BottomheatError: they did not become steady in time.
        DriverError: one of them gives no good reading.
    """
    start_s = told_s = looked_s = pace.monotonic_s()
    good_s = dict.fromkeys(names, start_s)
    points: dict[str, list[tuple[float, float]]] = {name: [] for name in names}
    silent: dict[str, str] = {}
    while True:
        now_s = pace.monotonic_s()
        for name, value in read().items():
            if isinstance(value, str):
                silent[name] = value
            else:
                silent.pop(name, None)
                good_s[name] = now_s
                points[name].append((now_s, value))
        for name in names:
            points[name] = [point for point in points[name] if point[0] >= now_s - window_s]
        lines = {name: stretch(points[name]) for name in names}
        why = why_not(lines)
        if not why and now_s - start_s >= window_s:
            may_go_on()
            return {name: line for name, line in lines.items() if line is not None}
        for name, fault in silent.items():
            if now_s - good_s[name] > min(SILENT_S, timeout_s):
                raise DriverError(_silent(name, fault, now_s - good_s[name]))
        if now_s - start_s > timeout_s:
            raise BottomheatError(_never(why or "steady for too short a time", timeout_s))
        if now_s - told_s >= max(TELL_S, window_s / 10):
            told_s = now_s
            say(_progress(now_s - start_s, points, silent, why or "steady so far"))
        if now_s - looked_s >= min(LOOK_S, window_s):
            looked_s = now_s
            may_go_on()
        pace.wait(every_s)


def _progress(after_s: float, points: Points, silent: Mapping[str, str], why: str) -> str:
    now = [f"{each[-1][1]:.2f}" for each in points.values() if each]
    told = ", ".join(now[:8]) + (" °C" if now else "")
    for name, fault in silent.items():
        told += f"   {name}: {fault}"
    return f"  {words(after_s):>10}   {told}   {why}".rstrip()


def _silent(name: str, fault: str, for_s: float) -> str:
    return (
        f"{name} has given no good reading for {words(for_s)} ({fault}): look at its plug and "
        "cable, or name the other probes alone. Nothing was noted or written."
    )


def _never(why: str, timeout_s: float) -> str:
    return (
        f"not steady within {words(timeout_s)}: {why}. Nothing was noted or written. Stir, wait "
        "until it is quiet, and run this again; a longer --timeout may help."
    )


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text[:40])
