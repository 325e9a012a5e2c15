"""``bottomheat rehearse`` as a user starts it: JSON, seeds, chambers from a file, bad inputs."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from bottomheat import cli
from bottomheat.errors import InputError
from bottomheat_drivers.log import LogReader

ROOT = Path(__file__).resolve().parents[2]
CHAMBERS = ROOT / "tests" / "chambers.py"
ONE = """
chambers:
  north-bench:
    callus_zone: 25.0
    heater: {gpio: 17, watts: 45}
    probes: {substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}
    offset: {method: temperature-factor, factor: 0.743}
"""
KEYS = {
    "alarms": list,
    "closings": int,
    "closings_per_day": float,
    "condition_hours": dict,
    "energy_kwh": float,
    "estimate_bias_k": float,
    "estimate_rms_k": float,
    "events": list,
    "hours": float,
    "in_band_fraction": float,
    "max_c": dict,
    "mean_duty": float,
    "min_c": dict,
    "notes_dropped": int,
    "overshoot_k": float,
    "rms_k": float,
    "scored_hours": float,
    "setpoint_c": float,
    "warm_up_hours": float,
    "worst_k": float,
}
WHOLE = {"simulation", "days", "seed", "chamber_model", "room", "wall_s", "chambers"}


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "one.yaml").write_text(ONE)
    # A warm start and a short wait: the room is within the band, so scoring begins after 24 h.
    (tmp_path / "warm.csv").write_text("hours,room_c\n0,24.6\n6,18\n")
    return tmp_path


def start(*arguments: str) -> subprocess.CompletedProcess[str]:
    path = os.pathsep.join(str(ROOT / folder) for folder in ("controller", "drivers"))
    return subprocess.run(
        [sys.executable, "-m", "bottomheat", "rehearse", *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, "PYTHONPATH": path},
    )


def figures(*arguments: str) -> dict[str, Any]:
    done = start("--config", "one.yaml", "--json", *arguments)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found


def test_one_chamber_is_flat_with_every_key() -> None:
    found = figures("--days", "1.5", "--room", "warm.csv")
    assert found.keys() == {"chamber"} | KEYS.keys() | WHOLE
    assert {key: type(found[key]) for key in KEYS} == KEYS
    assert found["chamber"] == "north-bench"
    assert found["chambers"] == {"north-bench": {key: found[key] for key in KEYS}}
    assert found["simulation"] is True
    assert found["max_c"].keys() == {"substrate", "callus", "mat", "room"}
    assert 0 < found["wall_s"] < 120
    assert abs(found["worst_k"]) >= found["rms_k"] > 0


def test_the_same_seed_gives_the_same_and_another_another() -> None:
    first, again, other = (figures("--days", "1", "--seed", seed) for seed in ("5", "5", "6"))
    for found in (first, again, other):
        del found["wall_s"], found["seed"]
    assert first == again
    assert first != other


def test_the_seed_also_changes_the_noise_in_a_given_room() -> None:
    first, other = (
        figures("--days", "1", "--room", "warm.csv", "--seed", seed)["chambers"]
        for seed in ("5", "6")
    )
    assert first != other


def test_what_is_never_reached_is_null() -> None:
    Path("ice.csv").write_text("hours,room_c\n0,-30\n")
    found = figures("--days", "1", "--room", "ice.csv")
    unknown = ("warm_up_hours", "overshoot_k", "rms_k", "worst_k", "in_band_fraction")
    assert [found[key] for key in unknown] == [None] * 5


def test_the_sample_config_is_the_default_and_several_chambers_stand_side_by_side() -> None:
    done = start("--days", "0.2", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert list(found["chambers"]) == ["north-bench", "south-bench"]
    assert "rms_k" not in found
    north, south = found["chambers"].values()
    assert north["max_c"]["room"] == south["max_c"]["room"]
    assert north["max_c"]["mat"] != south["max_c"]["mat"]


def test_a_chamber_from_a_file_is_another_box() -> None:
    found = figures("--days", "0.5", "--chamber", f"{CHAMBERS}:ShallowBags")
    assert found["chamber_model"] == f"{CHAMBERS}:ShallowBags"
    assert found["max_c"] != figures("--days", "0.5")["max_c"]


def test_a_chamber_that_prints_does_not_spoil_the_json() -> None:
    Path("loud.py").write_text(
        "from beside import Box\n"
        "print('loading')\n"
        "class Loud(Box):\n"
        "    def advance(self, *given):\n"
        "        print('advancing')\n"
        "        super().advance(*given)\n"
    )
    Path("beside.py").write_text(
        f"import runpy\nBox = runpy.run_path({str(CHAMBERS)!r})['DeepBox']\n"
    )
    done = start("--config", "one.yaml", "--json", "--days", "0.05", "--chamber", "loud.py:Loud")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["chamber"] == "north-bench"


def test_the_log_holds_every_cycle_and_a_second_rehearsal_begins_it_anew() -> None:
    for days, rows in (("0.1", 864), ("0.05", 432)):
        figures("--days", days, "--log", "r.sqlite")
        with LogReader(Path("r.sqlite")) as reader:
            samples = list(reader.samples("north-bench"))
            (run,) = reader.runs()
        assert len(samples) == rows
        assert run.closed
        assert run.version.endswith("rehearsal")


def test_the_screen_is_plain_text_of_80_columns_and_says_what_it_is() -> None:
    done = start("--config", "one.yaml", "--days", "1.5", "--room", "warm.csv")
    assert done.returncode == 0, done.stderr
    assert "\x1b" not in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    text = " ".join(done.stdout.split())
    for said in (
        "a simulation on a calculated chamber",
        "not a measurement",
        "north-bench set 25.0 °C",
        "% of the time",
        "times a day",
        "kWh",
        "wet layer",
        "no alarms",
    ):
        assert said in text
    assert done.stderr == "day 1 of 1.5\n"
    # The chart: a setpoint line, and room, wet layer and bases by their marks.
    drawn = done.stdout[done.stdout.index("°C  o bases") :].splitlines()[1:]
    for mark in "o+.":
        assert any(mark in line for line in drawn)


def test_ctrl_c_ends_with_one_word_and_leaves_a_whole_log() -> None:
    path = os.pathsep.join(str(ROOT / folder) for folder in ("controller", "drivers"))
    process = subprocess.Popen(
        [
            sys.executable,
            *("-m", "bottomheat", "rehearse", "--config", "one.yaml", "--days", "300"),
            *("--log", "long.sqlite"),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": path},
    )
    try:
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            wal = Path("long.sqlite-wal")
            if wal.exists() and wal.stat().st_size > 100_000:
                break
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=120)
    finally:
        process.kill()
    assert (process.returncode, out, err.splitlines()[-1]) == (130, "", "Stopped.")
    assert "Traceback" not in err
    with LogReader(Path("long.sqlite")) as reader:
        assert sum(1 for _ in reader.samples("north-bench")) > 1000
        assert reader.runs()[0].closed


def test_a_fault_is_told_beside_a_run_without_it() -> None:
    faults = ("--fault", "mat-dead@12h", "--fault", "probe-lost.room@15h:2h")
    found = figures("--days", "0.8", *faults)
    dead, lost = found["faults"]
    assert (dead["fault"], lost["fault"]) == (
        "north-bench/mat-dead@12h",
        "north-bench/probe-lost.room@15h:2h",
    )
    assert 0.0 < dead["departed_s"] < 7200.0
    assert dead["max_mat_c"] <= dead["twin_max_mat_c"]
    assert dead["wrong"] == []
    assert lost["known_by"] == "room-lost"
    assert lost["known_s"] == pytest.approx(30.0, abs=10.0)
    assert "faults" not in figures("--days", "0.1")


def test_a_fault_on_screen_is_plain_and_its_rehearsal_ends_a_day_after_it() -> None:
    done = start("--config", "one.yaml", "--room", "warm.csv", "--fault", "probe-lost@1h:1h")
    assert done.returncode == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80
    text = " ".join(done.stdout.split())
    for said in (
        "REHEARSAL of 1.08333 days",
        "FAULT day 1, 01:00, north-bench: the probe is unplugged (probe-lost, wet layer)",
        "known after 30 s",
        "ALARM: a probe gives no good reading",
        "heat went off at once",
        "without the fault at most",
    ):
        assert said in text


def test_a_fault_works_on_a_chamber_from_a_file() -> None:
    box = ("--chamber", f"{CHAMBERS}:ShallowBags", "--room", "warm.csv", "--days", "0.3")
    (fault,) = figures(*box, "--fault", "bags=4@4h")["faults"]
    assert fault["min_callus_c"] < 20.0 < fault["twin_max_callus_c"]


@pytest.mark.slow
def test_a_campaign_prints_tables_and_is_the_same_in_two_processes() -> None:
    alone, shared = (
        start("--campaign", "4", "--seed", "3", "--json", "--jobs", jobs) for jobs in ("1", "2")
    )
    assert alone.returncode == 0, alone.stderr
    found, again = json.loads(alone.stdout), json.loads(shared.stdout)
    del found["wall_s"], again["wall_s"]
    assert found == again
    assert [run["number"] for run in found["campaign"]["runs"]] == [0, 1, 2, 3]
    assert sum(len(table) for table in found["campaign"]["tables"].values()) == 4


def test_seasons_are_counted_on_screen() -> None:
    boxes = [part for box in ("DeepBox", "DryPeat") for part in ("--chamber", f"{CHAMBERS}:{box}")]
    done = start("--seasons", "2", "--days", "0.2", *boxes)
    assert done.returncode == 0, done.stderr
    assert "SEASONS without a fault, 2 boxes, 0 days in all" in done.stdout
    assert "DeepBox" in done.stdout
    assert "DryPeat" in done.stdout
    assert "season 2 of 2" in done.stderr


def test_the_help_lists_every_kind() -> None:
    from bottomheat.rehearse_kinds import KINDS

    done = start("--help")
    assert done.returncode == 0
    for kind in KINDS:
        assert f"  {kind}: " in done.stdout


BOXES = """
class Methodless:
    pass
class Needy:
    def __init__(self, size): pass
    def advance(self, seconds, heater_watts, room_c): pass
    def temperature(self, place): return 20.0
class Box:
    value = 20.0
    def advance(self, seconds, heater_watts, room_c): pass
    def temperature(self, place): return self.value
class NotANumber(Box):
    value = float("nan")
class Words(Box):
    value = "warm"
class Nowhere(Box):
    def temperature(self, place): raise KeyError(place)
class Stuck(Box):
    def advance(self): pass
class Quits(Box):
    def advance(self, seconds, heater_watts, room_c): raise SystemExit(0)
class NoBuds(Box):
    def temperature(self, place):
        if place == "top": raise ValueError(place)
        return 20.0
thing = 3
"""
FILES = {
    "boxes.py": BOXES,
    "broken.py": "def (\n",
    "missing.py": "import there_is_no_such_module_here\n",
    "quits.py": "raise SystemExit(0)\n",
    "boxes.txt": BOXES,
    "empty.csv": "",
    "header.csv": "hours,room_c\n",
    "foreign.csv": "time,temperature\n0,5\n",
    "extra.csv": "hours,room_c,wind\n0,5,1\n",
    "words.csv": "hours,room_c\n0,cold\n",
    "nan.csv": "hours,room_c\n0,nan\n",
    "infinite.csv": "hours,room_c\ninf,5\n",
    "unsorted.csv": "hours,room_c\n1,5\n0,5\n",
    "twice.csv": "hours,room_c\n0,5\n0,6\n",
    "short.csv": "hours,room_c\n0\n",
    "fahrenheit.csv": "hours,room_c\n0,77\n",
    "bytes.csv": "hours,room_c\n0,\udcff\n",
    "someones.sqlite": "not a log",
    "buds.yaml": ONE.replace("mat: 28-", "top: 28-000000000009, mat: 28-"),
}
BAD = [
    (["--days", "0"], "--days is 0"),
    (["--days", "-3"], "--days is -3"),
    (["--days", "401"], "--days is 401"),
    (["--days", "nan"], "--days is nan"),
    (["--room", "none.csv"], "none.csv cannot be read"),
    (["--room", "."], "is not a file"),
    (["--room", "empty.csv"], "is empty"),
    (["--room", "header.csv"], "no line after its first"),
    (["--room", "foreign.csv"], "'time,temperature'"),
    (["--room", "extra.csv"], "'hours,room_c,wind'"),
    (["--room", "words.csv"], "line 2: room_c is 'cold'"),
    (["--room", "nan.csv"], "line 2: room_c is nan"),
    (["--room", "infinite.csv"], "line 2: hours is inf"),
    (["--room", "unsorted.csv"], "line 3: hour 0 does not come after 1"),
    (["--room", "twice.csv"], "line 3: hour 0 does not come after 0"),
    (["--room", "short.csv"], "line 2: 1 values"),
    (["--room", "fahrenheit.csv"], "line 2: a room of 77 is not possible"),
    (["--room", "bytes.csv"], "not text in UTF-8"),
    (["--chamber", "boxes.py"], "FILE.py:CLASS"),
    (["--chamber", "none.py:Box"], "none.py does not exist"),
    (["--chamber", "boxes.txt:Box"], "no Python file"),
    (["--chamber", "broken.py:Box"], "syntax error in line 1"),
    (["--chamber", "missing.py:Box"], "there_is_no_such_module_here"),
    (["--chamber", "quits.py:Box"], "fails when it is loaded"),
    (["--chamber", "boxes.py:Other"], "no class Other"),
    (["--chamber", "boxes.py:thing"], "no class thing"),
    (["--chamber", "boxes.py:Methodless"], "no method advance"),
    (["--chamber", "boxes.py:Needy"], "cannot be built without arguments"),
    (["--chamber", "boxes.py:NotANumber"], "gives nan °C for 'substrate'"),
    (["--chamber", "boxes.py:Words"], "gives no temperature for 'substrate'"),
    (["--chamber", "boxes.py:Nowhere"], "gives no temperature for 'substrate'"),
    (["--chamber", "boxes.py:Stuck"], "failed in advance(10, 0, "),
    (["--chamber", "boxes.py:Quits"], "failed in advance(10, 0, "),
    (["--config", "buds.yaml", "--chamber", "boxes.py:NoBuds"], "does not know it"),
    (["--fault", "fire@1h"], "no kind 'fire'"),
    (["--fault", "mat-dead@soon"], "the time 'soon'"),
    (["--fault", "mat-dead@2d"], "begins after the end, 0.05 days"),
    (["--fault", "crossed-plugs@30m"], "needs 2 chambers"),
    (["--chamber", "boxes.py:Box", "--fault", "lid-off@30m"], "lacks"),
    (["--chamber", "boxes.py:Box", "--chamber", "boxes.py:Words"], "one --chamber at a time"),
    (["--campaign", "0"], "cannot go with --campaign"),
    (["--log", "."], "is not a file"),
    (["--log", "someones.sqlite"], "exists already"),
    (["--log", "one.yaml/log.sqlite"], "cannot be written"),
]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--campaign", "0"], "a number of 1 or more"),
        (["--campaign", "-4"], "a number of 1 or more"),
        (["--campaign", "200000"], "is not possible"),
        (["--seasons", "0"], "a number of 1 or more"),
        (["--seasons", "2", "--days", "0"], "--days is 0"),
        (["--seasons", "2", "--jobs", "0"], "0 processes"),
        (["--seasons", "2", "--chamber", "none.py:Box"], "none.py does not exist"),
        (["--campaign", "2", "--fault", "mat-dead@1h"], "--fault cannot go with --campaign"),
        (["--campaign", "2", "--room", "warm.csv"], "--room cannot go with --campaign"),
    ],
)
def test_a_bad_campaign_is_one_clear_sentence(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["rehearse", *arguments])
    out, err = capsys.readouterr()
    assert ended.value.code == InputError.exit_code
    assert (out, err.count("\n")) == ("", 1)
    assert said in err


@pytest.mark.parametrize(("arguments", "said"), BAD)
def test_a_bad_input_is_one_clear_sentence(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, text in FILES.items():
        Path(name).write_bytes(text.encode(errors="surrogateescape"))
    common = ["rehearse", "--config", "one.yaml", "--days", "0.05", "--json"]
    with pytest.raises(SystemExit) as ended:
        cli.main([*common, *arguments])
    out, err = capsys.readouterr()
    assert ended.value.code == InputError.exit_code
    assert out == ""
    assert said in err
    assert err.count("\n") == 1
    assert "Traceback" not in err
    assert Path("someones.sqlite").read_text() == "not a log"
