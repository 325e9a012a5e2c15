"""The air at the buds, and the room of what stands outside the boxes."""

from __future__ import annotations

from bottomheat.config import Config
from bottomheat.model import Alarm, Bad, Condition, Fault, Good, Place, Record
from bottomheat.season import tops
from bottomheat.season.ledger import UNHEATED, Dated, Season, SeasonEntry, Stage, What, fold
from plant import chamber_keys

CYCLE_S = 600.0
BENCH = "bench"
PLACES = (Place.SUBSTRATE, Place.ROOM, Place.MAT, Place.TOP)


def config(**season: float) -> Config:
    box = chamber_keys(probes=PLACES)
    return Config.model_validate({"chambers": {BENCH: box}, "season": season})


def season(*more: SeasonEntry, place: str = BENCH, stage: Stage = Stage.CALLUSING) -> Season:
    data = {"species": "grapevine", "kind": "grafts", "count": 60, "stage": stage.value}
    entries = [SeasonEntry(What.ADD, "GRP-2", place, data), *more]
    return fold(Dated(n, n * 1000, True, entry) for n, entry in enumerate(entries, 1))


def record(at_s: float, top_c: float | None, room_c: float | None = 8.0) -> Record:
    readings = [
        (place, Bad(Fault.CRC, at_s) if value is None else Good(value, at_s))
        for place, value in ((Place.TOP, top_c), (Place.ROOM, room_c))
    ]
    return Record(BENCH, at_s, tuple(readings), None, 25.0, None, 0.0, False, Condition.HOLDING, "")


def told(course: list[float | None], ledger: Season, made: Config) -> list[bool]:
    """Whether the alarm stands after each cycle."""
    warm: dict[str, tops.Warm] = {}
    found = []
    for index, top_c in enumerate(course):
        now_s = index * CYCLE_S
        rows = [record(now_s, top_c)]
        warm = tops.follow(warm, rows, made, ledger)
        found.append((BENCH, Alarm.TOP_WARM) in tops.conditions(warm, rows, made, ledger, now_s))
    return found


DAY = round(86_400 / CYCLE_S)


def test_told_after_a_day_above_twelve_and_not_before() -> None:
    stands = told([12.6] * (DAY + 2), season(), config())
    assert stands.index(True) == DAY


def test_a_cool_night_begins_the_day_anew() -> None:
    course = [12.6] * (DAY - 1) + [11.0] + [12.6] * (DAY + 1)
    stands = told(course, season(), config())
    assert stands.index(True) == 2 * DAY


def test_air_just_below_the_bound_is_not_cool_yet() -> None:
    course = [12.6] * 10 + [11.8] * 10 + [12.6] * (DAY - 19)
    assert told(course, season(), config())[-1]
    assert not told([11.8] * (DAY + 2), season(), config())[-1], "but never begins it"


def test_a_few_missing_readings_do_not_begin_it_anew_and_a_silent_probe_does() -> None:
    few = [12.6] * 10 + [None] * 5 + [12.6] * (DAY - 14)
    assert told(few, season(), config())[-1]
    many = [12.6] * 10 + [None] * 7 + [12.6] * (DAY - 14)
    assert not told(many, season(), config())[-1]


def test_nothing_is_said_once_roots_show_or_where_nothing_dormant_stands() -> None:
    course: list[float | None] = [20.0] * (DAY + 2)
    rooted = SeasonEntry(What.LOOK, "GRP-2", data={"sampled": 10, "rooted": 1})
    for ledger in (
        season(rooted),
        season(stage=Stage.ROOTING),
        season(place=UNHEATED),
        season(SeasonEntry(What.CLOSE, "GRP-2")),
        fold(()),
    ):
        assert not told(course, ledger, config())[-1]
    unrooted = SeasonEntry(What.LOOK, "GRP-2", data={"sampled": 10, "rooted": 0})
    assert told(course, season(unrooted), config())[-1]


def test_the_growers_own_bound_counts() -> None:
    course: list[float | None] = [14.0] * (DAY + 2)
    assert not told(course, season(), config(warn_top_above=15.0))[-1]
    assert told(course, season(), config(warn_top_above=13.0))[-1]


def low(ledger: Season, made: Config, room_c: float | None) -> str | None:
    rows = [record(0.0, 10.0, room_c)]
    return tops.conditions({}, rows, made, ledger, 0.0).get((None, Alarm.ROOM_LOW))


def test_a_cold_room_is_told_for_hardened_plants_outside_the_boxes_only() -> None:
    outside = season(place=UNHEATED, stage=Stage.HARDENING)
    cold = config(room_low=2.0)
    text = low(outside, cold, 1.4)
    assert text is not None
    assert "1.4" in text
    assert "GRP-2" in text
    assert low(outside, cold, 2.0) is None
    assert low(outside, cold, None) is None, "no reading, no word: a lost probe is told elsewhere"
    assert low(outside, config(), -5.0) is None, "none is asked for by default"
    assert low(season(stage=Stage.HARDENING), cold, 1.0) is None, "it stands in the box"
    assert low(season(place=UNHEATED, stage=Stage.ROOTING), cold, 1.0) is None
