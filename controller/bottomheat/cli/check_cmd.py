"""``bottomheat check``: what is well, what is not, and what to do about it."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option
from bottomheat.cli.findings import (
    Finding,
    Group,
    all_well,
    as_plain,
    in_two,
    note,
    render,
    wrong,
)
from bottomheat.errors import UNWELL, BottomheatError, ConfigError, DriverError, InputError

if TYPE_CHECKING:
    from bottomheat.cli.check_machine import LatchView
    from bottomheat.config import Config, Parsed
    from bottomheat.season.ledger import Dated
    from bottomheat_drivers.machine import Machine

PATIENCE_S = 10.0


@click.command(short_help="What is well, what is not, and what to do about it.")
@config_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option(
    "--schema",
    is_flag=False,
    flag_value="-",
    default=None,
    metavar="[FILE]",
    help="Only write the JSON Schema of the config, for editors: to FILE, or to the screen.",
)
def command(config_path: Path, as_json: bool, schema: str | None) -> int:
    """Look at config, cold nights, batches, relays, probes, computer, latches, service and alerts.

    Nothing is switched and nothing is changed, so it may be run at any time.  Exit status 0: all
    is well; 1: something needs attention; 3: the config is missing or refused (what can be
    checked without it still is).
    """
    if schema is not None:
        _write_schema(schema)
        return 0
    groups, refused = look(config_path)
    status = ConfigError.exit_code if refused else 0 if all_well(groups) else UNWELL
    if as_json:
        click.echo(json.dumps(as_plain(groups, status), ensure_ascii=False, indent=2))
    else:
        click.echo(render(groups))
    return status


def look(config_path: Path, root: Path = Path("/")) -> tuple[list[Group], bool]:
    """Look at everything; returns the findings and whether the config is missing or refused.

    Args:
        config_path: the config file.
        root: where the computer's own files are looked for, such as /proc and /boot.
    """
    from bottomheat.cli.check_config import (
        cold_night_findings,
        config_findings,
        relay_findings,
    )
    from bottomheat.cli.check_machine import caution_findings, clock_findings
    from bottomheat.cli.check_pi import card_findings, clock_chip_findings, computer_findings
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load
    from bottomheat_drivers.machine import look_at_machine

    parsed: Parsed | None = None
    data: object = None
    try:
        loaded = load(config_path)
        parsed, data = loaded.parsed, None if loaded.plain is None else loaded.plain.data
        about_config = config_findings(parsed, config_path)
    except ConfigError as error:
        about_config = [wrong(*in_two(str(error)))]
    config = None if parsed is None else parsed.config
    places = _Places(config, data)
    machine = look_at_machine(root)
    about_clock = [
        *clock_findings(synchronised=SystemClock().synchronised()),
        *clock_chip_findings(
            machine, tells_by_the_clock=config is not None and config.alerts is not None
        ),
    ]
    groups = [
        Group("Config", tuple(about_config)),
        Group("Cold nights", tuple([] if config is None else cold_night_findings(config))),
        Group("Batches", tuple([] if config is None else _guarded(_season(config, places)))),
        Group("Cutting the heat", tuple([] if config is None else relay_findings(config))),
        Group("Probes", tuple(_guarded(_probes(config, places, machine)))),
        Group("Relay lines", tuple(_guarded(_lines(config, places, machine)))),
        Group("Relay life", tuple([] if config is None else _guarded(_relay_life(config, places)))),
        Group("Clock", tuple(about_clock)),
        Group(
            "Disk",
            (
                *_guarded(_disk(places)),
                *card_findings(machine, places.state_folder, places.run_folder.absolute()),
            ),
        ),
        Group("Computer", tuple(computer_findings(machine))),
        Group("Latches and proof", tuple(_guarded(_state(config, places)))),
        Group("Service", tuple(_guarded(_service(places)))),
        Group("Telling someone", tuple(_guarded(_alerts(config, config_path)))),
        Group("Not for software to say", tuple(caution_findings())),
    ]
    return groups, config is None


class _Places:
    """Where things are: as the config says, where it can be read, else where they usually are."""

    def __init__(self, config: Config | None, data: object) -> None:
        def named(key: str, usual: str) -> Path:
            value = getattr(config, key, None) or (
                data.get(key) if isinstance(data, dict) else None
            )
            return Path(value if isinstance(value, str) and value else usual)

        self.devices = named("w1_devices", "/sys/bus/w1/devices")
        self.run_folder = named("run_folder", "/run/bottomheat")
        self.log = named("log", "/var/lib/bottomheat/log.sqlite")
        self.state_folder = self.log.absolute().parent
        self.control = self.run_folder / "control.sock"


def _guarded(findings: Iterator[Finding]) -> Iterator[Finding]:
    """One part that cannot be looked at does not hide the others."""
    try:
        yield from findings
    except BottomheatError as error:
        yield wrong(*in_two(str(error), ": "))


def _season(config: Config, places: _Places) -> Iterator[Finding]:
    from bottomheat.cli.check_season import season_findings
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.log import LogReader
    from bottomheat_drivers.log.logfile import OlderFormatError

    ledger: list[Dated] = []
    if os.path.exists(places.log) and not os.access(places.log, os.R_OK):
        yield note(
            "what was entered of batches may not be read by this user",
            "run the check with sudo, or as a member of the group bottomheat",
        )
    elif os.path.exists(places.log):
        try:
            with LogReader(places.log) as reader:
                ledger = reader.season_entries()
        except OlderFormatError:
            pass  # there was no ledger in it
    clock = SystemClock()
    yield from season_findings(config, ledger, clock.wall_ms(), clock_sure=clock.synchronised())


def _relay_life(config: Config, places: _Places) -> Iterator[Finding]:
    from bottomheat.cli.relay_data import lives_of
    from bottomheat.cli.relay_text import relay_life_findings
    from bottomheat_drivers.clock import SystemClock

    if not os.path.exists(places.log):
        return  # nothing has run here yet
    if not os.access(places.log, os.R_OK):
        yield note(
            "how often the relays have closed may not be read by this user",
            "run the check with sudo, or as a member of the group bottomheat",
        )
        return
    yield from relay_life_findings(*lives_of(config), SystemClock().wall_ms())


def _probes(config: Config | None, places: _Places, machine: Machine) -> Iterator[Finding]:
    from bottomheat.cli.check_machine import Readings, probe_findings
    from bottomheat.cli.check_pi import bus_findings, probe_setting_findings
    from bottomheat.plausible import History, judge
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.machine import probe_settings
    from bottomheat_drivers.w1 import W1Probes, list_probes

    yield from bus_findings(machine, config, bus_there=os.path.isdir(places.devices))
    found = list_probes(places.devices)
    readings: Readings = {}
    if config is not None:
        clock = SystemClock()
        wired = {name: box.probes.by_place() for name, box in config.chambers.items()}
        probes = W1Probes(places.devices, wired, clock)
        try:
            raw = probes.read_all(clock.monotonic_s())
        finally:
            probes.close()
        now_s = clock.monotonic_s()
        readings = {
            name: {
                place: judge(History(), sample, now_s, config.add_k(wired[name][place]))[1]
                for place, sample in box.items()
            }
            for name, box in raw.items()
        }
    yield from probe_findings(config, readings, found)
    names = [probe.name for probe in found if probe.supported and probe.fault is None]
    yield from probe_setting_findings(probe_settings(places.devices, names), machine)
    if not found:
        raise DriverError(
            f"no probe is on the bus in {places.devices}: look at the bus's supply, ground and "
            "data wires and its pull-up resistor (4.7 kΩ)"
        )


def _lines(config: Config | None, places: _Places, machine: Machine) -> Iterator[Finding]:
    from bottomheat.cli.check_machine import line_findings
    from bottomheat.cli.check_pi import line_setting_findings, relay_lines
    from bottomheat_drivers.machine import lgpio_library
    from bottomheat_drivers.pins import pin_kind
    from bottomheat_drivers.process_lock import LOCK_FOLDER
    from bottomheat_drivers.surroundings import Line, gpio_devices, line_holder

    pins = pin_kind()
    folder = places.run_folder if pins == "mock" else LOCK_FOLDER
    lines = [Line(label, gpio, line_holder(folder, gpio)) for label, gpio in relay_lines(config)]
    yield from line_findings(pins, lines, gpio_devices())
    yield from line_setting_findings(machine, config, lgpio_library(), mock=pins == "mock")


def _disk(places: _Places) -> Iterator[Finding]:
    from bottomheat.cli.check_machine import disk_findings
    from bottomheat_drivers.surroundings import disk_of

    yield from disk_findings(disk_of(places.state_folder, (places.log,)))


def _state(config: Config | None, places: _Places) -> Iterator[Finding]:
    from bottomheat.app import proof_path
    from bottomheat.cli.check_machine import latch_findings, proof_findings
    from bottomheat.config_wiring import fingerprint
    from bottomheat_drivers.latch_file import keeper_latch_path, latch_path
    from bottomheat_drivers.proof_file import ProofFile

    folder = places.state_folder
    fresh = not os.path.isdir(folder) or (
        os.access(folder, os.R_OK | os.X_OK) and not os.listdir(folder)
    )
    owners = (("service", latch_path(folder)), ("keeper", keeper_latch_path(folder)))
    yield from latch_findings([_latches(owner, path) for owner, path in owners], fresh=fresh)
    if config is not None:
        path = proof_path(folder)
        hidden = os.path.exists(path) and not os.access(path, os.R_OK)
        proved = None if hidden else ProofFile(path).matches(fingerprint(config))
        yield from proof_findings(proved=proved)


def _alerts(config: Config | None, config_path: Path) -> Iterator[Finding]:
    from importlib.util import find_spec

    from bottomheat.cli.check_alerts import alert_findings
    from bottomheat_drivers.alert_channels import look_at_file, program_found

    alerts = None if config is None else config.alerts
    named = None if alerts is None else alerts.addresses_file
    command = None if alerts is None else alerts.command
    yield from alert_findings(
        config,
        look_at_file(config_path),
        None if named is None else look_at_file(Path(named), addresses=True),
        library=find_spec("apprise") is not None,
        program=command is None or program_found(tuple(command)),
    )


def _latches(owner: str, path: Path) -> LatchView:
    from bottomheat.cli.check_machine import LatchView
    from bottomheat.errors import LatchError
    from bottomheat_drivers.latch_file import LatchFile

    exists = os.path.exists(path)
    readable = os.access(path, os.R_OK)
    try:
        return LatchView(owner, exists, readable, LatchFile(path).load())
    except LatchError as error:
        return LatchView(owner, exists, readable, {}, error)


def _service(places: _Places) -> Iterator[Finding]:
    from bottomheat.cli.check_machine import service_findings
    from bottomheat.errors import NotRunningError
    from bottomheat_drivers.control_socket import ask

    try:
        answer = ask(places.control, {"do": "status"}, PATIENCE_S)
    except NotRunningError as error:
        yield from service_findings(None, str(error))
        return
    yield from service_findings(answer)


def _write_schema(target: str) -> None:
    from bottomheat.config_parse import schema

    text = json.dumps(schema(), ensure_ascii=False, indent=2) + "\n"
    if target == "-":
        click.echo(text, nl=False)
        return
    try:
        Path(target).write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(
            f"{target} cannot be written ({error.strerror or error}); give another file"
        ) from None
    click.echo(f"Written to {target}.")
