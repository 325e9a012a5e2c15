"""The bench behind the table of a winter in README: its arithmetic, its marks, that it runs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
BENCH = ROOT / "tests/bench/winter.py"


def run(*words: str) -> subprocess.CompletedProcess[str]:
    roots = os.pathsep.join(str(ROOT / part) for part in ("controller", "drivers"))
    return subprocess.run(
        [sys.executable, *words],
        env={**os.environ, "PYTHONPATH": roots},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def look(at_h: float, **more: float) -> dict[str, float]:
    """Figures that grow evenly: 8 MB, 100 bursts and 30 s of CPU in a day."""
    days = at_h / 24
    return {
        "at_h": at_h,
        "written_bytes": 5e6 + 8e6 * days,
        "write_requests": 1000 * days,
        "bursts": 100 * days,
        "log_bytes": 2e6 * days,
        "daemon_rss_bytes": 40e6,
        "keeper_rss_bytes": 20e6,
        "daemon_cpu_s": 30 * days,
        "keeper_cpu_s": 60 * days,
        **more,
    }


def measured(*looks: dict[str, float], first_heat_s: float = 24.0) -> dict[str, Any]:
    days = {"hours": looks[-1]["at_h"], "looks": looks, "wall_s": 500.0, "how": "by hand"}
    return {
        "machine": "a machine",
        "first_heat_s": [first_heat_s],
        "days": days,
        "real_pace": {"minutes": 30.0, "mb_a_day": 7.25},
    }


def shown(tmp_path: Path, found: dict[str, Any]) -> subprocess.CompletedProcess[str]:
    file = tmp_path / "found.json"
    file.write_text(json.dumps(found))
    return run(str(BENCH), "--from-json", str(file))


def test_growth_is_told_for_a_day_of_it_and_memory_as_it_was_seen(tmp_path: Path) -> None:
    done = shown(tmp_path, measured(look(0), look(1), look(24), look(48)))
    assert done.returncode == 0, done.stderr
    for figure in (
        "| 8.0 MB; on the first day after a start 8.0 MB | 10 MB |",
        "at a rate of 7.2 MB a day",
        "| 1000 |",
        "| 2.0 MB |",
        "40.0 → 40.0 → 40.0 MB | 45 MB",
        "after 1 → 24 → 48 h",
        "30 s, 60 s",
        "24.0-24.0 s | 60 s",
        # 32 GB × 300 over 8 MB a day; over 100 bursts of 4 MiB a day: 62.7 years
        "over 100 years; 63 years",
    ):
        assert figure in done.stdout, figure


@pytest.mark.parametrize(
    ("found", "told"),
    [
        (measured(look(0), look(24, written_bytes=16e6)), "mb_a_day is 11.0"),
        (measured(look(0), look(1, daemon_rss_bytes=46e6), look(24)), "daemon_mb is 46.0"),
        (measured(look(0), look(24, keeper_rss_bytes=26e6)), "keeper_mb is 26.0"),
        (measured(look(0), look(24), first_heat_s=61.0), "first_heat_s is 61.0"),
    ],
)
def test_a_figure_beyond_what_was_promised_ends_with_1(
    tmp_path: Path, found: dict[str, Any], told: str
) -> None:
    done = shown(tmp_path, found)
    assert done.returncode == 1
    assert told in done.stderr


def test_readme_has_the_marks_and_a_table_between_them() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    begin, end = (
        "<!-- a winter in numbers: written by tests/bench/winter.py -->\n",
        "<!-- end of a ",
    )
    assert text.count(begin) == text.count(end) == 1
    table = text.split(begin)[1].split(end)[0]
    assert table.startswith("| four boxes, a reading every 10 s | measured | at most |")
    assert "not on a Raspberry Pi" in table


@pytest.mark.process
def test_the_real_daemon_and_keeper_go_through_an_hour_in_lock_step(tmp_path: Path) -> None:
    program = (
        "import json, sys; sys.path[:0] = sys.argv[1:3]; import winter; "
        "print(json.dumps(winter.run_days(sys.argv[3], 1.0, plain=True)))"
    )
    bench, tests = str(BENCH.parent), str(ROOT / "tests")
    done = run("-c", program, bench, tests, str(tmp_path))
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["cycles"] == 360
    assert found["alarms_at_the_end"] == []
    assert 0.1 < found["duty"] < 0.95, "the boxes are heated, and not all the time"
    first, last = found["looks"][0], found["looks"][-1]
    assert last["written_bytes"] > first["written_bytes"]
    assert last["log_bytes"] > 0
