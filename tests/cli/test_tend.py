"""``bottomheat tend``: what is sent, what is said, and the row it leaves without a service."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC
from pathlib import Path

import pytest

from bottomheat.cli.tend_cmd import request_of, told
from bottomheat.errors import InputError
from bottomheat.model import EventKind
from bottomheat_drivers.log import LogReader
from bottomheat_drivers.process_lock import lock_state
from service import Service

UNTIL_MS = 1_768_573_920_000  # 2026-01-16 14:32 UTC
BEGUN = {
    "ok": True,
    "chamber": "north-bench",
    "over": False,
    "doing": "fill",
    "for_s": 1800.0,
    "until_ms": UNTIL_MS,
    "prolonged": False,
    "lid": "on",
    "lid_before": "on",
}
OVER = {"chamber": "north-bench", "over": True, "was_tended": True, "lid": "on", "lid_before": "on"}


def test_says_until_when_and_what_waits():
    text = told(BEGUN, running=True, clock_set=True, zone=UTC)
    assert text == (
        "Tending north-bench until 14:32 (30 min): filling.\n"
        "Until then and until the bed has recovered, alarms about displaced probes and missing "
        "heat wait; limits, cutoff and lost probes do not."
    )


def test_names_no_time_of_day_while_the_clock_is_not_set():
    text = told(BEGUN, running=True, clock_set=False, zone=UTC)
    assert text.startswith("Tending north-bench for 30 min: filling.")
    assert "14:32" not in text


@pytest.mark.parametrize(
    ("lid", "before", "part"),
    [
        ("ajar", "on", "counts from now on as ajar: each position of the lid is a calibration"),
        ("off", "off", "is still taken to be off"),
        ("on", "ajar", "The lid is on again."),
    ],
)
def test_says_what_the_lid_does_to_the_estimate(lid, before, part):
    text = told({**BEGUN, "lid": lid, "lid_before": before}, running=True, clock_set=True)
    assert part in text
    assert ("worth less" in text) == (lid != "on")


def test_says_that_it_is_over_or_never_was():
    assert "recovered" in told(OVER, running=True, clock_set=True)
    never = told({**OVER, "was_tended": False}, running=True, clock_set=True)
    assert never == "north-bench was not being tended."


def test_the_request_holds_what_was_said():
    assert request_of("north-bench", "water", "1h30m", "off", "2 litres", done=False) == {
        "do": "tend",
        "chamber": "north-bench",
        "doing": "water",
        "for_s": 5400.0,
        "lid": "off",
        "note": "2 litres",
    }
    assert request_of("north-bench", None, None, "on", None, done=True) == {
        "do": "tend",
        "chamber": "north-bench",
        "done": True,
        "lid": "on",
    }


@pytest.mark.parametrize(
    ("doing", "long", "done", "part"),
    [
        (None, None, False, "--doing fill|water|look|move"),
        ("look", None, True, "leave --doing and --for out"),
        (None, "30m", True, "leave --doing and --for out"),
        ("look", "soon", False, "not a length of time"),
    ],
)
def test_options_that_do_not_go_together_are_refused(doing, long, done, part):
    with pytest.raises(InputError, match=part.replace("|", r"\|")):
        request_of("north-bench", doing, long, None, None, done=done)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    made.state.mkdir(parents=True)
    yield made
    made.end()


def test_without_a_service_it_is_kept_in_the_log(service: Service) -> None:
    words = ("--doing", "move", "--for", "2h", "--lid", "ajar", "--note", "to the south bench")
    done = service.command("tend", "north-bench", *words)
    assert done.returncode == 0, done.stderr
    assert "(2 h): moving" in done.stdout or "for 2 h: moving" in done.stdout
    assert "The service is not running" in done.stdout
    over = service.command("tend", "north-bench", "--done")
    assert "no longer tended" in over.stdout
    assert "still taken to be ajar" in over.stdout
    with LogReader(service.state / "log.sqlite") as log:
        rows = [(row.doing, row.for_s, row.lid, row.note) for row in log.tendings()]
        texts = [row.event.text for row in log.events(kind=EventKind.TENDING)]
    assert rows == [("move", 7200.0, "ajar", "to the south bench"), ("done", None, None, "")]
    assert texts == [
        "tended for 2 h: moving; lid ajar from now on; note: to the south bench",
        "no longer tended",
    ]


def test_mistakes_end_in_one_sentence_and_leave_no_row(service: Service) -> None:
    for words, part in (
        (("attic", "--doing", "look"), "no such chamber; the config has: north-bench."),
        (("north-bench", "--doing", "look", "--for", "13h"), "12 h at most"),
    ):
        done = service.command("tend", *words)
        assert done.returncode == 10
        assert part in done.stderr
        assert done.stdout == ""
        assert len(done.stderr.splitlines()) == 1
    assert not (service.state / "log.sqlite").exists()


def test_a_service_that_holds_its_lock_and_does_not_answer_is_named_as_that(
    service: Service,
) -> None:
    lock = lock_state(service.state)
    try:
        done = service.command("tend", "north-bench", "--doing", "look")
    finally:
        lock.close()
    assert done.returncode == 6
    assert "does not answer" in done.stderr


def test_a_log_that_cannot_be_written_is_said(service: Service) -> None:
    (service.state / "log.sqlite").mkdir()
    done = service.command("tend", "north-bench", "--doing", "look")
    assert done.returncode == 5
    assert "log.sqlite" in done.stderr
    assert done.stdout == ""
