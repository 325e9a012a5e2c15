"""``bottomheat rehearse``: the real controller on calculated chambers."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.errors import InputError

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.keeper import KeeperLine
    from bottomheat.rehearse import ChamberModel, Stand
    from bottomheat.rehearse_verdict import FaultResult
    from bottomheat_drivers.simulated import SimulatedProbes

BEGINS_MS = 1_764_547_200_000
"""Wall time of a rehearsal's start, 1 December 2025, 00:00 UTC: the same log for the same seed."""

BUILT_IN = "bottomheat.chamber:Chamber"
USUAL_DAYS = 14.0
AFTER_FAULT_DAYS = 1.0


class _Command(click.Command):
    """Lists the kinds of faults below the help."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list; only who asks for help waits for it to load."""
        del ctx
        from bottomheat.cli.rehearse_fault_text import listed

        formatter.write("\nFaults to order (size and length where not given):\n" + listed() + "\n")


@dataclass(frozen=True, slots=True)
class _Request:
    """One rehearsal, as asked for."""

    config_path: Path | None
    days: float | None
    room_path: Path | None
    chamber_name: str | None
    log_path: Path | None
    seed: int
    faults: tuple[str, ...]
    as_json: bool


@click.command(cls=_Command, short_help="Try a config, or a fault, on a calculated chamber.")
@click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path),
    help="The config file. [default: the sample config that ships]",
)
@click.option(
    "--days",
    type=float,
    help="How long, in days. [default: 14; with --fault a day after the last; a season 120]",
)
@click.option(
    "--room",
    "room_path",
    type=click.Path(path_type=Path),
    help="CSV file of the room: columns hours,room_c. [default: a cold shed]",
)
@click.option(
    "--chamber",
    "chamber_names",
    metavar="FILE.py:CLASS",
    multiple=True,
    help="A chamber of your own; several for a campaign. [default: those that ship]",
)
@click.option(
    "--log", "log_path", type=click.Path(path_type=Path), help="Keep the log in this file."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of noise and of the shed.")
@click.option(
    "--fault",
    "faults",
    metavar="KIND@TIME[:DURATION]",
    multiple=True,
    help="Order a fault, such as mat-dead@36h or lid-off@2d4h:40m; may be given again.",
)
@click.option("--campaign", "runs", type=int, metavar="N", help="Run N faults drawn by chance.")
@click.option("--seasons", type=int, metavar="M", help="Run M fault-free seasons.")
@click.option(
    "--season",
    "whole_season",
    is_flag=True,
    help="A winter on two boxes, October to May, with four batches; about a minute.",
)
@click.option(
    "--jobs", type=int, default=1, show_default=True, help="Processes for a campaign or seasons."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def command(
    config_path: Path | None,
    days: float | None,
    room_path: Path | None,
    chamber_names: tuple[str, ...],
    log_path: Path | None,
    seed: int,
    faults: tuple[str, ...],
    runs: int | None,
    seasons: int | None,
    whole_season: bool,
    jobs: int,
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
      open_lid(state), set_sun(watts), add_water(litres, celsius),
      place_bags(mass_kg, celsius)             for the faults that need them

    The file is a program and is run. Several chambers in the config: one each, all in
    the same room.

    \b
    Faults. --fault [CHAMBER/]KIND[.PLACE][=SIZE]@TIME[:DURATION]
      mat-dead@36h                        in the first chamber, to the end
      north-bench/probe-frozen.room@2d:6h
      sun=60@1d10h:5h                     60 W at its highest, over 5 h
      water@36h  tend.water@35h50m:30m    watered, and announced

    The screen then says what was ordered, what the controller said and when, and how warm it got
    beside a run without the fault. --campaign N does N runs of one fault each, on boxes, rooms and
    at times drawn by --seed, and prints tables; --seasons M does seasons without a fault, with sun
    through a window, a lamp and weekly tending, and counts what was said for nothing.

    --season plays one winter with batches in the boxes: looks, stages, moves, a holiday, mould and
    a power cut. With --log FILE any day of it can be looked at: bottomheat today --log FILE
    --at DAY.
    """  # noqa: D301 - click's \b
    request = _Request(
        config_path,
        days,
        room_path,
        chamber_names[0] if chamber_names else None,
        log_path,
        seed,
        faults,
        as_json,
    )
    # Whatever a foreign chamber prints must not get between us and whoever reads our JSON.
    with contextlib.redirect_stdout(sys.stderr):
        if whole_season:
            text = _season(request, runs, seasons, chamber_names)
        elif runs is None and seasons is None:
            if len(chamber_names) > 1:
                raise InputError("one --chamber at a time; several are for --campaign.")
            text = _rehearse(request)
        else:
            text = _campaign(request, runs, seasons, jobs, chamber_names)
    click.echo(text)


def _season(
    request: _Request, runs: int | None, seasons: int | None, boxes: tuple[str, ...]
) -> str:
    from bottomheat.cli import rehearse_season as season
    from bottomheat.season.season_story import DAYS

    season.refuse(
        {
            "--config": request.config_path,
            "--days": request.days is not None,
            "--room": request.room_path,
            "--chamber": boxes,
            "--fault": request.faults,
            "--campaign": runs is not None,
            "--seasons": seasons is not None,
        }
    )
    with _progress(DAYS, quiet=request.as_json) as tell:
        return season.run(
            request.log_path,
            request.seed,
            as_json=request.as_json,
            tell=lambda days: tell(days * 24.0),
        )


def _campaign(
    request: _Request,
    runs: int | None,
    seasons: int | None,
    jobs: int,
    boxes: tuple[str, ...],
) -> str:
    from bottomheat.cli import rehearse_campaign as campaign

    given = {
        "--config": request.config_path,
        "--room": request.room_path,
        "--log": request.log_path,
        "--fault": request.faults or None,
    }
    campaign.refuse([option for option, value in given.items() if value is not None])
    if (runs is not None and runs < 1) or (seasons is not None and seasons < 1):
        raise InputError("--campaign and --seasons need a number of 1 or more.")
    days = campaign.USUAL_DAYS if request.days is None else request.days
    asked = campaign.Request(runs or 0, seasons or 0, days, request.seed, jobs, boxes)
    return campaign.run(asked, as_json=request.as_json)


def _rehearse(request: _Request) -> str:
    from bottomheat.chamber import Chamber
    from bottomheat.chamber_file import load_chamber_class
    from bottomheat.cli import rehearse_fault_text, rehearse_text
    from bottomheat.cli import rehearse_inputs as inputs
    from bottomheat.cli.rehearse_log import RehearsedLog, rehearsed_log
    from bottomheat.rehearse import LONGEST_DAYS, as_plain, rehearse
    from bottomheat.rehearse_faults import check, parse
    from bottomheat.rehearse_verdict import Witness, follow
    from bottomheat.rehearse_verdict import as_plain as fault_plain
    from bottomheat.rehearse_world import World
    from bottomheat.rooms import cold_shed
    from bottomheat.wiring import wiring_of
    from bottomheat_drivers.clock import ManualClock, SystemClock
    from bottomheat_drivers.config_yaml import load, refusal

    began_s = SystemClock().monotonic_s()
    path = inputs.sample_config() if request.config_path is None else request.config_path
    loaded = load(path)
    config = loaded.parsed.config
    if config is None:
        raise refusal(path, loaded.parsed)
    orders = sorted((parse(text, config) for text in request.faults), key=lambda o: o.at_s)
    days = request.days
    if days is None:
        after = max((o.at_s + (o.lasts_s or 0.0) for o in orders), default=0.0) / 86_400.0
        days = after + AFTER_FAULT_DAYS if orders else USUAL_DAYS
    if not 0.0 < days <= LONGEST_DAYS:
        raise InputError(f"--days is {days:g}; give more than 0 and at most {LONGEST_DAYS:g}.")
    late = [order for order in orders if order.at_s >= days * 86_400.0]
    if late:
        raise InputError(
            f"--fault {late[0].kind} begins after the end, {days:g} days; make it longer."
        )
    lines = wiring_of(config, path).lines
    seed, room_path = request.seed, request.room_path
    room = cold_shed(seed, days) if room_path is None else inputs.read_room(room_path)
    kind: type[ChamberModel] = Chamber
    label = request.chamber_name or BUILT_IN
    if request.chamber_name is not None:
        kind = load_chamber_class(label)
    stands, probes, keeper_probes = _parts(kind, label, config, lines, seed)
    check(orders, config, stands)
    witness = Witness(orders)
    journal: RehearsedLog | None = None

    def before(world: World) -> None:
        witness.before(world)
        if journal is not None:
            journal.look(world)

    clock = ManualClock(wall_ms=BEGINS_MS)
    with contextlib.ExitStack() as stack:
        if request.log_path is not None:
            inputs.require_free(request.log_path)
            cuts = any(order.kind == "power-cut" for order in orders)
            journal = stack.enter_context(
                rehearsed_log(request.log_path, clock, loaded.text, loaded.checksum, cuts=cuts)
            )
        outcomes = rehearse(
            config,
            lines,
            stands,
            probes,
            keeper_probes,
            room,
            days,
            before_cycle=before if orders else None,
            after_cycle=witness.after if orders else None,
            journal=journal,
            on_cycle=clock.set,
            on_hour=stack.enter_context(_progress(days, quiet=request.as_json)),
        )
    results: tuple[FaultResult, ...] = ()
    if orders:
        twin = World(config, lines, *_parts(kind, label, config, lines, seed), room)
        results = witness.results(follow(twin, days * 24.0), config)
    wall_s = SystemClock().monotonic_s() - began_s
    if request.as_json:
        chambers = {name: as_plain(outcome) for name, outcome in outcomes.items()}
        plain = {
            "simulation": True,
            "days": days,
            "seed": seed,
            "chamber_model": label,
            "room": "cold shed" if room_path is None else str(room_path),
            "wall_s": wall_s,
            "chambers": chambers,
        }
        if orders:
            plain["faults"] = [fault_plain(result) for result in results]
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
    if results:
        screen += "\n\n" + rehearse_fault_text.render(results)
    return f"{screen}\n\nCalculated in {wall_s:.0f} s."


def _parts(
    kind: type[ChamberModel],
    label: str,
    config: Config,
    lines: Sequence[KeeperLine],
    seed: int,
) -> tuple[dict[str, Stand], SimulatedProbes, SimulatedProbes]:
    """Boxes with their relays, the daemon's probes and the keeper's, all fresh."""
    from bottomheat.model import Place
    from bottomheat_drivers.simulated import SimulatedProbes

    stands = {name: _stand(kind, label, config, name) for name in config.chambers}
    models = {name: stand.model for name, stand in stands.items()}
    places = {name: tuple(c.probes.by_place()) for name, c in config.chambers.items()}
    kept = {line.chamber: (Place.MAT,) for line in lines if line.probe is not None}
    # The keeper reads by itself, so its readings have noise of their own.
    return (
        stands,
        SimulatedProbes(models, places, seed),
        SimulatedProbes(models, kept, seed + 1_000_003),
    )


def _stand(kind: type[ChamberModel], label: str, config: Config, name: str) -> Stand:
    from bottomheat.chamber_file import build_chamber
    from bottomheat.rehearse import GuardedModel, Stand
    from bottomheat_drivers.simulated_relay import SimulatedRelay

    series = config.chambers[name].keeper.series_relay
    return Stand(
        GuardedModel(build_chamber(kind, label), label),
        SimulatedRelay(name),
        None if series is None else SimulatedRelay(f"{name}, series relay"),
    )


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
