"""``bottomheat --help``: commands in groups that a grower finds their way by."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import bottomheat.cli as cli
from commandline import bottomheat as run

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


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("capcity",), "There is no command 'capcity'. Did you mean 'capacity'?"),
        (("xyzzy",), "No such command 'xyzzy'."),
        (("capacity", "--room", "cold"), "'cold' is no number."),
        (("identify", "--days", "99"), "99.0 is not possible; give 1.5 to 30.0."),
        (("identify", "--periods", "x"), "'x' is no whole number."),
        (("calibrate", "drop", "0"), "0 is not possible; give at least 1."),
    ],
)
def test_a_slip_on_the_command_line_is_told_in_words(words: tuple[str, ...], said: str) -> None:
    done = run(*words)
    assert done.returncode == 2
    assert said in " ".join(done.stderr.split())


@pytest.mark.parametrize(
    ("click_says", "said"),
    [
        ("9 is not in the range 1<=x<=3.", "9 is not possible; give 1 to 3."),
        ("0.0 is not in the range 0<x<=3.", "0.0 is not possible; give more than 0 and at most 3."),
        ("0 is not in the range x>=1.", "0 is not possible; give at least 1."),
        ("7 is not in the range x<4.5.", "7 is not possible; give less than 4.5."),
        ("'a' is not a valid integer range.", "'a' is no whole number."),
        ("Missing argument 'FILE'.", "Missing argument 'FILE'."),
    ],
)
def test_ranges_are_told_in_words(click_says: str, said: str) -> None:
    assert cli._plain(click_says) == said


def test_a_file_that_may_not_be_looked_at_is_no_fault_of_the_program(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(**_: object) -> None:
        raise PermissionError(13, "Permission denied", "/somewhere/log.sqlite")

    monkeypatch.setattr(cli.group, "main", refuse)
    with pytest.raises(SystemExit) as ended:
        cli.main(["today"])
    assert ended.value.code == 1
    said = capsys.readouterr().err
    assert "/somewhere/log.sqlite: this user may not" in said
    assert "group bottomheat, or with sudo" in said
