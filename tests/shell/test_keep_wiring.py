"""The keeper's wiring: from the config, as plain JSON and back, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from bottomheat.config_check import review
from bottomheat.config_parse import parse
from bottomheat.errors import ConfigError
from bottomheat.keeper import identity
from bottomheat.wiring import SounderLine, from_plain, wiring_of

PATH = Path("/etc/bottomheat/chamber.yaml")
BENCH = {
    "callus_zone": 25,
    "heater": {"gpio": 17, "watts": 45},
    "probes": {"substrate": "28-000000000001", "room": "28-000000000002", "mat": "28-000000000003"},
    "offset": {"method": "temperature-factor", "factor": 0.75},
    "keeper": {"series_relay": {"gpio": 27}},
}


def data(**sounder):
    return {"chambers": {"north-bench": BENCH}} | ({"sounder": sounder} if sounder else {})


def config(**sounder):
    found = parse(data(**sounder)).config
    assert found is not None
    return found


@pytest.mark.parametrize("sounder", [{}, {"gpio": 23}, {"gpio": 23, "active_high": False}])
def test_a_wiring_survives_being_plain(sounder):
    wiring = wiring_of(config(**sounder), PATH)
    assert from_plain(json.loads(json.dumps(wiring.as_plain()))) == wiring
    assert (wiring.sounder is not None) == bool(sounder)


def test_a_sounder_is_no_relay_and_does_not_change_what_is_wired_to_heat():
    silent, loud = wiring_of(config(), PATH), wiring_of(config(gpio=23), PATH)
    assert loud.outputs == silent.outputs == ((17, True), (27, True))
    assert identity(loud.lines) == identity(silent.lines)
    assert loud.sounder == SounderLine(23, True)


def test_a_wiring_kept_before_there_were_sounders_has_none():
    wiring = wiring_of(config(gpio=23), PATH)
    plain = json.loads(json.dumps(wiring.as_plain()))
    del plain["sounder"]
    assert from_plain(plain) == replace(wiring, sounder=None)


@pytest.mark.parametrize(
    "sounder",
    [
        {"gpio": 17, "active_high": True},
        {"gpio": 27, "active_high": True},
        {"gpio": 23},
        {"gpio": "23", "active_high": True},
        {"gpio": 23, "active_high": 1},
        {"gpio": 64, "active_high": True},
        [],
        "23",
        23,
    ],
)
def test_what_is_not_exactly_a_sounder_is_no_wiring(sounder):
    plain = json.loads(json.dumps(wiring_of(config(), PATH).as_plain()))
    with pytest.raises(ValueError):  # noqa: PT011 (each has words of its own)
        from_plain({**plain, "sounder": sounder})


@pytest.mark.parametrize("gpio", [17, 27])
def test_a_sounder_on_the_line_of_a_relay_is_refused(gpio):
    problems, _ = review(data(gpio=gpio))
    assert [problem.path for problem in problems] == [("sounder", "gpio")]
    assert "already drives chambers.north-bench" in problems[0].message
    made = config(gpio=23)
    assert made.sounder is not None
    clash = made.model_copy(update={"sounder": made.sounder.model_copy(update={"gpio": gpio})})
    with pytest.raises(ConfigError, match="a relay and for the sounder"):
        wiring_of(clash, PATH)


def test_a_sounder_of_its_own_line_is_no_problem():
    assert review(data(gpio=23))[0] == []
    assert review({**data(), "sounder": {"gpio": "x"}})[0] == [], "told elsewhere"
    assert review({**data(), "sounder": 5})[0] == []
