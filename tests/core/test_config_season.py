"""What a config says of plants: the season, species of the grower's own, batches by hand."""

import copy
import math
import re
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config import Config, Parsed, Problem, SeasonSection
from bottomheat.config_parse import known_keys, parse, schema
from bottomheat.config_wiring import fingerprint, fingerprint_of_data
from bottomheat.season.ledger import Kind, Stage, Zone
from bottomheat.season.reminders import REMINDERS
from bottomheat_drivers.config_yaml import check_text

BATCH: dict[str, object] = {
    "species": "mulberry",
    "kind": "cuttings",
    "count": 40,
    "made": "2027-01-05",
    "chamber": "north-bench",
    "zone": "base",
    "height": 30,
    "stage": "rooting",
    "since": "2027-01-20",
    "target": 20,
    "at_latest": "lower-to 18",
    "note": "from the old tree",
}


def box(gpio: int, probes: int) -> dict[str, object]:
    """A box that nothing is said of in a mild shed."""
    names = {
        place: f"28-0000000000{probes + n}" for n, place in enumerate(("substrate", "room", "mat"))
    }
    return {
        "callus_zone": 25,
        "heater": {"gpio": gpio, "watts": 45},
        "probes": names,
        "offset": {"method": "temperature-factor", "factor": 0.75},
        "limits": {"mat": 70},
    }


def outline() -> dict[str, object]:
    """Two boxes in a shed that is never cold."""
    return {
        "coldest_room": 18,
        "chambers": {"north-bench": box(17, 10), "south-bench": box(27, 20)},
    }


def put(data: dict[str, object], dotted: str, value: object) -> dict[str, object]:
    """Set a key by its path; ``...`` takes it out."""
    *parents, last = dotted.split(".")
    here = data
    for part in parents:
        here = here.setdefault(part, {})
    if value is ...:
        del here[last]
    else:
        here[last] = value
    return data


def edited(**changes: object) -> Parsed:
    """Parse the outline with keys changed (``__`` for a dot, ``_1`` stays)."""
    data = outline()
    for dotted, value in changes.items():
        put(data, dotted.replace("__", "."), value)
    return parse(data)


def with_batch(**changes: object) -> Parsed:
    """Parse the outline with the batch M1, some of its keys changed."""
    data = put(outline(), "batches.M1", copy.deepcopy(BATCH))
    for key, value in changes.items():
        put(data, f"batches.M1.{key}", value)
    return parse(data)


def only(found: tuple[Problem, ...]) -> Problem:
    assert len(found) == 1, [problem.text() for problem in found]
    return found[0]


def good(parsed: Parsed) -> Config:
    assert parsed.config is not None, [problem.text() for problem in parsed.problems]
    assert parsed.warnings == (), [warning.text() for warning in parsed.warnings]
    return parsed.config


def test_without_a_word_of_plants_the_usual_figures_hold() -> None:
    config = good(parse(outline()))
    assert config.season == SeasonSection()
    assert config.season.light_after_days == 14
    assert config.season.warn_top_above_c == 12
    assert config.season.room_low_c is None
    assert config.season.at_latest == "keep"
    assert config.batches == {}
    north = config.chambers["north-bench"]
    assert (north.in_use, north.setpoint_by, north.lead, north.zone) == (
        True,
        "batches",
        None,
        None,
    )


def test_batch_is_read_with_its_days() -> None:
    batch = good(with_batch()).batches["M1"]
    assert (batch.made, batch.since) == (date(2027, 1, 5), date(2027, 1, 20))
    assert (batch.height_mm, batch.target_c, batch.at_latest) == (30.0, 20.0, "lower-to 18")


def test_a_file_gives_days_with_and_without_quotes() -> None:
    text = """
chambers:
  north-bench:
    callus_zone: 25
    heater: {gpio: 17, watts: 45}
    probes: {substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}
    offset: {method: temperature-factor, factor: 0.75}
batches:
  M-1: {species: mulberry, count: 40, made: 2027-01-05, chamber: north-bench}
  M-2: {species: mulberry, count: 40, made: "2027-02-29", chamber: unheated}
  M-3: {species: mulberry, count: 40, made: "2027-02-28", chamber: unheated}
"""
    problem = only(check_text(text).parsed.problems)
    assert problem.text() == (
        'line 10: batches.M-2.made: there is no day "2027-02-29"; look it up in a calendar'
    )
    config = check_text(text.replace("02-29", "03-01")).parsed.config
    assert config is not None
    assert [str(b.made) for b in config.batches.values()] == [
        "2027-01-05",
        "2027-03-01",
        "2027-02-28",
    ]


def test_own_numbers_are_read_by_species_and_stage() -> None:
    numbers = {"band": [23, 25], "slow_below": 18, "warm_limit": 27, "injury": 30, "ceiling": 32}
    config = good(
        edited(
            season__species={
                "black-mulberry": {
                    "callusing": {**numbers, "days": [21, 40], "latest": 50},
                    "hardening-off": {"band": [15, 18]},
                }
            }
        )
    )
    mine = config.season.species["black-mulberry"]
    assert mine.callusing is not None
    assert (mine.callusing.band_c, mine.callusing.days) == ((23.0, 25.0), (21, 40))
    assert mine.hardening_off is not None
    assert mine.hardening_off.band_c == (15.0, 18.0)
    assert mine.rooting is None


def test_the_words_of_the_file_are_those_of_the_ledger() -> None:
    parts = schema()["$defs"]["WrittenBatch"]["properties"]
    assert parts["stage"]["enum"] == [stage.value for stage in Stage]
    assert parts["kind"]["enum"] == [kind.value for kind in Kind]
    assert parts["zone"]["anyOf"][0]["enum"] == [zone.value for zone in Zone]
    stages = schema()["$defs"]["OwnSpecies"]["properties"]
    assert list(stages) == [stage.value for stage in Stage]


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("made", "5.1.2027", ["not a day", "year-month-day", "2027-01-05"]),
        ("made", "2027-02-30", ["no day"]),
        ("made", "0027-01-05", ["year 27"]),
        ("made", 2027, ["not a day"]),
        ("made", None, ["nothing is written"]),
        ("made", ..., ["missing", "write made: 2027-01-05"]),
        ("since", "2027-01-04", ["cannot have begun", "2027-01-05"]),
        ("count", 0, ["too low"]),
        ("count", "40", ["number alone: 40"]),
        ("count", ..., ["missing", "write count: 40"]),
        ("kind", "graft", ["write grafts"]),
        ("stage", "root", ["write rooting"]),
        ("stage", "hardening", ["write hardening-off"]),
        ("at_latest", "lower to 18", ["not written as it should be", "lower-to 18"]),
        ("at_latest", "lower-to 64", ["nothing to lower to", "5 to 25"]),
        ("at_latest", 18, ["not text", "lower-to 18"]),
        ("height", "30 mm", ["number alone: 30"]),
        ("height", -3, ["too low", "0 to 500 mm"]),
        ("target", 77, ["looks like °F", "write 25"]),
        ("chamber", "north", ["no box called", "did you mean north-bench"]),
        ("chamber", "attic", ["write one of north-bench, south-bench, unheated"]),
        ("chamber", ..., ["missing", "write chamber: north-bench"]),
        ("chambr", "north-bench", ["did you mean chamber?"]),
        ("species", "Mulberry", ["not written as it should be", "mulberry"]),
    ],
)
def test_each_mistake_in_a_batch_has_one_plain_sentence(
    key: str, value: object, words: list[str]
) -> None:
    problem = only(with_batch(**{key: value}).problems)
    assert problem.where == f"batches.M1.{key}"
    for word in words:
        assert word in problem.message
    assert "\n" not in problem.message


@pytest.mark.parametrize(
    ("changes", "where", "words"),
    [
        ({"batches": []}, "batches", ["name of each batch as a key, such as MUL-1"]),
        ({"batches": None}, "batches", ["nothing is written below"]),
        ({"batches__M1": 40}, "batches.M1", ["write keys with values below it"]),
        ({"batches": {"M 1": BATCH}}, "batches.M 1", ["name of a batch", "write M-1"]),
        ({"batches": {"": BATCH}}, "batches.", ["write MUL-1"]),
        ({"season": 14}, "season", ["write keys with values below it"]),
        ({"season__light_after": "2 weeks"}, "season.light_after", ["such as 14"]),
        ({"season__light_after": "14 days"}, "season.light_after", ["alone: 14"]),
        ({"season__lower_per_day": 5}, "season.lower_per_day", ["1 to 2 K a day"]),
        ({"season__room_low": 36}, "season.room_low", ["looks like °F"]),
        (
            {"season__at_latest": "lower"},
            "season.at_latest",
            ["not written as it should be", "lower-to 18"],
        ),
        ({"season__band": [1, 2]}, "season.band", ["belongs under a stage of a species"]),
        ({"season__reminders": [4]}, "season.reminders", ["write keys with values"]),
        ({"season__reminders__layer": -1}, "season.reminders.layer", ["0 to 366 days"]),
        ({"season__reminders__layer": "4"}, "season.reminders.layer", ["number alone: 4"]),
        ({"season__reminders__layer": None}, "season.reminders.layer", ["of days, such as 4"]),
        ({"season__reminders__layr": 4}, "season.reminders.layr", ["did you mean layer?"]),
        ({"season__reminders__sweep": 4}, "season.reminders.sweep", ["they are layer, mist, "]),
        ({"season__species__Fig": {}}, "season.species.Fig", ["of a species", "write fig"]),
        ({"season__species__fig": None}, "season.species.fig", ["nothing is written below"]),
        (
            {"season__species__fig__hardening_off": {}},
            "season.species.fig.hardening_off",
            ["did you mean hardening-off?"],
        ),
        ({"chambers__unheated": box(22, 40)}, "chambers.unheated", ["cannot be called unheated"]),
    ],
)
def test_each_mistake_elsewhere_has_one_plain_sentence(
    changes: dict[str, object], where: str, words: list[str]
) -> None:
    problem = only(edited(**changes).problems)
    assert problem.where == where
    for word in words:
        assert word in problem.message


@pytest.mark.parametrize(
    ("numbers", "where", "words"),
    [
        ({"band": 25}, "band", "two numbers belong here"),
        ({"band": [23, 24, 25]}, "band", "two numbers belong here"),
        ({"band": [25, 23]}, "band", "smaller number first: [23, 25]"),
        ({"band": [23, "25"]}, "band no. 2", "number alone: 25"),
        ({"band": [None, 25]}, "band no. 1", "a number of °C, such as 23"),
        ({"band": [23, 77]}, "band no. 2", "looks like °F"),
        ({"band": [math.nan, 25]}, "band no. 1", "not an ordinary number"),
        ({"days": [40, 21]}, "days", "smaller number first: [21, 40]"),
        ({"days": [21.0, 40]}, "days no. 1", "write 21 without a point"),
        ({"days": [21, 500]}, "days no. 2", "1 to 400 days"),
        ({"latest": 0}, "latest", "1 to 400 days"),
        ({"bend": [1, 2]}, "bend", "did you mean band?"),
        ({"injury": 100}, "injury", "looks like °F"),
        # What contradicts itself within the grower's own numbers.
        ({"band": [23, 28], "warm_limit": 27}, "", "above the warm limit of 27 °C"),
        ({"band": [12, 15], "slow_below": 14}, "", "below slow_below of 14 °C"),
        ({"warm_limit": 31, "injury": 30}, "", "above the temperature of injury"),
        ({"days": [21, 40], "latest": 30}, "", "before the last usual day"),
    ],
)
def test_each_mistake_in_own_numbers_has_one_plain_sentence(
    numbers: dict[str, object], where: str, words: str
) -> None:
    problem = only(edited(season__species__own={"callusing": numbers}).problems)
    assert problem.where == f"season.species.own.callusing.{where}".rstrip(".")
    assert words in problem.message


def test_nothing_of_the_validators_own_wording_is_shown() -> None:
    wrong: list[object] = [
        None,
        True,
        "x",
        1e9,
        [],
        [1],
        [1, 2],
        [None, {}],
        {},
        math.nan,
        {"a": 1},
    ]
    about_plants = [path for path in known_keys() if path[0] in ("season", "batches")]
    assert len(about_plants) > 40
    for path in about_plants:
        for value in wrong:
            data = put(outline(), ".".join(path).replace("*", "m1"), value)
            for problem in parse(data).problems:
                text = problem.text("f.yaml")
                for word in (
                    "pydantic",
                    "http",
                    "valid ",
                    "Input",
                    "dict",
                    "float",
                    "str ",
                    "tuple",
                ):
                    assert word not in text, text


@pytest.mark.parametrize("other", ["mul-1", "MUL1", "Mul-1"])
def test_names_that_commands_cannot_tell_apart_are_refused(other: str) -> None:
    problem = only(edited(batches={"MUL-1": BATCH, other: BATCH}).problems)
    assert problem.path == ("batches", other)
    assert "capitals and hyphens" in problem.message
    assert good(edited(batches={"MUL-1": BATCH, "MUL-2": BATCH}))


def test_a_batch_cannot_have_the_name_of_a_place() -> None:
    assert "another name" in only(edited(batches={"Unheated": BATCH}).problems).message


@pytest.mark.parametrize(
    ("changes", "key", "words"),
    [
        ({"species": "mulbery"}, "species", ["nothing is known", "its target", "mean mulberry?"]),
        (
            {"species": "quince", "target": ...},
            "species",
            ["callus_zone", "no warm limit", "under season.species"],
        ),
        ({"zone": "union"}, "zone", ["cuttings have no union"]),
        ({"target": 28.5}, "target", ["too near the callus limit of 30", "no warmer than 28 °C"]),
    ],
)
def test_what_is_doubtful_in_a_batch_is_a_warning(
    changes: dict[str, object], key: str, words: list[str]
) -> None:
    parsed = with_batch(**changes)
    assert parsed.problems == ()
    found = [warning for warning in parsed.warnings if "warm limit of" not in warning.message]
    warning = only(tuple(found))
    assert warning.where == f"batches.M1.{key}"
    for word in words:
        assert word in warning.message


def test_target_above_the_warm_limit_of_its_stage_is_a_warning_with_the_source() -> None:
    own = {"mulberry": {"rooting": {"warm_limit": 19, "band": [17, 19]}}}
    data = put(put(outline(), "batches.M1", BATCH), "season.species", own)
    warning = only(parse(data).warnings)
    assert "above the warm limit of 19 °C [your own] for mulberry" in warning.message
    assert only(with_batch(stage="callusing", target=27.5).warnings).where == "batches.M1.target"


def test_own_number_that_meets_the_tables_is_a_warning() -> None:
    parsed = edited(season__species__peach={"callusing": {"band": [20, 24]}})
    assert parsed.problems == ()
    assert any("set warm_limit too" in warning.message for warning in parsed.warnings)


def test_batch_in_a_box_out_of_use_is_a_warning() -> None:
    data = put(put(outline(), "batches.M1", BATCH), "chambers.north-bench.in_use", False)
    assert "gets no heat" in only(parse(data).warnings).message


def test_lead_that_can_lead_nothing_is_a_warning() -> None:
    data = put(put(outline(), "batches.M1", BATCH), "chambers.south-bench.lead", "m1")
    assert "M1 stands in north-bench" in only(parse(data).warnings).message
    put(data, "chambers.south-bench.lead", "G-1")  # added by command, perhaps
    assert parse(data).warnings == ()
    put(data, "chambers.north-bench.lead", "G-1")
    assert "to lead north-bench too" in only(parse(data).warnings).message
    put(put(data, "chambers.north-bench.lead", "M1"), "chambers.south-bench.lead", "M1")
    assert "to lead north-bench too" in only(parse(data).warnings).message
    put(data, "chambers.south-bench.lead", ...)
    put(data, "chambers.north-bench.setpoint_by", "config")
    assert "take one of the two out" in only(parse(data).warnings).message


def test_height_of_nothing_and_a_watch_without_a_probe_are_warnings() -> None:
    data = put(outline(), "chambers.north-bench.zone_height", 30)
    assert "zone: base or zone: union" in only(parse(data).warnings).message
    data = put(outline(), "season.warn_top_above", 10)
    assert "probes.top" in only(parse(data).warnings).message
    put(data, "chambers.south-bench.probes.top", "28-000000000099")
    assert parse(data).warnings == ()
    put(data, "season.room_low", 2)
    assert parse(data).warnings == ()


SAMPLE = (Path(__file__).parents[2] / "config" / "chamber.yaml").read_text(encoding="utf-8")


def uncommented(section: str) -> str:
    """A section that stands in the notes of the sample, as a grower would switch it on."""
    found = re.search(rf"^# {section}:\n(?:#.*\n)+", SAMPLE, re.M)
    assert found is not None
    return re.sub(r"^# ?", "", found[0], flags=re.M)


def test_what_the_sample_shows_in_its_notes_is_right_and_says_the_usual_figures() -> None:
    parsed = check_text(f"{SAMPLE}\n{uncommented('season')}\n{uncommented('batches')}").parsed
    assert parsed.config is not None, [problem.text() for problem in parsed.problems]
    about_plants = [w.text() for w in parsed.warnings if w.path[0] in ("season", "batches")]
    # The sample has no probe at the buds.
    assert len(about_plants) == 1
    assert "probes.top" in about_plants[0]
    season, usual = parsed.config.season, SeasonSection()
    for key in ("light_after_days", "warn_top_above_c", "lower_per_day_k", "at_latest"):
        assert getattr(season, key) == getattr(usual, key)
    assert season.reminders == {reminder.name: reminder.days for reminder in REMINDERS}
    assert parsed.config.batches["MUL-1"].stage == "rooting"


def test_no_key_about_plants_is_wiring() -> None:
    config = good(parse(outline()))
    before = fingerprint(config)
    data = put(outline(), "batches.M1", BATCH)
    put(data, "season", {"lower_per_day": 2})
    for key, value in (
        ("in_use", False),
        ("setpoint_by", "config"),
        ("lead", "M1"),
        ("zone", "base"),
        ("zone_height", 30),
    ):
        put(data, f"chambers.north-bench.{key}", value)
    changed = parse(data).config
    assert changed is not None
    assert fingerprint(changed) == before
    # Not even where it is wrong.
    put(data, "chambers.north-bench.in_use", "no")
    put(data, "batches.M1.made", "soon")
    assert parse(data).config is None
    assert fingerprint_of_data(data) == before


junk = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["species", "callusing", "rooting", "band", "days", "made", "chamber", "reminders"]
            )
            | st.text(max_size=5),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(junk, junk, junk)
def test_whatever_is_written_of_plants_gets_an_answer(
    season: object, batches: object, lead: object
) -> None:
    data = {**outline(), "season": season, "batches": batches}
    put(data, "chambers.north-bench.lead", lead)
    parsed = parse(data)
    assert (parsed.config is None) == bool(parsed.problems)
    for found in (*parsed.problems, *parsed.warnings):
        assert found.message
        assert "\n" not in found.text()
