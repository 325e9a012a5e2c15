"""What ``check`` finds about telling somebody; never shows an address."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from bottomheat.cli.findings import Finding, in_two, note, well, wrong

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat_drivers.alert_channels import FileMode


def alert_findings(
    config: Config | None,
    config_file: FileMode,
    addresses_file: FileMode | None,
    *,
    library: bool,
    program: bool,
) -> Iterator[Finding]:
    """Who is told of an alarm, and what keeps that from working.

    Args:
        config: the config, or None where it is refused.
        config_file: the config file, which may hold addresses.
        addresses_file: the file of addresses, where the config names one.
        library: whether the library that sends to addresses is installed.
        program: whether the command's program is there and may be started.
    """
    alerts = None if config is None else config.alerts
    if alerts is None:
        if config is not None:
            yield note(
                "nobody is told of an alarm: the config has no alerts section"
                if config.sounder is None
                else "only who hears the sounder is told: the config has no alerts section",
                "the sample config shows one; without it, look at bottomheat status every morning",
            )
        return
    if not (alerts.addresses or addresses_file or alerts.command):
        yield wrong(
            "alerts in the config names nobody to tell",
            "give it addresses, an addresses_file or a command",
        )
    secrets = bool(alerts.addresses or alerts.heartbeat)
    if secrets and config_file.open_to_all:
        yield wrong(
            f"the config {config_file.path} holds addresses with secrets, and everybody on this "
            "machine may read it",
            f"move them to an addresses_file, or: sudo chmod o-r {config_file.path}",
        )
    if alerts.addresses:
        yield note(
            "the config holds addresses, and the log keeps a copy of every config that was used",
            "an addresses_file keeps them out of both",
        )
    if addresses_file is not None:
        yield from _addresses_file(addresses_file)
    if (alerts.addresses or addresses_file) and not library:
        yield wrong(
            "the config names addresses and the library apprise, which sends to them, is not "
            "installed",
            "install it into bottomheat's own environment, in the folder that you copied: "
            "sudo /opt/bottomheat/bin/pip install -q '.[alerts]'",
        )
    if alerts.command is not None and not program:
        yield wrong(
            "the first word of the alerts command is no program that this user may start",
            "give its whole path, and make it executable for the user of the alerts service",
        )
    if alerts.addresses or addresses_file or alerts.command:
        yield note(
            "whether messages arrive, only a test tells",
            "as the user of the alerts service: bottomheat alerts --test",
        )


def _addresses_file(look: FileMode) -> Iterator[Finding]:
    if not look.exists:
        yield wrong(
            f"the addresses file {look.path} is not there",
            "make it: one address a line, readable by the user of the alerts service alone",
        )
        return
    if look.open_to_all:
        yield wrong(
            f"the addresses file {look.path} holds secrets, and everybody on this machine may "
            "read it",
            f"sudo chmod 600 {look.path}, and give it to the user of the alerts service",
        )
    if not look.readable:
        yield note(
            f"the addresses file {look.path} may not be read by this user, which is as it should be"
        )
    elif look.trouble is not None:
        yield wrong(*in_two(look.trouble))
    elif not look.open_to_all:
        yield well(f"the addresses file {look.path} can be read, and not by everybody")
