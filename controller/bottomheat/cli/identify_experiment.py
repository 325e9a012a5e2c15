"""``bottomheat identify --step`` and ``--relay``: run it, then read it out of the log."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bottomheat.cli.status_text import duration
from bottomheat.commission.experiment import Kind, Phase, Said, read
from bottomheat.commission.experiment_request import STOPPED
from bottomheat.errors import InputError, NotRunningError, RefusedError
from bottomheat.model import EventKind, Good, Place

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.identification.found import Found, NotEnough
    from bottomheat.identification.relay_found import RelayFound
    from bottomheat.identification.stretch import Stretch
    from bottomheat_drivers.log import EventRow, LogReader, SampleRow

Ask = Callable[[Mapping[str, Any]], Mapping[str, Any]]
"""Sends the service one request."""

BEFORE_MS = 3_600_000
"""How long before it was asked for a record may begin, where nobody was at the box."""

LEAST_ROWS = 10
WORTH_K_PER_H = 0.05
DOUBTED_MS = 600_000

FOLLOWS = 0.65
"""How far the bases come beside their estimate in four hours: 0.3 to 1 on chamber models."""

_AT_THE_BOX = frozenset({EventKind.TENDING, EventKind.STARTED, EventKind.CONFIG_ACCEPTED})


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for; None leaves the service's own figure.

    Attributes:
        kind: step or relay.
        hours: of a step, h.
        swing_k: how far a step may move the estimate, K.
        periods: of a relay.
        yes: do not ask.
        quiet: stdout is for JSON; say how it goes on stderr.
        every_s: how often to look, s.
    """

    kind: Kind
    hours: float | None = None
    swing_k: float | None = None
    periods: int | None = None
    yes: bool = False
    quiet: bool = False
    every_s: float = 30.0


@dataclass(frozen=True, slots=True)
class Span:
    """One experiment in the log, UTC ms.

    Attributes:
        kind: step or relay.
        run: of the service in which it was.
        from_ms: from when on the record counts.
        begun_ms: when it began.
        over_ms: when it was over; None where the service ended first.
        how: what the log says of its end.
    """

    kind: Kind
    run: int
    from_ms: int
    begun_ms: int
    over_ms: int | None
    how: str

    @property
    def sound(self) -> bool:
        """Whether nothing out of the ordinary ended it."""
        return self.how.startswith("complete") or STOPPED in self.how or "has moved" in self.how


def run_experiment(config: Config, name: str, wish: Wish) -> None:
    """Explain, ask, begin, and show how it goes until it is over; joins one under way.

    Args:
        config: the config in force.
        name: of the chamber.
        wish: what is asked for.

    Raises:
        NotRunningError: there is no service.
        RefusedError: the service or the grower does not want to, or it was broken off at rest.
    """
    conduct(_service(config), name, wish)


def conduct(request: Ask, name: str, wish: Wish) -> None:
    """The same, with the service behind a function."""
    under_way = dict(request({"do": "experiments"}).get("experiments") or {}).get(name) or {}
    if under_way.get("running") and under_way.get("kind") == wish.kind.value:
        click.echo(
            f"A {wish.kind.value} is under way already; this shows how it goes.", err=wish.quiet
        )
    else:
        _begin(request, name, wish)
    try:
        last = _follow(request, name, wish)
    except KeyboardInterrupt:
        request({"do": "experiment-stop", "chamber": name})
        raise RefusedError(
            f"the {wish.kind.value} was stopped by hand and the service goes on as usual; what "
            f"was logged may be enough: bottomheat identify --chamber {name} --{wish.kind.value} "
            "--last"
        ) from None
    if last is None:
        raise RefusedError(
            "the service was restarted meanwhile, which ended the experiment: begin again"
        )
    if last["begun_ago_s"] is None:
        raise RefusedError(f"the {wish.kind.value} was not begun: {last['over']}")
    click.echo(f"The {wish.kind.value} is over: {last['over']}.", err=wish.quiet)


def stop_experiment(config: Config, name: str) -> None:
    """Stop it; the service goes on as usual at once.

    Raises:
        NotRunningError: there is no service.
    """
    answer = _service(config)({"do": "experiment-stop", "chamber": name})
    if name in (answer.get("stopped") or ()):
        click.echo(f"{name}: the experiment is stopped; the service goes on as usual.")
    else:
        click.echo(f"{name}: no experiment is under way.")


def _service(config: Config) -> Ask:
    """The running service, as a function."""
    from bottomheat.app import control_path
    from bottomheat_drivers.control_socket import ask

    def request(message: Mapping[str, Any]) -> Mapping[str, Any]:
        try:
            return ask(control_path(config), message)
        except NotRunningError as error:
            raise NotRunningError(
                f"an experiment is run by the service, under its protection: {error}"
            ) from None

    return request


def _begin(request: Ask, name: str, wish: Wish) -> None:
    asked: dict[str, Any] = {"do": "experiment", "chamber": name, "kind": wish.kind.value}
    for key in ("hours", "swing_k", "periods"):
        if getattr(wish, key) is not None:
            asked[key] = getattr(wish, key)
    answer = request(asked)
    if not answer.get("ok"):
        raise RefusedError(f"no experiment: {_sentence(answer)}")
    click.echo(explanation(answer), err=wish.quiet)
    if not wish.yes and not click.confirm("Is the box closed, and may it begin?", err=wish.quiet):
        raise RefusedError("nothing was begun, as you wish")
    answer = request({**asked, "confirmed": True})
    if not answer.get("ok"):
        raise RefusedError(f"no experiment: {_sentence(answer)}")


def _sentence(answer: Mapping[str, Any]) -> str:
    return str(answer.get("error", "the service gave no reason")).rstrip(".")


def explanation(answer: Mapping[str, Any]) -> str:
    """What is going to happen, how long it takes and how far it goes; pure."""
    name, rest_h, hours = answer["chamber"], answer["rest_h"], answer["hours"]
    rest = "an hour" if rest_h == 1.0 else f"{rest_h:.0f} hours"
    first = (
        f"First {name} has to come to rest: {rest} at least, with the service working as usual.\n"
    )
    if answer["kind"] == Kind.STEP.value:
        what = (
            f"Then a step: the heat is changed a little and held for {hours:g} hours, "
            f"{rest_h + hours:g} hours in all.\n"
            f"The bases will move by about {FOLLOWS * answer['swing_k']:.1f} K; it ends if they "
            f"seem to move by more than {answer['bound_k']:.1f} K.\n"
        )
    else:
        what = (
            f"Then a relay: heat is switched on and off as the wet layer crosses its "
            f"setpoint, {answer['periods']} times, which takes 3 to 12 hours.\n"
            "The wet layer will swing by 1 to 2 K, the bases by about 0.2 K; it ends if they seem "
            f"to move by more than {answer['bound_k']:.1f} K.\n"
        )
    return (
        f"{first}{what}All protection stays on. It ends by itself when an alarm comes, a probe is "
        "lost, the box is tended, or the lid or the setpoint is changed; the service then goes on "
        "as usual.\nLeave the box shut and in peace meanwhile. Ctrl-C stops it; closing this "
        "window does not."
    )


def _follow(request: Ask, name: str, wish: Wish) -> Mapping[str, Any] | None:
    """Show how it goes until it is over; the last answer, or None where nothing is known of it."""
    from bottomheat_drivers.clock import SystemClock

    clock, told = SystemClock(), ""
    while True:
        trial = dict(request({"do": "experiments"}).get("experiments") or {}).get(name)
        if trial is None or not trial["running"]:
            return trial
        line = progress(trial)
        if line != told:
            told = line
            click.echo(f"  {line}", err=wish.quiet)
        clock.wait(wish.every_s)


def progress(trial: Mapping[str, Any]) -> str:
    """How an experiment stands, in a line that is new every half hour or when more has come; pure.

    Args:
        trial: as the service shows it.
    """
    half_hours = 1800.0 * round(trial["phase_s"] / 1800.0)
    since = f", for {duration(half_hours)}" if half_hours else ""
    line = f"{trial['phase']}{since}"
    if trial["phase"] == Phase.RELAY.value:
        line += f"; {trial['periods']} of {trial['of_periods']} periods"
    if trial["phase"] != Phase.REST.value:
        line += f"; the bases seem to have moved by {abs(trial['moved_k']):.1f} K at most"
    return line


def spans(events: Sequence[EventRow], name: str) -> list[Span]:
    """The experiments of a chamber that were begun, oldest first; pure.

    Args:
        events: of the log, in order, all kinds.
        name: of the chamber.
    """
    found: list[Span] = []
    asked_ms: int | None = None
    quiet_ms = -(2**62)
    for row in events:
        event, at_ms = row.event, row.wall_ms
        if event.kind in _AT_THE_BOX and event.chamber in (None, name):
            quiet_ms = at_ms
        told = read(event.text) if event.kind is EventKind.EXPERIMENT else None
        if told is None or event.chamber != name:
            continue
        kind, said = told
        if said is Said.ASKED:
            asked_ms = max(quiet_ms, at_ms - BEFORE_MS)
        elif said is Said.BEGUN:
            from_ms = at_ms - 2 * BEFORE_MS if asked_ms is None else asked_ms
            found.append(Span(kind, row.run, from_ms, at_ms, None, "the service was restarted"))
        elif found and found[-1].over_ms is None and found[-1].run == row.run:
            last = found[-1]
            how = event.text.partition(f"{Said.OVER.value}, ")[2]
            found[-1] = Span(last.kind, last.run, last.from_ms, last.begun_ms, at_ms, how)
    return found


def last_span(reader: LogReader, name: str, kind: Kind) -> Span:
    """The last experiment of a kind in the log.

    Raises:
        InputError: there is none.
    """
    there = [span for span in spans(reader.events(), name) if span.kind is kind]
    if not there:
        raise InputError(
            f"the log holds no {kind.value} of {name}: run one with bottomheat identify --chamber "
            f"{name} --{kind.value}."
        )
    return there[-1]


def answer(
    config: Config, config_path: Path, name: str, kind: Kind, *, as_json: bool
) -> tuple[Found, str, tuple[str, ...], RelayFound | None]:
    """What the last experiment of a kind says: model, a chart of it, notes, a relay's limit cycle.

    Raises:
        InputError: there is none in the log, or it does not tell; with ``as_json`` that goes to
            stdout as well.
        LogError: the log cannot be read.
    """
    import json

    from bottomheat.cli.calibrate_box import reader_of
    from bottomheat.cli.identify_chart import chart
    from bottomheat.cli.identify_text import not_enough, without_answer
    from bottomheat.cli.log_file import have_written
    from bottomheat.identification import early
    from bottomheat.identification.found import NotEnough

    have_written(config_path, Path(config.log))
    with reader_of(config) as reader:
        span = last_span(reader, name, kind)
        stretch = stretch_of(config, reader, name, span)
    found, seen = evaluated(stretch, span)
    notes = (f"It ended so: {span.how}.", *(() if seen is None else relay_lines(seen)))
    if isinstance(found, NotEnough):
        if as_json:
            data = without_answer(name, found, notes)
            if seen is not None:
                data["relay"] = relay_plain(seen)
            click.echo(json.dumps(data, ensure_ascii=False, indent=2))
        raise InputError(not_enough(name, found, notes))
    drawn = ""
    if not as_json and stretch is not None:
        fitted = early.fit(stretch, stretch.substrate_c)
        drawn = chart(fitted.time_s, fitted.measured_c, fitted.measured_c - fitted.left_k)
    return found, drawn, notes, seen


def evaluated(stretch: Stretch | None, span: Span) -> tuple[Found | NotEnough, RelayFound | None]:
    """Fit the record of an experiment.

    Returns:
        The model, or why there is none; and of a relay run its limit cycle where it has one.
    """
    from bottomheat.identification.found import NotEnough
    from bottomheat.identification.relay import fit_relay
    from bottomheat.identification.step import fit_step

    if stretch is None:
        return NotEnough(
            ("the log holds no readings of it any more, or too few: run it again",)
        ), None
    if span.kind is Kind.STEP:
        return fit_step(stretch, span.begun_ms / 1000.0), None
    over_s = None if span.over_ms is None else span.over_ms / 1000.0
    seen = fit_relay(stretch, span.begun_ms / 1000.0, over_s)
    if isinstance(seen, NotEnough):
        return seen, None
    if seen.found is None:
        return NotEnough(seen.notes[1:] or seen.notes), seen
    return seen.found, seen


def stretch_of(config: Config, reader: LogReader, name: str, span: Span) -> Stretch | None:
    """The record of an experiment and of the rest before it; None where it is too short to fit.

    Where it was broken off, or an alarm came, the minutes before that are left out: what ended it
    may have begun then.
    """
    import math

    import numpy as np

    from bottomheat.identification.stretch import Stretch

    to_ms = _sound_until_ms(reader, name, span)
    rows = [row for row in reader.samples(name, span.from_ms, to_ms) if row.run == span.run]
    # The clock may have been set back in between: only what goes forward counts.
    rows = [row for before, row in zip([None, *rows], rows, strict=False) if _later(before, row)]
    if len(rows) < LEAST_ROWS:
        return None
    times_s = [(row.t_ms - rows[0].t_ms + rows[0].wall_ms) / 1000.0 for row in rows]
    # A row says what is commanded from then on: the mat was fed as the row before says.
    heat = [float(rows[0].heat), *(float(row.heat) for row in rows[:-1])]
    return Stretch(
        np.array(times_s),
        np.array([_mean(row, (Place.SUBSTRATE, Place.SUBSTRATE_2)) for row in rows]),
        np.array([_mean(row, (Place.ROOM,)) for row in rows]),
        np.array(heat),
        config.chambers[name].heater.watts,
        np.array([math.nan if row.estimate is None else row.estimate.celsius for row in rows]),
        np.array([_mean(row, (Place.MAT,)) for row in rows]),
    )


def _sound_until_ms(reader: LogReader, name: str, span: Span) -> int | None:
    """Until when the record of an experiment can be believed, UTC ms; None: to the end."""
    from bottomheat.cli.identify_log import HARMLESS

    ends_ms = [
        alarm.raised_wall_ms - DOUBTED_MS
        for alarm in reader.alarms()
        if alarm.chamber in (None, name)
        and alarm.alarm not in HARMLESS
        and span.from_ms < alarm.raised_wall_ms
        and (span.over_ms is None or alarm.raised_wall_ms <= span.over_ms)
    ]
    if span.over_ms is not None:
        ends_ms.append(span.over_ms + 1 - (0 if span.sound else DOUBTED_MS))
    return min(ends_ms, default=None)


def _later(before: SampleRow | None, row: SampleRow) -> bool:
    return before is None or row.t_ms > before.t_ms


def _mean(row: SampleRow, places: tuple[Place, ...]) -> float:
    good = [
        reading.celsius
        for place, reading in row.readings
        if place in places and isinstance(reading, Good)
    ]
    return sum(good) / len(good) if good else float("nan")


def relay_plain(seen: RelayFound) -> dict[str, Any]:
    """The limit cycle as JSON, under the key "relay"; ``tune`` reads the first two."""
    cycle = seen.cycle
    first = seen.first_order
    return {
        "ku_per_k": seen.ku_per_k,
        "period_s": seen.period_s,
        "amplitude_k": seen.amplitude_k,
        "measured_period_s": cycle.period_s,
        "hysteresis_k": cycle.hysteresis_k,
        "on_share": cycle.on_share,
        "periods": cycle.periods,
        "gain_k": cycle.gain_k,
        "phase_rad": cycle.phase_rad,
        "drift_k_per_h": cycle.drift_k_per_h,
        "first_order": None
        if first is None
        else {"gain_k": first.gain_k, "lag_s": first.lag_s, "dead_s": first.dead_s},
    }


def relay_lines(seen: RelayFound) -> list[str]:
    """The limit cycle for the screen."""
    cycle = seen.cycle
    lines = [
        f"{cycle.periods} periods of {cycle.period_s / 60.0:.0f} min were used, heat on "
        f"{cycle.on_share:.0%} of the time; the wet layer swung by "
        f"{2.0 * seen.amplitude_k:.2f} K.",
        f"Ultimate gain {seen.ku_per_k:.2f} per K at a period of {seen.period_s / 60.0:.0f} min: "
        "by the describing function, which is a sixth to a third low on such boxes: the safe side.",
    ]
    if abs(cycle.drift_k_per_h) >= WORTH_K_PER_H:
        lines.append(f"A drift of {cycle.drift_k_per_h:+.2f} K an hour was taken out.")
    return lines
