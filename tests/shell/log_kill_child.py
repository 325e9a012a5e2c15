"""Children that write a log as fast as they may until killed: ``log_kill_child.py FOLDER``.

On standard input a number starts child N, and ``kill`` kills it, however far it is; then the line
``end N STATUS`` comes.  They are forked, so that a kill costs no start of Python.

A child says ``begun`` once its journal is there, and after each row that ``record`` took ``s N``
(a sample) or ``e N`` (a durable event), after a reading of the trusted thermometer ``r N``, after
one of a borrowed probe ``m N``, after an entry of the season's ledger ``l N``, and after a flush
``d N`` (everything up to N is in the file).  Run by ``test_log_kill.py``.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

from bottomheat.season.ledger import SeasonEntry, What
from log_tools import LONG_NOTE, SetClock, entry, journal, note, sample


def write(folder: Path, number: int) -> None:
    """Write rows, each with a number of its own, until killed."""
    clock = SetClock(now_s=float(number * 100_000))
    kept = journal(folder, clock, boot_id="boot-1", commit_every_s=50.0, ballast_bytes=0)
    os.write(1, b"begun\n")
    for n in range(1, 90_000):
        at_s = clock.now_s + n
        events = [note(at_s, f"event {number}-{n}", durable=True)] if n % 37 == 0 else []
        kept.record([sample(at_s, closings=n)], events)
        os.write(1, f"{'e' if events else 's'} {n}\n".encode())
        if n % 17 == 0:
            kept.note_borrowed("north-bench", 20 + n / 1000, at_s)
            os.write(1, f"m {n}\n".encode())
        if n % 41 == 0:
            kept.note_reference(entry(reading_c=n / 1000, note=LONG_NOTE, spot=f"run {number}"))
            os.write(1, f"r {n}\n".encode())
        if n % 53 == 0:
            kept.note_season(SeasonEntry(What.LOOK, f"run {number}", data={"sampled": n}))
            os.write(1, f"l {n}\n".encode())
        if n % 400 == 0 and kept.flush(10.0):
            os.write(1, f"d {n}\n".encode())


def main(folder: Path) -> None:
    """Start a child by its number, kill it on order, and say so."""
    child = number = 0
    for line in sys.stdin:
        if line != "kill\n":
            number = int(line)
            child = os.fork()
            if child == 0:
                try:
                    write(folder, number)
                finally:
                    os._exit(1)
        elif child:
            os.kill(child, signal.SIGKILL)  # not reaped yet, so that the id is still its own
            _, status = os.waitpid(child, 0)
            child = 0
            os.write(1, f"end {number} {os.waitstatus_to_exitcode(status)}\n".encode())


if __name__ == "__main__":
    main(Path(sys.argv[1]))
