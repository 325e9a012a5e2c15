"""What a cycle costs: in the controller, in the rehearsal around it, and against a bare PID."""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from simple_pid import PID
from stand import DAYS, WATTS, Known, bench_config, bench_room, run

from bottomheat import cycle
from bottomheat.chamber import Chamber
from bottomheat.model import Place, Sample
from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.log import SqliteJournal

REPEATS = 5
CYCLES = 4_000


def measure(known: Known) -> dict[str, Any]:
    """Time everything; each loop is the median of five."""
    one = {count: _cycle_us(known, count) for count in (1, 4, 16)}
    bare_us = _bare_us()
    chamber_us = _chamber_us()
    wall_s, cycles = _wall(known, log=False)
    logged_s, _ = _wall(known, log=True)
    outside_us = wall_s / cycles * 1e6 - chamber_us
    return {
        "cycle_us": {str(count): us for count, us in one.items()},
        "cycle_us_per_chamber": {str(count): us / count for count, us in one.items()},
        "bare_simple_pid_us": bare_us,
        "cycle_to_bare_pid": one[1] / bare_us,
        "chamber_step_us": chamber_us,
        "rehearsal_us_outside_chamber": outside_us,
        "rehearsal_to_bare_pid": outside_us / bare_us,
        "fourteen_days_s": wall_s,
        "fourteen_days_with_log_s": logged_s,
    }


def _median_us(loop: Callable[[], None], times: int) -> float:
    found = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        loop()
        found.append((time.perf_counter() - began) / times * 1e6)
    return statistics.median(found)


def _cycle_us(known: Known, chambers: int) -> float:
    """``cycle.advance`` alone, PID with its window, on readings that wander by a count."""
    config = bench_config(known.offset(), chambers=chambers)
    places = ((Place.SUBSTRATE, 27.5), (Place.ROOM, 17.0), (Place.MAT, 36.0))
    readings = [
        {
            name: {
                place: Sample(celsius + (index % 3) / 16.0, (index + 1) * 10.0)
                for place, celsius in places
            }
            for name in config.chambers
        }
        for index in range(CYCLES // chambers)
    ]

    def loop() -> None:
        state = cycle.start(config, {}, proved=True)
        for index, reading in enumerate(readings):
            state = cycle.advance(state, reading, (index + 1) * 10.0, config).state

    return _median_us(loop, len(readings))


def _bare_us() -> float:
    """A loop of nothing but simple-pid with its step given."""
    pid = PID(0.17, 2e-5, 100.0, setpoint=27.5, sample_time=None, output_limits=(0.0, 1.0))

    def loop() -> None:
        for index in range(CYCLES):
            pid(27.5 + (index % 3) / 16.0, dt=10.0)

    return _median_us(loop, CYCLES)


def _chamber_us() -> float:
    """The built-in chamber's own step, with nothing read."""
    box = Chamber()

    def loop() -> None:
        for _ in range(CYCLES):
            box.advance(10.0, WATTS, 17.0)

    return _median_us(loop, CYCLES)


def _wall(known: Known, *, log: bool) -> tuple[float, int]:
    """Seconds for fourteen days of one chamber, and how many cycles they are."""
    config = bench_config(known.offset())
    room = bench_room(0.0)
    with tempfile.TemporaryDirectory() as folder:
        clock = ManualClock()
        journal = None
        began = time.perf_counter()
        if log:
            journal = SqliteJournal(
                Path(folder) / "log.sqlite", None, clock, "bench", "bench", background=False
            )
        run(Chamber, config, room, journal=journal)
        if journal is not None:
            journal.close()
        took_s = time.perf_counter() - began
    return took_s, round(DAYS * 86_400.0 / config.cycle_s)
