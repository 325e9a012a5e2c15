"""Log lines of the keeper: a stuck terminal holds nobody up, and what can be written is."""

from __future__ import annotations

import logging
import threading

from bottomheat_drivers.background_log import MOST_LINES, background_logging


class Terminal(logging.Handler):
    """Writes a line when it is let."""

    def __init__(self) -> None:
        super().__init__()
        self.let = threading.Event()
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        assert self.let.wait(60)
        self.lines.append(record.getMessage())


def test_a_stuck_terminal_holds_nobody_up_and_loses_the_newest_lines() -> None:
    root = logging.getLogger()
    terminal, before = Terminal(), list(root.handlers)
    root.handlers[:] = [terminal]
    try:
        with background_logging():
            for number in range(5 * MOST_LINES):
                root.warning("line %d", number)
            assert terminal.lines == []
            terminal.let.set()
        assert root.handlers == [terminal]
    finally:
        root.handlers[:] = before
    assert terminal.lines[:3] == ["line 0", "line 1", "line 2"]
    assert MOST_LINES <= len(terminal.lines) <= MOST_LINES + 1
