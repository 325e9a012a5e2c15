"""Orders for faults: read as typed, written as read, and refused in one sentence."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.campaign_boxes import Scene, config_of, scene_world
from bottomheat.errors import InputError
from bottomheat.rehearse_acts import Order, spell
from bottomheat.rehearse_faults import check, make_order, parse
from bottomheat.rehearse_kinds import KINDS
from bottomheat.rehearse_models import GuardedModel
from bottomheat.rehearse_world import Stand

NORTH, SOUTH = "north-bench", "south-bench"
PAIR = Scene(("nominal", "shallow"), "10", (45.0, 45.0), 7, second_probe=True, callus_probe=True)
CONFIG = config_of(PAIR)


def test_an_order_is_read_with_what_is_usual_for_its_kind() -> None:
    assert parse("mat-dead@36h", CONFIG) == Order("mat-dead", 129_600.0, None, NORTH)
    assert parse("south-bench/probe-frozen.room@2d4h:90m", CONFIG) == Order(
        "probe-frozen", 187_200.0, 5400.0, SOUTH, "room"
    )
    assert parse("lid-off@0", CONFIG) == Order("lid-off", 0.0, 2400.0, NORTH)
    assert parse("sun=25@1.5h:5h", CONFIG) == Order("sun", 5400.0, 18_000.0, NORTH, None, 25.0)
    assert parse("cold-snap@90m", CONFIG).value == -12.0
    assert parse("probe-lost@1h", CONFIG).place == "substrate"


@st.composite
def orders(draw: st.DrawFn) -> Order:
    kind = KINDS[draw(st.sampled_from(sorted(KINDS)))]
    lasts_s = draw(st.integers(1, 10**6)) if kind.end is not None or kind.name == "tend" else None
    return make_order(
        kind.name,
        float(draw(st.integers(0, 10**7))),
        draw(st.sampled_from((NORTH, SOUTH))),
        place=str(draw(st.sampled_from(kind.places))) if kind.places else None,
        lasts_s=None if lasts_s is None else float(lasts_s),
        value=None if kind.value is None else float(draw(st.integers(1, 100))),
    )


@given(orders())
def test_what_is_written_is_read_again(ordered: Order) -> None:
    assert parse(str(ordered), CONFIG) == ordered


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused_in_one_sentence(text: str) -> None:
    said, found = "", None
    try:
        found = parse(text, CONFIG)
    except InputError as error:
        said = str(error)
    assert (found is None) is said.startswith("--fault")
    assert "\n" not in said


REFUSED = [
    ("", "cannot be read"),
    ("mat-dead", "cannot be read"),
    ("mat-dead@", "cannot be read"),
    ("@36h", "cannot be read"),
    ("mat-dead@1h:2h:3h", "cannot be read"),
    ("mat-daed@36h", "did you mean mat-dead"),
    ("fire@36h", "no kind 'fire'"),
    ("attic/mat-dead@36h", "no chamber 'attic'; it has north-bench, south-bench"),
    ("/mat-dead@36h", "no chamber ''"),
    ("mat-dead.room@36h", "not about a place"),
    ("probe-lost.attic@36h", "no place 'attic'; it goes with substrate, substrate-2, room"),
    ("probe-lost.top@36h", "no place 'top'"),
    ("mat-dead@soon", "the time 'soon' is not a length of time"),
    ("mat-dead@-3h", "the time '-3h'"),
    ("mat-dead@36h:0h", "must be longer than nothing"),
    ("mat-dead@9999d", "a year at most"),
    ("mat-dead=3@36h", "has no size"),
    ("sun=bright@36h", "'bright' is no number; it is W"),
    ("sun=-5@36h", "give 0 to 200"),
    ("sun=nan@36h", "not possible"),
    ("cold-snap=-900@36h", "give -200 to 200"),
]


@pytest.mark.parametrize(("text", "said"), REFUSED)
def test_nonsense_is_refused_in_one_sentence(text: str, said: str) -> None:
    with pytest.raises(InputError) as refused:
        parse(text, CONFIG)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


def test_what_the_rehearsal_does_not_have_is_refused() -> None:
    alone = Scene(("nominal",), "10", (45.0,), 7, series=False, keeper_probe=False)
    world = scene_world(alone, 1.0)
    for text, said in (
        ("crossed-plugs@1h", "needs 2 chambers; the config has only one"),
        ("series-stuck@1h", "needs a series relay, and north-bench has none"),
        ("probe-lost.keeper@1h", "the keeper of north-bench has no probe of its own"),
        ("probe-lost.callus@1h", "north-bench has no probe there"),
        ("probe-frozen.substrate-2@1h", "north-bench has no probe there"),
    ):
        with pytest.raises(InputError, match=said):
            check([parse(text, world.config)], world.config, world.stands)
    check([parse("mat-dead@1h", world.config)], world.config, world.stands)


class Plain:
    """A chamber that nothing can be done to."""

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None: ...

    def temperature(self, place: str) -> float:
        return 20.0


class Brittle(Plain):
    def open_lid(self, state: str) -> None:
        raise RuntimeError("the hinge broke")


def test_a_chamber_without_the_method_is_one_clear_sentence() -> None:
    world = scene_world(Scene(("nominal",), "10", (45.0,), 7), 1.0)
    stand = world.stands[NORTH]
    for kind, hook in (
        ("lid-off", "open_lid"),
        ("water", "open_lid"),
        ("bags", "open_lid"),
        ("sun", "set_sun"),
        ("lamp", "set_sun"),
    ):
        plain = {NORTH: Stand(GuardedModel(Plain(), "boxes.py:Plain"), stand.heat, stand.series)}
        said = f"--fault {kind} needs a chamber with {hook}, which boxes.py:Plain lacks"
        with pytest.raises(InputError, match=said):
            check([make_order(kind, 0.0, NORTH)], world.config, plain)
    brittle = GuardedModel(Brittle(), "boxes.py:Brittle")
    with pytest.raises(InputError, match=r"Brittle failed in open_lid\(off\) with RuntimeError"):
        brittle.do("open_lid", "off")


@given(st.integers(0, 10**8))
def test_a_time_is_spelled_exactly(seconds: int) -> None:
    units = {"d": 86_400, "h": 3600, "m": 60, "s": 1}
    total, digits = 0, ""
    for letter in spell(seconds):
        if letter.isdigit():
            digits += letter
        else:
            total, digits = total + int(digits) * units[letter], ""
    assert total == seconds
