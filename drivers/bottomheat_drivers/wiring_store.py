"""Where the keeper's wiring comes from: a child that reads the config, or a copy kept earlier."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from bottomheat.errors import ConfigError, exit_codes
from bottomheat.wiring import FILE_NAME, FORM, VERSION, Wiring, from_plain
from bottomheat_drivers.sealed_file import read_sealed, write_sealed

LONGEST_S = 60.0
"""Time for the child; loading the config's parser takes some seconds on the smallest Pi."""

_USUAL_FOLDERS = ("/run/bottomheat", "/var/lib/bottomheat")


def wiring_from_config(config: Path) -> Wiring:
    """Read the config in a short-lived child process, and return its wiring.

    Raises:
        ConfigError: the config is refused, with the child's reasons; or the child failed.
    """
    command = [sys.executable, "-m", "bottomheat.wiring", str(config)]
    try:
        done = subprocess.run(command, capture_output=True, timeout=LONGEST_S, check=False)
    except (OSError, subprocess.SubprocessError) as error:
        raise ConfigError(f"{config}: the config could not be read ({error}).") from error
    said = done.stderr.decode("utf-8", "replace").strip()
    if done.returncode in {code for code, _ in exit_codes()} - {0, 1, 70} and said:
        raise ConfigError(said)
    try:
        if done.returncode == 0:
            return from_plain(json.loads(done.stdout))
        fault = said.splitlines()[-1] if said else f"exit status {done.returncode}"
    except (ValueError, RecursionError) as error:
        fault = str(error)
    raise ConfigError(f"{config}: the config could not be read ({fault}).")


def keep_wiring(wiring: Wiring) -> list[str]:
    """Leave a copy in the run and the state folder; returns what went wrong, a sentence each."""
    problems = []
    for folder in (wiring.run_folder, wiring.state_folder):
        path = Path(folder) / FILE_NAME
        try:
            write_sealed(path, wiring.as_plain(), FORM, VERSION)
        except OSError as error:
            problems.append(f"{path}: the wiring was not kept ({error.strerror or error}).")
    return problems


def kept_wiring(config: Path) -> Wiring | None:
    """Return the copy that a keeper with this config left last, or None.

    Looked for in the folders that systemd names in ``RUNTIME_DIRECTORY`` and ``STATE_DIRECTORY``
    (systemd.exec(5)) and in the usual ones; a damaged copy is passed over.
    """
    folders: list[str] = []
    for variable in ("RUNTIME_DIRECTORY", "STATE_DIRECTORY"):
        folders.extend(filter(None, os.environ.get(variable, "").split(":")))
    wanted = os.path.abspath(config)
    for folder in (*folders, *_USUAL_FOLDERS):
        try:
            wiring = from_plain(read_sealed(Path(folder) / FILE_NAME, FORM, VERSION))
        except (OSError, ValueError):
            continue
        if wiring.config == wanted:
            return wiring
    return None
