"""The bound of the duty: what nobody has seen may not hold the mat at full power for long."""

from __future__ import annotations

from dataclasses import replace

import pytest

from beds import FACTS, HOUR, MAKES, Beds, warmed
from bottomheat.model import Alarm, Place
from bottomheat.protect import detect
from bottomheat.protect import thresholds as th
from bottomheat.protect.layer import Layer
from bottomheat.protect.lead import Lead
from bottomheat.protect.watch import Watch

S, ROOM = Place.SUBSTRATE, Place.ROOM
every_box = pytest.mark.parametrize("make", MAKES.values(), ids=MAKES)


def creeps(beds: Beds, share: float, hours: float) -> None:
    """The wet-layer probe works its way out, so slowly that no single hour shows it."""
    from_s = beds.now_s

    def truth(box, room_c):
        gone = share * min(1.0, (beds.now_s - from_s) / (hours * 3600.0))
        return box.temperature("substrate") * (1.0 - gone) + room_c * gone

    beds.lies["bench", S] = truth


@pytest.mark.parametrize("share", [0.3, 0.5, 1.0])
@every_box
def test_a_probe_that_creeps_out_unseen_cannot_hold_the_mat_at_full_power(make, share):
    beds = warmed(make)
    usual = beds.state.chambers["bench"].law.duty
    creeps(beds, share, 6.0)
    beds.run(48)
    assert beds.heated(last=24 * HOUR) <= 1.25 * usual + 0.15
    # The project's bound for a single fault with a mat of 45 W.
    assert max(beds.callus_c["bench"]) < 32.0
    assert Alarm.RELAY_STUCK_ON not in beds.raised()


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7])
def test_nor_one_that_takes_a_day_to_creep_out(share):
    beds = warmed()
    before = beds.state.chambers["bench"].watch
    creeps(beds, share, 24.0)
    beds.run(72)
    after = beds.state.chambers["bench"].watch
    # A displacement is not learned: gains follow a layer that dries, and no further.
    assert after.lead.level_k < 1.3 * before.lead.level_k
    assert after.layer.full_k > before.layer.full_k / 1.3
    assert max(beds.callus_c["bench"]) < 32.0
    assert Alarm.RELAY_STUCK_ON not in beds.raised()


@pytest.mark.parametrize("share", [0.5, 1.0])
@every_box
def test_nor_where_there_is_no_mat_probe_to_see_it(make, share):
    beds = warmed(make, probes=(S, ROOM))
    usual = beds.state.chambers["bench"].law.duty
    creeps(beds, share, 6.0)
    beds.run(48)
    assert beds.heated(last=24 * HOUR) <= 1.25 * usual + 0.15
    assert max(beds.callus_c["bench"]) < 32.0


def test_a_bed_that_answers_may_have_full_power_for_as_long_as_it_needs():
    """After a cold shed has been filled the heat is on for hours, and rightly."""
    beds = warmed()
    beds.boxes["bench"].place_bags(8.0, 2.0)
    beds.run(12)
    assert beds.callus_c["bench"][-1] == pytest.approx(25.0, abs=0.7)


# --- by hand ------------------------------------------------------------------------------------

NOW_S = 1e5
LEARNED = Watch(
    lead=Lead(
        at_s=NOW_S,
        quick=0.4,
        slow_since=0.4,
        ripple_k=24.0,
        level_k=24.0,
        lead_k=9.6,
        mean_k=9.6,
        since=0.4,
    ),
    layer=Layer(at_s=NOW_S, full_k=26.0, room_c=15.0),
    held=True,
)
NEEDED = 0.5
"""(28 - 15) / 26: what the setpoint needs in that room."""

BED = replace(FACTS, heat=False, mat_c=34.6)


def cap(watch: Watch, facts=BED) -> float | None:
    _, finding = detect.advance(watch, facts, NOW_S + 30.0, frozenset())
    return finding.duty_cap


def test_a_bed_that_answers_is_not_bounded():
    assert cap(LEARNED) is None
    assert cap(replace(LEARNED, mean_duty=1.0)) is None


def test_a_bed_in_doubt_is_bounded_to_what_it_needs_and_a_little_on_top():
    bound = th.DUTY_FACTOR * NEEDED + th.DUTY_EXTRA_K / 26.0
    assert bound < 0.75
    assert cap(replace(LEARNED, no_effect="dead")) == pytest.approx(bound, abs=0.01)


def test_without_a_mat_probe_it_gets_what_it_needs_and_nothing_on_top():
    blind = replace(LEARNED, no_effect="dead", lead=Lead())
    assert cap(blind, replace(BED, mat_c=None)) == pytest.approx(NEEDED, abs=0.01)


def test_on_probation_it_gets_half_of_what_it_needs():
    tried = replace(LEARNED, probation_s=NOW_S + 1000.0)
    assert cap(tried) == pytest.approx(NEEDED / 2, abs=0.01)
    assert cap(replace(LEARNED, probation_s=NOW_S)) is None


def test_without_a_model_half_power_is_all_there_is():
    unknown = replace(LEARNED, no_effect="dead", layer=Layer(at_s=NOW_S, room_c=15.0))
    assert cap(unknown) == th.DUTY_UNMEASURED


@pytest.mark.parametrize(
    ("mean_duty", "rise_k", "due_k", "bounded"),
    [
        (0.9, 0.0, 2.0, True),
        (0.9, 0.0, 0.0, True),
        (0.9, 0.8, 2.0, True),
        (0.9, 1.2, 2.0, False),
        (0.9, 1.2, 1.0, True),
        (0.55, 0.8, 2.0, False),
    ],
)
def test_without_a_mat_probe_hours_of_heat_have_to_show_in_the_layer(
    mean_duty, rise_k, due_k, bounded
):
    path = tuple((25.0 + rise_k * i / 60, due_k * i / 60, due_k * i / 60 / 26) for i in range(61))
    layer = replace(LEARNED.layer, path=path, minute_s=NOW_S)
    blind = replace(LEARNED, lead=Lead(), layer=layer, mean_duty=mean_duty)
    found = cap(blind, replace(BED, mat_c=None))
    assert found == (pytest.approx(NEEDED, abs=0.01) if bounded else None)


def test_heat_for_hours_beyond_what_is_needed_is_bounded_where_the_lead_is_too_long():
    apart = replace(LEARNED, mean_duty=0.9)
    # The mat is 8 K warmer than its heat explains: the layer's probe may lie.
    assert cap(apart, replace(BED, mat_c=42.6)) is not None
    assert cap(replace(apart, mean_duty=0.3)) is None
