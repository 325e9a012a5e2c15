"""Finding out which probe is which: warm one in your hand and see which rises."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import TracebackType
from typing import Protocol, Self

import click

from bottomheat.commission.warmed import BASELINE_ROUNDS, RISE_K, Watch, advance
from bottomheat.errors import BottomheatError

Reader = Callable[[], Mapping[str, float | None]]
"""One round: temperature by probe, °C, or None where there is no good reading."""


class Pace(Protocol):
    """Monotonic time and waiting, both in s."""

    def monotonic_s(self) -> float:
        """Seconds on a clock that is never stepped."""
        ...

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        ...


class Screen(Protocol):
    """Shows the rises while they come in."""

    def __enter__(self) -> Self:
        """Begin."""
        ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End, whatever happened."""
        ...

    def say(self, text: str) -> None:
        """A sentence that stays."""
        ...

    def show(self, watch: Watch, readings_c: Mapping[str, float | None]) -> None:
        """The newest round."""
        ...


def find(read: Reader, pace: Pace, screen: Screen, *, every_s: float, timeout_s: float) -> str:
    """Wait until one probe has clearly been warmed, and return its name.

    Args:
        read: takes one round of readings.
        pace: time.
        screen: where it is shown.
        every_s: pause between rounds, s.
        timeout_s: longest time for all of it, s.

    Raises:
        BottomheatError: none was warmed in time, or none gives a reading.
    """
    start_s = pace.monotonic_s()
    watch, asked = Watch(), False
    with screen:
        screen.say("Measuring how warm each probe is now: leave them all alone for a moment.")
        while pace.monotonic_s() - start_s < timeout_s:
            readings_c = read()
            watch = advance(watch, readings_c)
            if watch.found is not None:
                return watch.found
            if watch.confused:
                screen.say(
                    f"{' and '.join(watch.confused)} get warm together, so neither can be told "
                    "from the other. Put them down, and warm one alone, away from the others."
                )
                watch, asked = Watch(), False
                continue
            if watch.ready and not asked:
                asked = True
                if watch.restless:
                    screen.say(f"Still changing by itself: {', '.join(watch.restless)}.")
                screen.say("Now warm ONE probe in your closed hand.")
            if watch.ready:
                screen.show(watch, readings_c)
            pace.wait(every_s)
    raise BottomheatError(_why_none(watch, timeout_s))


def _why_none(watch: Watch, timeout_s: float) -> str:
    if not watch.rounds:
        return (
            f"no probe has given a good reading in {timeout_s:g} s: look at their supply, ground "
            "and data wires, then see what bottomheat probes says"
        )
    if not watch.ready:
        return (
            f"{timeout_s:g} s were not enough for {BASELINE_ROUNDS} steady readings; "
            "leave the probes alone and give a longer --timeout"
        )
    most_k = max(watch.rise_k.values(), default=0.0)
    return (
        f"no probe has risen by {RISE_K:g} K above all others in {timeout_s:g} s (the most was "
        f"{max(most_k, 0.0):.1f} K): close your whole hand around its tip and run this again; if "
        "it still does not rise, it is not one of the probes on this bus"
    )


class PlainScreen:
    """Lines of text; a rise is told at each half kelvin."""

    def __init__(self) -> None:
        self._told_k: dict[str, float] = {}

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(self, *_: object) -> None:
        """End."""

    def say(self, text: str) -> None:
        """A sentence that stays."""
        click.echo(text)

    def show(self, watch: Watch, readings_c: Mapping[str, float | None]) -> None:
        """Tell what has risen by another half kelvin."""
        for name, rise_k in watch.rise_k.items():
            step_k = rise_k // 0.5 * 0.5
            if step_k > self._told_k.get(name, 0.0):
                self._told_k[name] = step_k
                click.echo(f"  {name}  {readings_c[name]:.1f} °C, up {rise_k:.1f} K")


class LiveScreen:
    """A table that is redrawn in place, on a terminal."""

    def __init__(self, where: Mapping[str, str]) -> None:
        from rich.console import Console
        from rich.live import Live

        self._where = where
        self._console = Console(highlight=False)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)

    def __enter__(self) -> Self:
        """Begin."""
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Take the table away, whatever happened."""
        self._live.stop()

    def say(self, text: str) -> None:
        """A sentence that stays above the table."""
        self._console.print(text, markup=False)

    def show(self, watch: Watch, readings_c: Mapping[str, float | None]) -> None:
        """Redraw the table."""
        from rich.table import Table

        table = Table("probe", "now", "risen by", "", "in the config", box=None, pad_edge=False)
        for name in sorted(readings_c):
            celsius, rise_k = readings_c[name], watch.rise_k.get(name)
            table.add_row(
                name,
                "no reading" if celsius is None else f"{celsius:.1f} °C",
                "" if rise_k is None else f"{rise_k:+.1f} K",
                "" if rise_k is None else "█" * round(min(max(rise_k, 0.0), 10.0) * 2),
                self._where.get(name, ""),
            )
        self._live.update(table, refresh=True)


def choose(question: str, choices: Sequence[str]) -> int:
    """Ask for one of some choices by number; 0 is always "nowhere"."""
    for number, words in enumerate(choices, 1):
        click.echo(f"  {number:>2}  {words}")
    click.echo("   0  nowhere: write nothing")
    answer: int = click.prompt(question, type=click.IntRange(0, len(choices)))
    return answer
