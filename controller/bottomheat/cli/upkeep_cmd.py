"""``bottomheat upkeep``: what a daemon should not look at in its loop, once a day."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bottomheat.cli import config_option
from bottomheat.cli.findings import (
    Finding,
    Group,
    all_well,
    in_two,
    note,
    render,
    well,
    wrong,
)
from bottomheat.cli.status_text import duration
from bottomheat.errors import UNWELL, LogError, NotRunningError

if TYPE_CHECKING:
    from bottomheat_drivers.log.health import Health

LATE_S = 1200.0
"""Rows reach the file every ten minutes; twice that is late."""

MUCH_WAITS_BYTES = 50 * 10**6
"""So much in the -wal file means that the writer never gets to move it (judgement)."""

PATIENCE_S = 10.0


@click.command(short_help="Look at the log and the card; run once a day by a timer.")
@config_option
def command(config_path: Path) -> int:
    """Read the whole log for damage, see that rows arrive, and that there is room on the card.

    It reads and changes nothing: only the running service writes the log.  Exit status 1 when
    something needs attention; under systemd the unit bottomheat-upkeep then counts as failed, and
    the journal says why.  Nobody is sent a message about it.
    """
    groups = look(config_path)
    click.echo(render(groups))
    return 0 if all_well(groups) else UNWELL


def look(config_path: Path) -> list[Group]:
    """Look at log, card and supply."""
    log, control = _places(config_path)
    answer = _ask(control)
    if answer is None and not log.exists():
        return [
            Group("Log", (well("nothing has run here yet, so there is nothing to look after"),))
        ]
    return [
        Group("Log", tuple(_log(log, answer))),
        Group("Card", tuple(_card(log))),
        Group("Supply", tuple(_supply())),
    ]


def log_findings(
    health: Health, *, since_s: float | None, running_s: float | None
) -> list[Finding]:
    """What the file is like.

    Args:
        health: what was seen of it.
        since_s: age of the newest row of this boot, s, or None where there is none.
        running_s: for how long the service has run, s, or None where it does not.
    """
    size = f"{health.size_bytes / 1e6:.1f} MB"
    if health.defect is not None:
        return [
            wrong(
                f"the log is damaged ({health.defect}), {size}",
                "keep a copy of the state folder, then: sudo systemctl restart bottomheat, which "
                "sets it aside and begins a new one; look for a worn-out card (dmesg)",
            )
        ]
    found = [well(f"the log is whole, {size}")]
    if health.waiting_bytes > MUCH_WAITS_BYTES:
        found.append(
            note(
                f"{health.waiting_bytes / 1e6:.0f} MB of it wait beside the file to be moved in",
                "end what keeps the log open (a status or review that hangs)",
            )
        )
    if running_s is None:
        found.append(note("the service does not run, so no rows arrive"))
    elif running_s > LATE_S and (since_s is None or since_s > LATE_S):
        age = "since the computer started" if since_s is None else f"for {duration(since_s)}"
        found.append(
            wrong(
                f"the service runs, and no row has reached the card {age}",
                "bottomheat status says what is wrong with the log",
            )
        )
    elif since_s is not None:
        found.append(well(f"its newest row is {duration(since_s)} old"))
    return found


def _places(config_path: Path) -> tuple[Path, Path]:
    from bottomheat.config import Config
    from bottomheat.errors import ConfigError
    from bottomheat_drivers.config_yaml import load

    try:
        config = load(config_path).parsed.config
    except ConfigError:
        config = None
    fields = Config.model_fields
    log = fields["log"].default if config is None else config.log
    folder = fields["run_folder"].default if config is None else config.run_folder
    return Path(log), Path(folder) / "control.sock"


def _ask(control: Path) -> Mapping[str, Any] | None:
    from bottomheat_drivers.control_socket import ask

    try:
        return ask(control, {"do": "status"}, PATIENCE_S)
    except NotRunningError:
        return None


def _log(log: Path, answer: Mapping[str, Any] | None) -> Iterator[Finding]:
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.log import boot_id
    from bottomheat_drivers.log.health import health, put_aside

    try:
        seen = health(log, boot_id())
    except LogError as error:
        yield wrong(*in_two(str(error), ": "))
    else:
        newest_s = None if seen.newest_ms is None else seen.newest_ms / 1000
        since_s = None if newest_s is None else SystemClock().monotonic_s() - newest_s
        running_s = None if answer is None else float(answer.get("running_s", 0.0))
        yield from log_findings(seen, since_s=since_s, running_s=running_s)
    for file, size in put_aside(log):
        yield note(f"{file} was put aside, {size / 1e6:.1f} MB", "copy it away, then remove it")


def _card(log: Path) -> Iterator[Finding]:
    from bottomheat_drivers.log.health import room

    folder = log.absolute().parent
    try:
        yield from card_findings(*room(folder))
    except OSError as error:
        yield wrong(f"{folder} cannot be looked at ({error.strerror or error})", "mount the disk")


def card_findings(free_bytes: int, read_only: bool) -> list[Finding]:
    """Whether log and latches can still be written."""
    from bottomheat.cli.check_machine import LITTLE_BYTES, TOO_LITTLE_BYTES

    if read_only:
        return [
            wrong(
                "the card has turned read-only: nothing is logged, and a latch cannot be kept",
                "change the card: it is worn out (dmesg)",
            )
        ]
    left = f"{free_bytes / 1e6:.0f} MB left on the card"
    if free_bytes < TOO_LITTLE_BYTES:
        return [wrong(left, "make room: the log and the latches need it")]
    if free_bytes < LITTLE_BYTES:
        return [note(left, "make room before the season")]
    return [well(left)]


def _supply() -> Iterator[Finding]:
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.power_flag import PowerFlag

    if PowerFlag(SystemClock()).undervoltage() is not None:
        yield wrong("the supply voltage of the computer is too low", "fit the maker's supply")
