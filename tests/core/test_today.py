"""What a grower reads in the morning: the night, each batch, what is due."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.cli.today_text import WIDTH, Span, as_data, render
from bottomheat.config import Config
from bottomheat.model import Alarm, Place
from bottomheat.season.ledger import DAY_MS, UNHEATED, Dated, SeasonEntry, What, fold
from bottomheat.season.night import Hole, Night, Tops, night_of
from bottomheat.season.reminders import BEFORE_A_NEW_BATCH, MOULD_RULE
from bottomheat.season.today import Standing, today
from plant import chamber_keys

NOW_MS = 1_768_547_400_000  # Fri 16 Jan 2026 07:10 UTC
HOUR_MS = 3_600_000
PLACES = (Place.SUBSTRATE, Place.ROOM, Place.MAT, Place.TOP)
NORTH, SOUTH = "north-bench", "south-bench"


def config(season: dict | None = None, **boxes: dict) -> Config:
    keys = {NORTH: {"callus_zone": 25.0}, SOUTH: {"callus_zone": 17.0}}
    made = {
        name: chamber_keys(no, PLACES, **{**own, **boxes.get(name.replace("-", "_"), {})})
        for no, (name, own) in enumerate(keys.items())
    }
    return Config.model_validate({"chambers": made, "season": season or {}})


GRAPES = {"species": "grapevine", "kind": "grafts", "count": 60}
MULBERRY = {"species": "mulberry", "kind": "cuttings", "count": 40}
CURRANT = {"species": "blackcurrant", "kind": "cuttings", "count": 50}


class Diary:
    """Entries by how many days ago they were made."""

    def __init__(self) -> None:
        self.entries: list[Dated] = []

    def note(self, what: What, days_ago: float, batch=None, chamber=None, **data) -> Diary:
        entry = SeasonEntry(what, batch, chamber, data)
        wall_ms = NOW_MS - round(days_ago * DAY_MS)
        self.entries.append(Dated(len(self.entries) + 1, wall_ms, True, entry))
        return self

    def season(self):
        return fold(self.entries)


def shed() -> Diary:
    """Three batches in two boxes, with everything done lately."""
    diary = Diary()
    diary.note(What.ADD, 9, "GRP-2", NORTH, **GRAPES)
    diary.note(What.ADD, 12, "BLC-1", SOUTH, **CURRANT)
    for name, place in (("GRP-2", NORTH), ("BLC-1", SOUTH)):
        diary.note(What.LOOK, 1, name, sampled=10, callused=3, mould=0)
        for reminder in ("layer", "mist"):
            diary.note(What.DONE, 1, None, place, reminder=reminder)
    return diary


FROM_MS, TO_MS, _ = night_of(NOW_MS, UTC)
WHOLE_H = (TO_MS - FROM_MS) / HOUR_MS
CALM = Night(
    FROM_MS,
    TO_MS,
    known_h=WHOLE_H,
    in_band_h=WHOLE_H,
    low_c=24.7,
    high_c=25.2,
    newest_ms=TO_MS,
    setpoint_c=25.0,
    room_low_c=6.1,
)
COOL = replace(CALM, low_c=16.6, high_c=17.3, setpoint_c=17.0)
NIGHTS = {NORTH: CALM, SOUTH: COOL}
SPAN = Span(FROM_MS, TO_MS, True, (FROM_MS - 30 * DAY_MS, TO_MS))


def seen(diary=None, *, made=None, nights=None, sure=True, **more):
    season = (diary or shed()).season()
    return today(
        made or config(),
        season,
        NIGHTS if nights is None else nights,
        NOW_MS,
        clock_sure=sure,
        **more,
    )


def screen(diary=None, span=SPAN, **how) -> str:
    return render(seen(diary, **how), span, UTC)


def test_a_quiet_morning_in_full():
    assert screen() == (
        "Fri 16 Jan 07:10\n"
        "Overnight 18:00-07:10\n"
        "  north-bench  24.7-25.2 °C, all in band\n"
        "  south-bench  16.6-17.3 °C, all in band\n"
        "  No power cut. Room down to 6.1 °C.\n"
        "\n"
        "NORTH-BENCH   set 25.0 for GRP-2\n"
        "  GRP-2  60 grapevine bench grafts, callusing, day 9 of 14-24 [from memory]\n"
        "     last look 15 Jan: 3 of 10 callused, none with mould\n"
        "\n"
        "SOUTH-BENCH   set 17.0 for BLC-1\n"
        "  BLC-1  50 blackcurrant cuttings, callusing, day 12\n"
        "     last look 15 Jan: 3 of 10 callused, none with mould"
    )


def test_no_batches_at_all():
    text = screen(Diary())
    assert "NORTH-BENCH   set 25.0, no batch in it" in text
    assert text.endswith("No batches. To add one: bottomheat batch add --help")
    assert "DUE" not in text


def test_a_night_out_of_band_says_how_long_and_which_way():
    low = replace(CALM, low_c=22.1, in_band_h=11.0, below_h=1.5, above_h=0.67, known_h=13.17)
    text = screen(
        nights={NORTH: low, SOUTH: replace(COOL, known_h=10.2, in_band_h=10.2, unknown_h=3)}
    )
    assert "north-bench  22.1-25.2 °C, in band 83 % (1.5 h below, 0.7 h above)" in text
    assert "south-bench  16.6-17.3 °C, all in band, 3.0 h not known" in text


def test_in_band_is_never_rounded_up_to_all():
    low = replace(CALM, in_band_h=0.99499 * WHOLE_H, below_h=0.00501 * WHOLE_H)
    assert "in band 99 % (0.1 h below)" in screen(nights={NORTH: low})


def test_power_cuts_and_other_gaps_are_told_by_their_cause():
    cut = Hole(FROM_MS + HOUR_MS, FROM_MS + 5 * HOUR_MS, "power")
    stop = Hole(FROM_MS + 6 * HOUR_MS, FROM_MS + 7 * HOUR_MS, "stopped")
    slip = Hole(FROM_MS + 8 * HOUR_MS, FROM_MS + 8 * HOUR_MS + 60_000, "stopped")
    text = screen(holes=[cut, stop, slip])
    assert "Power cut 19:00-23:00 (4 h). Service stopped 00:00-01:00 (1 h)." in text
    assert "No power cut" not in text
    assert "01:01" not in text
    assert "No power cut. Service stopped" in screen(holes=[stop])
    unknown = screen(holes=[replace(cut, cause="unknown")])
    assert "No data 19:00-23:00" in unknown
    assert "No power cut" not in unknown
    many = [replace(stop, from_ms=n * HOUR_MS, to_ms=(n + 1) * HOUR_MS) for n in range(5)]
    assert "2 gaps more." in " ".join(screen(holes=many).split())


@pytest.mark.parametrize(
    ("rows_ms", "said"),
    [
        (None, "no data. The log has no rows yet."),
        ((0, FROM_MS - HOUR_MS), "no data. The newest row is of Thu 15 Jan 17:00."),
        ((TO_MS + HOUR_MS, TO_MS + DAY_MS), "no data. The log begins on Fri 16 Jan 08:10."),
        ((0, TO_MS + DAY_MS), "no data. The log has no rows of that time."),
    ],
)
def test_a_night_without_rows_says_where_the_rows_are(rows_ms, said):
    for nights in ({}, {NORTH: Night(FROM_MS, TO_MS, unknown_h=WHOLE_H)}):
        text = screen(span=replace(SPAN, rows_ms=rows_ms), nights=nights)
        assert f"Overnight 18:00-07:10: {said}" in text
        assert "GRP-2" in text


def test_rows_that_are_old_are_said_to_be():
    old = replace(SPAN, rows_ms=(0, TO_MS - HOUR_MS))
    assert "The newest row is of Fri 16 Jan 06:10." in screen(span=old)
    assert "newest row" not in screen()


def test_a_service_that_does_not_answer_is_told_unless_one_looks_back():
    silent = replace(SPAN, running=False)
    assert "The service does not answer" in screen(span=silent)
    assert "service" not in screen(span=replace(silent, live=False))


def test_without_a_clock_days_are_not_counted_and_nothing_falls_due():
    diary = Diary().note(What.ADD, 90, "GRP-2", NORTH, **GRAPES)
    diary.note(What.STAGE, 60, "GRP-2", stage="rooting")
    text = screen(diary, sure=False)
    assert text.startswith("CLOCK NOT SET\n")
    assert "the last known stage goes on" in text
    assert "rooting (days are not counted)" in text
    assert "Afterwards" not in text
    assert "day 9" not in text
    assert "wet layer" not in text
    assert "rooting, day 60" in screen(diary)


def test_what_is_due_stands_at_its_box_and_batch_with_the_commands_below():
    diary = Diary().note(What.ADD, 9, "GRP-2", NORTH, **GRAPES)
    text = screen(diary)
    box, _, rest = text.partition("SOUTH-BENCH")
    assert "     look: lift two bags" in box
    assert "  wet layer: wet, not flooded?" in box
    assert "  bags: mist them" in box
    assert "Before opening\n  bottomheat tend north-bench --doing look\nAfterwards" in rest
    assert "\n  bottomheat done layer north-bench\n" in rest
    assert "\n  bottomheat done mist north-bench\n" in rest
    assert "bottomheat batch look GRP-2 --sampled 10 --callused N --mould N" in rest


def test_a_reminder_that_was_done_or_switched_off_is_gone():
    made = config({"reminders": {"layer": 0, "mist": 0, "look": 0, "mould": 0}})
    text = screen(Diary().note(What.ADD, 9, "GRP-2", NORTH, **GRAPES), made=made)
    for word in ("wet layer", "bags", "look", "Before opening", "Afterwards"):
        assert word not in text


def test_the_house_has_its_own_reminders():
    made = config({"reminders": {"tools": 7}})
    assert "\nALL\n  tools: wipe with alcohol" in screen(made=made)


def test_a_proposed_step_comes_with_the_command_that_confirms_it():
    diary = shed().note(What.LOOK, 0.1, "GRP-2", sampled=10, callused=8, buds=1)
    text = screen(diary)
    assert "     DUE: 8 of 10 callused: go on to rooting, cooler than for callus\n" in text
    assert "       bottomheat batch stage GRP-2 rooting\n" in text
    rooted = diary.note(What.STAGE, 0.05, "GRP-2", stage="rooting")
    rooted.note(What.LOOK, 0.01, "GRP-2", sampled=10, rooted=3)
    assert "bottomheat batch stage GRP-2 hardening-off" in screen(rooted)


def test_what_is_hardened_is_to_be_moved_out_of_its_box():
    diary = Diary().note(What.ADD, 40, "BLC-1", SOUTH, **CURRANT)
    diary.note(What.STAGE, 30, "BLC-1", stage="hardening-off")
    text = screen(diary)
    assert "bottomheat batch move BLC-1 --to unheated" in text


def test_a_conflict_is_said_with_the_move_that_ends_it():
    diary = shed().note(What.ADD, 24, "MUL-1", NORTH, **MULBERRY)
    diary.note(What.STAGE, 3, "MUL-1", stage="rooting")
    text = screen(diary, made=config(south_bench={"callus_zone": 19.0}))
    box = text[text.index("NORTH-BENCH") : text.index("SOUTH-BENCH")]
    said = " ".join(box.split())
    assert "! MUL-1 (mulberry, rooting) wants 18 to 20" in said
    assert "stays at 25 for GRP-2: move it bottomheat batch move MUL-1 --to south-bench" in said
    # Where no other box suits, no command is made up.
    assert "batch move" not in screen(diary, made=config(south_bench={"in_use": False}))


def test_a_setpoint_on_its_way_says_where_it_goes():
    on_its_way = {NORTH: replace(CALM, setpoint_c=26.5), SOUTH: replace(COOL, setpoint_c=15.0)}
    text = screen(nights=on_its_way)
    assert "set 26.5, going down to 25.0 for GRP-2" in text
    assert "set 15.0, going up to 17.0 for BLC-1" in text


def test_a_setpoint_that_is_not_the_configs_is_explained():
    diary = Diary().note(What.ADD, 9, "GRP-2", SOUTH, **GRAPES)
    text = " ".join(screen(diary).split())
    assert "set 17.0, going up to 24.0 for GRP-2 rule: GRP-2 (grapevine, callusing) leads" in text
    assert "the config's 17 does not suit it" in text
    assert "leads" not in screen()


def test_mould_is_urgent_and_brings_its_rule():
    diary = shed().note(What.LOOK, 2, "GRP-2", sampled=10, mould=2)
    text = screen(diary)
    assert "     ! look for mould daily for a week: mould was seen here" in text
    assert "IF YOU FIND MOULD" in text
    for step in MOULD_RULE:
        assert step in " ".join(text.split())
    assert "IF YOU FIND MOULD" not in screen()


def test_an_emptied_box_brings_what_comes_before_a_new_batch():
    diary = shed().note(What.MOVE, 0.5, "GRP-2", UNHEATED)
    text = screen(diary)
    assert "BEFORE A NEW BATCH" in text
    for step in BEFORE_A_NEW_BATCH:
        assert step in " ".join(text.split())
    assert "bottomheat done clean north-bench" in text
    assert "NO HEAT\n  GRP-2  60 grapevine" in text
    cleaned = diary.note(What.DONE, 0.1, None, NORTH, reminder="clean")
    assert "BEFORE A NEW BATCH" not in screen(cleaned)


def test_another_height_is_said_not_to_be_known():
    high = {**GRAPES, "zone": "union", "height_mm": 90.0}
    text = screen(Diary().note(What.ADD, 9, "GRP-2", NORTH, **high))
    assert "unions are 90 mm up: their own temperature is not known" in text
    assert "not known" not in screen(
        Diary().note(What.ADD, 9, "GRP-2", NORTH, **high),
        made=config(north_bench={"zone": "union", "zone_height": 90}),
    )


WARM = Tops(12.0, NOW_MS - 26 * HOUR_MS, NOW_MS, 13.1)
TOP_ALARM = Standing(Alarm.TOP_WARM, NORTH, False, "The air at the buds has been warm")


def test_warm_tops_over_dormant_wood_are_told_once():
    text = screen(tops={NORTH: WARM}, alarms=[TOP_ALARM])
    assert "! air at buds above 12 for 26 h, up to 13.1: GRP-2 may open buds" in text
    assert "ALARM" not in text
    # A day above is the bound, and roots end it.
    almost = replace(WARM, since_ms=NOW_MS - 23 * HOUR_MS)
    assert "air at buds" not in screen(tops={NORTH: almost})
    rooted = shed().note(What.LOOK, 0.1, "GRP-2", sampled=10, rooted=2)
    assert "air at buds" not in screen(rooted, tops={NORTH: WARM})
    assert "The air at the buds" in screen(rooted, tops={NORTH: WARM}, alarms=[TOP_ALARM])


def test_alarms_stand_before_the_batches():
    urgent = Standing(Alarm.HEAT_LOST, NORTH, True, "There is no heat.")
    house = Standing(Alarm.LOG_FAILED, None, False, "The log is not written.")
    text = screen(alarms=[urgent, house])
    assert "ALARMS\n  ! NOW north-bench: There is no heat.\n  ! The log is not written.\n" in text
    assert text.index("ALARMS") < text.index("NORTH-BENCH")
    assert "\nALARM\n" in screen(alarms=[house])
    newer = Standing(None, NORTH, False, "Something new.")
    assert "! north-bench: Something new." in screen(alarms=[newer])


def test_buds_ahead_of_callus_are_marked():
    diary = shed().note(What.LOOK, 0.1, "GRP-2", sampled=10, callused=1, buds=4)
    assert "     ! buds are ahead of the callus" in screen(diary)


def test_a_box_that_is_not_in_use_is_quiet():
    text = screen(made=config(north_bench={"in_use": False}), nights={SOUTH: COOL})
    assert "NORTH-BENCH   not in use" in text
    assert "  north-bench  " not in text[: text.index("NORTH-BENCH")]


def test_where_no_box_is_in_use_the_night_is_not_missed():
    off = {"in_use": False}
    text = screen(Diary(), made=config(north_bench=off, south_bench=off), nights={})
    assert "Fri 16 Jan 07:10\nNo box is in use.\n" in text
    assert "no data" not in text


def test_a_batch_in_a_box_that_is_gone_is_not_lost():
    text = screen(Diary().note(What.ADD, 9, "GRP-2", "old-bench", **GRAPES))
    assert "it is said to stand in old-bench, and the config has no such box" in text


def test_closed_batches_are_no_more_told():
    assert "BLC-1" not in screen(shed().note(What.CLOSE, 0.1, "BLC-1", rooted=40))


def test_an_entry_that_is_not_used_is_told():
    diary = shed().note(What.LOOK, 1, "NOPE-1", sampled=10)
    assert "! entry" in screen(diary)


NAMES = st.from_regex(r"[A-Z]{3}-[0-9]{1,2}", fullmatch=True)
COUNTS = st.integers(0, 10)
STEPS = st.one_of(
    st.fixed_dictionaries(
        {
            "what": st.just(What.LOOK),
            "callused": COUNTS,
            "rooted": COUNTS,
            "buds": COUNTS,
            "mould": COUNTS,
        }
    ),
    st.fixed_dictionaries(
        {"what": st.just(What.STAGE), "stage": st.sampled_from(["rooting", "hardening-off"])}
    ),
    st.fixed_dictionaries(
        {"what": st.just(What.MOVE), "to": st.sampled_from([NORTH, SOUTH, UNHEATED, "old"])}
    ),
    st.just({"what": What.CLOSE}),
)


@given(
    st.dictionaries(
        NAMES,
        st.tuples(
            st.sampled_from([GRAPES, MULBERRY, CURRANT, {**MULBERRY, "species": "my-own-kind"}]),
            st.sampled_from([NORTH, SOUTH, UNHEATED]),
            st.lists(st.tuples(st.floats(0, 59), STEPS), max_size=4),
        ),
        max_size=4,
    ),
    st.booleans(),
)
def test_any_season_fits_the_screen_and_names_every_open_batch(batches, sure):
    diary = Diary()
    for name, (plants, place, _) in batches.items():
        diary.note(What.ADD, 60, name, place, **plants)
    for name, (_, _, steps) in batches.items():
        for days_ago, step in steps:
            data = {key: value for key, value in step.items() if key not in ("what", "to")}
            if step["what"] is What.LOOK:
                data["sampled"] = 10
            diary.note(step["what"], days_ago, name, step.get("to"), **data)
    found = seen(diary, sure=sure)
    text = render(found, SPAN, UTC)
    assert max(map(len, text.splitlines())) <= WIDTH
    for batch in diary.season().batches.values():
        assert (f"\n  {batch.name}  " in text) == batch.open
    data = as_data(found, SPAN)
    assert json.loads(json.dumps(data)) == data
    told = [each["name"] for box in data["boxes"] for each in box["batches"]]
    told += [each["name"] for each in data["outside"]]
    assert sorted(told) == sorted(b.name for b in diary.season().batches.values() if b.open)
    if not sure:
        assert data["after"] == []


def test_the_data_says_what_the_screen_says():
    diary = shed().note(What.LOOK, 0.1, "GRP-2", sampled=10, callused=8)
    alarm = Standing(Alarm.ROOM_LOST, SOUTH, False, "The room probe is lost.")
    data = as_data(seen(diary, alarms=[alarm]), SPAN)
    north = data["boxes"][0]
    assert north["setpoint_c"] == north["wanted_c"] == 25.0
    assert north["lead"] == "GRP-2"
    assert north["night"]["low_c"] == 24.7
    batch = north["batches"][0]
    assert (batch["stage"], batch["day"], batch["expected_days"]) == ("callusing", 9, [14, 24])
    assert batch["expected_source"] == "from memory"
    assert batch["proposal"]["command"] == "bottomheat batch stage GRP-2 rooting"
    assert data["alarms"][0]["alarm"] == "room-lost"
    assert data["running"] is True
    assert as_data(seen(), replace(SPAN, live=False))["running"] is None
