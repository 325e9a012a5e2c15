"""``alarms``, ``ack``, ``pause``, ``away``: text, and as processes beside the real daemon."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from bottomheat.alarm_words import TOLD
from bottomheat.cli import group
from bottomheat.cli.alarms_text import render
from bottomheat.cli.status_text import render as render_status
from bottomheat.model import Alarm
from bottomheat_drivers.desk_file import DeskFile, desk_path, setpoints_file
from service import MAT, Service

NOW_MS = 1_800_000_000_000  # Fri 15 Jan 2027 08:00 UTC


def alarm(name: Alarm, **more: Any) -> dict[str, Any]:
    told = TOLD[name]
    return {
        "id": f"north-bench/{name.value}",
        "serial": 1,
        "chamber": "north-bench",
        "alarm": name.value,
        "level": told.level.value,
        "state": "new",
        "seen": False,
        "active": True,
        "raised_ms": NOW_MS - 3_600_000,
        "gone_ms": None,
        "paused_until_ms": None,
        "what": f"{told.what}.",
        "how_long": told.how_long,
        "first": told.first,
        "helper": None,
        **more,
    }


def answer(*alarms: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"ok": True, "now_ms": NOW_MS, "away": None, "alarms": list(alarms), **more}


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def test_new_alarm_says_what_how_long_and_what_first() -> None:
    shown = render(answer(alarm(Alarm.RELAY_STUCK_ON, helper="Pull the grey plug.")), zone=UTC)
    told = TOLD[Alarm.RELAY_STUCK_ON]
    assert shown.startswith("NOW   north-bench/relay-stuck-on   new   since Fri 15 Jan 07:00, 1 h")
    for text in (told.what, told.how_long, told.first, "For a helper: Pull the grey plug."):
        assert text in flat(shown)
    assert "bottomheat ack" in shown
    assert max(map(len, shown.splitlines())) <= 80


def test_what_a_person_dealt_with_is_one_line_unless_all_is_asked_for() -> None:
    paused = alarm(Alarm.ROOM_LOST, state="paused", seen=True, paused_until_ms=NOW_MS + 3_600_000)
    shown = render(answer(paused), zone=UTC)
    assert "paused until Fri 15 Jan 09:00" in shown
    assert TOLD[Alarm.ROOM_LOST].first not in flat(shown)
    assert "bottomheat ack" not in shown
    assert TOLD[Alarm.ROOM_LOST].first in flat(render(answer(paused), every=True, zone=UTC))


def test_gone_alarm_says_from_when_to_when_and_no_longer_what_to_do() -> None:
    gone = alarm(
        Alarm.HEAT_LOST, state="gone but not seen", active=False, gone_ms=NOW_MS - 1_800_000
    )
    shown = render(answer(gone), zone=UTC)
    assert "gone but not seen   from Fri 15 Jan 07:00 to Fri 15 Jan 07:30" in shown
    assert "First:" not in shown


def test_seen_latch_stays_whole_because_it_needs_a_person() -> None:
    latch = alarm(Alarm.CUTOFF, state="needs reset", seen=True)
    shown = render(answer(latch), zone=UTC)
    assert "seen, needs reset" in shown
    assert "bottomheat reset cutoff" in flat(shown)


def test_nothing_and_away() -> None:
    assert render(answer(), zone=UTC) == "No alarms."
    away = {"until_ms": NOW_MS + 86_400_000, "since_ms": NOW_MS}
    helped = alarm(Alarm.CUTOFF, helper="Pull the plug.")
    shown = render(answer(helped, away=away), zone=UTC)
    assert shown.startswith("Away until Sat 16 Jan 08:00")
    assert "Helper, now: Pull the plug." in shown


def test_status_shows_states_and_what_is_gone() -> None:
    row = {"id": "house/log-failed", "chamber": None, "level": "morning", "state": "seen"}
    shown = render_status(
        {
            "data_age_s": 3.0,
            "synchronised": True,
            "wall_ms": NOW_MS,
            "running_s": 60.0,
            "chambers": [],
            "proving": None,
            "alarms": [{**row, "text": "The log.", "for_s": 300.0}],
            "gone": [{**row, "id": "south-bench/heat-lost"}],
        },
        {},
        UTC,
    )
    assert "The log. (seen, for 5 min)" in shown
    assert "Gone but not seen: south-bench/heat-lost" in shown


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    yield made
    made.end()


@pytest.mark.parametrize(
    "words",
    [
        ("alarms",),
        ("alarms", "--json"),
        ("ack",),
        ("pause", "north-bench/cutoff", "--for", "2h"),
        ("away", "--until", "2027-01-03"),
        ("away", "--back"),
    ],
    ids=" ".join,
)
def test_without_a_service_it_is_one_sentence_and_status_6(
    service: Service, words: tuple[str, ...]
) -> None:
    done = CliRunner().invoke(group, [*words, "--config", str(service.config)])
    assert done.exit_code != 0
    assert type(done.exception).__name__ == "NotRunningError"
    assert str(done.exception).count("\n") == 0
    assert "start it with" in str(done.exception)


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("pause", "north-bench/cutoff"), 2, "--for"),
        (("pause", "north-bench/cutoff", "--for", "2h", "--end"), 2, "--for"),
        (("pause", "north-bench/cutoff", "--for", "soon"), 10, "length of time"),
        (("away", "--until", "2027-13-03"), 10, "not a date"),
        (("away", "--until", "tomorrow"), 10, "not a date"),
        (("away", "--until", "2027-01-03", "--back"), 2, "not both"),
    ],
    ids=lambda part: " ".join(part) if isinstance(part, tuple) else "",
)
def test_wrong_words_are_refused(
    service: Service, words: tuple[str, ...], status: int, said: str
) -> None:
    done = CliRunner().invoke(group, [*words, "--config", str(service.config)])
    exception = done.exception
    assert exception is not None
    found = getattr(exception, "exit_code", None) or getattr(exception, "code", None)
    assert found == status
    assert said in f"{exception}{done.output}"


@pytest.mark.process
def test_cutoff_is_told_seen_and_remembered_and_no_word_brings_heat_back(
    service: Service,
) -> None:
    service.prove()
    service.start()
    service.wait(service.line)
    service.tree.set(MAT, 61.0)
    service.wait(lambda: any(a["alarm"] == "cutoff" for a in service.ask("alarms")["alarms"]))
    service.tree.set(MAT, 22.0)
    shown = service.command("alarms")
    assert shown.returncode == 0, shown.stderr
    assert "NOW   north-bench/cutoff   new" in shown.stdout
    assert "61.0 °C" in flat(shown.stdout)

    seen = service.command("ack", "north-bench")
    assert seen.returncode == 0, seen.stderr
    assert "north-bench/cutoff: seen; it still stands." in seen.stdout
    assert "does not bring heat back" in seen.stdout
    paused = service.command("pause", "north-bench/cutoff", "--for", "2h")
    assert paused.returncode == 0, paused.stderr
    assert "paused until" in paused.stdout
    assert "does not bring heat back" in paused.stdout
    refused = service.command("pause", "north-bench/cutoff", "--for", "25h")
    assert refused.returncode == 8
    assert "24 hours" in refused.stderr
    assert service.command("pause", "north-bench/cutoff", "--end").returncode == 0
    away = service.command("away", "--until", "2020-01-03")
    assert away.returncode == 8
    assert "past" in away.stderr
    service.command("ack")
    assert not service.line()
    assert service.ask("status")["chambers"][0]["latched"] is not None

    service.stop()
    kept = DeskFile(desk_path(service.state)).load()
    assert [e["alarm"] for e in kept["entries"] if e["seen"]].count("cutoff") == 1
    service.start()
    service.wait(lambda: service.ask("status")["data_age_s"] is not None)
    told = json.loads(service.command("alarms", "--json").stdout)
    (cut,) = (a for a in told["alarms"] if a["alarm"] == "cutoff")
    assert (cut["state"], cut["seen"], cut["active"]) == ("needs reset", True, True)
    assert not service.line()


@pytest.mark.process
def test_damaged_memory_of_alarms_stops_nothing(service: Service) -> None:
    service.prove()
    desk_path(service.state).write_text('{"format": "bottomheat alarm desk"')
    service.start()
    service.wait(service.line)
    service.stop()
    assert DeskFile(desk_path(service.state)).failure() is None


def soon(condition: Callable[[], bool]) -> None:
    """Closing a file waits two seconds for its thread, which a busy machine may exceed."""
    end = time.monotonic() + 60.0
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_unwritable_memory_is_said_and_never_waited_for(tmp_path: Path) -> None:
    file = DeskFile(tmp_path / "missing" / "alarms.json")
    assert file.load() is None
    file.save({"next": 1})
    file.close()
    soon(lambda: "forgotten" in (file.failure() or ""))
    damaged = DeskFile(tmp_path / "alarms.json")
    (tmp_path / "alarms.json").write_bytes(b"\0\0")
    assert damaged.load() is None
    assert "forgotten" in (damaged.failure() or "")
    damaged.save({"next": 2})
    damaged.close()
    soon(lambda: damaged.failure() is None)
    assert DeskFile(tmp_path / "alarms.json").load() == {"next": 2}


def test_setpoints_are_kept_in_a_file_of_their_own(tmp_path: Path) -> None:
    kept = setpoints_file(tmp_path)
    assert kept.load() is None
    kept.save({"boxes": {}})
    kept.close()
    soon(lambda: kept.failure() is None and (tmp_path / "setpoints.json").exists())
    assert setpoints_file(tmp_path).load() == {"boxes": {}}
    other = DeskFile(tmp_path / "setpoints.json")
    assert other.load() is None, "one kind of file is not taken for the other"
