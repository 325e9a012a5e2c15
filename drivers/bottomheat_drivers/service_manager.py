"""The service manager's notification protocol: one datagram a message (sd_notify(3))."""

from __future__ import annotations

import os
import socket

_MICROSECONDS = 1_000_000


class Systemd:
    """Tells systemd how the service is; does nothing where nobody listens.

    The text goes out as UTF-8, which the protocol demands and a temperature with its sign needs.
    A message that cannot be delivered is dropped: control never waits for its supervisor.
    """

    def __init__(self, address: str) -> None:
        """Send to ``address``: a path, or ``@name`` for an abstract socket."""
        self._address = "\0" + address[1:] if address.startswith("@") else address

    def ready(self) -> None:
        """Say that start-up, or a reload, is finished."""
        self._send("READY=1")

    def status(self, line: str) -> None:
        """Set the one line that ``systemctl status`` shows."""
        self._send("STATUS=" + " ".join(line.split()))

    def alive(self) -> None:
        """Pet the watchdog: a whole healthy cycle is done."""
        self._send("WATCHDOG=1")

    def reloading(self, monotonic_s: float) -> None:
        """Say that the config is being read again; both fields go in one datagram."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={round(monotonic_s * _MICROSECONDS)}")

    def stopping(self) -> None:
        """Say that the service is shutting down."""
        self._send("STOPPING=1")

    def _send(self, message: str) -> bool:
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
                sock.setblocking(False)
                sock.connect(self._address)
                sock.send(message.encode("utf-8", "replace"))
        except OSError:
            return False
        return True


class NoServiceManager:
    """Stands in where there is no service manager, and remembers what it was told last."""

    def __init__(self) -> None:
        self.messages: list[str] = []
        self.cycles = 0

    def ready(self) -> None:
        """Remember ``ready``."""
        self.messages.append("ready")

    def status(self, line: str) -> None:
        """Remember the newest status line, in place of the one before it."""
        if self.messages and self.messages[-1].startswith("status "):
            self.messages.pop()
        self.messages.append(f"status {line}")

    def alive(self) -> None:
        """Count a healthy cycle."""
        self.cycles += 1

    def reloading(self, monotonic_s: float) -> None:
        """Remember ``reloading``."""
        self.messages.append(f"reloading {monotonic_s:g}")

    def stopping(self) -> None:
        """Remember ``stopping``."""
        self.messages.append("stopping")


def service_manager() -> Systemd | NoServiceManager:
    """Return the service manager that the environment names, or the stand-in.

    ``NOTIFY_SOCKET`` is set by systemd for units of ``Type=notify`` (sd_notify(3)).
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    return Systemd(address) if address[:1] in ("/", "@") else NoServiceManager()
