"""``bottomheat done``: what has been done, for which box or batch, and when it is due again."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from bottomheat.cli import main
from bottomheat.cli.batch_text import NOT_RUNNING
from bottomheat.season.ledger import fold
from bottomheat.season.reminders import REMINDERS
from bottomheat_drivers import clock as clocks
from bottomheat_drivers.log import LogReader
from clibench import Shed

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


@pytest.fixture
def run(shed: Shed, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command in this process, with a clock that counts as set."""
    monkeypatch.setattr(clocks, "TIMESYNCD_FLAG", shed.folder)

    def one(*words: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as done:
            main([*words, "--config", str(shed.config)])
        out, err = capsys.readouterr()
        return int(done.value.code or 0), out, err

    return one


def test_says_what_was_done_and_when_it_is_due_again(shed: Shed, run: Run) -> None:
    code, out, err = run("done", "layer", "north")
    assert code == 0, err
    lines = out.splitlines()
    assert lines[0] == "Done (no. 1): layer, north-bench."
    assert re.fullmatch(r"Next: due again [0-9]{1,2} [A-Z][a-z]{2}\.", lines[1])
    assert lines[2:] == [NOT_RUNNING]
    assert run("done", "mist")[1].startswith("Done (no. 2): mist, all.")
    with LogReader(shed.folder / "state" / "log.sqlite") as log:
        done = fold(log.season_entries()).done
    assert set(done) == {("layer", "north-bench"), ("mist", None)}


def test_an_earlier_day_is_told_and_counts(shed: Shed, run: Run) -> None:
    run("done", "layer", "north", "--on", "10d ago", "--note", "two litres")
    code, out, _ = run("done", "layer", "north", "--on", "3d ago")
    assert code == 0
    assert re.match(r"Done \(no\. 2\): layer, north-bench; [0-9]{1,2} [A-Z][a-z]{2}\.", out)
    assert "still to come" in run("done", "layer", "--on", "2099-01-01")[2]


def test_light_is_given_to_a_batch(shed: Shed, run: Run) -> None:
    run("batch", "add", "MUL-1", "mulberry", "40", "--in", "north")
    run("batch", "add", "GRP-2", "grapevine", "60", "--in", "south")
    code, _, err = run("done", "light")
    assert code == 10
    assert "say which batch has light now: MUL-1, GRP-2." in err or "GRP-2, MUL-1." in err
    assert run("done", "light", "mul")[1].startswith("Done (no. 3): light, MUL-1.")
    with LogReader(shed.folder / "state" / "log.sqlite") as log:
        batches = fold(log.season_entries()).batches
    assert batches["MUL-1"].light_ms is not None
    assert batches["GRP-2"].light_ms is None


def test_alone_it_shows_what_there_is_to_do(run: Run) -> None:
    code, out, err = run("done")
    assert code == 0, err
    for each in REMINDERS:
        assert f"{each.name}  " in out
    assert "(no. " not in out
    run("done", "layer", "north")
    out = run("done")[1]
    assert re.search(r"every 4 days.*\n.*north-bench: .*\(no\. 1\)", out)
    assert max(map(len, out.splitlines())) <= 80
    run("batch", "withdraw", "1")
    assert "(no. 1)" not in run("done")[1]


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("polish",), "there is no reminder 'polish': there are layer"),
        (
            ("layer", "attic"),
            "there is no box or batch 'attic': there are north-bench, south-bench.",
        ),
        (("tools", "north"), "about the whole house"),
    ],
)
def test_mistakes_end_in_one_sentence(
    shed: Shed, run: Run, words: tuple[str, ...], part: str
) -> None:
    code, out, err = run("done", *words)
    assert (code, out) == (10, "")
    assert part in err
    assert len(err.splitlines()) == 1
    assert not (shed.folder / "state" / "log.sqlite").exists()
