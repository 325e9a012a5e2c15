"""The fault table is complete, true to the code around it, and the one that README shows.

``python tests/arch/test_fault_table.py`` writes README's table anew.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bottomheat.alarm_words import TOLD, Level
from bottomheat.model import Alarm
from bottomheat.protect.fault_table import ROWS, Row, render
from bottomheat.rehearse_faults import parse
from bottomheat.rehearse_kinds import KINDS, allowed_alarms
from bottomheat_drivers.config_yaml import check_text, read_text

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
BEGIN = "<!-- fault table: written by tests/arch/test_fault_table.py -->\n"
END = "\n<!-- end of the fault table -->"
WORDS_ABOUT_ALARMS = {
    "model.py",
    "alarm_words.py",
    "words.py",
    "rehearse_kinds.py",
    "rehearse_world.py",
    "fault_table.py",
}
CONFIG = check_text(read_text(ROOT / "config/chamber.yaml")).parsed.config
each = pytest.mark.parametrize("row", ROWS, ids=lambda row: row.fault[:40])


def shown() -> str:
    parts = README.read_text(encoding="utf-8").split(BEGIN)
    assert len(parts) == 2, "README has lost the mark where the fault table begins"
    table, found, _ = parts[1].partition(END)
    assert found, "README has lost the mark where the fault table ends"
    return table


def raised() -> set[Alarm]:
    """Alarms that some code raises: those named outside the tables of words."""
    named: set[str] = set()
    for path in (ROOT / "controller/bottomheat").rglob("*.py"):
        if path.name not in WORDS_ABOUT_ALARMS:
            named |= set(re.findall(r"\bAlarm\.([A-Z_]+)", path.read_text(encoding="utf-8")))
    return {alarm for alarm in Alarm if alarm.name in named}


def test_readme_shows_this_table() -> None:
    assert shown() == render(), "run: python tests/arch/test_fault_table.py"


def test_every_alarm_that_can_be_raised_has_a_row_and_no_other_is_promised() -> None:
    assert len(raised()) > 20
    assert {alarm for row in ROWS for alarm in row.alarms} == raised()


def test_every_kind_to_rehearse_has_a_row() -> None:
    named = {re.split(r"[.=]", kind)[0] for row in ROWS for kind in row.kinds}
    assert named == set(KINDS)


@each
def test_a_row_says_what_to_do_and_how_to_cause_it(row: Row) -> None:
    assert row.fault
    assert row.seen_by
    assert row.response
    assert row.latches
    assert bool(row.kinds) is not bool(row.tests)
    assert not (row.alarms and row.events)
    for path in row.tests:
        assert (ROOT / path).is_file(), path


@each
def test_a_kind_that_causes_it_may_raise_its_alarm(row: Row) -> None:
    assert CONFIG is not None
    for kind in row.kinds:
        order = parse(f"south-bench/{kind}@1h", CONFIG)
        assert not row.alarms or allowed_alarms(order) & set(row.alarms), kind
        assert row.latches != "never" or not KINDS[order.kind].may_latch


@each
def test_what_latches_is_a_latching_alarm_and_what_does_not_is_none(row: Row) -> None:
    latching = {alarm for alarm in row.alarms if TOLD[alarm].latching}
    assert bool(latching) is (row.latches not in ("no", "never"))


def test_readme_gives_each_alarm_the_level_at_which_it_is_told() -> None:
    pairs = re.findall(r"`([a-z-]+)` \((now|morning)\)", shown())
    assert {name for name, _ in pairs} == {alarm.value for alarm in raised()}
    for name, level in pairs:
        assert Level(level) is TOLD[Alarm(name)].level, name


if __name__ == "__main__":
    text = README.read_text(encoding="utf-8")
    old, new = (f"{BEGIN}{table}{END}" for table in (shown(), render()))
    README.write_text(text.replace(old, new), encoding="utf-8")
