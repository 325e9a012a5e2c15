"""The command line: one file a command, each thin and loaded only when it is called."""

from __future__ import annotations

import difflib
import importlib
import io
import logging
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from bottomheat import __version__
from bottomheat.errors import INTERNAL, BottomheatError, exit_codes

DEFAULT_CONFIG = "/etc/bottomheat/chamber.yaml"

SECTIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Every day", ("today", "status", "tend", "lid", "done", "alarms", "ack", "pause", "away")),
    ("Your season", ("batch", "record", "compare", "season", "species", "sheet")),
    ("After a fault", ("review", "reset")),
    (
        "Setting up",
        ("install", "check", "probes", "prove", "prepare", "calibrate", "ready", "rehearse"),
    ),
    (
        "For specialists",
        (
            *("identify", "tune", "capacity", "replay", "backup", "verify", "export"),
            *("run", "keep", "alerts", "upkeep", "open-lines", "uninstall"),
        ),
    ),
)
"""Commands in groups that a grower understands; each lives in ``cli/<name>_cmd.py``."""


class Commands(click.Group):
    """Loads a command's module when it is called, and lists the commands in sections."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Every command's name."""
        return [name for _, names in SECTIONS for name in names]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The named command, or None."""
        if cmd_name not in self.list_commands(ctx):
            return None
        module = importlib.import_module(f"bottomheat.cli.{cmd_name.replace('-', '_')}_cmd")
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that is meant; a slip in its name is told with what is like it."""
        name = args[0] if args else ""
        near = difflib.get_close_matches(name, self.list_commands(ctx), 1)
        if near and near[0] != name and not name.startswith("-"):
            ctx.fail(f"There is no command {name!r}. Did you mean {near[0]!r}?")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The sections, then the exit statuses."""
        for title, names in SECTIONS:
            rows = []
            for name in names:
                command = self.get_command(ctx, name)
                if command is not None:
                    rows.append((name, command.get_short_help_str(60)))
            with formatter.section(title):
                formatter.write_dl(rows)
        with formatter.section("Exit status"):
            formatter.write_dl([(str(code), text) for code, text in exit_codes()])


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)
@click.version_option(__version__, prog_name="bottomheat")
@click.option("--traceback", is_flag=True, help="Show where in the program an error arose.")
def group(traceback: bool) -> None:
    """Keep the bases of your cuttings at the temperature you set.

    It is control and alarm, never the safety device: the mat must be safe without it
    (RCD, fuse, thermal cutout, fitted to your local code by someone licensed to).
    """


config_option = click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path),
    envvar="BOTTOMHEAT_CONFIG",
    default=DEFAULT_CONFIG,
    show_default=True,
    help="The config file (or set BOTTOMHEAT_CONFIG).",
)


_NO_NUMBER = re.compile(r"is not a valid (float|integer)( range)?\b")
_OUTSIDE = re.compile(
    r"is not in the range (?:(?P<low>[^<>]+)(?P<above><=?))?x(?P<rest>.*)\.$", re.M
)
_BOUNDS = {"<": "less than", "<=": "at most", ">": "more than", ">=": "at least"}


def _plain(message: str) -> str:
    """What click says of a number, in words."""
    message = _NO_NUMBER.sub(
        lambda found: "is no number" if found[1] == "float" else "is no whole number", message
    )
    return _OUTSIDE.sub(lambda found: f"is not possible; give {_range(found)}.", message)


def _range(found: re.Match[str]) -> str:
    low, above, rest = found["low"], found["above"], found["rest"]
    sign = rest.rstrip("0123456789.-+einf")
    high = rest.removeprefix(sign)
    if low is None:
        return f"{_BOUNDS.get(sign, sign)} {high}"
    if (above, sign) == ("<=", "<="):
        return f"{low} to {high}"
    return f"{'more than' if above == '<' else 'at least'} {low} and {_BOUNDS[sign]} {high}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command and exit with its status; an error of ours is one sentence, no traceback."""
    logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stderr)
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        code = group.main(args=words, prog_name="bottomheat", standalone_mode=False)
    except click.ClickException as error:
        said = io.StringIO()
        error.show(file=said)
        click.echo(_plain(said.getvalue()), err=True, nl=False)
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        sys.exit(130)
    except BottomheatError as error:
        if "--traceback" in words:
            raise
        click.echo(f"bottomheat: {error}", err=True)
        sys.exit(error.exit_code)
    except PermissionError as error:
        if "--traceback" in words:
            raise
        what = "" if error.filename is None else f"{error.filename}: "
        click.echo(
            f"bottomheat: {what}this user may not do that (permission denied): call it as a user "
            "of the group bottomheat, or with sudo.",
            err=True,
        )
        sys.exit(1)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:  # the one place that may: a fault of ours still ends in a sentence
        if "--traceback" in words:
            raise
        click.echo(
            f"bottomheat: a fault in bottomheat itself ({type(error).__name__}: {error}); "
            "run again with --traceback and report it.",
            err=True,
        )
        sys.exit(INTERNAL)
    sys.exit(code if isinstance(code, int) else 0)
