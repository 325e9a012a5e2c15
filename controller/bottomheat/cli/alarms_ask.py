"""Asks the running service about alarms; without one there is nothing to act on."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bottomheat.errors import NotRunningError, RefusedError


def ask_service(config_path: Path, request: Mapping[str, Any]) -> Mapping[str, Any]:
    """The answer of the service.

    Raises:
        NotRunningError: the service does not run, so there is no alarm to act on.
        RefusedError: it refused, with its reason.
    """
    from bottomheat.app import control_path
    from bottomheat_drivers.config_yaml import load_config
    from bottomheat_drivers.control_socket import ask

    try:
        answer = ask(control_path(load_config(config_path)), request)
    except NotRunningError as error:
        raise NotRunningError(f"alarms are kept by the running service: {error}") from None
    if not answer.get("ok"):
        raise RefusedError(f"{answer.get('error', 'the service gave no reason')}.")
    return answer
