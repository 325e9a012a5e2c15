"""``bottomheat compare`` as a grower uses it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from bottomheat.cli import compare_cmd
from bottomheat.errors import InputError
from bottomheat.season.ledger import SeasonEntry
from seasonlog import added, closed, ended, write

TWENTY = (
    added("MUL-1", 0, 20),
    added("MUL-2", 1, 20),
    closed("MUL-1", 20, callused=17, rooted=14),
    closed("MUL-2", 21, callused=15, rooted=11),
)


def shown(folder: Path, entries: Sequence[SeasonEntry], *words: str) -> str:
    config = write(folder, entries)
    done = CliRunner().invoke(
        compare_cmd.command,
        [*words, "--config", str(config)],
        catch_exceptions=False,
        standalone_mode=False,
    )
    return done.output


def data(folder: Path, entries: Sequence[SeasonEntry], *words: str) -> Any:
    return json.loads(shown(folder, entries, *words, "--json"))


def test_what_cannot_be_told_is_said_before_any_share(tmp_path: Path) -> None:
    lines = shown(tmp_path, TWENTY).splitlines()
    assert lines[0] == "MUL-1, MUL-2: 14/20 against 11/20 rooted: cannot tell yet."
    first_share = next(number for number, line in enumerate(lines) if "%" in line)
    assert first_share > 2
    assert "MUL-2 may have 41 fewer than MUL-1, or 14 more" in " ".join(lines[1:3])
    table = " ".join(lines)
    assert "14/20 70 % (48-85)" in table  # Wilson by statsmodels: 48.1 to 85.5
    assert max(map(len, lines)) <= 80


def test_a_difference_is_told_with_the_caution_that_it_is_no_cause(tmp_path: Path) -> None:
    entries = (*TWENTY[:2], closed("MUL-1", 20, rooted=19), closed("MUL-2", 21, rooted=6))
    text = shown(tmp_path, entries)
    assert "19/20 against 6/20 rooted: MUL-1 did better than MUL-2." in text
    assert "Counts tell that two differ, not why" in text
    assert "cannot tell yet" not in text


def test_what_they_went_through_stands_side_by_side(tmp_path: Path) -> None:
    found = data(tmp_path, TWENTY)
    one, other = found["sides"]
    # 20 days in the north at 24 °C, within 21 to 25; heat in every other row.
    assert one["known_h"] == pytest.approx(480.0)
    assert one["in_band_h"] == pytest.approx(480.0)
    assert one["degree_days_above_10"] == pytest.approx(20 * 14.0)
    assert one["energy_kwh"] == pytest.approx(240.0 * 45 / 1000)
    assert (one["below_h"], one["above_h"], one["unmeasured_h"]) == (0.0, 0.0, 0.0)
    assert other["known_h"] == pytest.approx(480.0)


def test_another_count_decides_where_it_is_asked_for(tmp_path: Path) -> None:
    (verdict,) = data(tmp_path, TWENTY, "mul-1", "MUL-2", "--by", "callused")["compared"]
    assert verdict["by"] == "callused"
    assert verdict["pairs"][0]["says"].startswith("17/20 against 15/20 callused:")


def test_species_are_set_beside_each_other_and_not_compared(tmp_path: Path) -> None:
    entries = (*TWENTY, added("BLC-1", 2, 50, species="blackcurrant"), closed("BLC-1", 9, rooted=9))
    text = shown(tmp_path, entries)
    assert text.count("against") == 1
    assert "Shown beside them, not compared: BLC-1." in text


def test_without_counts_it_says_what_to_count(tmp_path: Path) -> None:
    text = " ".join(shown(tmp_path, TWENTY[:3]).split())
    assert text.startswith("Nothing to compare yet")
    assert "bottomheat batch count NAME" in text


def test_boxes_are_compared_by_the_batches_that_callused_there(tmp_path: Path) -> None:
    entries = (
        added("A", 0, 20),
        added("B", 0, 30),
        added("C", 0, 40, "south-bench"),
        closed("A", 20, rooted=14),
        closed("B", 20, rooted=20),
        closed("C", 20, rooted=9),
    )
    found = data(tmp_path, entries, "north-bench", "south-bench")
    assert [side["batches"] for side in found["sides"]] == [["A", "B"], ["C"]]
    (pair,) = found["compared"][0]["pairs"]
    assert pair["says"] == "34/50 against 9/40 rooted: north-bench did better than south-bench"
    assert found["sides"][1]["below_h"] == pytest.approx(480.0)  # 18 °C, and it wants 21 to 25


def test_seasons_are_compared_by_what_was_made_in_each(tmp_path: Path) -> None:
    entries = (
        added("A", 0, 20),
        closed("A", 5, rooted=14),
        ended("first", 6),
        added("B", 8, 20),
        closed("B", 15, rooted=11),
        ended("second", 16),
    )
    found = data(tmp_path, entries, "first", "second")
    assert [side["batches"] for side in found["sides"]] == [["A"], ["B"]]
    assert found["compared"][0]["pairs"][0]["told"] == "cannot"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("MUL-9",), "there is no batch, box or closed season MUL-9; there are: MUL-1, MUL-2"),
        (("MUL-1",), "it takes two"),
        (("MUL-1", "mul-1"), "twice"),
        (("MUL-1", "north-bench"), "batches and boxes cannot be compared"),
    ],
)
def test_what_cannot_be_compared_is_said(tmp_path: Path, words: list[str], says: str) -> None:
    with pytest.raises(InputError, match=says):
        shown(tmp_path, TWENTY, *words)
