"""``bottomheat lid``: what a position of the lid means, and the row that it leaves."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bottomheat.cli.lid_cmd import told
from bottomheat.config import ChamberConfig
from bottomheat_drivers.log import LogReader
from bottomheat_drivers.process_lock import lock_state
from plant import chamber_keys, config
from service import Service

FACTOR = {"method": "temperature-factor", "factor": 0.6}
WARNING = "An open lid costs heat and dries the wet layer"


def box(**keys: Any) -> ChamberConfig:
    return config(north_bench={**chamber_keys(), **keys}).chambers["north-bench"]


def said(lid: str, before: str = "on", *, running: bool = True, **keys: Any) -> str:
    answer = {"ok": True, "chamber": "north-bench", "tended": False}
    return told({**answer, "lid": lid, "lid_before": before}, box(**keys), running=running)


@pytest.mark.parametrize("lid", ["ajar", "off"])
def test_a_position_without_a_calibration_of_its_own_is_said(lid):
    text = said(lid)
    assert text.startswith(f"The lid of north-bench counts as {lid} from now on.")
    assert f"the config has none for {lid} (offset_{lid})" in text
    assert "worth less" in text
    assert WARNING in text
    assert text.endswith("When it is on again: bottomheat lid north-bench on")


@pytest.mark.parametrize("lid", ["ajar", "off"])
@pytest.mark.parametrize(
    ("calibrated", "part"),
    [(True, "has one, from readings in this box"), (False, "does not come from readings")],
)
def test_a_position_with_its_own_is_named(lid, calibrated, part):
    key = f"offset_{lid}"
    text = said(lid, **{key: {**FACTOR, "calibrated": calibrated}})
    assert part in text
    assert f"({key})" in text
    assert "worth less" not in text
    assert WARNING in text


def test_a_lid_that_is_on_costs_nothing():
    text = said("on", "off")
    assert text.startswith("The lid of north-bench counts as on from now on.")
    assert WARNING not in text
    assert "again" not in text
    assert "counts as on still" in said("on", "on")


def test_a_probe_in_the_medium_shows_the_bases_however_the_lid_lies():
    probes = {**chamber_keys()["probes"], "callus": "28-000000000004"}
    text = said("off", offset={"method": "direct"}, probes=probes)
    assert "however the lid lies" in text
    assert "worth less" not in text
    assert WARNING in text


def test_says_that_the_service_stands_still_and_that_tending_goes_on():
    assert "The service is not running" in said("on", running=False)
    answer = {"chamber": "north-bench", "lid": "off", "lid_before": "on", "tended": True}
    assert "tending that was said goes on" in told(answer, box(), running=True)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    made.state.mkdir(parents=True)
    yield made
    made.end()


def test_without_a_service_it_is_kept_in_the_log(service: Service) -> None:
    done = service.command("lid", "north-bench", "ajar", "--note", "mild days")
    assert done.returncode == 0, done.stderr
    assert "counts as ajar from now on" in done.stdout
    assert "The service is not running" in done.stdout
    again = service.command("lid", "north-bench", "on")
    assert "counts as on from now on" in again.stdout
    with LogReader(service.state / "log.sqlite") as log:
        rows = [(row.doing, row.for_s, row.lid, row.note) for row in log.tendings()]
    assert rows == [("done", None, "ajar", "mild days"), ("done", None, "on", "")]


def test_mistakes_end_in_one_sentence_and_leave_no_row(service: Service) -> None:
    attic = service.command("lid", "attic", "ajar")
    assert attic.returncode == 10
    assert "no such chamber; the config has: north-bench." in attic.stderr
    assert len(attic.stderr.splitlines()) == 1
    assert service.command("lid", "north-bench", "open").returncode == 2
    lock = lock_state(service.state)
    try:
        silent = service.command("lid", "north-bench", "ajar")
    finally:
        lock.close()
    assert silent.returncode == 6
    assert "does not answer" in silent.stderr
    assert not (service.state / "log.sqlite").exists()
