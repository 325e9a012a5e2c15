"""What installing and removing the service takes: what is there in, a list of steps out; pure.

The program itself lies in ``PROGRAM``; pip puts it there.  These steps make it a service: unit
files, users, folders, a first config.  Every file of ours lies below /usr/local/lib, where nothing
of the system's packages is touched, and where what an administrator keeps in /etc has precedence
(systemd.unit(5)).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

PROGRAM = "/opt/bottomheat"
CONFIG = "/etc/bottomheat/chamber.yaml"
STATE = "/var/lib/bottomheat"
ALERTS_STATE = "/var/lib/bottomheat-alerts"
COMMAND = "/usr/local/bin/bottomheat"
STAMP = "/usr/local/lib/bottomheat/installed.json"
"""Says which program was installed last; without it an installation is not finished."""

SERVICE, KEEPER = "bottomheat.service", "bottomheat-keeper.service"
ALERTS = "bottomheat-alerts.service"
UPKEEP, TIMER = "bottomheat-upkeep.service", "bottomheat-upkeep.timer"
UNITS = (KEEPER, SERVICE, ALERTS, UPKEEP, TIMER)
UNIT_FOLDER = "/usr/local/lib/systemd/system"
RULES = "/usr/local/lib/udev/rules.d/60-bottomheat-gpio.rules"

FOLDERS: Mapping[str, tuple[int, str, str]] = {
    "/etc/bottomheat": (0o750, "root", "bottomheat"),
    STATE: (0o750, "bottomheat", "bottomheat"),
    ALERTS_STATE: (0o700, "bottomheat-alerts", "bottomheat"),
}
"""Mode, owner and group of each folder, where it has to be made; tmpfiles.d says the same."""
USERS = ("bottomheat", "bottomheat-alerts")
GROUPS = ("bottomheat", "gpio")

PIECES: Mapping[str, str] = {
    **{f"{UNIT_FOLDER}/{unit}": unit for unit in UNITS},
    "/usr/local/lib/sysusers.d/bottomheat.conf": "bottomheat.sysusers",
    "/usr/local/lib/tmpfiles.d/bottomheat.conf": "bottomheat.tmpfiles",
    RULES: "bottomheat-gpio.rules",
}
"""Where each file goes that comes with the program, and its name there."""


class Have(StrEnum):
    """How a file that is to be put somewhere compares with what is there."""

    MISSING = "missing"
    SAME = "same"
    OTHER = "other"


class Do(StrEnum):
    """One kind of thing that is done to the machine."""

    SET_ASIDE = "set aside"
    WRITE = "write"
    USERS = "users"
    FOLDERS = "folders"
    CONFIG = "config"
    LINK = "link"
    RULES = "rules"
    RELOAD = "reload"
    ENABLE = "enable"
    START = "start"
    RESTART = "restart"
    REMEMBER = "remember"
    STOP = "stop"
    OPEN = "open"
    DISABLE = "disable"
    REMOVE = "remove"
    FORGET = "forget"


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, what it is done to, and how it is told."""

    do: Do
    subject: str
    words: str


@dataclass(frozen=True, slots=True)
class Found:
    """What there is on a machine, or in a folder that holds the tree of one.

    Attributes:
        live: systemd runs there and is to be told.
        pieces: each path of ``PIECES`` with how the file there compares with ours.
        hiding: unit files in /etc that would be taken instead of ours.
        gpio_rule: a rule of the system gives the group gpio the GPIO lines.
        missing_users: users and groups of ours that are not there, as "user NAME".
        missing_folders: folders of ours that are not there.
        config: ``SAME`` is the sample as it came, ``OTHER`` one that somebody has edited.
        tells: the config has an alerts section, so that somebody is to be told.
        command: what lies where the shell looks for the command; ``SAME`` is our link.
        stamped: some program of ours was installed to the end.
        current: and it is the one that does this.
        known: units that an earlier installation has enabled; whether they still are is up to
            whoever looks after the machine.
        running: units of ours that run, or that systemd keeps trying to start.
        enabled: units of ours that are started at boot.
        wired: there are GPIO lines, and a keeper ran, so that it is known which are relays.
        kept: folders with what an uninstall leaves, and the program, as far as they are there.
        own_settings: folders in /etc with settings that somebody added to our units.
    """

    live: bool
    pieces: Mapping[str, Have]
    hiding: tuple[str, ...] = ()
    gpio_rule: bool = False
    missing_users: tuple[str, ...] = ()
    missing_folders: tuple[str, ...] = ()
    config: Have = Have.MISSING
    tells: bool = False
    command: Have = Have.MISSING
    stamped: bool = False
    current: bool = False
    known: frozenset[str] = field(default_factory=frozenset)
    running: frozenset[str] = field(default_factory=frozenset)
    enabled: frozenset[str] = field(default_factory=frozenset)
    wired: bool = False
    kept: tuple[str, ...] = ()
    own_settings: tuple[str, ...] = ()


def to_install(found: Found) -> tuple[Step, ...]:
    """The steps that make the program a service, or bring an installed one up to date.

    Nothing that is as it should be has a step, so that a second run has none.  A config is never
    replaced, a unit that somebody has disabled is not enabled again, and the service is started
    only on a config that somebody has edited.
    """
    steps = [
        Step(Do.SET_ASIDE, path, f"rename {path} to {path}.before: it would hide the new one")
        for path in found.hiding
    ]
    wanted = {path: have for path, have in found.pieces.items() if _wants(path, found)}
    written = [path for path, have in wanted.items() if have is not Have.SAME]
    steps += [
        Step(Do.WRITE, path, f"{'write' if wanted[path] is Have.MISSING else 'replace'} {path}")
        for path in written
    ]
    if found.missing_users:
        named = ", ".join(found.missing_users)
        steps.append(Step(Do.USERS, "", f"make the {named}"))
    if found.missing_folders:
        steps.append(Step(Do.FOLDERS, "", f"make {', '.join(found.missing_folders)}"))
    if found.config is Have.MISSING:
        steps.append(Step(Do.CONFIG, CONFIG, f"put the sample config into {CONFIG}"))
    if found.command is Have.MISSING:
        steps.append(Step(Do.LINK, COMMAND, f"link {COMMAND} to {PROGRAM}/bin/bottomheat"))
    units_changed = bool(found.hiding) or any(path.startswith(UNIT_FOLDER) for path in written)
    if found.live:
        if RULES in written:
            steps.append(Step(Do.RULES, "", "tell udev of the new rule"))
        if units_changed or not found.stamped:
            steps.append(Step(Do.RELOAD, "", "tell systemd of the units"))
    new = [unit for unit in to_enable(found.tells) if unit not in found.known]
    steps += [
        Step(Do.ENABLE, unit, f"start {unit} at every boot")
        for unit in new
        if unit not in found.enabled
    ]
    if found.live:
        steps += _starts(found, new, changed=units_changed or not found.current)
    if new or not found.current:
        # last of all: what is broken off before is done at the next run
        steps.append(Step(Do.REMEMBER, STAMP, f"note in {STAMP} what is installed"))
    return tuple(steps)


def _wants(path: str, found: Found) -> bool:
    return path != RULES or not found.gpio_rule or found.pieces[path] is not Have.MISSING


def to_enable(tells: bool) -> tuple[str, ...]:
    """Units that boot is to start; the alerts only where somebody is to be told."""
    return (KEEPER, SERVICE, *((ALERTS,) if tells else ()), TIMER)


def _starts(found: Found, new: list[str], *, changed: bool) -> list[Step]:
    steps = []
    services = {SERVICE, KEEPER} & found.running
    if services and changed:
        # the keeper is part of the service: it restarts with it, and its lines open meanwhile
        steps.append(Step(Do.RESTART, SERVICE, "restart the service and the keeper"))
    elif not services and SERVICE in new and found.config is Have.OTHER:
        steps.append(Step(Do.START, SERVICE, "start the service and the keeper"))
    if ALERTS in found.running and changed:
        steps.append(Step(Do.RESTART, ALERTS, "restart the alerts"))
    elif ALERTS not in found.running and ALERTS in new and found.config is Have.OTHER:
        steps.append(Step(Do.START, ALERTS, "start the alerts"))
    if TIMER not in found.running and TIMER in new:
        steps.append(Step(Do.START, TIMER, "start the timer of the daily upkeep"))
    return steps


def to_uninstall(found: Found) -> tuple[Step, ...]:
    """The steps that stop the service, open its lines and remove the files that were installed.

    Config, log, latches and the users who own them stay.
    """
    steps: list[Step] = []
    if found.live:
        # the controller before the keeper: the word runs out, then the lines are opened
        order = (TIMER, UPKEEP, ALERTS, SERVICE, KEEPER)
        steps += [Step(Do.STOP, unit, f"stop {unit}") for unit in order if unit in found.running]
        if found.wired:
            steps.append(Step(Do.OPEN, CONFIG, "open every relay line once more"))
    steps += [
        Step(Do.DISABLE, unit, f"no longer start {unit} at boot")
        for unit in UNITS
        if unit in found.enabled
    ]
    here = [path for path, have in found.pieces.items() if have is not Have.MISSING]
    if found.command is Have.SAME:
        here.append(COMMAND)
    steps += [Step(Do.REMOVE, path, f"remove {path}") for path in here]
    if found.live and here:
        steps.append(Step(Do.RELOAD, "", "tell systemd that the units are gone"))
    if found.stamped:
        steps.append(Step(Do.FORGET, STAMP, f"remove {STAMP}"))
    return tuple(steps)


def after_install(found: Found, user: str | None) -> tuple[str, ...]:
    """What somebody has to do next, a line each.

    Args:
        found: what was there before.
        user: who called sudo, where that is known.
    """
    member = f"    sudo usermod -aG bottomheat {user or 'YOUR-USER'}"
    if not found.live:
        start = "The services start when the machine boots."
    elif found.config is Have.OTHER:
        return (
            "Look at it:",
            "    sudo bottomheat check",
            "    sudo bottomheat status",
            *(() if found.stamped else ("To look without sudo, once, then log in again:", member)),
        )
    else:
        start = "    sudo systemctl start bottomheat"
    return (
        "Next, in this order.  No heat flows before the wiring is proved.",
        f"    sudo nano {CONFIG}",
        "    sudo bottomheat probes --find",
        "    sudo bottomheat check",
        start,
        "    sudo bottomheat prove",
        "To look without sudo, once, then log in again:",
        member,
        "To be told of alarms, once the config has an alerts section:",
        "    sudo systemctl enable --now bottomheat-alerts",
    )


_KEPT = {
    "/etc/bottomheat": "config",
    STATE: "log and latches",
    ALERTS_STATE: "unsent messages",
    PROGRAM: "the program",
}


def after_uninstall(found: Found) -> tuple[str, ...]:
    """What was left behind, where it is and how it is removed, a line each."""
    kept = [f"    {_KEPT[path]:<15}   sudo rm -r {path}" for path in _KEPT if path in found.kept]
    kept += [f"    your settings     sudo rm -r {path}" for path in found.own_settings]
    if not kept:
        return ()
    return (
        "What follows stays, and the users bottomheat and bottomheat-alerts, to whom it belongs.",
        "Mind the latch files in the state folder: without them a cutoff would be forgotten.",
        "To remove it for ever:",
        *kept,
    )
