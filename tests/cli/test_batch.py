"""``bottomheat batch``: what is sent, what is said, the entries in the log without a service."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.cli import Commands, group, main
from bottomheat.cli.batch_cmd import STEPS
from bottomheat.cli.batch_cmd import command as batch_command
from bottomheat.cli.batch_list_text import WIDTH, listed, shown
from bottomheat.cli.batch_send import on_screen
from bottomheat.cli.batch_text import CLOCK_NOT_SET, NOT_RUNNING, told
from bottomheat.cli.batch_when import HALF_A_DAY_MS, When, parse_when
from bottomheat.errors import InputError
from bottomheat.model import EventKind
from bottomheat.season.ledger import Dated, SeasonEntry, What, fold
from bottomheat_drivers import clock as clocks
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.log import LogReader
from bottomheat_drivers.process_lock import lock_state
from clibench import Shed
from service import Service

NOW = datetime(2027, 1, 16, 8, 30, tzinfo=UTC)
NOW_MS = round(NOW.timestamp() * 1000)
DAY_MS = 86_400_000


# -- when


def at(text: str, zone: Any = UTC, *, clock_set: bool = True) -> When | None:
    return parse_when(text, NOW_MS, zone, clock_set=clock_set)


def moment(*parts: int, zone: Any = UTC) -> int:
    return round(datetime(*parts, tzinfo=zone).timestamp() * 1000)  # type: ignore[misc]


@pytest.mark.parametrize(
    ("text", "when"),
    [
        ("now", None),
        ("today", None),
        ("yesterday", When(moment(2027, 1, 15, 12), HALF_A_DAY_MS)),
        ("2027-01-05", When(moment(2027, 1, 5, 12), HALF_A_DAY_MS)),
        ("2027-01-05 14:20", When(moment(2027, 1, 5, 14, 20), 0)),
        ("07:15", When(moment(2027, 1, 16, 7, 15), 0)),
        ("Yesterday 7:15", When(moment(2027, 1, 15, 7, 15), 0)),
        ("5jan", When(moment(2027, 1, 5, 12), HALF_A_DAY_MS)),
        ("5 January", When(moment(2027, 1, 5, 12), HALF_A_DAY_MS)),
        ("Jan 5", When(moment(2027, 1, 5, 12), HALF_A_DAY_MS)),
        ("16jan", When(moment(2027, 1, 16, 12), HALF_A_DAY_MS)),
        ("17 jan", When(moment(2026, 1, 17, 12), HALF_A_DAY_MS)),
        ("20-nov", When(moment(2026, 11, 20, 12), HALF_A_DAY_MS)),
        ("20 Nov 2025", When(moment(2025, 11, 20, 12), HALF_A_DAY_MS)),
        ("Nov 20, 2025", When(moment(2025, 11, 20, 12), HALF_A_DAY_MS)),
        ("3d ago", When(NOW_MS - 3 * DAY_MS, HALF_A_DAY_MS)),
        ("2h ago", When(NOW_MS - DAY_MS // 12, 0)),
    ],
)
def test_a_day_may_be_said_as_people_say_it(text, when):
    assert at(text) == when


def test_a_day_is_the_growers_own():
    east = timezone(timedelta(hours=9))
    assert at("yesterday", east) == When(moment(2027, 1, 15, 12, zone=east), HALF_A_DAY_MS)
    assert at("2027-01-05", east) == When(moment(2027, 1, 5, 12, zone=east), HALF_A_DAY_MS)
    assert at("2027-01-05 14:20+00:00", east) == When(moment(2027, 1, 5, 14, 20), 0)


@pytest.mark.parametrize(
    "text",
    ["", "soon", "30feb", "5.1.", "05/01/2027", "25:00", "0jan", "5 jam", "2027-13-01", "x ago"],
)
def test_what_is_no_day_is_refused_with_the_forms(text):
    with pytest.raises(InputError, match=r"5jan|30m, 2h"):
        at(text)


def test_without_a_set_clock_only_a_whole_date_says_anything():
    assert at("2027-01-05", clock_set=False) == at("2027-01-05")
    assert at("today", clock_set=False) is None
    for text in ("yesterday", "5jan", "14:20", "3d ago"):
        with pytest.raises(InputError, match="with its year"):
            at(text, clock_set=False)


@given(st.text(max_size=30))
def test_any_text_is_a_day_or_is_refused(text):
    try:
        at(text)
    except InputError as refused:
        shown = str(refused)
    else:
        shown = ""
    assert shown.isprintable()


@given(st.dates(date(2000, 1, 1), date(2027, 1, 16)))
def test_a_day_of_the_last_year_needs_no_year(day):
    said = f"{day.day} {day:%b}"
    if (day.month, day.day) == (2, 29):
        with pytest.raises(InputError, match="no day"):  # neither 2026 nor 2027 had one
            at(said)
        return
    when = at(said)
    assert when is not None
    found = datetime.fromtimestamp(when.at_ms / 1000, UTC).date()
    assert (found.day, found.month) == (day.day, day.month)
    assert 0 <= (NOW.date() - found).days < 366


def test_the_last_leap_day_is_found_in_the_year_after():
    new_year_ms = moment(2029, 1, 20)
    when = parse_when("29feb", new_year_ms, UTC, clock_set=True)
    assert when == When(moment(2028, 2, 29, 12), HALF_A_DAY_MS)


# -- what is said

BOX: dict[str, Any] = {
    "box": "north-bench",
    "in_use": True,
    "changed": True,
    "new_lead": True,
    "setpoint_c": 20.0,
    "before_c": 25.0,
    "at_once_c": None,
    "per_day_k": 1.5,
    "ceiling_c": 28.0,
    "lead": "MUL-1",
    "why": "MUL-1 (mulberry, rooting) leads and wants 18 to 20",
}
STILL: dict[str, Any] = {"before_c": 20.0, "per_day_k": None}
ANSWER: dict[str, Any] = {
    "ok": True,
    "what": "stage",
    "kept": True,
    "number": 12,
    "batch": "MUL-1",
    "chamber": None,
    "said": "stage: rooting",
    "note": "",
    "at_ms": NOW_MS,
    "corrects": None,
    "was": None,
    "stands": {"stage": "rooting", "place": "north-bench"},
    "boxes": [BOX],
    "conflicts": [],
    "notes": [],
    "next": [],
}


def say(answer: dict[str, Any], *, running: bool = True, clock_set: bool = True) -> str:
    return told(answer, running=running, clock_set=clock_set, now_ms=NOW_MS, zone=UTC)


def test_says_what_is_kept_and_what_the_box_does():
    assert say(ANSWER) == (
        "Kept (no. 12): MUL-1 stage: rooting.\n"
        "north-bench: from 25 to 20 °C by 1.5 K a day, wet layer 28 at most. "
        "MUL-1 (mulberry, rooting) leads and wants 18 to 20."
    )


@pytest.mark.parametrize(
    ("more", "part"),
    [
        ({"at_once_c": 22.0}, "from 25 to 22 at once, then to 20 °C by 1.5 K a day"),
        ({"at_once_c": 20.0, "per_day_k": None}, "from 25 to 20 °C at once"),
        ({"before_c": 17.0, "per_day_k": None}, "from 17 to 20 °C, wet layer 28"),
        ({**STILL, "new_lead": False}, "stays at 20 °C for MUL-1, wet layer 28 at most."),
        (
            {**STILL, "new_lead": False, "changed": False, "lead": None},
            "north-bench stays at 20 °C as the config says.",
        ),
        ({"in_use": False}, "north-bench is not in use: no heat."),
        (
            {"changed": False, "new_lead": False, "before_c": 23.5},
            "north-bench goes on down from 23.5 to 20 °C by 1.5 K a day for MUL-1.",
        ),
    ],
)
def test_says_how_the_box_gets_there(more, part):
    assert part in say({**ANSWER, "boxes": [{**BOX, **more}]})


def test_says_the_day_where_it_is_another_one():
    early = say({**ANSWER, "at_ms": NOW_MS - 2 * DAY_MS, "note": "at last", "boxes": []})
    assert early == "Kept (no. 12): MUL-1 stage: rooting; 14 Jan; at last."


def test_says_what_is_next_with_its_command():
    steps = [
        {"text": "8 of 10 callused: go on", "do": "batch stage MUL-1 rooting"},
        {"text": "due again", "at_ms": NOW_MS + 4 * DAY_MS, "do": None},
    ]
    text = say(
        {**ANSWER, "boxes": [], "conflicts": ["GRP-2: move it"], "notes": ["sure?"], "next": steps}
    )
    assert text.splitlines()[1:] == [
        "! GRP-2: move it.",
        "! sure?",
        "Next: 8 of 10 callused: go on:",
        "  bottomheat batch stage MUL-1 rooting",
        "Next: due again 20 Jan.",
    ]


def test_says_what_was_put_right_and_what_was_not():
    right = {**ANSWER, "boxes": [], "corrects": 7, "was": "stage: hardening-off"}
    assert say(right) == "Kept (no. 12, instead of no. 7): MUL-1 stage: rooting."
    assert say({**right, "kept": False}) == "Nothing new: no. 7 says so already."
    gone = {**right, "what": "withdraw"}
    assert say(gone) == "No. 7 is withdrawn and stays in the list: MUL-1 stage: hardening-off."
    same = {**ANSWER, "kept": False, "boxes": []}
    assert say(same) == "Nothing new: MUL-1 is rooting already."
    assert "stands there already (north-bench)" in say({**same, "what": "move"})


def test_says_that_the_date_is_to_come_and_that_nothing_runs():
    text = say({**ANSWER, "boxes": [], "at_ms": None}, running=False, clock_set=False)
    assert text.splitlines() == ["Kept (no. 12): MUL-1 stage: rooting.", CLOCK_NOT_SET, NOT_RUNNING]


def test_a_narrow_screen_gets_whole_words(monkeypatch, capsys):
    long = (
        "Kept (no. 1): MUL-1 added: 40 mulberry cuttings, in north-bench.\n  bottomheat batch list"
    )
    assert on_screen(long) == long, "what is redirected is left as it is"
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "30")
    lines = on_screen(long).splitlines()
    assert max(map(len, lines)) <= 30
    assert " ".join(" ".join(lines).split()) == " ".join(long.split())


# -- the list

_SPECIES = ("mulberry", "grapevine", "apple-rootstock")


@st.composite
def ledgers(draw: st.DrawFn) -> list[Dated]:
    """Entries as a season may have them, with corrections of some."""
    entries: list[SeasonEntry] = []
    for no in range(draw(st.integers(0, 3))):
        name = f"BATCH-OF-THE-YEAR-{no}"
        data = {"species": draw(st.sampled_from(_SPECIES)), "kind": "grafts", "count": 120}
        made = NOW_MS - draw(st.integers(5, 90)) * DAY_MS
        note = draw(st.sampled_from(["", "word " * 40]))
        entries.append(SeasonEntry(What.ADD, name, "north-bench", data, note, made))
        counts = {"sampled": 100, "callused": 80, "rooted": 55, "buds": 100, "mould": 10}
        entries.append(SeasonEntry(What.LOOK, name, data=counts, note=note, about_ms=made + DAY_MS))
        if draw(st.booleans()):
            ends = {"callused": 100, "rooted": 90, "potted": 80, "alive": 70}
            entries.append(SeasonEntry(What.CLOSE, name, data=ends, about_ms=NOW_MS))
        for number in draw(st.lists(st.integers(1, len(entries)), max_size=3)):
            old = entries[number - 1]
            if old.what in (What.LOOK, What.CLOSE):
                what = draw(st.sampled_from([old.what, What.WITHDRAW]))
                data = old.data if what is old.what else {}
                entries.append(SeasonEntry(what, old.batch, data=data, corrects=number))
    return [Dated(no, NOW_MS, draw(st.booleans()), each) for no, each in enumerate(entries, 1)]


@pytest.fixture(scope="module")
def config_of_two(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return load_config(Shed(tmp_path_factory.mktemp("shed")).config)


@given(entries=ledgers(), whole=st.booleans(), clock_set=st.booleans())
def test_lists_fit_a_narrow_screen_and_lose_no_entry(config_of_two, entries, whole, clock_set):
    season = fold(entries)
    text = listed(season, NOW_MS, whole=whole, clock_set=clock_set, zone=UTC)
    assert max(map(len, text.splitlines())) <= WIDTH
    for batch in season.batches.values():
        assert (batch.name in text) is (batch.open or whole)
        one = shown(config_of_two, batch, entries, NOW_MS, clock_set=clock_set, zone=UTC)
        assert max(map(len, one.splitlines())) <= WIDTH
        numbers = [line.split()[0] for line in one.splitlines()]
        for dated in entries:
            if dated.entry.batch == batch.name:
                assert str(dated.number) in numbers
        mended = {each.entry.corrects for each in entries if each.entry.batch == batch.name}
        assert " ".join(one.split()).count(" by ") >= len(mended - {None})


# -- the command line


def test_every_step_is_there_and_has_an_example_or_is_plain():
    for name in STEPS:
        done = CliRunner().invoke(batch_command, [name, "--help"])
        assert done.exit_code == 0, done.output
        assert max(map(len, done.output.splitlines())) <= WIDTH
    assert isinstance(group, Commands)


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


Run = Callable[..., tuple[int, str, str]]


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


def entries_of(shed: Shed) -> list[Dated]:
    with LogReader(shed.folder / "state" / "log.sqlite") as log:
        return log.season_entries()


def test_a_batch_from_first_to_last_without_a_service(shed: Shed, run: Run) -> None:
    def good(*words: str) -> str:
        code, out, err = run("batch", *words)
        assert code == 0, err
        return out

    assert "No batch yet" in good("list")
    out = good("add", "MUL-1", "mul", "40", "--in", "north", "--made", "20d ago")
    assert out.startswith("Kept (no. 1): MUL-1 added: 40 mulberry cuttings, in north-bench")
    assert "north-bench stays" not in out
    assert "Next: callusing takes 21 to 40 days [weak], day 20 now" in out
    assert NOT_RUNNING in out
    assert CLOCK_NOT_SET not in out
    out = good("look", "mul1", "--sampled", "10", "--callused", "8", "--mould", "0")
    assert "Kept (no. 2): MUL-1 look: 8 of 10 callused, none with mould." in out
    assert "  bottomheat batch stage MUL-1 rooting" in out
    out = good("stage", "mul", "root", "--note", "at last")
    assert "from 22 to 20 °C by 1.5 K a day" in out
    out = good("correct", "2", "--callused", "7")
    assert "instead of no. 2" in out
    out = good("move", "MUL-1", "--to", "south-bench")
    assert "south-bench: from 17 to 18 °C" in out
    out = good("withdraw", "5", "--note", "stays where it is")
    assert out.startswith("No. 5 is withdrawn and stays in the list: MUL-1 moved to south-bench.")
    out = good("change", "mul", "--target", "19,5", "--at-latest", "18")
    assert "changed: target 19.5 °C, at latest lower-to 18" in out
    assert "north-bench: from 20 to 19.5 °C by 1.5 K a day" in out
    out = good("close", "mul", "--rooted", "31", "--potted", "30")
    assert "MUL-1 closed: 31 rooted, 30 potted" in out
    assert "as the config says" in out
    good("count", "mul", "--alive", "27", "--on", "today")
    assert "1 closed" in good("list")
    assert "31 rooted, 30 potted, 27 alive" in good("list", "--all")
    out = good("show", "mul")
    assert "[corrected by 4]" in out
    assert "[withdrawn by 6]" in out
    assert "(instead of 2)" in out
    data = json.loads(good("show", "mul", "--json"))
    assert [entry["number"] for entry in data["entries"]] == list(range(1, 10))
    assert [entry["holds"] for entry in data["entries"]] == [
        *(True, False, True, True, False),
        *(False, True, True, True),
    ]
    assert data["endings"] == {"rooted": 31, "potted": 30, "alive": 27}
    assert json.loads(good("list", "--json"))["batches"] == []
    (batch,) = json.loads(good("list", "--all", "--json"))["batches"]
    assert (batch["name"], batch["place"], batch["open"]) == ("MUL-1", "north-bench", False)
    kept = entries_of(shed)
    assert [dated.number for dated in kept] == list(range(1, 10))
    assert all(dated.entry.origin == "command" for dated in kept)
    assert fold(kept).problems == ()
    with LogReader(shed.folder / "state" / "log.sqlite") as log:
        texts = [row.event.text for row in log.events(kind=EventKind.SEASON)]
    assert len(texts) == 9
    assert texts[2] == "MUL-1: stage: rooting; note: at last"


def test_another_log_is_looked_at_without_a_shed(shed: Shed, run: Run) -> None:
    assert run("batch", "add", "MUL-1", "mulberry", "40", "--in", "north")[0] == 0
    log = shed.folder / "state" / "log.sqlite"
    other = shed.folder / "from-afar.sqlite"
    other.write_bytes(log.read_bytes())
    log.unlink()
    assert "No batch yet" in run("batch", "list")[1]
    code, out, err = run("batch", "list", "--log", str(other))
    assert code == 0, err
    assert "MUL-1" in out
    assert "   1  " in run("batch", "show", "mul", "--log", str(other))[1]
    assert run("batch", "list", "--log", str(shed.folder / "none.sqlite"))[0] == 5


def test_options_may_stand_for_arguments(shed: Shed, run: Run) -> None:
    code, out, err = run(
        *("batch", "add", "GRP-2", "--species", "grapevine", "--count", "60"),
        *("--chamber", "north-bench", "--kind", "grafts", "--height", "90", "--zone", "base"),
    )
    assert code == 0, err
    assert "60 grapevine bench grafts, in north-bench, base warm, 90 mm up" in out
    assert run("batch", "stage", "grp", "--to", "rooting")[0] == 0
    out = run("batch", "look", "grp", "--callused", "8/10", "--rooted", "3", "--mould", "0/10")[1]
    assert "GRP-2 look: 8 of 10 callused, 3 with root tips, none with mould." in out
    out = run("batch", "look", "grp", "7/10", "--rooted", "3", "--sampled", "10")[1]
    assert "GRP-2 look: 7 of 10 callused, 3 with root tips." in out
    assert run("batch", "move", "grp", "unheated")[0] == 0
    assert "stands there already" in run("batch", "move", "grp", "unheated", "--to", "unheated")[1]
    batch = fold(entries_of(shed)).batches["GRP-2"]
    assert (batch.stage, batch.place, batch.height_mm) == ("rooting", "unheated", 90.0)


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("add", "GRP-2"), "say what it is and how many"),
        (("add", "GRP-2", "grapevine", "60"), "say which place"),
        (("add", "GRP-2", "grapevine", "60", "--in", "attic"), "there is no place 'attic'"),
        (("add", "GRP-2", "grapevine", "60", "--count", "50"), "how many is said twice"),
        (("add", "mul1", "mulberry", "4", "--in", "north"), "MUL-1 is there already"),
        (("look", "MUL-2"), "there is no batch 'MUL-2': there is MUL-1."),
        (("look", "mul", "--sampled", "10", "--callused", "11"), "11 callused of 10 cannot be."),
        (("look", "mul", "--on", "whenever"), "is no day and no time"),
        (("look", "mul", "--callused", "8/10", "--rooted", "3/9"), "say one number"),
        (("look", "mul", "--callused", "8/10", "--sampled", "9"), "say one number"),
        (("look", "mul", "--callused", "8/-1"), "whole number"),
        (("look", "mul", "8"), "as 8/10"),
        (("look", "mul", "most"), "as 8/10"),
        (("look", "mul", "8/10", "--callused", "7"), "said twice"),
        (("look", "mul", "8/10", "--rooted", "3/9"), "say one number"),
        (("look", "mul", "--on", "2026-01-01"), "before MUL-1 was there"),
        (("look", "mul", "--on", "2099-01-01"), "still to come"),
        (("stage", "mul"), "say which stage"),
        (("stage", "mul", "root", "--to", "hard"), "the stage is said twice"),
        (("move", "mul"), "say which place"),
        (("correct", "1"), "say what is to be different"),
        (("withdraw", "99"), "there is no entry 99"),
        (("show", "grp"), "there is no batch 'grp'"),
    ],
)
def test_mistakes_end_in_one_sentence_and_leave_no_entry(
    shed: Shed, run: Run, words: tuple[str, ...], part: str
) -> None:
    assert run("batch", "add", "MUL-1", "mulberry", "40", "--in", "north")[0] == 0
    code, out, err = run("batch", *words)
    assert (code, out) == (InputError.exit_code, "")
    assert part in err
    assert len(err.splitlines()) == 1
    assert len(entries_of(shed)) == 1


def test_with_a_clock_that_is_not_set_it_is_kept_and_said(shed: Shed) -> None:
    if clocks.SystemClock().synchronised():
        pytest.skip("the clock of this machine is set")
    done = shed.run("batch", "add", "MUL-1", "mulberry", "40", "--in", "north")
    assert done.returncode == 0, done.stderr
    assert CLOCK_NOT_SET in done.stdout
    done = shed.run("batch", "look", "mul", "--on", "yesterday")
    assert "with its year" in done.stderr
    (entry,) = entries_of(shed)
    assert (entry.sure, entry.entry.about_ms) == (False, None)


def test_what_the_file_says_of_batches_is_there_for_commands(shed: Shed, run: Run) -> None:
    shed.config.write_text(
        shed.text
        + "batches:\n"
        + "  BLC-1: {species: blackcurrant, count: 50, made: 2026-01-05, chamber: south-bench}\n"
    )
    code, out, err = run("batch", "look", "blc", "--mould", "0")
    assert code == 0, err
    assert "BLC-1 look: none with mould." in out
    entries = entries_of(shed)
    assert [dated.entry.origin for dated in entries].count("config") == len(entries) - 1
    assert fold(entries).problems == ()
    assert len(fold(entries).batches["BLC-1"].looks) == 1
    assert "taken from the config" not in run("batch", "show", "blc")[1]


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    made.state.mkdir(parents=True)
    yield made
    made.end()


def test_a_service_that_holds_its_lock_and_does_not_answer_is_named_as_that(
    service: Service,
) -> None:
    lock = lock_state(service.state)
    try:
        done = service.command("batch", "add", "MUL-1", "mulberry", "40")
    finally:
        lock.close()
    assert done.returncode == 6
    assert "does not answer" in done.stderr


def test_a_log_that_cannot_be_used_is_said(service: Service) -> None:
    (service.state / "log.sqlite").mkdir()
    done = service.command("batch", "add", "MUL-1", "mulberry", "40")
    assert done.returncode == 5
    assert "log.sqlite" in done.stderr
    assert done.stdout == ""


@pytest.mark.process
def test_a_running_service_takes_it_and_changes_its_setpoint(service: Service) -> None:
    service.prove()
    service.start()
    service.wait(lambda: bool(service.ask("status")["ok"]))
    done = service.command("batch", "add", "MUL-1", "mulberry", "40", "--stage", "rooting")
    assert done.returncode == 0, done.stderr
    assert "north-bench: from 25 to 20 °C" in done.stdout
    assert NOT_RUNNING not in done.stdout
    assert service.command("batch", "look", "mul", "--mould", "0").returncode == 0
    refused = service.command("batch", "look", "mul", "--mould", "99")
    assert (refused.returncode, refused.stdout) == (10, "")

    def kept() -> list[Dated]:
        with LogReader(service.state / "log.sqlite") as log:
            return log.season_entries()

    service.wait(lambda: len(kept()) == 2)
    assert "MUL-1" in service.command("batch", "list").stdout
    service.wait(lambda: service.chamber()["season"]["lead"] == "MUL-1")
    assert service.stop() == 0
    # Numbers go on where the service left off.
    done = service.command("batch", "withdraw", "2")
    assert "No. 2 is withdrawn" in done.stdout
    assert [dated.number for dated in kept()] == [1, 2, 3]
