"""Log lines that never block: a stalled terminal or journal must not hold a relay closed."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

MOST_LINES = 200
END_S = 1.0


class _Background(logging.Handler):
    """Hands records to other handlers in a thread; drops them while these are stuck."""

    def __init__(self, targets: Sequence[logging.Handler]) -> None:
        super().__init__()
        self._targets = tuple(targets)
        self._records: queue.Queue[logging.LogRecord | None] = queue.Queue(MOST_LINES)
        self._thread = threading.Thread(target=self._work, name="log lines", daemon=True)
        self._thread.start()

    def emit(self, record: logging.LogRecord) -> None:
        """Take a record, or drop it."""
        with suppress(queue.Full):
            self._records.put_nowait(record)

    def close(self) -> None:
        """Let what waits be written for a second, then leave it."""
        with suppress(queue.Full):
            self._records.put_nowait(None)
        self._thread.join(END_S)
        super().close()

    def _work(self) -> None:
        while (record := self._records.get()) is not None:
            for target in self._targets:
                target.handle(record)


@contextmanager
def background_logging() -> Iterator[None]:
    """Move the root logger's handlers into a thread for as long as this lasts."""
    root = logging.getLogger()
    targets = list(root.handlers)
    handler = _Background(targets)
    root.handlers[:] = [handler]
    try:
        yield
    finally:
        root.handlers[:] = targets
        handler.close()
