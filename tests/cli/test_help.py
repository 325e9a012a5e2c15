"""``bottomheat --help``: commands in groups that a grower finds their way by."""

from __future__ import annotations

import re
from pathlib import Path

import click
from click.testing import CliRunner

import bottomheat.cli as cli

FOLDER = Path(cli.__file__).parent


def shown() -> dict[str, list[str]]:
    """Sections of the help with their commands, as printed."""
    done = CliRunner().invoke(cli.group, ["--help"])
    assert done.exit_code == 0
    found: dict[str, list[str]] = {}
    title = ""
    for line in done.output.splitlines():
        if heading := re.fullmatch(r"(\S.*):", line):
            title = heading[1]
        elif command := re.match(r"  ([a-z-]+)(?:  |$)", line):
            found.setdefault(title, []).append(command[1])
    return found


def test_the_groups_are_by_when_a_grower_needs_them() -> None:
    titles = [title for title in shown() if title not in ("Options", "Exit status")]
    assert titles == [
        "Every day",
        "Your season",
        "After a fault",
        "Setting up",
        "For specialists",
    ]


def test_every_command_is_there_once_and_says_what_it_is_for() -> None:
    groups = shown()
    named = [name for title, names in cli.SECTIONS for name in names]
    assert len(named) == len(set(named))
    for title, names in cli.SECTIONS:
        assert groups[title] == list(names)
    files = {path.stem.removesuffix("_cmd").replace("_", "-") for path in FOLDER.glob("*_cmd.py")}
    assert set(named) == files
    for name in named:
        command = cli.group.get_command(click.Context(cli.group), name)
        assert command is not None
        assert command.get_short_help_str(60)
        assert len(command.get_short_help_str(200)) <= 66, name


def test_the_walk_is_among_setting_up_and_its_single_steps_are_for_specialists() -> None:
    groups = dict(cli.SECTIONS)
    assert "prepare" in groups["Setting up"]
    for name in ("identify", "tune", "capacity"):
        assert name in groups["For specialists"]
    for name in ("status", "today", "alarms", "ack"):
        assert name in groups["Every day"]
