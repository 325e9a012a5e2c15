"""Proving the wiring on two boxes of the shipped model and of others, wired right and wrong."""

from dataclasses import replace

import pytest

import chambers
from bottomheat.chamber import Chamber
from bottomheat.commission import proving
from bottomheat.model import EventKind, Place
from plant import Plant, chamber_keys, config, silent

EVERY = tuple(Place)
NORTH, SOUTH = "north", "south"
FIXED = {"method": "fixed", "kelvin": 1.5}
SWAPPED = {NORTH: SOUTH, SOUTH: NORTH}


def bench(north=None, south=None, warm_w=0.0, probes=None, **keys):
    """Two boxes; ``warm_w`` has heated both for days, so that they cool while they are proved."""
    more = {} if probes is None else {"probes": probes}
    cfg = config(north=chamber_keys(0, **more), south=chamber_keys(1, **more))
    plant = Plant(cfg, {NORTH: north or Chamber(), SOUTH: south or Chamber()}, proved=False, **keys)
    if warm_w:
        for box in plant.boxes.values():
            box.advance(100 * 3600.0, warm_w, plant.room_c)
    return plant


def crossed(*places):
    return {(a, p): (SWAPPED[a], p) for a in SWAPPED for p in places}


def lines(run):
    return [" ".join(v.lines) for v in run.verdicts]


@pytest.mark.parametrize(
    ("north", "south"),
    [
        (Chamber, Chamber),
        (chambers.DeepBox, chambers.WetSand),
        (chambers.DryPeat, chambers.CardUnder),
        (chambers.ShallowBags, chambers.Jacketed),
    ],
)
def test_right_wiring_passes(north, south):
    plant = bench(north(), south())
    run = plant.prove()
    assert run.passed, lines(run)
    assert plant.state.proved
    assert run.summary == "wiring proved: north, south"
    told = [e for e in plant.events if e.kind is EventKind.PROVED]
    assert len(told) == 1
    plant.run(0.1)
    assert [e for e in plant.events if e.kind is EventKind.PROVED] == told


def test_before_it_is_proved_nothing_is_heated_and_after_it_the_box_warms():
    plant = bench()
    plant.run(0.2)
    assert not any(r.heat for r in plant.records[NORTH])
    plant.prove()
    plant.run(0.2)
    assert plant.records[NORTH][-1].heat or any(r.heat for r in plant.records[NORTH][-60:])


def test_one_chamber_at_a_time_is_heated():
    plant = bench()
    plant.prove()
    for north, south in zip(plant.records[NORTH], plant.records[SOUTH], strict=True):
        assert not (north.heat and south.heat)


@pytest.mark.parametrize("places", [EVERY, (Place.MAT,), (Place.SUBSTRATE,)])
def test_crossed_probes_are_refused_in_both_chambers(places):
    plant = bench(probe_of=crossed(*places))
    run = plant.prove()
    assert [v.passed for v in run.verdicts] == [False, False]
    assert "heating north warmed the probe that the config calls south" in lines(run)[0]
    assert "are plugs or probes crossed?" in lines(run)[0]
    assert "heating south warmed the probe that the config calls north" in lines(run)[1]
    assert not plant.state.proved
    plant.run(0.1)
    assert not plant.heat


def test_crossed_plugs_are_refused_in_both_chambers():
    run = bench(plug_of=SWAPPED).prove()
    assert [v.passed for v in run.verdicts] == [False, False]
    assert all("are plugs or probes crossed?" in text for text in lines(run))
    assert not any("plugged in" in text for text in lines(run))


def test_crossed_plugs_of_boxes_that_cool_are_refused_too():
    run = bench(plug_of=SWAPPED, warm_w=30.0, room_c=5.0).prove()
    assert [v.passed for v in run.verdicts] == [False, False]
    assert all("are plugs or probes crossed?" in text for text in lines(run))


def test_mat_and_wet_layer_swapped_in_one_box_is_said():
    swap = {
        (NORTH, Place.MAT): (NORTH, Place.SUBSTRATE),
        (NORTH, Place.SUBSTRATE): (NORTH, Place.MAT),
    }
    run = bench(probe_of=swap).prove()
    assert [v.passed for v in run.verdicts] == [False, True]
    assert "are these two swapped?" in lines(run)[0]


def test_an_unplugged_mat_is_said():
    plant = bench()
    plant.unplugged.add(SOUTH)
    run = plant.prove()
    assert [v.passed for v in run.verdicts] == [True, False]
    assert "is the mat plugged in" in lines(run)[1]
    assert run.summary == "wiring not proved: south"


def test_a_wet_layer_probe_that_lies_in_the_room_is_said():
    lost = {(NORTH, Place.SUBSTRATE): (NORTH, Place.ROOM)}
    run = bench(probe_of=lost).prove()
    assert [v.passed for v in run.verdicts] == [False, True]
    assert "wet-layer probe did not answer" in lines(run)[0]


def test_a_room_probe_that_lies_on_the_mat_is_said():
    on_mat = {(NORTH, Place.ROOM): (NORTH, Place.MAT)}
    run = bench(probe_of=on_mat).prove()
    assert not run.verdicts[0].passed
    assert "north room" in lines(run)[0]


@pytest.mark.parametrize(
    ("north", "south"), [(Chamber, Chamber), (chambers.DeepBox, chambers.ShallowBags)]
)
def test_warm_boxes_that_cool_while_they_are_proved_pass(north, south):
    """25 °C of callus zone in a 5 °C shed, heat off from the first minute."""
    plant = bench(north(), south(), warm_w=30.0, room_c=5.0)
    run = plant.prove()
    assert run.passed, lines(run)


def test_a_room_that_warms_by_two_kelvin_an_hour_does_not_spoil_it():
    run = bench(room_c=lambda now_s: 8.0 + 2.0 * (now_s - 1000.0) / 3600.0, start_c=8.0).prove()
    assert run.passed, lines(run)


def test_without_mat_probes_right_passes_and_crossed_is_refused():
    probes = {Place.SUBSTRATE, Place.ROOM}
    cfg = config(
        north=chamber_keys(0, tuple(probes)),
        south=chamber_keys(1, tuple(probes)),
    )
    boxes = {NORTH: Chamber(), SOUTH: Chamber()}
    run = Plant(cfg, boxes, proved=False).prove()
    assert run.passed, lines(run)
    boxes = {NORTH: Chamber(), SOUTH: Chamber()}
    run = Plant(cfg, boxes, proved=False, plug_of=SWAPPED).prove()
    assert [v.passed for v in run.verdicts] == [False, False]
    assert "are plugs or probes crossed?" in lines(run)[0]


def test_a_pulse_that_cannot_heat_breaks_the_run_off_with_the_reason():
    plant = bench()
    plant.override = lambda name, place, raw: (
        silent(raw) if (name, place) == (NORTH, Place.MAT) and plant.now_s > 1350.0 else raw
    )
    run = plant.prove()
    assert run.cancelled == "north: mat probe lost"
    assert not plant.heat
    assert not plant.state.proved


def test_a_run_broken_off_leaves_an_older_proof_unless_a_chamber_had_failed():
    verdict = proving.Verdict
    broken = replace(proving.begin((NORTH,)), cancelled="stopped by hand")
    assert broken.finished
    assert not broken.passed
    assert broken.proves(True)
    assert not broken.proves(False)
    failed = replace(broken, verdicts=(verdict(SOUTH, False, ("no",)),))
    assert not failed.proves(True)
    done = proving.Proving((), verdicts=(verdict(NORTH, True, ()),))
    assert done.proves(False)


def test_silent_probes_end_in_a_refusal_and_never_raise():
    run = proving.begin((NORTH,))
    for i in range(1200):
        run = proving.advance(run, {NORTH: ()}, i * 10.0)
    assert run.finished
    assert not run.passed
    assert "did not answer" in run.verdicts[0].lines[0]


@pytest.mark.parametrize("probes", [(Place.SUBSTRATE, Place.ROOM, Place.MAT), (Place.SUBSTRATE,)])
@pytest.mark.parametrize("box", [Chamber, chambers.DryPeat])
def test_the_box_heated_before_settles_before_the_next_is_judged(probes, box):
    """100 W lift a wet layer for a quarter of an hour after the pulse has ended."""
    cfg = config(
        north=chamber_keys(0, probes, heater={"gpio": 17, "watts": 100.0}, offset=FIXED),
        south=chamber_keys(1, probes, heater={"gpio": 18, "watts": 100.0}, offset=FIXED),
    )
    run = Plant(cfg, {NORTH: box(), SOUTH: box()}, proved=False).prove()
    assert run.passed, lines(run)


def test_a_warm_box_without_a_mat_probe_may_be_refused_and_is_told_to_cool():
    plant = bench(warm_w=30.0, room_c=5.0, probes=(Place.SUBSTRATE, Place.ROOM))
    run = plant.prove()
    assert not run.verdicts[0].passed
    assert "it was still warm" in lines(run)[0]
