"""A winter in numbers: what the service writes, keeps, uses and takes; four boxes, a 10 s cycle.

``python tests/bench/winter.py [--quick] [--hours 48] [--real-minutes 0] [--json FILE]
[--write-readme]``

Linux only.  The real daemon and the real keeper run as processes on fake probes and mock lines; as
root the state folder is an ext4 file system on a loop device, whose counters are read.  Hours pass
in minutes (``winter_day.py``); ``--real-minutes`` checks the writes at the pace of a wall clock,
where the kernel chooses itself when to write.  Nothing here was measured on a Raspberry Pi.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from memory import cpu_s, rss_kib
from winter_card import LoopCard, PlainFolder, make_card
from winter_child import START_S
from winter_day import (
    CYCLE_S,
    POLL_EVERY_S,
    ROOT,
    Paced,
    Shed,
    events_of_a_day,
)

from bottomheat.app_alerts import SAVE_S

README = ROOT / "README.md"
BEGIN = "<!-- a winter in numbers: written by tests/bench/winter.py -->\n"
END = "\n<!-- end of a winter in numbers -->"
DAY_H = 24.0
WARMED_UP_H = 1.0
"""Memory is compared from here on: the model of the bed and the log's cache are filled by then."""

CARD_BYTES = 32e9
CARD_REWRITES = 300
"""How often a consumer's card can be written over as a whole: judgement, no source."""
CARD_UNIT_BYTES = 4 * 2**20
"""What a card rewrites at the worst for a burst of small writes (judgement, no source)."""
BURSTS_A_DAY = 432.0
"""Taken for the number of bursts where none is seen: three for every commit."""
LOOK_EVERY_H = 0.5
LIMITS = {"mb_a_day": 10.0, "daemon_mb": 45.0, "keeper_mb": 25.0, "first_heat_s": 60.0}


@contextmanager
def places(
    where: str | None, *, plain: bool = False
) -> Iterator[tuple[LoopCard | PlainFolder, Path]]:
    """A card, and a folder in memory for sockets, probes and lines."""
    memory = "/dev/shm" if os.path.isdir("/dev/shm") else None
    with (
        tempfile.TemporaryDirectory(dir=where) as disk_name,
        tempfile.TemporaryDirectory(dir=memory) as memory_name,
    ):
        card = make_card(Path(disk_name), plain=plain)
        try:
            yield card, Path(memory_name)
        finally:
            card.close()


def run_days(where: str | None, hours: float, *, plain: bool = False) -> dict[str, Any]:
    """Memory, CPU and writes of so many hours, with each day's people and faults among them."""
    with places(where, plain=plain) as (card, memory):
        shed = Shed(card.folder, memory)
        shed.begin_warm(START_S)
        began_s = time.perf_counter()
        paced = Paced(shed, memory)
        try:
            found = Days(shed, paced, card).go_on(hours)
        finally:
            paced.close()
        return {**found, "wall_s": time.perf_counter() - began_s, "how": card.how}


class Days:
    """Goes through the hours and looks at both processes, and at the card, now and then."""

    def __init__(self, shed: Shed, paced: Paced, card: LoopCard | PlainFolder) -> None:
        self._shed, self._paced, self._card = shed, paced, card
        self._pids = paced.pids
        for _ in range(3):
            shed.advance(CYCLE_S, paced.now_s, paced.cycle())
        card.sync()
        self._begin_s = paced.now_s
        self._looks: list[dict[str, float]] = []
        self._bursts = 0

    def go_on(self, hours: float) -> dict[str, Any]:
        shed, paced = self._shed, self._paced
        poll_s = save_s = self._begin_s
        look_h = 0.0
        todo: list[tuple[float, Callable[[], object]]] = []
        cycles, heated = 0, 0.0
        while (passed_h := (paced.now_s - self._begin_s) / 3600.0) < hours - 1e-6:
            if passed_h >= look_h - 1e-6:
                if look_h % DAY_H == 0:
                    todo = [(look_h + at_h, do) for at_h, do in events_of_a_day(shed)]
                    todo.sort(key=lambda each: each[0])
                self._look(passed_h)
                look_h += LOOK_EVERY_H
            shares = paced.cycle()
            shed.advance(CYCLE_S, paced.now_s, shares)
            cycles += 1
            heated += sum(shares) / len(shares)
            while todo and todo[0][0] <= passed_h:
                todo.pop(0)[1]()
            if paced.now_s >= poll_s:
                poll_s = paced.now_s + POLL_EVERY_S
                shed.ask(do="alarms")
            if paced.now_s >= save_s:
                save_s = paced.now_s + SAVE_S
                shed.save_alerts(paced.now_s)
            before, _ = self._written()
            self._card.pass_time(paced.now_s)
            self._bursts += self._written()[0] > before
        self._card.sync()
        self._look(hours)
        status = shed.ask(do="status")
        if status["alarms"] or not 0.1 < heated / cycles < 0.95:
            raise RuntimeError(f"no ordinary days: heat {heated / cycles:.2f}, {status['alarms']}")
        return {
            "hours": hours,
            "cycles": cycles,
            "duty": heated / cycles,
            "alarms_at_the_end": [row["alarm"] for row in status["alarms"]],
            "looks": self._looks,
        }

    def _written(self) -> tuple[int, int]:
        return self._card.written([*self._pids.values()])

    def _look(self, passed_h: float) -> None:
        written, requests = self._written()
        look = {
            "at_h": passed_h,
            "written_bytes": written,
            "write_requests": requests,
            "bursts": self._bursts,
            "log_bytes": self._shed.log_bytes(),
        }
        for what, pid in self._pids.items():
            look |= {f"{what}_rss_bytes": rss_kib(pid) * 1024, f"{what}_cpu_s": cpu_s(pid)}
        self._looks.append(look)
        if passed_h % 2 == 0:
            print(f"{passed_h:5.1f} h  {look}", file=sys.stderr)


def at(found: dict[str, Any], hours: float) -> dict[str, float]:
    """The first look at or after so many hours, or the last one."""
    looks: list[dict[str, float]] = found["looks"]
    return next((look for look in looks if look["at_h"] >= hours - 1e-6), looks[-1])


def a_day(found: dict[str, Any], key: str, from_h: float, to_h: float) -> float:
    """By how much a count grew between two times, for a day of it."""
    first, last = at(found, from_h), at(found, to_h)
    return (last[key] - first[key]) / (last["at_h"] - first["at_h"]) * DAY_H


def last_day(found: dict[str, Any], key: str) -> float:
    """The same for the last day, or for all where there was no whole day."""
    return a_day(found, key, max(0.0, found["hours"] - DAY_H), found["hours"])


def largest_mb(found: dict[str, Any], what: str) -> float:
    """The largest memory of a process that was seen, MB."""
    return max(look[f"{what}_rss_bytes"] for look in found["looks"]) / 1e6


def _start(shed: Shed, memory: Path, which: tuple[str, ...]) -> list[subprocess.Popen[bytes]]:
    """Start daemon or keeper as their units do, at the pace of the wall clock."""
    words = {
        "keeper": ["-m", "bottomheat.keep_main", "keep", str(shed.config)],
        "daemon": ["-m", "bottomheat", "run", "--config", str(shed.config)],
    }
    with (memory / "output.txt").open("a") as output:
        return [
            subprocess.Popen(
                [sys.executable, *words[what]],
                env=shed.environment,
                cwd=shed.run,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
            )
            for what in which
        ]


def _end(processes: list[subprocess.Popen[bytes]]) -> None:
    for process in reversed(processes):
        process.terminate()
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def first_heat(where: str | None, times: int) -> list[float]:
    """Seconds from the start of the service to the first closed relay, cold boxes, good probes."""
    found = []
    for _ in range(times):
        with places(where) as (card, memory):
            shed = Shed(card.folder, memory)
            shed.begin_cold(START_S)
            began_s = time.monotonic()
            processes = _start(shed, memory, ("daemon",))
            try:
                while not any(shed.heated()):
                    if time.monotonic() - began_s > 120.0 or processes[0].poll() is not None:
                        raise RuntimeError((memory / "output.txt").read_text()[-3000:])
                    time.sleep(0.02)
                found.append(time.monotonic() - began_s)
            finally:
                _end(processes)
    return found


def real_pace(where: str | None, minutes: float) -> dict[str, Any]:
    """Writes at the pace of the wall clock, the kernel writing when it likes; nothing happens."""
    with places(where) as (card, memory):
        shed = Shed(card.folder, memory)
        shed.begin_warm(START_S)
        processes = _start(shed, memory, ("daemon",))
        try:
            last_s = time.monotonic()
            settled_s = last_s + 60.0
            end_s = settled_s + 60.0 * minutes
            before: tuple[int, int] | None = None
            pid = processes[0].pid
            children = Path(f"/proc/{pid}/task/{pid}/children")
            while (now_s := time.monotonic()) < end_s:
                if before is None and now_s >= settled_s:
                    before = card.written([pid, *map(int, children.read_text().split())])
                if processes[0].poll() is not None:
                    raise RuntimeError((memory / "output.txt").read_text()[-3000:])
                shares = tuple(float(level) for level in shed.heated())
                shed.advance(now_s - last_s, START_S + now_s, shares)
                last_s = now_s
                time.sleep(5.0)
            after = card.written([pid, *map(int, children.read_text().split())])
        finally:
            _end(processes)
    assert before is not None
    days = minutes / 1440.0
    return {
        "minutes": minutes,
        "mb_a_day": (after[0] - before[0]) / 1e6 / days,
        "write_requests_a_day": (after[1] - before[1]) / days,
    }


def card_life(mb_a_day: float, bursts_a_day: float) -> dict[str, float]:
    """Years until the card is written out, by bytes and at the worst; see the constants."""
    total = CARD_BYTES * CARD_REWRITES
    return {
        "by_bytes_years": total / (mb_a_day * 1e6) / 365.25,
        "at_worst_years": total / (bursts_a_day * CARD_UNIT_BYTES) / 365.25,
    }


def measure(options: argparse.Namespace) -> dict[str, Any]:
    found: dict[str, Any] = {
        "machine": f"{platform.machine()}, Python {_two(platform.python_version())}, "
        f"Linux {_two(platform.release())}",
        "real_pace": None,
    }
    found["first_heat_s"] = first_heat(options.where, 1 if options.quick else 3)
    found["days"] = run_days(options.where, options.hours)
    if options.real_minutes:
        found["real_pace"] = real_pace(options.where, options.real_minutes)
    return found


def _two(version: str) -> str:
    """The first two numbers of a version, without what a builder added."""
    return ".".join(version.split(".")[:2])


def rows(found: dict[str, Any]) -> list[tuple[str, str, str]]:
    """What was measured, the figure, and what it may come to."""
    days = found["days"]
    hours = [each for each in (WARMED_UP_H, DAY_H, days["hours"]) if each <= days["hours"]]
    hours = list(dict.fromkeys(hours)) or [days["hours"]]

    def memory(what: str) -> str:
        sizes = [at(days, each)[f"{what}_rss_bytes"] / 1e6 for each in hours]
        return " → ".join(f"{size:.1f}" for size in sizes) + " MB"

    after = " → ".join(f"{each:g}" for each in hours) + " h"
    first = a_day(days, "written_bytes", 0, DAY_H) / 1e6
    later = last_day(days, "written_bytes") / 1e6
    requests = last_day(days, "write_requests")
    heat_s = found["first_heat_s"]
    life = card_life(later, last_day(days, "bursts") or BURSTS_A_DAY)
    cpu = {what: last_day(days, f"{what}_cpu_s") for what in ("daemon", "keeper")}
    writes = f"{later:.1f} MB"
    if days["hours"] > DAY_H:
        writes += f"; on the first day after a start {first:.1f} MB"
    found_rows = [("written to the card in a day", writes, f"{LIMITS['mb_a_day']:g} MB")]
    if found["real_pace"] is not None:
        real = found["real_pace"]
        found_rows.append(
            (
                f"the first {real['minutes']:.0f} min after a start at the pace of the clock",
                f"at a rate of {real['mb_a_day']:.1f} MB a day",
                "",
            )
        )
    return [
        *found_rows,
        ("in so many write requests a day", f"{requests:.0f}" if requests else "not counted", ""),
        ("the log grows in a day by", f"{last_day(days, 'log_bytes') / 1e6:.1f} MB", ""),
        (f"memory of the service after {after}", memory("daemon"), f"{LIMITS['daemon_mb']:g} MB"),
        (f"memory of the keeper after {after}", memory("keeper"), f"{LIMITS['keeper_mb']:g} MB"),
        ("CPU in a day, service and keeper", f"{cpu['daemon']:.0f} s, {cpu['keeper']:.0f} s", ""),
        (
            f"start to first heat, cold boxes, {len(heat_s)} starts",
            f"{min(heat_s):.1f}-{max(heat_s):.1f} s",
            f"{LIMITS['first_heat_s']:g} s",
        ),
        (
            "a 32 GB card would last, by bytes; at worst",
            f"{_years(life['by_bytes_years'])}; {_years(life['at_worst_years'])}",
            "",
        ),
    ]


def _years(value: float) -> str:
    return "over 100 years" if value > 100 else f"{value:.0f} years"


def table(found: dict[str, Any]) -> str:
    """The table of README, with what it rests on."""
    lines = ["| four boxes, a reading every 10 s | measured | at most |", "| --- | --- | --- |"]
    lines += [f"| {' | '.join(row)} |" for row in rows(found)]
    days = found["days"]
    lines += [
        "",
        f"Measured with `python tests/bench/winter.py` on {found['machine']}; **not on a Raspberry "
        f"Pi**, where CPU takes several times as long. {days['hours']:g} h in {days['wall_s']:.0f} "
        "s: the real service and keeper on calculated boxes, each opened once a day, with one "
        f"alarm. Writes counted {days['how']}: the rows, and what SQLite's own files and the file "
        "system's journal add to every commit; for half a day after a start the log's -wal file "
        "still grows, which costs more. The system's own writes are not in it, nor is what "
        f"a card does beyond what it is asked to. Card: {CARD_REWRITES} rewrites of the whole, and "
        f"at worst {CARD_UNIT_BYTES // 2**20} MiB for every burst of writes (both judgement).",
    ]
    return "\n".join(lines)


def write_readme(found: dict[str, Any]) -> None:
    """Put the table between its marks."""
    text = README.read_text(encoding="utf-8")
    before, found_begin, rest = text.partition(BEGIN)
    _, found_end, after = rest.partition(END)
    if not (found_begin and found_end):
        sys.exit(f"{README} has lost the marks of the table: {BEGIN.strip()} … {END.strip()}")
    README.write_text(f"{before}{BEGIN}{table(found)}{END}{after}", encoding="utf-8")


def main(arguments: list[str] | None = None) -> int:
    parse = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parse.add_argument("--quick", action="store_true", help="half an hour, one start")
    parse.add_argument("--hours", type=float, default=None, help="accelerated hours, 48")
    parse.add_argument("--real-minutes", type=float, default=0.0, help="check writes at real pace")
    parse.add_argument("--where", default=None, help="folder on the disk in question")
    parse.add_argument("--json", type=Path, default=None, help="keep everything in this file")
    parse.add_argument("--from-json", type=Path, default=None, help="measure nothing, take this")
    parse.add_argument("--write-readme", action="store_true", help="put the table into README")
    options = parse.parse_args(arguments)
    if options.hours is None:
        options.hours = 0.5 if options.quick else 48.0
    found = (
        measure(options) if options.from_json is None else json.loads(options.from_json.read_text())
    )
    if options.json is not None:
        options.json.write_text(json.dumps(found, indent=2, ensure_ascii=False) + "\n")
    print(table(found))
    if options.write_readme:
        write_readme(found)
    return _judged(found)


def _judged(found: dict[str, Any]) -> int:
    """1 where a figure is beyond what was promised."""
    told: list[tuple[str, float]] = [
        ("daemon_mb", largest_mb(found["days"], "daemon")),
        ("keeper_mb", largest_mb(found["days"], "keeper")),
        ("first_heat_s", max(found["first_heat_s"])),
    ]
    if found["days"]["hours"] >= DAY_H:  # a start alone says nothing of a day
        told.append(("mb_a_day", last_day(found["days"], "written_bytes") / 1e6))
    over = [f"{name} is {value:.1f}" for name, value in told if value > LIMITS[name]]
    if over:
        print(f"beyond what was promised: {', '.join(over)}", file=sys.stderr)
    return 1 if over else 0


if __name__ == "__main__":
    sys.exit(main())
