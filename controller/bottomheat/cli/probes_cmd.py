"""``bottomheat probes``: what is on the bus, and which probe is which."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bottomheat.cli import config_option
from bottomheat.errors import ConfigError, DriverError, InputError, NotRunningError
from bottomheat.model import PLACE_WORDS, Place

if TYPE_CHECKING:
    from bottomheat.cli.probes_find import Reader, Screen
    from bottomheat_drivers.w1 import FoundProbe

USUAL_DEVICES = "/sys/bus/w1/devices"
NOWHERE = "nowhere"


@click.command(short_help="List the probes; --find: which is the one in my hand?")
@config_option
@click.option(
    "--devices",
    type=click.Path(path_type=Path),
    default=None,
    help=f"The folder of the 1-Wire devices (default: as in the config, or {USUAL_DEVICES}).",
)
@click.option("--find", "finding", is_flag=True, help="Warm a probe in your hand to see which.")
@click.option(
    "--place",
    metavar="CHAMBER:PLACE",
    help="With --find: where the probe lies, instead of asking; or: nowhere.",
)
@click.option("--yes", is_flag=True, help="With --find: do not ask, and find one probe only.")
@click.option(
    "--timeout",
    "timeout_s",
    type=click.FloatRange(min=1),
    default=300.0,
    show_default=True,
    help="With --find: how long to wait for a probe to get warm, s.",
)
@click.option(
    "--every",
    "every_s",
    type=click.FloatRange(min=0.05),
    default=1.0,
    show_default=True,
    help="With --find: pause between two rounds of readings, s.",
)
def command(
    config_path: Path,
    devices: Path | None,
    finding: bool,
    place: str | None,
    yes: bool,
    timeout_s: float,
    every_s: float,
) -> None:
    """List every probe on the bus, its temperature (°C) now, and where the config puts it.

    With --find, warm one probe in your hand: the one that rises is named, and its name goes into
    the config at the place that you say (wet layer, wet layer 2, mat, room, callus probe, air at
    buds).  The config's comments stay, and the old file is kept beside it as FILE.before.
    """
    house = _house(config_path, devices)
    if not finding:
        if place is not None or yes:
            raise click.UsageError("--place and --yes go with --find.")
        _list(house)
        return
    wanted = None if place is None else _wanted(place, house)
    _find(house, wanted, ask=not yes and place is None, yes=yes, times=(every_s, timeout_s))


@dataclass(frozen=True, slots=True)
class House:
    """The config as far as it can be read.

    Attributes:
        path: the config file.
        text: its text, or None where there is none that could be changed.
        missing: why there is none.
        devices: folder of the 1-Wire devices.
        control: the service's control socket.
        chambers: names of the boxes.
        where: places in words, by probe.
        there: probe by place in words.
    """

    path: Path
    text: str | None
    missing: str
    devices: Path
    control: Path
    chambers: tuple[str, ...]
    where: Mapping[str, str]
    there: Mapping[str, str]


def _house(path: Path, devices: Path | None) -> House:
    from bottomheat.config_facts import facts_of
    from bottomheat_drivers.config_yaml import check_text, read_text

    text, missing, data = None, "", None
    try:
        text = read_text(path)
        plain = check_text(text).plain
        if plain is None:
            text, missing = None, f"{path} cannot be read as a config: see bottomheat check"
        else:
            data = plain.data
    except ConfigError as error:
        missing = str(error)
    top: dict[str, Any] = data if isinstance(data, dict) else {}
    boxes = top.get("chambers")
    claims = [
        (_words(claim), probe)
        for box in facts_of(top).chambers
        for claim, probe in box.probe_claims
    ]
    where: dict[str, str] = {}
    for words, probe in claims:
        where[probe] = f"{where[probe]}, {words}" if probe in where else words
    named, run_folder = top.get("w1_devices"), top.get("run_folder")
    usual = Path(named if isinstance(named, str) else USUAL_DEVICES)
    return House(
        path=path,
        text=text,
        missing=missing,
        devices=usual if devices is None else devices,
        control=Path(run_folder if isinstance(run_folder, str) else "/run/bottomheat")
        / "control.sock",
        chambers=tuple(str(name) for name in boxes) if isinstance(boxes, dict) else (),
        where=where,
        there=dict(claims),
    )


def _words(claim: tuple[str | int, ...]) -> str:
    """Where a key of the config puts a probe, in a grower's words."""
    chamber, section, key = claim[1], claim[2], claim[3]
    if section == "keeper":
        return f"{chamber} mat, the keeper's own"
    second = len(claim) > 4 and claim[4] == 1
    return f"{chamber} {PLACE_WORDS[Place.SUBSTRATE_2 if second else Place(str(key))]}"


def _list(house: House) -> None:
    from bottomheat_drivers.w1 import list_probes

    found = list_probes(house.devices)
    if not found and not house.where:
        raise DriverError(_no_probes(house.devices))
    for probe in found:
        where = house.where.get(probe.name, "not in the config")
        click.echo(f"{probe.name}   {_now(probe):<12}   {where}{_remarks(probe)}")
    there = {probe.name for probe in found}
    for name, where in house.where.items():
        if name not in there:
            click.echo(f"{name}   {'NOT FOUND':<12}   {where}: look at its plug and cable")
    if house.missing:
        click.echo(f"(No config yet: {house.missing})", err=True)
    if any(probe.name not in house.where for probe in found):
        click.echo("Which is which: bottomheat probes --find")


def _now(probe: FoundProbe) -> str:
    return "no reading" if probe.celsius is None else f"{probe.celsius:.1f} °C"


def _remarks(probe: FoundProbe) -> str:
    said = []
    if probe.fault is not None:
        said.append(probe.fault.value)
    if not probe.supported:
        said.append("of a kind that cannot be read here")
    elif not probe.authentic_rom:
        said.append("its serial number is not as the maker gives them")
    if probe.resolution_bits is not None and probe.resolution_bits < 12:
        said.append(f"reads in {probe.resolution_bits} bits only")
    return f"   ({'; '.join(said)})" if said else ""


def _no_probes(devices: Path) -> str:
    return (
        f"no probe is on the bus in {devices}: look at the supply, ground and data wires and the "
        "pull-up resistor (4.7 kΩ)"
    )


_SPOKEN = {
    **{place.value: place for place in Place},
    **{words: place for place, words in PLACE_WORDS.items()},
    "wet layer 2": Place.SUBSTRATE_2,
    "callus": Place.CALLUS,
}


def _wanted(text: str, house: House) -> tuple[str, Place] | str:
    """What ``--place`` means, checked before anything is warmed."""
    if text == NOWHERE:
        return NOWHERE
    chamber, colon, words = text.partition(":")
    place = _SPOKEN.get(words.strip().lower().replace("_", "-"))
    if not colon or place is None:
        known = ", ".join(p.value for p in Place)
        raise InputError(
            f"--place {text} is not understood; write the name of a box, a colon and one of "
            f"{known}, such as north-bench:substrate"
        )
    if house.text is None:
        raise ConfigError(house.missing)
    if chamber not in house.chambers:
        there = ", ".join(house.chambers) or "none"
        raise InputError(f"there is no box {chamber} in {house.path}; there are: {there}")
    return chamber, place


def _find(
    house: House,
    wanted: tuple[str, Place] | str | None,
    *,
    ask: bool,
    yes: bool,
    times: tuple[float, float],
) -> None:
    from bottomheat.cli.probes_find import LiveScreen, PlainScreen, find
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.w1 import list_probes

    names = [probe.name for probe in list_probes(house.devices) if probe.supported]
    if not names:
        raise DriverError(_no_probes(house.devices))
    running = _is_running(house.control)
    if running:
        click.echo(
            "The service is running: heat may warm a mat probe as fast as a hand does. Stop it for "
            "this (systemctl stop bottomheat), or take the probe out of the box."
        )
    live = sys.stdout.isatty()
    every_s, timeout_s = times
    with _reader(house.devices, names) as read:
        while True:
            screen: Screen = PlainScreen()
            if live:
                screen = LiveScreen(house.where)
            found = find(read, SystemClock(), screen, every_s=every_s, timeout_s=timeout_s)
            now = house.where.get(found, "nowhere yet")
            click.echo(f"It is {found}. In the config: {now}.")
            spot = wanted if wanted is not None else _ask_place(house) if ask else None
            if isinstance(spot, tuple):
                house = _put(house, found, *spot, ask=ask, yes=yes, running=running)
            elif house.text is None and spot != NOWHERE:
                click.echo(f"Nothing was written: {house.missing}")
            if not ask or not click.confirm("Another one?", default=True):
                return


@contextmanager
def _reader(devices: Path, names: list[str]) -> Iterator[Reader]:
    """Rounds of readings of these probes, each judged as control would."""
    from bottomheat.model import Good
    from bottomheat.plausible import History, judge
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.w1 import W1Probes

    clock = SystemClock()
    probes = W1Probes(devices, {name: {Place.SUBSTRATE: name} for name in names}, clock)
    histories = dict.fromkeys(names, History())

    def read() -> Mapping[str, float | None]:
        raw = probes.read_all(clock.monotonic_s())
        found: dict[str, float | None] = {}
        for name in names:
            sample = raw[name][Place.SUBSTRATE]
            histories[name], reading = judge(histories[name], sample, clock.monotonic_s())
            found[name] = reading.celsius if isinstance(reading, Good) else None
        return found

    try:
        yield read
    finally:
        probes.close()


def _is_running(control: Path) -> bool:
    from bottomheat_drivers.control_socket import ask

    try:
        return bool(ask(control, {"do": "ping"}, 5.0).get("ok"))
    except NotRunningError:
        return False


def _ask_place(house: House) -> tuple[str, Place] | str:
    from bottomheat.cli.probes_find import choose

    if house.text is None or not house.chambers:
        click.echo(f"Write its name down. {house.missing}")
        return NOWHERE
    spots = [(chamber, place) for chamber in house.chambers for place in Place]
    choices = []
    for chamber, place in spots:
        words = f"{chamber} {PLACE_WORDS[place]}"
        there = house.there.get(words)
        choices.append(words if there is None else f"{words}   (now {there})")
    number = choose("Where does it lie?", choices)
    return NOWHERE if number == 0 else spots[number - 1]


def _put(
    house: House, probe: str, chamber: str, place: Place, *, ask: bool, yes: bool, running: bool
) -> House:
    """Write the probe's place into the config, after asking; returns the config as it then is."""
    from bottomheat_drivers.config_edit import replace_config, with_probe

    if house.text is None:
        raise ConfigError(house.missing)
    try:
        edit = with_probe(house.text, chamber, place, probe)
    except InputError as error:
        if not ask:
            raise
        click.echo(f"{error}.")
        return house
    if not edit.said:
        click.echo("The config says so already.")
        return house
    for sentence in edit.said:
        click.echo(f"  {sentence}")
    if not yes and not click.confirm(f"Write this into {house.path}?", default=True):
        return house
    kept = replace_config(house.path, house.text, edit.text)
    click.echo(f"Written to {house.path}; the file as it was is {kept}.")
    if running:
        click.echo(
            "The running service keeps the old wiring until it is restarted; then prove it: "
            "systemctl restart bottomheat, and bottomheat prove."
        )
    else:
        click.echo("When all probes have their place: bottomheat check, start, bottomheat prove.")
    return _house(house.path, house.devices)
