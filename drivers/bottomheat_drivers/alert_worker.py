"""A child process that hands one message to one address, or fetches one heartbeat, and ends.

The job comes as JSON on standard input and the outcome goes back as the exit status, so that an
address, which holds secrets, is in no command line, no environment and no output.  The kernel ends
the process when the time is up, whatever a library is doing.  Apprise is imported here alone.
"""

from __future__ import annotations

import json
import logging
import signal
import socket
import sys
from typing import Any

TAKEN = 0
REFUSED = 1
"""Also the status of a Python program that ends with an exception."""
UNREACHABLE = 21
NOT_UNDERSTOOD = 22
NO_LIBRARY = 23

LONGEST_S = 30
HEARTBEAT_S = 15


class _Heard(logging.Handler):
    """Notices that a library warns of a broken connection; keeps and shows nothing."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.unreachable = False

    def emit(self, record: logging.LogRecord) -> None:
        """Look for the words that Apprise uses of a connection that failed."""
        text = str(record.msg).lower()
        self.unreachable |= "connection error" in text or "timed out" in text


def main() -> int:
    """Do the job on standard input; returns the exit status."""
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.alarm(2 * LONGEST_S)
    job = json.load(sys.stdin)
    return _fetch(job["address"]) if job["kind"] == "heartbeat" else _notify(job)


def _notify(job: dict[str, Any]) -> int:
    heard = _Heard()
    logging.getLogger().handlers[:] = [logging.NullHandler()]
    try:
        import apprise
    except ImportError:
        return NO_LIBRARY
    logger = logging.getLogger("apprise")
    logger.handlers[:] = [heard]
    logger.propagate = False
    logger.setLevel(logging.WARNING)
    signal.alarm(LONGEST_S)
    asset = apprise.AppriseAsset(async_mode=False, secure_logging=True, app_id="bottomheat")
    told = apprise.Apprise(asset=asset)
    if not told.add(job["address"]):
        return NOT_UNDERSTOOD
    kind = apprise.NotifyType.FAILURE if job["urgent"] else apprise.NotifyType.INFO
    text = apprise.NotifyFormat.TEXT
    if told.notify(title=job["title"], body=job["text"], notify_type=kind, body_format=text):
        return TAKEN
    return UNREACHABLE if heard.unreachable or not _has_route() else REFUSED


def _fetch(address: str) -> int:
    from http.client import HTTPException
    from urllib.error import HTTPError
    from urllib.request import urlopen

    if not address.lower().startswith(("http://", "https://")):
        return NOT_UNDERSTOOD
    signal.alarm(HEARTBEAT_S)
    try:
        with urlopen(address, timeout=HEARTBEAT_S):  # noqa: S310 (the scheme is checked above)
            return TAKEN
    except HTTPError as error:
        error.close()
        return REFUSED
    except OSError:
        return UNREACHABLE
    except (HTTPException, ValueError):
        return NOT_UNDERSTOOD


def _has_route() -> bool:
    """Whether this machine knows a way out: a name server's address that could be written to."""
    for family, there in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as sock:
                sock.connect((there, 53))  # of a datagram socket: looks up a route, sends nothing
        except OSError:
            continue
        return True
    return False


if __name__ == "__main__":
    sys.exit(main())
