"""What the calibrate commands share: which box, who takes an entry, what the ledger holds."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bottomheat.errors import InputError, LogError, NotRunningError

if TYPE_CHECKING:
    from bottomheat.config import Config, Offset
    from bottomheat_drivers.log import LogReader


def the_box(config: Config, chamber: str | None) -> str:
    """The box that is meant; the only one may be left out.

    Raises:
        InputError: there is no such box, or there are several and none was named.
    """
    known = ", ".join(config.chambers)
    if chamber is None:
        if len(config.chambers) > 1:
            raise InputError(f"say which box: --chamber with one of {known}.")
        return next(iter(config.chambers))
    if chamber not in config.chambers:
        raise InputError(f"there is no chamber {_plain(chamber)}; the config has: {known}.")
    return chamber


def fitted(offset: Offset) -> bool:
    """Whether an offset comes from a calibration of the box, and not from a probe in the medium."""
    return offset.method != "direct" and offset.calibrated


def entered(config: Config, request: Mapping[str, Any]) -> tuple[Mapping[str, Any], bool]:
    """Have an entry kept: by the service, or in the log by ourselves where none runs.

    Returns:
        The answer, and whether the service gave it.

    Raises:
        InputError: the entry is refused, with the reason.
        NotRunningError: the service runs and does not answer.
        LogError: the log cannot be written, so nothing is kept.
    """
    from bottomheat.app import control_path
    from bottomheat.errors import AlreadyRunningError
    from bottomheat_drivers.control_socket import ask

    running = True
    try:
        answer = ask(control_path(config), request)
    except NotRunningError as error:
        from bottomheat import offline

        try:
            answer, running = offline.note(config, request), False
        except AlreadyRunningError:
            raise error from None  # it runs and does not answer: that is what to say
    if not answer.get("ok"):
        raise InputError(f"nothing is noted: {str(answer.get('error')).rstrip('.')}.")
    return answer, running


def reader_of(config: Config) -> LogReader:
    """The log, open for reading.

    Raises:
        LogError: there is none, it is not ours, or not of this version.
    """
    from bottomheat_drivers.log import LogReader

    path = Path(config.log)
    if os.path.isdir(path):  # where it cannot be looked at, the reader says so
        raise LogError(f"{path} is a folder: give the path of the log under log: in the config.")
    return LogReader(path)


def service_answer(config: Config, request: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """What a running service says to a request; None where none answers."""
    from bottomheat.app import control_path
    from bottomheat_drivers.control_socket import ask

    try:
        return ask(control_path(config), request, 10.0)
    except NotRunningError:
        return None


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text[:40])
