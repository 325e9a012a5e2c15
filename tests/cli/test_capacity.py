"""``bottomheat capacity``: what it says, what it rests on, and what it refuses."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from bottomheat.capacity import Basis, Lift, Spread, capacity
from bottomheat.cli import capacity_text as text
from bottomheat.cli.capacity_cmd import command, lift_in
from bottomheat.errors import InputError
from bottomheat.insulation import measures
from bottomheat.season.ledger import SeasonEntry, What
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.log import SqliteJournal
from clibench import FakeService, Shed

MODEL = (
    "    model: {gain: 0.7, slow_lag: 9, quick_lag: 1.5, quick_share: 0.35, dead_time: 0.25}\n"
    "    limits: {substrate: 48, mat: 85}\n    layer_ceiling: 42\n"
)


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    """Two boxes; a model stands for the north bench."""
    made = Shed(tmp_path)
    made.text = made.text.replace("    limits: {substrate: 42, mat: 65}\n", MODEL)
    made.config.write_text(made.text)
    return made


def run(shed: Shed, *words: str) -> Any:
    """Run the command within this process."""
    return CliRunner().invoke(command, [*words, "--config", str(shed.config)])


def said(shed: Shed, *words: str) -> str:
    done = run(shed, *words)
    assert done.exception is None, done.exception
    assert all(len(line) <= text.WIDTH for line in done.output.splitlines())
    return str(done.output)


def data(shed: Shed, *words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(said(shed, *words, "--json"))
    return found


def refused(shed: Shed, *words: str) -> str:
    done = run(shed, *words)
    assert isinstance(done.exception, InputError)
    return str(done.exception)


def flat(output: str) -> str:
    return " ".join(output.split())


def test_a_box_that_holds_says_so_with_its_coldest_room(shed: Shed) -> None:
    """22 °C, f 0.75, 0.7 K/W, 45 W: carried down to 22 - 23.625."""
    screen = flat(said(shed, "--chamber", "north-bench", "--room", "5"))
    assert "22 °C in a room of 5 °C takes heat on 72 % of the time (32 W)." in screen
    assert "Coldest room it carries: -1.6 °C; there the mat is on all the time" in screen
    assert "Rests on the model in the config, from identify" in screen
    assert "What would do" not in screen


def test_a_box_that_does_not_hold_says_where_it_stays_and_what_would_do(shed: Shed) -> None:
    screen = flat(said(shed, "--chamber", "north-bench", "--room", "-8"))
    assert "would take heat on 127 % of the time" in screen
    assert "it stays at about 15.6 °C" in screen
    assert "What would do" in screen
    assert "of the heat loss is left" in screen
    assert "foam" in screen
    assert "a mat of 75 W" in screen
    assert "a setpoint of 15.5 °C on such nights" in screen


def test_nominal_values_are_not_sold_as_measured(shed: Shed) -> None:
    screen = flat(said(shed, "--chamber", "south-bench", "--room", "5"))
    assert "Not measured: run bottomheat identify" in screen
    found = data(shed, "--chamber", "south-bench", "--room", "5")["boxes"][0]
    assert found["measured"] is False
    assert found["rests_on"] == "not measured"


def test_every_box_and_the_configs_own_coldest_room_without_options(shed: Shed) -> None:
    found = data(shed)
    assert found["room_c"] == 8.0
    assert [box["chamber"] for box in found["boxes"]] == ["north-bench", "south-bench"]
    (setpoint,) = found["boxes"][0]["setpoints"]
    assert setpoint["holds"] is True
    assert setpoint["binds"] == "power"
    assert setpoint["coldest_room_c"]["value"] == pytest.approx(22.0 - 23.625)
    assert setpoint["coldest_room_c"]["low"] is None


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("--room", "-80"), "not possible"),
        (("--room", "nan"), "not possible"),
        (("--chamber", "west-bench", "--room", "5"), "no chamber"),
        (("--room", "5", "--tariff", "0.3"), "--winter"),
        (("--room", "5", "--outdoors"), "--winter"),
        (("--room", "5", "--shed-lag", "5"), "--winter"),
        (("--room", "5", "--winter", "none.csv"), "cannot be read"),
        (("--room", "5", "--from", "none.json"), "say which"),
    ],
)
def test_what_cannot_be_meant_is_one_sentence(
    shed: Shed, words: tuple[str, ...], part: str
) -> None:
    message = refused(shed, *words)
    assert part in message
    assert "\n" not in message


def winter(shed: Shed, days: int = 30, celsius: float = 7.0) -> str:
    path = shed.folder / "winter.csv"
    rows = [f"{hour},{celsius}" for hour in range(24 * days + 1)]
    path.write_text("hours,room_c\n" + "\n".join(rows) + "\n")
    return str(path)


def test_a_winter_is_energy_and_cost_with_what_the_file_was_taken_for(shed: Shed) -> None:
    """(22 - 7)/(0.75 · 0.7) W for 30 days: 20.571 kWh."""
    words = ("--chamber", "north-bench", "--room", "5", "--winter", winter(shed))
    screen = flat(said(shed, *words, "--tariff", "0.30"))
    assert "winter.csv as the room: 30 days, room 7.0 °C in the mean" in screen
    assert "21 kWh" in screen
    assert "6.17 at 0.3 a kWh" in screen
    found = data(shed, *words, "--tariff", "0.30")
    energy = found["boxes"][0]["setpoints"][0]["energy"]
    assert energy["kwh"]["value"] == pytest.approx(15.0 / (0.75 * 0.7) * 720.0 / 1000.0)
    assert energy["cost"]["value"] == pytest.approx(energy["kwh"]["value"] * 0.30)
    assert found["winter"] == {
        "file": "winter.csv",
        "outdoors": False,
        "shed_lag_h": None,
        "tariff_per_kwh": 0.30,
    }


def test_outdoor_air_is_taken_through_a_shed_and_that_is_said(shed: Shed) -> None:
    path = shed.folder / "air.csv"
    rows = [f"{12 * i},{0.0 if i % 2 else 10.0}" for i in range(60)]
    path.write_text("hours,room_c\n" + "\n".join(rows) + "\n")
    words = ("--chamber", "north-bench", "--room", "5", "--winter", str(path))
    plain = data(shed, *words)["boxes"][0]["setpoints"][0]["energy"]
    damped = data(shed, *words, "--outdoors", "--shed-lag", "12")["boxes"][0]["setpoints"][0]
    assert plain["coldest_room_c"] == 0.0
    assert 1.0 < damped["energy"]["coldest_room_c"] < 5.0
    screen = flat(said(shed, *words, "--outdoors"))
    assert "air.csv as outdoor air, taken through a shed that lags 8 h behind it" in screen
    assert "--outdoors" in refused(shed, *words, "--shed-lag", "5")
    assert "above 0" in refused(shed, *words, "--outdoors", "--shed-lag", "0")
    assert "price" in refused(shed, *words, "--tariff", "-1")


def test_one_line_is_no_winter(shed: Shed) -> None:
    path = shed.folder / "short.csv"
    path.write_text("hours,room_c\n0,5\n")
    assert "two at least" in refused(shed, "--room", "5", "--winter", str(path))


def found_file(shed: Shed, **changes: Any) -> str:
    path = shed.folder / "found.json"
    response = {"gain_k_per_w": 0.8, "slow_s": 32000.0, "load_k": 0.4}
    intervals = {"gain_k_per_w": {"low": 0.76, "high": 0.84}, "load_k": [0.2, 0.6]}
    data = {
        "chamber": "north-bench",
        "found": {"response": response, "intervals": intervals, "method": "log"},
        **changes,
    }
    path.write_text(json.dumps(data))
    return str(path)


def test_what_identify_wrote_gives_intervals(shed: Shed) -> None:
    words = ("--chamber", "north-bench", "--room", "-6", "--from", found_file(shed))
    box = data(shed, *words)["boxes"][0]
    assert box["rests_on"] == "identify"
    assert box["gain_k_per_w"] == {
        "value": 0.8,
        "low": pytest.approx(0.76),
        "high": pytest.approx(0.84),
    }
    coldest = box["setpoints"][0]["coldest_room_c"]
    assert coldest["value"] == pytest.approx(22.0 - 0.75 * (0.8 * 45.0 + 0.4))
    half = ((0.75 * 0.04 * 45.0) ** 2 + (0.75 * 0.2) ** 2) ** 0.5
    assert coldest["high"] - coldest["value"] == pytest.approx(half)
    screen = flat(said(shed, *words))
    assert re.search(r"Coldest room it carries: -5\.3 \(-6\.7 to -3\.9\) °C", screen)


def test_what_was_found_of_the_mat_is_used_and_said(shed: Shed) -> None:
    """From a file and from the config alike; without it the figure is called a calculated one."""
    north = ("--chamber", "north-bench", "--room", "5")
    screen = flat(said(shed, *north))
    assert "How far the mat is above the wet layer is calculated for a usual one" in screen
    assert data(shed, *north)["boxes"][0]["mat_measured"] is False
    mat = {"gain_k_per_w": 0.4, "interval": [0.38, 0.42], "swing_k_per_w": 0.06}
    response = {"gain_k_per_w": 0.7, "load_k": 0.0}
    path = found_file(shed, found={"response": response, "mat": mat})
    of_file = data(shed, *north, "--from", path)["boxes"][0]
    keys = "dead_time: 0.25, mat_gain: 0.4, mat_gain_uncertainty: 0.0102, mat_swing: 0.06}"
    shed.config.write_text(shed.text.replace("dead_time: 0.25}", keys))
    of_config = data(shed, *north)["boxes"][0]
    for box in (of_file, of_config):
        assert box["mat_measured"] is True
        assert box["mat_gain_k_per_w"]["value"] == 0.4
        assert box["mat_gain_k_per_w"]["low"] == pytest.approx(0.38, abs=1e-3)
    of_mat = [
        next(b for b in box["setpoints"][0]["bounds"] if b["limit"] == "mat limit")
        for box in (of_file, of_config)
    ]
    assert of_mat[0]["coldest_room_c"]["value"] == pytest.approx(
        of_mat[1]["coldest_room_c"]["value"]
    )
    assert "It lifts the mat by 0.40 (0.38 to 0.42) K more than that." in flat(said(shed, *north))
    shed.config.write_text(shed.text)
    broken = found_file(shed, found={"response": response, "mat": {"gain_k_per_w": -1}})
    assert data(shed, *north, "--from", broken)["boxes"][0]["mat_measured"] is False


def test_the_configs_uncertainty_gives_an_interval(shed: Shed) -> None:
    shed.config.write_text(
        shed.text.replace("dead_time: 0.25}", "dead_time: 0.25, gain_uncertainty: 0.01}")
    )
    box = data(shed, "--chamber", "north-bench", "--room", "5")["boxes"][0]
    assert box["rests_on"] == "model"
    assert box["gain_k_per_w"]["high"] == pytest.approx(0.7 + 0.0196)
    assert box["setpoints"][0]["coldest_room_c"]["low"] is not None


@pytest.mark.parametrize(
    ("changes", "part"),
    [
        ({"chamber": "south-bench"}, "is about south-bench"),
        ({"found": {"reasons": ["x"]}}, "holds no model"),
        ({"found": {}}, "not what bottomheat identify"),
        ({"found": {"response": {"gain_k_per_w": -1.0}}}, "cannot be true"),
        ({"found": {"response": {"gain_k_per_w": "a"}}}, "cannot be true"),
    ],
)
def test_a_file_that_is_something_else_is_refused(
    shed: Shed, changes: dict[str, Any], part: str
) -> None:
    path = found_file(shed, **changes)
    assert part in refused(shed, "--chamber", "north-bench", "--room", "5", "--from", path)


def test_text_that_is_no_json_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text("{")
    with pytest.raises(InputError, match="identify"):
        lift_in(path, "a")
    with pytest.raises(InputError, match="cannot be read"):
        lift_in(tmp_path / "none.json", "a")


@contextmanager
def serving(shed: Shed, learned: object) -> Iterator[None]:
    chambers = [{"name": "south-bench", "learned": learned}]
    with FakeService(shed.control, {"status": [{"ok": True, "chambers": chambers}]}):
        yield


def test_what_the_service_has_learned_is_used_and_said(shed: Shed) -> None:
    learned = {"full_power_rise_k": 36.0, "full_power_lead_k": 20.0, "hours": 40.0}
    with serving(shed, learned):
        found = data(shed, "--chamber", "south-bench", "--room", "5")["boxes"][0]
        screen = flat(said(shed, "--chamber", "south-bench", "--room", "5"))
    assert found["rests_on"] == "learned"
    assert found["gain_k_per_w"]["value"] == pytest.approx(0.8)
    assert "what the service has learned in 40 h" in screen


def test_a_service_of_before_has_learned_nothing(shed: Shed) -> None:
    with serving(shed, None):
        found = data(shed, "--chamber", "south-bench", "--room", "5")["boxes"][0]
    assert found["measured"] is False


def test_a_batch_sets_what_is_asked_and_its_next_stage_comes_after(shed: Shed) -> None:
    config = load_config(shed.config)
    journal = SqliteJournal(Path(config.log), None, SystemClock(), "0", "boot", background=False)
    made = {"species": "grapevine", "kind": "cuttings", "count": 40}
    journal.note_season(SeasonEntry(What.ADD, "GRP-1", "north-bench", made))
    journal.close()
    found = data(shed, "--chamber", "north-bench", "--room", "5")["boxes"][0]["setpoints"]
    assert found[0]["whose"].startswith("GRP-1 (grapevine, callusing)")
    assert [each["whose"] for each in found[1:]] == ["Next, rooting"]
    assert found[0]["setpoint_c"] > found[1]["setpoint_c"]
    assert found[0]["coldest_room_c"]["value"] > found[1]["coldest_room_c"]["value"]


def test_it_is_a_command_that_reads_and_changes_nothing(shed: Shed) -> None:
    before = shed.listing()
    done = shed.run("capacity", "--chamber", "north-bench", "--room", "-8")
    assert done.returncode == 0, done.stderr
    assert "north-bench" in done.stdout
    assert shed.listing() == before
    wrong = shed.run("capacity", "--room", "-99")
    assert wrong.returncode != 0
    assert wrong.stderr.count("\n") == 1
    assert "Traceback" not in wrong.stderr


def shown(lift: Lift, room_c: float, **changes: Any) -> str:
    """The screen of one box whose config is changed."""
    from bottomheat.config import Config

    chamber = {
        "callus_zone": 25.0,
        "heater": {"gpio": 17, "watts": 45.0},
        "probes": {"substrate": "28-000000000001", "mat": "28-000000000003"},
        "offset": {"method": "temperature-factor", "factor": 0.75},
        **changes,
    }
    config = Config.model_validate({"chambers": {"a": chamber}}).chambers["a"]
    box = text.Box("a", 45.0, lift, (text.Asked("As set", capacity(config, lift, room_c)),))
    return flat(text.render([box], (("if there is only card", measures()),), None))


def test_each_bound_has_words() -> None:
    lift = Lift(0.9, Basis.MODEL)
    assert "the wet layer is at its ceiling" in shown(lift, 5.0, layer_ceiling=29.0)
    assert "above its ceiling" in shown(lift, 5.0, layer_ceiling=29.0)
    hot = shown(lift, 0.0, limits={"mat": 45.0, "substrate": 42.0}, layer_ceiling=38.0)
    assert "the mat is 3 K below its limit" in hot
    assert "a mat of" not in hot, "a stronger mat is no warmer below the same limit"
    near = shown(lift, 0.0, limits={"mat": 85.0, "substrate": 36.0}, layer_ceiling=34.0)
    assert "too near its limit" in near
    assert "takes no heat" in shown(lift, 26.0)
    wild = shown(lift, 5.0, offset={"method": "heat-flow", "resistance": 0.85})
    assert "asks for more heat than any room takes" in wild


def test_a_loss_that_no_foam_brings_down_is_said() -> None:
    assert "more than 50 mm of foam all round" in shown(
        Lift(0.1, Basis.MODEL), -10.0, layer_ceiling=42.0
    )


def test_a_number_is_shown_with_its_interval_only_where_that_shows() -> None:
    assert text._about(Spread(1.04, 0.9, 1.2), 1) == "1.0 (0.9 to 1.2)"
    assert text._about(Spread(1.03, 1.02, 1.04), 1) == "1.0"
    assert text._percent(Spread(0.5)) == "50 %"


def test_no_thread_is_left_behind(shed: Shed) -> None:
    said(shed, "--room", "5")
    assert threading.active_count() == 1
