"""The keeper as a child of ``bottomheat run``: what the service manager does for the two units.

The child is watched by the protocol that its unit uses (sd_notify(3)): a keeper that hangs holds
its lines as they are, and so does a stock kernel for one that has died.  Either way it is ended and
its lines are opened from here.
"""

from __future__ import annotations

import logging
import os
import select
import socket
import subprocess
import sys
import threading
from pathlib import Path

START_S = 90.0
"""Until the keeper says that it is ready, s: TimeoutStartSec of its unit."""
WATCHDOG_S = 10.0
"""Longest silence of a keeper that was ready, s: WatchdogSec of its unit, 20 of its turns."""
ENDS_S = 10.0
OPENS_S = 60.0

logger = logging.getLogger(__name__)


class KeeperChild:
    """A keeper that ends with this process, whatever ends it.

    It has a session of its own, so that Ctrl-Z in the terminal stops the daemon alone and the lease
    runs out.

    Args:
        config: the config file.
        state_folder: where it finds the wiring of its last start, should the config be refused.
        run_folder: likewise.

    Raises:
        OSError: it cannot be started.
    """

    def __init__(self, config: Path, state_folder: Path, run_folder: Path) -> None:
        self._config = config
        self._notices = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        self._notices.bind("")  # Linux chooses a name that is no file (unix(7), autobind)
        self._environment = {
            **{key: value for key, value in os.environ.items() if key != "WATCHDOG_USEC"},
            "STATE_DIRECTORY": str(state_folder),
            "RUNTIME_DIRECTORY": str(run_folder.absolute()),
            "NOTIFY_SOCKET": "@" + self._notices.getsockname()[1:].decode("ascii"),
        }
        self._child = subprocess.Popen(
            self._command("keep", "--with-parent", "0"),
            stdin=subprocess.PIPE,
            env=self._environment,
            start_new_session=True,
        )
        self._thread = threading.Thread(target=self._watch, name="keeper watch", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the keeper, with every line open when this returns; idempotent."""
        if self._child.stdin is not None:
            self._child.stdin.close()  # the keeper opens every line when this pipe ends
        self._thread.join(ENDS_S)
        if self._thread.is_alive():
            self._child.kill()
            self._thread.join(OPENS_S)
        self._notices.close()

    def _command(self, action: str, *more: str) -> list[str]:
        return [sys.executable, "-m", "bottomheat.keep_main", action, str(self._config), *more]

    def _watch(self) -> None:
        """Wait for the keeper's end, and bring it about where it hangs; then see to its lines."""
        end = os.pidfd_open(self._child.pid)
        try:
            longest_s = START_S
            while True:
                watched = [end, self._notices.fileno()]
                ready, _, _ = select.select(watched, [], [], longest_s)
                if end in ready:
                    break
                if not ready:
                    logger.critical("the keeper has hung for %.0f s: it is ended", longest_s)
                    self._child.kill()
                    break
                if self._notices.recv(4096).startswith(b"READY=1"):
                    longest_s = WATCHDOG_S
        finally:
            os.close(end)
        if self._child.wait() != 0:
            self._open_lines()

    def _open_lines(self) -> None:
        logger.critical("the keeper has died: its lines are opened; start the service again")
        try:
            subprocess.run(
                self._command("open-lines"), env=self._environment, check=True, timeout=OPENS_S
            )
        except (OSError, subprocess.SubprocessError) as error:
            logger.critical(
                "the relay lines could not be opened (%s): switch the mats off at their plugs",
                error,
            )
