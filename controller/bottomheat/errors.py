"""Errors that a command may end with, each with its exit status.

A message is one clear sentence: what is wrong, where, and what to do about it.  ``main`` prints it
and exits with ``exit_code``; nobody but a developer with ``--traceback`` sees a traceback.
"""

from __future__ import annotations

from typing import ClassVar


class BottomheatError(Exception):
    """Base of every error that we raise on purpose."""

    exit_code: ClassVar[int] = 1
    meaning: ClassVar[str] = "the command could not do what was asked"


class ConfigError(BottomheatError):
    """The config is refused; ``problems`` holds every reason at once."""

    exit_code = 3
    meaning = "the config file is missing or refused"

    def __init__(self, message: str, problems: tuple[str, ...] = ()) -> None:
        super().__init__("\n".join((message, *(f"  {p}" for p in problems))))
        self.problems = problems


class DriverError(BottomheatError):
    """A probe, a relay line or another part of the machine does not answer."""

    exit_code = 4
    meaning = "a probe, a relay line or another part of the machine does not work"


class LogError(BottomheatError):
    """The log cannot be opened, read or written."""

    exit_code = 5
    meaning = "the log cannot be read or written"


class NotRunningError(BottomheatError):
    """The service does not answer on its control socket."""

    exit_code = 6
    meaning = "the service is not running or does not answer"


class AlreadyRunningError(BottomheatError):
    """Another process owns this relay line or this state folder."""

    exit_code = 7
    meaning = "another bottomheat already uses this relay, folder or socket"


class RefusedError(BottomheatError):
    """The request was understood and refused, for safety or because its time is not now."""

    exit_code = 8
    meaning = "refused, with the reason"


class LatchError(BottomheatError):
    """A latch file is missing, damaged or cannot be written: no heat until it is put right."""

    exit_code = 9
    meaning = "a latch file is missing, damaged or not writable: no heat"


class InputError(BottomheatError):
    """A file or value that the user handed to a command is not usable."""

    exit_code = 10
    meaning = "a file or value given to the command is not usable"


UNWELL = 1
"""Exit status of ``check`` when something needs attention."""

INTERNAL = 70
"""Exit status of a fault in our own code (EX_SOFTWARE of sysexits.h)."""


def exit_codes() -> tuple[tuple[int, str], ...]:
    """Every exit status with its meaning, in order; README and ``--help`` print this table."""
    classes = (
        ConfigError,
        DriverError,
        LogError,
        NotRunningError,
        AlreadyRunningError,
        RefusedError,
        LatchError,
        InputError,
    )
    return (
        (0, "done; for check, ready and verify: all is well"),
        (UNWELL, "check, ready or verify found something to see to, or the command failed"),
        (2, "the command line was not understood"),
        *((c.exit_code, c.meaning) for c in classes),
        (INTERNAL, "a fault in bottomheat itself: please report it"),
    )
