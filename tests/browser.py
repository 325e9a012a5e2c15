"""A Chromium for the tests of the page: the system's; as root on Debian, apt installs one."""

from __future__ import annotations

import os
import shutil
import subprocess

NAMES = ("chromium", "chromium-browser", "google-chrome")
OPTIONS = ("Acquire::Retries=1", "Acquire::http::Timeout=30", "DPkg::Lock::Timeout=300")
LONGEST_S = 900.0
# Nothing that a browser does on its own: the page alone is under test.
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


class NoBrowserError(Exception):
    """Why there is none."""


def find() -> str:
    """The path of a Chromium.

    Raises:
        NoBrowserError: there is none, and apt cannot install one here.
    """
    found = _there()
    if found is not None:
        return found
    if os.geteuid() != 0 or shutil.which("apt-get") is None:
        raise NoBrowserError("no Chromium on this machine: install the package chromium")
    try:
        try:
            _apt("install", "-y", "--no-install-recommends", NAMES[0])
        except subprocess.CalledProcessError:
            _apt("update")
            _apt("install", "-y", "--no-install-recommends", NAMES[0])
    except (OSError, subprocess.SubprocessError) as error:
        raise NoBrowserError(f"no Chromium, and apt cannot install one ({error})") from error
    found = _there()
    if found is None:
        raise NoBrowserError("apt installed a chromium that is not on the path")
    return found


def _there() -> str | None:
    return next((path for path in map(shutil.which, NAMES) if path is not None), None)


def _apt(*words: str) -> None:
    subprocess.run(
        ["nice", "-n", "5", "apt-get", "-q", *(f"-o{each}" for each in OPTIONS), *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"},
        timeout=LONGEST_S,
        check=True,
    )
