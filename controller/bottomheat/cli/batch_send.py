"""What the commands about batches share: options, the request, who takes it, what is said."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

if TYPE_CHECKING:
    from bottomheat.config import Config

_COUNT: Final = click.IntRange(min=0)
_ENTRY: Final = {"do": "season"}

on_option = click.option(
    "--on", "on", metavar="DAY", help='2027-01-05, 5jan, yesterday, 14:20, "3d ago"; now.'
)
note_option = click.option("--note", metavar="TEXT", help="Your own words.")


NONE: Final = object()
"""What "none" says: the value is taken back."""


def count_or_none(text: str) -> object:
    """A count, or ``NONE``.

    Raises:
        ValueError: it is neither.
    """
    return NONE if text.strip().casefold() == "none" else int(text)


def count_or_part(text: str) -> int | tuple[int, int]:
    """A count, or a count and the sample it is of, as "8/10".

    Raises:
        ValueError: it is neither.
    """
    count, slash, sampled = text.partition("/")
    return (int(count), int(sampled)) if slash else int(count)


def in_sample(seen: Mapping[str, Any]) -> dict[str, Any]:
    """What was counted, with the sample by itself where it was said as "8/10".

    Raises:
        InputError: two samples were said.
    """
    from bottomheat.errors import InputError

    samples = {value[1] for value in seen.values() if isinstance(value, tuple)}
    if isinstance(seen.get("sampled"), int):
        samples.add(seen["sampled"])
    if len(samples) > 1 or isinstance(seen.get("sampled"), tuple):
        raise InputError("say one number for how many you looked at: --sampled 10, or 8/10.")
    counted = {key: value[0] if isinstance(value, tuple) else value for key, value in seen.items()}
    return counted | {"sampled": next(iter(samples), None)}


def figure(text: str) -> float:
    """A number, with a point or a comma.

    Raises:
        ValueError: it is none.
    """
    return float(text.replace(",", "."))


def figure_or_none(text: str) -> object:
    """A number, with a point or a comma, or ``NONE``.

    Raises:
        ValueError: it is neither.
    """
    return NONE if text.strip().casefold() == "none" else figure(text)


def word_or_none(text: str) -> object:
    """A word, or ``NONE``."""
    return NONE if text.strip().casefold() == "none" else text


Options = Callable[[Callable[..., None]], Callable[..., None]]


def counts(
    names: Mapping[str, str], kind: Callable[[str], object] | click.IntRange = _COUNT
) -> Options:
    """Options that count something, each with its help."""

    def add(function: Callable[..., None]) -> Callable[..., None]:
        for name in reversed(list(names)):
            option = click.option(f"--{name}", type=kind, metavar="N", help=names[name])
            function = option(function)
        return function

    return add


LOOKED: Final[Mapping[str, str]] = {
    "sampled": "How many you looked at.",
    "callused": "Of these, with callus all round.",
    "rooted": "Of these, with root tips.",
    "buds": "Of these, with buds that move.",
    "mould": "With mould; without --sampled, of the whole batch.",
}
ENDED: Final[Mapping[str, str]] = {
    "callused": "How many had callused.",
    "rooted": "How many had roots.",
    "potted": "How many were potted.",
    "alive": "How many were alive later.",
}


def given(values: Mapping[str, object]) -> dict[str, Any]:
    """The options that were given; one taken back with "none" is null."""
    return {
        key: None if value is NONE else value for key, value in values.items() if value is not None
    }


def enter(config_path: Path, request: Mapping[str, Any], on: str | None = None) -> None:
    """Have an entry kept, and say what comes of it.

    Args:
        config_path: the config file.
        request: without ``do`` and the time.
        on: when it happened, as it was said.

    Raises:
        InputError: it is refused, with the reason.
        NotRunningError: the service runs and does not answer.
        LogError: the log cannot be written, so nothing is kept.
    """
    from bottomheat.cli.batch_text import told
    from bottomheat.cli.batch_when import parse_when
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config

    clock = SystemClock()
    clock_set = clock.synchronised()
    when = None if on is None else parse_when(on, clock.wall_ms(), None, clock_set=clock_set)
    whole = {key: value for key, value in request.items() if value is not None}
    if when is not None:
        whole |= {"about_ms": when.at_ms, "open_ms": when.open_ms}
    answer, running = send(load_config(config_path), whole)
    text = told(answer, running=running, clock_set=clock_set, now_ms=clock.wall_ms())
    click.echo(on_screen(text))


def on_screen(text: str) -> str:
    """The text with its lines broken between words, where it goes to a screen: a phone's is narrow.

    What is redirected stays one line a sentence.
    """
    if not sys.stdout.isatty():
        return text
    width = max(shutil.get_terminal_size().columns, 20)
    return "\n".join(
        part
        for line in text.splitlines()
        for part in textwrap.wrap(
            line, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
        )
    )


def send(config: Config, request: Mapping[str, Any]) -> tuple[Mapping[str, Any], bool]:
    """Have an entry kept: by the service, or in the log by ourselves where none runs.

    Returns:
        The answer (``season.answer``), and whether the service gave it.

    Raises:
        InputError: it is refused, with the reason.
        NotRunningError: the service runs and does not answer.
        LogError: the log cannot be written, so nothing is kept.
    """
    from bottomheat.app import control_path
    from bottomheat.errors import AlreadyRunningError, InputError, NotRunningError
    from bottomheat_drivers.control_socket import ask

    running = True
    try:
        answer = ask(control_path(config), {**_ENTRY, **request})
    except NotRunningError as error:
        from bottomheat import offline

        try:
            answer, running = offline.season(config, {**_ENTRY, **request}), False
        except AlreadyRunningError:
            raise error from None  # it runs and does not answer: that is what to say
    if not answer.get("ok"):
        error_text = str(answer.get("error"))
        end = "" if error_text.endswith("?") else "."
        raise InputError(f"nothing is noted: {error_text.rstrip('.')}{end}")
    return answer, running
