"""``bottomheat rehearse``: the real controller on calculated chambers."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.errors import InputError, LogError

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.rehearse import ChamberModel, Stand
    from bottomheat_drivers.clock import ManualClock
    from bottomheat_drivers.log import SqliteJournal

BEGINS_MS = 1_764_547_200_000
"""Wall time of a rehearsal's start, 1 December 2025, 00:00 UTC: the same log for the same seed."""

BUILT_IN = "bottomheat.chamber:Chamber"


@click.command(short_help="Try a config on a calculated chamber, weeks in seconds.")
@click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path),
    help="The config file. [default: the sample config that ships]",
)
@click.option("--days", type=float, default=14.0, show_default=True, help="How long, in days.")
@click.option(
    "--room",
    "room_path",
    type=click.Path(path_type=Path),
    help="CSV file of the room: columns hours,room_c. [default: a cold shed]",
)
@click.option(
    "--chamber",
    "chamber_name",
    metavar="FILE.py:CLASS",
    help="A chamber of your own. [default: the one that ships]",
)
@click.option(
    "--log", "log_path", type=click.Path(path_type=Path), help="Keep the log in this file."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of noise and of the shed.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def command(
    config_path: Path | None,
    days: float,
    room_path: Path | None,
    chamber_name: str | None,
    log_path: Path | None,
    seed: int,
    as_json: bool,
) -> None:
    """Run the real controller and keeper on a calculated chamber, in accelerated time.

    It is a simulation: nobody has measured your box against it. The controller sees only noisy,
    rounded readings of the probes that the config names; the result is scored on the true
    callus-zone temperature, from a day after it first comes within half a kelvin. The wiring
    counts as proved.

    The room. Straight lines between the rows of --room, held at both ends. Without --room an
    unheated shed of our own invention, by --seed: around 9 °C, a daily swing of 2.5 K either way,
    passing fronts of up to 1.5 K, and one cold snap of -4 K for 30 h about half way.

    \b
    The chamber. Any class that is built without arguments and has
      advance(seconds, heater_watts, room_c)   the first call tells the room it
                                               starts from
      temperature(place)                       °C at "substrate", "callus", "mat",
                                               "room"; at "top" if the config
                                               names a probe there

    The file is a program and is run. Several chambers in the config: one each, all in
    the same room.
    """  # noqa: D301 - click's \b
    # Whatever a foreign chamber prints must not get between us and whoever reads our JSON.
    with contextlib.redirect_stdout(sys.stderr):
        text = _rehearse(config_path, days, room_path, chamber_name, log_path, seed, as_json)
    click.echo(text)


def _rehearse(
    config_path: Path | None,
    days: float,
    room_path: Path | None,
    chamber_name: str | None,
    log_path: Path | None,
    seed: int,
    as_json: bool,
) -> str:
    from bottomheat.chamber import Chamber
    from bottomheat.cli import rehearse_inputs as inputs
    from bottomheat.cli import rehearse_text
    from bottomheat.model import Place
    from bottomheat.rehearse import LONGEST_DAYS, as_plain, rehearse
    from bottomheat.rooms import cold_shed
    from bottomheat.wiring import wiring_of
    from bottomheat_drivers.clock import ManualClock, SystemClock
    from bottomheat_drivers.config_yaml import load, refusal
    from bottomheat_drivers.simulated import SimulatedProbes

    began_s = SystemClock().monotonic_s()
    if not 0.0 < days <= LONGEST_DAYS:
        raise InputError(f"--days is {days:g}; give more than 0 and at most {LONGEST_DAYS:g}.")
    path = inputs.sample_config() if config_path is None else config_path
    loaded = load(path)
    config = loaded.parsed.config
    if config is None:
        raise refusal(path, loaded.parsed)
    lines = wiring_of(config, path).lines
    room = cold_shed(seed, days) if room_path is None else inputs.read_room(room_path)
    kind: type[ChamberModel] = Chamber
    if chamber_name is not None:
        kind = inputs.load_chamber_class(chamber_name)
    label = BUILT_IN if chamber_name is None else chamber_name
    stands = {name: _stand(kind, label, config, name) for name in config.chambers}
    models = {name: stand.model for name, stand in stands.items()}
    places = {name: tuple(c.probes.by_place()) for name, c in config.chambers.items()}
    kept = {line.chamber: (Place.MAT,) for line in lines if line.probe is not None}
    probes = SimulatedProbes(models, places, seed)
    # The keeper reads by itself, so its readings have noise of their own.
    keeper_probes = SimulatedProbes(models, kept, seed + 1_000_003)
    clock = ManualClock(wall_ms=BEGINS_MS)
    with contextlib.ExitStack() as stack:
        journal = None
        if log_path is not None:
            inputs.require_free(log_path)
            journal = stack.enter_context(_journal(log_path, clock))
            journal.note_config(loaded.text, loaded.checksum)
        outcomes = rehearse(
            config,
            lines,
            stands,
            probes,
            keeper_probes,
            room,
            days,
            journal=journal,
            on_cycle=clock.set,
            on_hour=stack.enter_context(_progress(days, quiet=as_json)),
        )
    if as_json:
        chambers = {name: as_plain(outcome) for name, outcome in outcomes.items()}
        plain = {
            "simulation": True,
            "days": days,
            "seed": seed,
            "chamber_model": label,
            "room": "cold shed" if room_path is None else str(room_path),
            "wall_s": SystemClock().monotonic_s() - began_s,
            "chambers": chambers,
        }
        if len(chambers) == 1:
            name, only = next(iter(chambers.items()))
            plain = {"chamber": name, **only, **plain}
        return json.dumps(plain, allow_nan=False, ensure_ascii=False)
    screen = rehearse_text.render(
        outcomes,
        config.chambers,
        model=label,
        room=(
            f"an invented cold shed (seed {seed})"
            if room_path is None
            else f"the one in {room_path}"
        ),
    )
    return f"{screen}\n\nCalculated in {SystemClock().monotonic_s() - began_s:.0f} s."


def _stand(kind: type[ChamberModel], label: str, config: Config, name: str) -> Stand:
    from bottomheat.cli.rehearse_inputs import build_chamber
    from bottomheat.rehearse import GuardedModel, Stand
    from bottomheat_drivers.simulated_relay import SimulatedRelay

    series = config.chambers[name].keeper.series_relay
    return Stand(
        GuardedModel(build_chamber(kind, label), label),
        SimulatedRelay(name),
        None if series is None else SimulatedRelay(f"{name}, series relay"),
    )


@contextlib.contextmanager
def _journal(path: Path, clock: ManualClock) -> Iterator[SqliteJournal]:
    """The log, closed on every way out; one that was not written in the end is an error."""
    from bottomheat import __version__
    from bottomheat.cli.rehearse_inputs import LOG_VERSION_SUFFIX
    from bottomheat_drivers.log import SqliteJournal

    try:
        journal = SqliteJournal(
            path, None, clock, __version__ + LOG_VERSION_SUFFIX, "rehearsal", background=False
        )
    except LogError as error:
        raise InputError(f"the log of the rehearsal cannot be written: {error}") from None
    try:
        yield journal
    finally:
        journal.close()
    if (failure := journal.failure()) is not None:
        raise InputError(f"the log of the rehearsal was not written to its end: {failure}")


@contextlib.contextmanager
def _progress(days: float, *, quiet: bool) -> Iterator[Callable[[float], None]]:
    """Say how far it is, on stderr: a bar in a terminal, else at most ten lines, or nothing."""
    if sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import Progress

        with Progress(console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task("Rehearsing", total=days * 24.0)
            yield lambda hours: bar.update(task, completed=hours)
        return
    every_h = 24.0 * max(1.0, days / 10.0)
    due_h = every_h

    def tell(hours: float) -> None:
        nonlocal due_h
        if not quiet and hours >= due_h:
            click.echo(f"day {hours / 24.0:.0f} of {days:g}", err=True)
            due_h += every_h

    yield tell
