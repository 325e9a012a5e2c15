"""Batches of the config file become entries of the ledger, once, and only for what is new."""

from datetime import UTC, date, datetime, timedelta, timezone

from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.config import Config, WrittenBatch
from bottomheat.season.from_config import entries, known_name
from bottomheat.season.ledger import Dated, Season, SeasonEntry, Stage, What, fold

HERE = timezone(timedelta(hours=1))
DAY_MS = 86_400_000
WRITTEN = {
    "species": "mulberry",
    "count": 40,
    "made": "2027-01-05",
    "chamber": "north-bench",
}


def ms(text: str) -> int:
    """UTC ms of a local time."""
    return round(datetime.fromisoformat(text).replace(tzinfo=HERE).timestamp() * 1000)


def config(**batches: dict[str, object]) -> Config:
    """A config with nothing but batches; the boxes are of no interest here."""
    written = {
        name.replace("_", "-"): WrittenBatch.model_validate(each, by_alias=True, by_name=False)
        for name, each in batches.items()
    }
    return Config.model_construct(batches=written)


class Book:
    """A ledger that grows."""

    def __init__(self, now: str = "2027-02-01 08:00") -> None:
        self.kept: list[Dated] = []
        self.now_ms = ms(now)

    def enter(self, *new: SeasonEntry, sure: bool = True) -> None:
        for entry in new:
            self.kept.append(Dated(len(self.kept) + 1, self.now_ms, sure, entry))

    def read(self, file: Config, *, sure: bool = True) -> tuple[SeasonEntry, ...]:
        new = entries(file, self.season, self.now_ms if sure else None, HERE)
        self.enter(*new, sure=sure)
        self.now_ms += 60_000
        return new

    @property
    def season(self) -> Season:
        return fold(self.kept)


def whats(new: tuple[SeasonEntry, ...]) -> list[str]:
    return [entry.what.value for entry in new]


def test_new_batch_is_added_at_noon_of_its_day_and_in_its_stage() -> None:
    book = Book()
    file = config(
        MUL_1={**WRITTEN, "stage": "rooting", "since": "2027-01-20", "height": 30, "note": "old"}
    )
    assert whats(book.read(file)) == ["add", "stage", "written"]
    batch = book.season.batches["MUL-1"]
    assert (batch.species, batch.count, batch.kind.value) == ("mulberry", 40, "cuttings")
    assert (batch.height_mm, batch.target_c, batch.note) == (30.0, None, "old")
    assert batch.made_ms == ms("2027-01-05 12:00")
    assert batch.place == "north-bench"
    assert batch.stays[0].from_ms == batch.made_ms
    assert [(spell.stage.value, spell.from_ms) for spell in batch.stages] == [
        ("callusing", ms("2027-01-05 12:00")),
        ("rooting", ms("2027-01-20 12:00")),
    ]
    assert {entry.entry.origin for entry in book.kept} == {"config"}
    assert book.season.problems == ()


def test_unchanged_line_undoes_no_later_command() -> None:
    book = Book()
    file = config(MUL_1=WRITTEN)
    book.read(file)
    book.enter(SeasonEntry(What.MOVE, "MUL-1", "south-bench"))
    book.enter(SeasonEntry(What.STAGE, "MUL-1", data={"stage": "rooting"}))
    assert book.read(file) == ()
    # A change of another key leaves box and stage to the commands.
    assert whats(book.read(config(MUL_1={**WRITTEN, "count": 38}))) == ["change", "written"]
    batch = book.season.batches["MUL-1"]
    assert (batch.count, batch.place, batch.stage) == (38, "south-bench", Stage.ROOTING)


def test_changed_box_moves_and_changed_stage_brings_on() -> None:
    book = Book()
    book.read(config(MUL_1=WRITTEN))
    moved = {**WRITTEN, "chamber": "unheated", "stage": "hardening-off", "since": "2027-01-30"}
    assert whats(book.read(config(MUL_1=moved))) == ["move", "stage", "written"]
    batch = book.season.batches["MUL-1"]
    assert batch.place == "unheated"
    assert batch.stages[-1].stage is Stage.HARDENING
    assert batch.stages[-1].from_ms == ms("2027-01-30 12:00")


def test_day_of_the_stage_before_is_not_taken_for_that_of_the_new_one() -> None:
    book = Book()
    rooting = {**WRITTEN, "stage": "rooting", "since": "2027-01-20"}
    book.read(config(MUL_1=rooting))
    changed_ms = book.now_ms
    book.read(config(MUL_1={**rooting, "stage": "hardening-off"}))
    assert book.season.batches["MUL-1"].stages[-1].from_ms == changed_ms


def test_stage_never_begins_before_the_one_it_follows() -> None:
    book = Book()
    book.read(config(MUL_1={**WRITTEN, "stage": "rooting", "since": "2027-01-20"}))
    back = {**WRITTEN, "stage": "hardening-off", "since": "2027-01-10"}
    book.read(config(MUL_1=back))
    batch = book.season.batches["MUL-1"]
    assert batch.stage is Stage.HARDENING
    assert batch.stages[-1].from_ms == ms("2027-01-20 12:00")


def test_target_taken_out_of_the_file_is_by_species_again() -> None:
    book = Book()
    book.read(config(MUL_1={**WRITTEN, "target": 20}))
    assert book.season.batches["MUL-1"].target_c == 20.0
    book.read(config(MUL_1=WRITTEN))
    assert book.season.batches["MUL-1"].target_c is None


def test_batch_taken_out_of_the_file_stays() -> None:
    book = Book()
    book.read(config(MUL_1=WRITTEN))
    assert book.read(config()) == ()
    assert book.season.batches["MUL-1"].open


def test_batch_of_a_command_is_changed_to_what_the_file_says_and_no_more() -> None:
    book = Book()
    data = {"species": "mulberry", "kind": "cuttings", "count": 35, "target_c": 21.0}
    data |= {"made_ms": ms("2027-01-05 17:30"), "stage": "rooting"}
    book.enter(SeasonEntry(What.ADD, "mul-1", "south-bench", data))
    assert whats(book.read(config(MUL_1=WRITTEN))) == ["change", "move", "written"]
    batch = book.season.batches["mul-1"]
    assert list(book.season.batches) == ["mul-1"]
    # Target and stage are not in the file, and the day is the same.
    assert (batch.count, batch.target_c, batch.stage) == (40, 21.0, Stage.ROOTING)
    assert batch.made_ms == ms("2027-01-05 17:30")
    assert batch.place == "north-bench"
    assert book.read(config(MUL_1=WRITTEN)) == ()


def test_closed_batch_is_not_moved_and_a_used_name_enters_nothing() -> None:
    book = Book()
    book.read(config(MUL_1=WRITTEN))
    book.enter(SeasonEntry(What.CLOSE, "MUL-1", data={"rooted": 20}))
    assert book.read(config(MUL_1=WRITTEN)) == ()
    moved = {**WRITTEN, "chamber": "south-bench", "stage": "rooting", "count": 39}
    assert whats(book.read(config(MUL_1=moved))) == ["change", "written"]
    batch = book.season.batches["MUL-1"]
    assert (batch.count, batch.open, batch.place) == (39, False, "north-bench")
    next_year = {**WRITTEN, "made": "2028-01-06", "count": 50}
    assert book.read(config(MUL_1=next_year)) == ()
    assert book.season.batches["MUL-1"].count == 39
    assert book.season.problems == ()


def test_withdrawn_batch_comes_back_only_when_its_lines_change() -> None:
    book = Book()
    book.read(config(MUL_1=WRITTEN))
    book.enter(SeasonEntry(What.WITHDRAW, "MUL-1", corrects=1))
    assert book.read(config(MUL_1=WRITTEN)) == ()
    assert book.season.batches == {}
    book.read(config(MUL_1={**WRITTEN, "count": 41}))
    assert book.season.batches["MUL-1"].count == 41


def test_batch_of_this_morning_was_made_now_and_not_at_noon() -> None:
    book = Book("2027-01-05 08:00")
    book.read(config(MUL_1=WRITTEN))
    batch = book.season.batches["MUL-1"]
    assert batch.made_ms == batch.stays[0].from_ms == ms("2027-01-05 08:00")


def test_days_to_come_do_not_hide_a_batch() -> None:
    book = Book("2027-01-03 08:00")
    book.read(config(MUL_1={**WRITTEN, "stage": "rooting", "since": "2027-01-20"}))
    batch = fold(book.kept, until_ms=book.now_ms).batches["MUL-1"]
    assert batch.stage is Stage.ROOTING
    assert batch.made_ms == ms("2027-01-05 12:00")


def test_without_a_sure_clock_the_days_of_the_file_stand() -> None:
    book = Book("1970-01-01 02:00")
    book.read(config(MUL_1={**WRITTEN, "stage": "rooting", "since": "2027-01-20"}), sure=False)
    batch = book.season.batches["MUL-1"]
    assert batch.stages[-1].from_ms == ms("2027-01-20 12:00")


def test_a_day_entered_before_the_clock_was_set_does_not_outlast_it() -> None:
    """The file says today; noon of today is still to come once the clock is known."""
    book = Book("2027-01-05 08:00")
    away = {**WRITTEN, "made": "2027-01-05", "chamber": "unheated"}
    new = entries(config(MUL_1=away), book.season, None, HERE)
    book.enter(*new)  # placed by the log once the clock was set
    book.now_ms = ms("2027-01-05 09:00")
    book.read(config(MUL_1={**away, "chamber": "north-bench"}))
    assert book.season.problems == ()
    assert book.season.batches["MUL-1"].place == "north-bench"


def test_clock_that_once_ran_ahead_does_not_bring_old_lines_back() -> None:
    book = Book("2099-01-01 00:00")
    book.read(config(MUL_1=WRITTEN), sure=False)
    book.now_ms = ms("2027-02-01 08:00")
    changed = config(MUL_1={**WRITTEN, "count": 38})
    assert whats(book.read(changed)) == ["change", "written"]
    assert book.read(changed) == ()


def test_a_day_is_that_of_the_place_across_summer_time() -> None:
    # Noon is far from midnight in any zone: the local day of the entry is the day of the file.
    for hours in (-11, -3, 0, 5, 13):
        zone = timezone(timedelta(hours=hours))
        new = entries(config(MUL_1=WRITTEN), Season(), None, zone)
        at = datetime.fromtimestamp(new[0].data["made_ms"] / 1000, UTC).astimezone(zone)
        assert (at.date(), at.hour) == (date(2027, 1, 5), 12)


def test_name_is_the_ledgers_own_spelling() -> None:
    season = Season(written={"mul-1": {}, "MUL-2": {}})
    assert known_name("MUL-1", season) == "mul-1"
    assert known_name("mul-2", season) == "MUL-2"
    assert known_name("Mul2", season) == "MUL-2"
    assert known_name("GRP-1", season) == "GRP-1"


def test_of_grafts_the_union_is_meant_where_the_file_does_not_say() -> None:
    made = {"species": "grapevine", "count": 60, "made": "2027-01-05", "chamber": "unheated"}
    for kind, zone, said in (
        ("grafts", None, "union"),
        ("cuttings", None, "base"),
        ("grafts", "base", "base"),
    ):
        line = {**made, "kind": kind, **({} if zone is None else {"zone": zone})}
        new = entries(config(A=line), Season(), None, HERE)
        (entry,) = (each for each in new if each.what is What.ADD)
        assert entry.data["zone"] == said


days = st.dates(date(2026, 12, 1), date(2027, 3, 31)).map(date.isoformat)
lines = st.fixed_dictionaries(
    {
        "species": st.sampled_from(["mulberry", "grapevine"]),
        "count": st.integers(1, 60),
        "made": days,
        "chamber": st.sampled_from(["north-bench", "south-bench", "unheated"]),
    },
    optional={
        "kind": st.sampled_from(["cuttings", "grafts"]),
        "zone": st.sampled_from(["base", "union"]),
        "height": st.sampled_from([10, 30.5]),
        "stage": st.sampled_from([stage.value for stage in Stage]),
        "since": days,
        "target": st.sampled_from([18, 24.5]),
        "at_latest": st.sampled_from(["keep", "lower-to 18"]),
        "note": st.sampled_from(["", "from the old tree"]),
    },
)


@settings(deadline=None, max_examples=60)
@given(st.lists(lines, min_size=1, max_size=4), st.booleans())
def test_ledger_follows_a_file_that_is_edited_and_entering_it_twice_changes_nothing(
    files: list[dict[str, object]], sure: bool
) -> None:
    book = Book("2027-04-01 08:00")
    for each in files:
        file = config(MUL_1=each)
        book.read(file, sure=sure)
        assert book.read(file, sure=sure) == ()
        written, batch = file.batches["MUL-1"], book.season.batches["MUL-1"]
        assert book.season.problems == ()
        assert (batch.species, batch.kind, batch.count) == (
            written.species,
            written.kind,
            written.count,
        )
        assert (batch.zone, batch.height_mm, batch.target_c) == (
            written.part,
            written.height_mm,
            written.target_c,
        )
        assert (batch.at_latest, batch.place) == (written.at_latest, written.chamber)
        assert datetime.fromtimestamp(batch.made_ms / 1000, HERE).date() == written.made
        assert batch.stage == written.stage
        for earlier, later in zip(batch.stages, batch.stages[1:], strict=False):
            assert earlier.to_ms == later.from_ms >= earlier.from_ms
