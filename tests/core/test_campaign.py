"""A campaign: the draws, what is made of a run beside its twin, and the tables."""

from __future__ import annotations

import json
from array import array
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat import campaign
from bottomheat.campaign import (
    Batch,
    BatchResult,
    Run,
    RunResult,
    Season,
    do_batch,
    do_season,
    draw,
    draw_seasons,
    season_orders,
    share_out,
    tending,
    true_alarm,
)
from bottomheat.campaign_boxes import (
    BOXES,
    ROOMS,
    Scene,
    config_of,
    factor_of,
    room_of,
    scene_world,
)
from bottomheat.campaign_tables import campaign_plain, missed, rows, runs_of, seasons_plain, stratum
from bottomheat.chamber import Chamber
from bottomheat.cli import campaign_text, rehearse_fault_text
from bottomheat.errors import InputError
from bottomheat.model import Alarm
from bottomheat.rehearse_acts import KEEPER, Order
from bottomheat.rehearse_faults import check, make_order
from bottomheat.rehearse_kinds import KINDS, heat_due_off
from bottomheat.rehearse_verdict import Course, FaultResult, Heard, follow, judge

NORTH, SOUTH = "north-bench", "south-bench"
ALONE = Scene(("nominal",), "10", (45.0,), 7)
CYCLE_S = 10.0
HOUR = 360  # cycles
AT = 100  # the fault's first cycle
ALARMS = (Alarm.RELAY_STUCK_ON, Alarm.NO_EFFECT, Alarm.PROBE_LOST, Alarm.WARM_WITHOUT_HEAT)


def course(
    cycles: int = 4 * HOUR,
    *,
    names: tuple[str, ...] = (NORTH,),
    substrate_c: float = 29.0,
    heated_until: int | None = None,
) -> Course:
    """A run in which nothing moves; heat flows until a cycle, or to the end."""
    until = cycles if heated_until is None else heated_until

    def flat(celsius: float) -> dict[str, array[float]]:
        return {name: array("d", [celsius]) * cycles for name in names}

    heated = {name: array("d", [CYCLE_S]) * until for name in names}
    for name in names:
        heated[name].extend([0.0] * (cycles - until))
    return Course(0, CYCLE_S, flat(substrate_c), flat(25.0), flat(45.0), flat(10.0), heated)


def heard(cycle: int, alarm: Alarm, chamber: str | None = NORTH) -> Heard:
    """An alarm raised in a cycle, which is stamped with that cycle's end."""
    return Heard((cycle + 1) * CYCLE_S, chamber, alarm, f"words of {alarm}")


def verdict(faulted: Course, kind: str, twin: Course | None = None, **more: str) -> FaultResult:
    order = make_order(kind, AT * CYCLE_S, NORTH, **more)  # type: ignore[arg-type]
    return judge(order, faulted, course() if twin is None else twin, AT, config_of(ALONE))


# --- the verdict on one run ---------------------------------------------------------------------


def test_the_first_right_alarm_after_the_beginning_counts() -> None:
    run = course()
    run.heard = [
        heard(AT - 1, Alarm.NO_EFFECT),  # before the fault
        heard(AT + 30, Alarm.PROBE_LOST),  # not its alarm
        heard(AT + 59, Alarm.NO_EFFECT),
        heard(AT + 90, Alarm.HEAT_LOST),
    ]
    result = verdict(run, "mat-dead")
    assert (result.known_by, result.known_s) == (Alarm.NO_EFFECT, 600.0)
    assert [h.alarm for h in result.wrong] == [Alarm.PROBE_LOST]


def test_the_twins_alarms_and_other_boxes_alarms() -> None:
    names, run, twin = (NORTH, SOUTH), course(names=(NORTH, SOUTH)), course(names=(NORTH, SOUTH))
    config = config_of(replace(ALONE, boxes=("nominal", "shallow"), watts=(45.0, 45.0)))
    run.heard = [
        heard(AT + 9, Alarm.SHORTFALL),
        heard(AT + 9, Alarm.SHORTFALL, SOUTH),
        heard(AT + 9, Alarm.NO_EFFECT, SOUTH),
        heard(AT + 9, Alarm.KEEPER_SILENT, None),
    ]
    twin.heard = [heard(AT + 50, Alarm.SHORTFALL, SOUTH)]
    order = make_order("mat-dead", AT * CYCLE_S, NORTH)
    result = judge(order, run, twin, AT, config)
    assert result.known_s is None  # the other box's alarm does not say it
    assert [(h.alarm, h.chamber) for h in result.wrong] == [
        (Alarm.NO_EFFECT, SOUTH),
        (Alarm.KEEPER_SILENT, None),
    ]
    # What befalls the house may be said of every box.
    order = make_order("cold-snap", AT * CYCLE_S, NORTH)
    run.heard = [heard(AT + 9, Alarm.SHORTFALL, SOUTH)]
    result = judge(order, run, course(names=names), AT, config)
    assert (result.known_s, result.wrong) == (100.0, ())


def test_an_alarm_beside_the_fault_is_allowed_where_the_other_order_explains_it() -> None:
    run = course()
    run.heard = [heard(AT + 9, Alarm.PROBE_LOST)]
    order = make_order("mat-dead", AT * CYCLE_S, NORTH)
    lost = make_order("probe-lost", AT * CYCLE_S, NORTH)
    config = config_of(ALONE)
    assert len(judge(order, run, course(), AT, config).wrong) == 1
    assert judge(order, run, course(), AT, config, [lost]).wrong == ()


def test_departure_is_the_end_of_the_first_cycle_a_quarter_kelvin_off() -> None:
    run = course()
    run.heard = [heard(AT + 119, Alarm.NO_EFFECT)]
    for index in range(AT + 60, len(run.substrate_c[NORTH])):
        run.substrate_c[NORTH][index] = 28.76 if index < AT + 80 else 28.75
    result = verdict(run, "mat-dead")
    assert (result.departed_s, result.known_s, result.late_s) == (810.0, 1200.0, 390.0)
    early = course()
    early.heard = [heard(AT + 9, Alarm.NO_EFFECT)]
    early.substrate_c = run.substrate_c
    assert verdict(early, "mat-dead").late_s == 0.0


def test_heat_is_off_where_half_an_hour_without_power_reaches_to_the_alarm() -> None:
    run = course(heated_until=AT + 50)
    run.heard = [heard(AT + 300, Alarm.PROBE_LOST)]
    result = verdict(run, "probe-lost")
    assert (result.heat_due_off, result.heat_off_s, result.heated_s) == (True, 500.0, 500.0)
    # A spell that is over before the alarm is a pause of the law, not the response.
    run.heated_s[NORTH][AT + 250 :] = array("d", [CYCLE_S] * (len(run.heated_s[NORTH]) - AT - 250))
    result = verdict(run, "probe-lost")
    assert result.heat_off_s is None
    assert result.heated_s == (4 * HOUR - AT - 200) * CYCLE_S


def test_heat_need_not_go_off_where_another_probe_stands_in() -> None:
    two = config_of(replace(ALONE, second_probe=True, callus_probe=True))
    for place, due in (("substrate", False), ("mat", True), ("room", False), ("callus", False)):
        assert heat_due_off(make_order("probe-lost", 0.0, NORTH, place=place), two) is due
    one = config_of(ALONE)
    assert heat_due_off(make_order("probe-lost", 0.0, NORTH), one)
    assert not heat_due_off(make_order("mat-dead", 0.0, NORTH), one)


@pytest.mark.parametrize(
    ("kind", "hot", "false"),
    [("relay-stuck-on", False, False), ("water", False, True), ("water", True, False)],
)
def test_a_latch_is_false_where_none_is_due_and_nothing_was_hot(
    kind: str, hot: bool, false: bool
) -> None:
    run = course()
    run.latched = {NORTH: (AT + 60) * CYCLE_S}
    if hot:
        run.mat_c[NORTH][AT + 59] = 60.5
    result = verdict(run, kind)
    assert (result.latched_s, result.false_latch) == (600.0, false)


def test_highest_and_lowest_count_from_the_beginning_of_the_fault() -> None:
    run = course()
    run.callus_c[NORTH][AT - 1], run.callus_c[NORTH][AT + 5] = 40.0, 31.0
    run.callus_c[NORTH][-1], run.mat_c[NORTH][AT + 7] = 19.0, 66.0
    result = verdict(run, "mat-dead")
    assert (result.max_callus_c, result.min_callus_c, result.max_mat_c) == (31.0, 19.0, 66.0)
    assert (result.twin_max_callus_c, result.twin_max_mat_c) == (25.0, 45.0)


# --- a fault that is to be foretold -------------------------------------------------------------

NIGHT_AT = 100
LEFT = NIGHT_AT + 3 * HOUR
"""The cycle at whose end the bases are half a kelvin low; an hour later a whole one."""


def night(warned: int | None, *, low_k: float = 1.5, before_c: float = 25.0) -> FaultResult:
    """A night that leaves the bases ``low_k`` too cold, warned of in a cycle."""
    run = course(6 * HOUR)
    values = run.callus_c[NORTH]
    values[: len(values)] = array("d", [before_c]) * len(values)
    for index in range(LEFT, len(values)):
        values[index] = 25.0 - min(low_k, 0.51 + (index - LEFT) / (2.0 * HOUR))
    if warned is not None:
        run.heard = [heard(warned, Alarm.TONIGHT)]
    return judge(
        make_order("cold-night", NIGHT_AT * CYCLE_S, NORTH),
        run,
        course(7 * HOUR),
        NIGHT_AT,
        config_of(ALONE),
    )


def result_of(result: FaultResult) -> RunResult:
    return RunResult(0, ALONE, announced=False, result=result)


def test_a_night_is_warned_of_before_the_bases_leave_their_band() -> None:
    result = night(NIGHT_AT + HOUR)
    (box,) = result.nights
    assert result.known_by is Alarm.TONIGHT
    assert result.departed_s == box.left_s == 3 * 3600.0 + CYCLE_S
    assert box.ahead_s == 2 * 3600.0
    assert box.short_k == pytest.approx(1.5)
    assert not missed(result_of(result))
    assert result.late_s == 0.0
    assert result.wrong == ()


@pytest.mark.parametrize(("warned", "ahead_s"), [(None, None), (LEFT + 60, -600.0)])
def test_a_night_that_is_not_warned_of_or_late_is_missed(
    warned: int | None, ahead_s: float | None
) -> None:
    result = night(warned)
    assert result.nights[0].ahead_s == ahead_s
    assert missed(result_of(result))


def test_a_night_that_costs_less_than_what_is_warned_of_is_not_missed() -> None:
    assert not missed(result_of(night(None, low_k=0.9)))


def test_a_box_that_was_cold_before_tells_nothing_of_a_night() -> None:
    result = night(None, before_c=24.0)
    assert result.nights == ()
    assert not missed(result_of(result))


def test_a_relay_that_is_blamed_for_a_cold_night_and_a_latch_are_wrong() -> None:
    run = course(6 * HOUR)
    run.heard = [
        heard(NIGHT_AT + HOUR, Alarm.TONIGHT),
        heard(LEFT, Alarm.SHORTFALL),
        heard(LEFT, Alarm.NO_EFFECT),
        heard(LEFT, Alarm.RELAY_STUCK_ON),
    ]
    run.latched = {NORTH: LEFT * CYCLE_S}
    order = make_order("cold-night", NIGHT_AT * CYCLE_S, NORTH)
    result = judge(order, run, course(6 * HOUR), NIGHT_AT, config_of(ALONE))
    assert [h.alarm for h in result.wrong] == [Alarm.NO_EFFECT, Alarm.RELAY_STUCK_ON]
    assert result.false_latch


def test_the_screens_say_how_long_before_a_night_was_warned_of() -> None:
    early, late, never = night(NIGHT_AT + HOUR), night(LEFT + 60), night(None)
    said = " ".join(rehearse_fault_text.render([early]).split())
    assert "warned of after 1 h, 2 h before the bases left their band" in said
    assert "fell to 1.5 K below their setpoint. Nothing was cut out, nothing blamed." in said
    assert "ALARM: words of tonight" in said
    assert "10 min AFTER the bases" in " ".join(rehearse_fault_text.render([late]).split())
    assert "NOT WARNED OF" in rehearse_fault_text.render([never])
    runs = tuple(replace(result_of(each), number=n) for n, each in enumerate((early, late, never)))
    batches = [BatchResult(ALONE, runs, 1.0, ())]
    text = " ".join(campaign_text.render(batches, 1).split())
    assert "Cold nights: 3 boxes, of which 3 became 1 K too cold; 1 of these were warned" in text
    assert "no. 1 cold-night" in text
    (row,) = rows(runs)
    assert (row.label, row.departed, row.known, row.missed) == ("cold-night", 3, 2, 2)
    assert json.loads(json.dumps(campaign_plain(batches), allow_nan=False))


def test_a_warning_of_a_night_without_a_fault_is_true_where_the_night_is_short() -> None:
    world = scene_world(ALONE, 1.0)
    run = course(20 * HOUR)
    assert not true_alarm(heard(10, Alarm.TONIGHT), run, world)
    run.callus_c[NORTH][17 * HOUR] = 24.4
    assert true_alarm(heard(10, Alarm.TONIGHT), run, world)
    assert not true_alarm(heard(10, Alarm.SHORTFALL), run, world)


# --- the draws ----------------------------------------------------------------------------------


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 400), st.integers(0, 10**6))
def test_every_drawn_run_can_be_done_in_its_scene(number: int, seed: int) -> None:
    batches = draw(number, seed)
    assert batches == draw(number, seed)
    runs = [run for batch in batches for run in batch.runs]
    assert sorted(run.number for run in runs) == list(range(number))
    for batch in batches:
        scene, config = batch.scene, config_of(batch.scene)
        for run in batch.runs:
            order = run.order
            assert order.chamber in scene.names
            assert len(scene.boxes) >= KINDS[order.kind].chambers
            assert order.place != KEEPER or config.chambers[order.chamber].keeper.probe
            assert order.kind != "series-stuck" or scene.series
            assert order.kind != "cold-night" or 12.0 <= order.at_s / 3600.0 - 24.0 <= 16.0
            if order.place not in (None, KEEPER):
                assert order.place in config.chambers[order.chamber].probes.by_place()
            begins_h = campaign.WARM_UP_H + run.start * campaign.SPACING_H
            assert begins_h <= order.at_s / 3600.0 <= begins_h + campaign.SPACING_H


def test_a_thousand_runs_cover_every_kind_many_boxes_and_every_room() -> None:
    batches = draw(1000, 1)
    assert {run.order.kind for batch in batches for run in batch.runs} == KINDS.keys() - {"tend"}
    scenes = [batch.scene for batch in batches]
    assert {box for scene in scenes for box in scene.boxes} == BOXES.keys()
    assert {scene.room for scene in scenes} == set(ROOMS)
    assert {stratum(scene) for scene in scenes} == {"series relay", "one relay", "100 W"}
    assert 0.6 < sum(scene.series for scene in scenes) / len(scenes) < 0.95
    pairs = {(scene.boxes[0], scene.room) for scene in scenes}
    assert len(pairs) > 25  # boxes and rooms do not go hand in hand
    announced = [run for batch in batches for run in batch.runs if run.announced]
    assert {run.order.kind for run in announced} == {"lid-off", "lid-ajar", "water", "bags"}


def test_another_seed_draws_others() -> None:
    assert draw(20, 1) != draw(20, 2)
    assert draw_seasons(3, 1) != draw_seasons(3, 2)


@pytest.mark.parametrize("number", [0, -1, 100_001])
def test_a_number_of_runs_out_of_bounds_is_refused(number: int) -> None:
    with pytest.raises(InputError, match="not possible"):
        draw(number, 1)
    with pytest.raises(InputError, match="processes"):
        share_out(do_batch, [], min(number, 65))


def test_the_boxes_span_a_third_to_three_times_the_gain_with_the_watts_drawn() -> None:
    def rise_k(scene: Scene) -> float:
        return Chamber(BOXES[scene.boxes[0]]).settled("substrate", scene.watts[0], 0.0)

    nominal_k = Chamber().settled("substrate", 45.0, 0.0)
    shares = [rise_k(scene) / nominal_k for scene in draw_seasons(len(BOXES), 1)]
    assert min(shares) == pytest.approx(1 / 3, abs=0.02)
    assert max(shares) == pytest.approx(3.0, abs=0.05)
    for box in BOXES:
        assert 0.55 < factor_of(box) < 0.9  # the range of handbook properties


def test_a_room_is_what_its_name_says() -> None:
    assert [room_of("15", 1, 2.0)(hour) for hour in (0.0, 7.5, 30.0)] == [15.0] * 3
    swing = room_of("swing", 1, 2.0)
    assert (swing(15.0), swing(3.0)) == (pytest.approx(17.0), pytest.approx(9.0))
    assert room_of("shed", 1, 2.0)(5.0) != room_of("shed", 2, 2.0)(5.0)


def test_tending_that_is_announced_spans_what_is_done() -> None:
    for kind, minutes in (("water", 10.0), ("lid-off", 90.0)):
        order = make_order(kind, 7200.0, NORTH, lasts_s=60.0 * minutes)
        said = tending(order)
        assert (said.kind, said.chamber) == ("tend", NORTH)
        assert said.at_s < order.at_s
        assert said.lasts_s is not None
        assert said.at_s + said.lasts_s >= order.at_s + 60.0 * minutes - 300.0


def test_a_season_has_sun_a_lamp_and_weekly_tending_half_of_it_announced() -> None:
    weeks, announced, kinds = 0, 0, set()
    for scene in draw_seasons(8, 1):
        orders = season_orders(scene, 120.0)
        assert orders == season_orders(scene, 120.0)
        assert {order.kind for order in orders} <= set(campaign.QUIET)
        kinds |= {order.kind for order in orders}
        tended = [o for o in orders if o.kind in ("lid-off", "lid-ajar", "water", "bags")]
        weeks += len(tended)
        announced += sum(order.kind == "tend" for order in orders)
        assert len(tended) == 17
        assert all(order.at_s < 120 * 86_400 for order in orders)
    assert kinds == set(campaign.QUIET)
    assert 0.35 < announced / weeks < 0.65


# --- doing it -----------------------------------------------------------------------------------


def test_a_season_is_the_same_in_one_process_and_in_two() -> None:
    seasons = [Season(scene, 0.25) for scene in draw_seasons(2, 5)]
    told: list[object] = []
    alone = share_out(do_season, seasons, 1, told.append)
    assert told == alone
    assert share_out(do_season, seasons, 2) == alone
    assert [season.days for season in alone] == [0.25, 0.25]
    assert json.loads(json.dumps(seasons_plain(alone), allow_nan=False))
    assert "SEASONS without a fault, 2 boxes" in campaign_text.seasons(alone)


@pytest.mark.slow
def test_a_batch_is_the_same_again_and_leaves_the_warm_world_alone() -> None:
    def run(number: int, kind: str) -> Run:
        at_s = (campaign.WARM_UP_H + 1.0) * 3600.0
        return Run(number, make_order(kind, at_s, NORTH), announced=False, start=0)

    batch = Batch(ALONE, (run(0, "probe-lost"), run(1, "relay-stuck-on-at-once"), run(2, "bags")))
    (one,) = share_out(do_batch, [batch], 1)
    # The runs do not disturb each other: in another order each comes out the same.
    turned = do_batch(replace(batch, runs=batch.runs[::-1]))
    assert {r.number: r for r in one.runs} == {r.number: r for r in turned.runs}
    lost, stuck, bags = (run.result for run in one.runs)
    assert lost.known_by is Alarm.PROBE_LOST
    assert lost.known_s is not None
    assert lost.known_s < 60.0
    assert stuck.departed_s is not None
    assert stuck.max_mat_c > stuck.twin_max_mat_c
    assert bags.min_callus_c < 20.0
    assert lost.hours < 4.0  # it is not watched for longer than needed


def test_a_copy_of_a_world_with_orders_to_come_can_be_checked_and_followed() -> None:
    world = scene_world(ALONE, 1.0)
    orders = [make_order("lid-off", 600.0, NORTH), make_order("mat-dead", 900.0, NORTH)]
    check(orders, world.config, world.stands)
    done = follow(world, 0.5)
    assert len(done.callus_c[NORTH]) == 180
    assert done.first == 0


def test_an_alarm_about_cold_is_true_where_the_bed_is_or_will_be_cold() -> None:
    world = scene_world(ALONE, 1.0)
    run = course(8 * HOUR)
    short, warm = heard(2 * HOUR, Alarm.SHORTFALL), heard(2 * HOUR, Alarm.WARM_WITHOUT_HEAT)
    assert not true_alarm(short, run, world)
    run.callus_c[NORTH][7 * HOUR] = 24.4
    assert true_alarm(short, run, world)
    assert not true_alarm(warm, run, world)
    run.callus_c[NORTH][2 * HOUR] = 25.6
    assert true_alarm(warm, run, world)
    assert not true_alarm(heard(2 * HOUR, Alarm.NO_EFFECT), run, world)
    assert not true_alarm(heard(2 * HOUR, Alarm.SHORTFALL, None), run, world)
    assert not true_alarm(heard(10, Alarm.SHORTFALL), run, world)  # long before


# --- tables -------------------------------------------------------------------------------------


def _run_result(number: int, scene: Scene, kind: str, known_s: float | None) -> RunResult:
    run = course(heated_until=AT + 60)
    if known_s is not None:
        run.heard = [heard(AT + round(known_s / CYCLE_S) - 1, min(KINDS[kind].right))]
    for index in range(AT + 30, len(run.substrate_c[NORTH])):
        run.substrate_c[NORTH][index] = 30.0
    return RunResult(number, scene, announced=False, result=verdict(run, kind))


def test_a_table_counts_what_was_known_what_was_missed_and_how_late() -> None:
    known = [600.0, 1200.0, 3000.0, None]
    runs = [_run_result(n, ALONE, "mat-dead", known_s) for n, known_s in enumerate(known)]
    (row,) = rows(runs)
    assert (row.label, row.runs, row.departed, row.known, row.missed) == ("mat-dead", 4, 4, 3, 1)
    assert (row.begin_median_s, row.begin_worst_s) == (1200.0, 3000.0)
    assert (row.late_median_s, row.late_worst_s) == (890.0, 2690.0)
    assert [missed(run) for run in runs] == [False, False, False, True]


def test_strata_have_tables_of_their_own_and_bad_runs_are_listed() -> None:
    single, strong = replace(ALONE, series=False), replace(ALONE, watts=(100.0,))
    runs = (
        _run_result(0, ALONE, "probe-lost", 30.0),
        _run_result(1, single, "relay-stuck-on", 900.0),
        _run_result(2, strong, "mat-dead", None),
    )
    batches = [BatchResult(ALONE, runs, 1.0, (heard(5, Alarm.NO_EFFECT),))]
    assert runs_of(batches) == list(runs)
    tables = campaign_plain(batches)["tables"]
    assert {name: [row["label"] for row in table] for name, table in tables.items()} == {
        "series relay": ["probe-lost"],
        "one relay": ["relay-stuck-on"],
        "100 W": ["mat-dead"],
    }
    assert json.loads(json.dumps(campaign_plain(batches), allow_nan=False))
    screen = campaign_text.render(batches, 1)
    assert max(map(len, screen.splitlines())) <= 80
    text = " ".join(screen.split())
    for said in ("Two relays in series", "One relay", "100 W mats", "no. 2 mat-dead", "not known"):
        assert said in text
    assert "1 untrue alarms in 1 days" in text


@given(st.lists(st.sampled_from(ALARMS), max_size=4), st.integers(-90, 90))
def test_a_verdict_never_counts_an_alarm_from_before_the_fault(
    alarms: list[Alarm], shift: int
) -> None:
    run = course(2 * HOUR)
    run.heard = [heard(AT + shift, alarm) for alarm in alarms]
    result = judge(
        Order("mat-dead", AT * CYCLE_S, None, NORTH), run, course(2 * HOUR), AT, config_of(ALONE)
    )
    assert len(result.heard) == (len(alarms) if shift >= 0 else 0)
    assert (result.known_s is not None) == (shift >= 0 and Alarm.NO_EFFECT in alarms)
