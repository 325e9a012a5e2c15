"""The kinds of faults to order, and the alarms that are right for each.

Every other alarm that a run with one raises, and its fault-free twin does not, is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from bottomheat import rehearse_acts as acts
from bottomheat import rehearse_nights as nights
from bottomheat.config import Config
from bottomheat.model import Alarm, Place
from bottomheat.protect.tending import Doing
from bottomheat.rehearse_acts import Act, During, Order
from bottomheat_drivers.simulated import ProbeFault


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of fault.

    Attributes:
        name: for ``--fault``.
        words: what happens, for a person.
        begin: does it.
        end: undoes it, where it can end.
        during: called each cycle with the seconds since it began.
        lasts_s: how long it lasts unless told, s; None: to the end.
        right: alarms that say it; one of them is enough.
        also: alarms that are no mistake beside these.
        places: probes it can be about, the usual one first; empty: it is not about a probe.
        value: its usual size, and the unit of it in ``unit``.
        hooks: methods that the chamber model needs.
        chambers: how many chambers it needs.
        everywhere: it befalls every chamber, whichever it is ordered for.
        sure: it must be known once the wet layer has left its fault-free course.
        heat_off: heat has to go off for it.
        may_latch: a latched cutoff is a right response.
        foretold: its alarm has to come before the callus zone leaves its band.
        expect: what to expect of it, for a person, where the alarm alone does not say.
    """

    name: str
    words: str
    begin: Act
    end: Act | None = None
    during: During | None = None
    lasts_s: float | None = None
    right: frozenset[Alarm] = frozenset()
    also: frozenset[Alarm] = frozenset()
    places: tuple[str, ...] = ()
    value: float | None = None
    unit: str = ""
    hooks: tuple[str, ...] = ()
    chambers: int = 1
    everywhere: bool = False
    sure: bool = True
    heat_off: bool = False
    may_latch: bool = False
    foretold: bool = False
    expect: str = ""


_A = Alarm
_LAYER = (Place.SUBSTRATE, Place.SUBSTRATE_2)
_ANY = (*_LAYER, Place.ROOM, Place.MAT, Place.CALLUS, acts.KEEPER)
_ROOM_RIGHT: Final = frozenset({_A.ROOM_DOUBTED, _A.ROOM_LOST})
_CUT: Final = frozenset({_A.CUTOFF, _A.KEEPER_LATCHED})
_COLD: Final = frozenset({_A.HEAT_LOST, _A.SHORTFALL})
_FALLS: Final = frozenset({_A.NO_EFFECT, _A.KEEPER_HOLDS, _A.PROBE_LOST})
"""A probe that falls out jumps, and jumps are rejected."""

_CROSSING: Final = frozenset(
    {_A.NO_EFFECT, _A.RELAY_STUCK_ON, _A.CALLUS_HOT, _A.WARM_WITHOUT_HEAT, _A.KEEPER_HOLDS}
)
"""What a crossed bed looks like to a model of itself alone."""

_DISPLACED: Final = frozenset({_A.PROBE_DISPLACED, _A.PROBE_FROZEN, _A.SUBSTRATES_DISAGREE})


def _of(*alarms: Alarm) -> frozenset[Alarm]:
    return frozenset(alarms)


def _probe(name: str, words: str, begin: Act, right: frozenset[Alarm], **more: object) -> Kind:
    """A kind about a probe; heat goes off, unless a second probe of the layer stands in."""
    given = {"end": acts.mend_probe, "places": _ANY, "heat_off": True, **more}
    return Kind(name, words, begin, right=right, **given)  # type: ignore[arg-type]


_LIST: Final = (
    Kind(
        "relay-stuck-on",
        "the heat relay's contact welds when it closes next",
        acts.weld_next,
        acts.mend_relay,
        right=_of(_A.RELAY_STUCK_ON) | _CUT,
        also=_COLD | _of(_A.CALLUS_HOT, _A.KEEPER_HOLDS),
        heat_off=True,
        may_latch=True,
    ),
    Kind(
        "relay-stuck-on-at-once",
        "the heat relay's contact is welded at once, open or closed",
        acts.weld,
        acts.mend_relay,
        right=_of(_A.RELAY_STUCK_ON) | _CUT,
        also=_COLD | _of(_A.CALLUS_HOT, _A.KEEPER_HOLDS),
        heat_off=True,
        may_latch=True,
    ),
    Kind(
        "relay-stuck-off",
        "the heat relay's contact closes no more",
        acts.dead_coil,
        acts.mend_relay,
        right=_of(_A.NO_EFFECT, _A.HEAT_LOST),
        also=_COLD,
    ),
    Kind(
        "mat-dead",
        "the mat conducts no more",
        acts.power_share(0.0),
        acts.power_share(1.0),
        right=_of(_A.NO_EFFECT, _A.HEAT_LOST),
        also=_COLD,
    ),
    Kind(
        "mat-weak",
        "the mat takes half its power",
        acts.power_share(acts.WEAK_SHARE),
        acts.power_share(1.0),
        right=_of(_A.NO_EFFECT, _A.SHORTFALL, _A.HEAT_LOST),
        also=_of(_A.TONIGHT),
    ),
    _probe(
        "probe-lost",
        "the probe is unplugged",
        acts.break_probe(ProbeFault.UNPLUGGED),
        _of(_A.PROBE_LOST),
        also=_COLD | _of(_A.KEEPER_HOLDS),
    ),
    _probe(
        "probe-85",
        "the probe sends 85 °C, its power-on value",
        acts.break_probe(ProbeFault.POWER_ON),
        _of(_A.PROBE_LOST),
        also=_COLD | _of(_A.KEEPER_HOLDS),
    ),
    _probe(
        "probe-shorted",
        "the probe's data line is shorted",
        acts.break_probe(ProbeFault.SHORTED),
        _of(_A.PROBE_LOST),
        also=_COLD | _of(_A.KEEPER_HOLDS),
    ),
    _probe(
        "probe-garbled",
        "the probe's answers arrive with a wrong checksum",
        acts.break_probe(ProbeFault.CRC),
        _of(_A.PROBE_LOST),
        also=_COLD | _of(_A.KEEPER_HOLDS),
    ),
    _probe(
        "probe-frozen",
        "the probe repeats its last value for ever",
        acts.break_probe(ProbeFault.FROZEN),
        _DISPLACED,
        also=_COLD | _of(_A.NO_EFFECT, _A.KEEPER_HOLDS) | _CUT,
        may_latch=True,
    ),
    _probe(
        "probe-displaced",
        "the probe falls out and lies in the room",
        acts.displace(Place.ROOM),
        _DISPLACED,
        also=_COLD | _FALLS | _CUT,
        may_latch=True,
    ),
    _probe(
        "probe-displaced-top",
        "the probe is pulled up and lies in the air of the box",
        acts.displace(Place.TOP),
        _DISPLACED,
        also=_COLD | _FALLS | _CUT,
        may_latch=True,
    ),
    _probe(
        "probe-displaced-half",
        "the probe slips half way out, between its place and the room",
        acts.between(Place.ROOM, acts.HALF_OUT_SHARE),
        _DISPLACED,
        also=_COLD | _FALLS | _CUT,
        may_latch=True,
    ),
    _probe(
        "probe-drift",
        "the probe's error grows",
        acts.nothing,
        _DISPLACED,
        also=_COLD | _of(_A.NO_EFFECT),
        during=acts.drift,
        value=-2.0,
        unit="K a day",
        sure=False,
        heat_off=False,
    ),
    _probe(
        "probe-offset",
        "the probe is off from one reading to the next",
        acts.offset,
        _DISPLACED,
        also=_COLD | _of(_A.NO_EFFECT),
        value=-2.0,
        unit="K",
        sure=False,
        heat_off=False,
    ),
    Kind(
        "room-sunlit",
        "the sun lies on the room probe",
        acts.nothing,
        acts.mend_probe,
        acts.sunlit,
        lasts_s=3 * acts.HOUR_S,
        right=_ROOM_RIGHT,
        places=(Place.ROOM,),
        value=8.0,
        unit="K",
        sure=False,
    ),
    Kind(
        "room-near-box",
        "the room probe lies against the box and follows its heat",
        acts.between(Place.SUBSTRATE, acts.NEAR_BOX_SHARE),
        acts.mend_probe,
        right=_ROOM_RIGHT,
        places=(Place.ROOM,),
        sure=False,
    ),
    Kind(
        "crossed-plugs",
        "the mats of two boxes are swapped at the plugs",
        acts.cross_plugs,
        acts.uncross_plugs,
        right=_of(_A.CROSSED),
        also=_COLD | _DISPLACED | _CROSSING | _CUT,
        chambers=2,
        heat_off=True,
        may_latch=True,
    ),
    Kind(
        "crossed-probes",
        "the probes of two boxes are swapped",
        acts.cross_probes,
        acts.uncross_probes,
        # Two layer probes that lie elsewhere say so first, each of its own box.
        right=_of(_A.CROSSED) | _DISPLACED,
        also=_COLD | _CROSSING | _CUT | _of(_A.ROOM_DOUBTED, _A.WARM_WITHOUT_HEAT),
        places=(Place.SUBSTRATE, Place.MAT),
        chambers=2,
        heat_off=True,
        may_latch=True,
    ),
    Kind(
        "series-stuck",
        "the series relay's contact is welded",
        acts.weld_series,
        acts.mend_series,
        right=_of(_A.SERIES_STUCK),
        sure=False,
    ),
    Kind(
        "lid-off",
        "the lid is taken off",
        acts.lid("off"),
        acts.lid("on"),
        lasts_s=40 * acts.MINUTE_S,
        also=_of(_A.SHORTFALL),
        hooks=("open_lid",),
        sure=False,
    ),
    Kind(
        "lid-ajar",
        "the lid is set ajar",
        acts.lid("ajar"),
        acts.lid("on"),
        lasts_s=40 * acts.MINUTE_S,
        also=_of(_A.SHORTFALL),
        hooks=("open_lid",),
        sure=False,
    ),
    Kind(
        "water",
        "the lid is off and the layer is watered at 8 °C",
        acts.water,
        acts.lid("on"),
        lasts_s=10 * acts.MINUTE_S,
        also=_of(_A.SHORTFALL),
        value=acts.WATER_LITRES,
        unit="litres",
        hooks=("open_lid", "add_water"),
        sure=False,
    ),
    Kind(
        "bags",
        "the lid is off and bags of 4 °C take the place of warm ones",
        acts.bags,
        acts.lid("on"),
        lasts_s=20 * acts.MINUTE_S,
        also=_of(_A.SHORTFALL),
        value=acts.BAGS_KG,
        unit="kg",
        hooks=("open_lid", "place_bags"),
        sure=False,
    ),
    Kind(
        "tend",
        "the grower says that the box is being tended",
        acts.tend,
        lasts_s=30 * acts.MINUTE_S,
        places=tuple(Doing),
        sure=False,
    ),
    Kind(
        "sun",
        "sun through a window warms the medium",
        acts.nothing,
        acts.dark,
        acts.sun,
        lasts_s=5 * acts.HOUR_S,
        right=_of(_A.WARM_WITHOUT_HEAT),
        also=_of(_A.CALLUS_HOT),
        value=60.0,
        unit="W at its highest",
        hooks=("set_sun",),
        sure=False,
    ),
    Kind(
        "lamp",
        "a lamp warms the medium",
        acts.lamp,
        acts.dark,
        lasts_s=12 * acts.HOUR_S,
        right=_of(_A.WARM_WITHOUT_HEAT),
        also=_of(_A.CALLUS_HOT),
        value=15.0,
        unit="W",
        hooks=("set_sun",),
        sure=False,
    ),
    Kind(
        "warm-shed",
        "the room warms",
        acts.nothing,
        acts.room_back,
        acts.shift_room,
        lasts_s=8 * acts.HOUR_S,
        right=_of(_A.WARM_WITHOUT_HEAT),
        # At once by 15 K, which only the sun on a probe does: to doubt it at first is right.
        also=_of(_A.CALLUS_HOT, _A.ROOM_DOUBTED, _A.SHORTFALL),
        value=15.0,
        unit="K",
        everywhere=True,
        sure=False,
    ),
    Kind(
        "cold-snap",
        "the room cools",
        acts.nothing,
        acts.room_back,
        acts.shift_room,
        right=_of(_A.SHORTFALL),
        also=_COLD | _of(_A.TONIGHT),
        value=-12.0,
        unit="K",
        everywhere=True,
        sure=False,
    ),
    Kind(
        "cold-night",
        "a cold night comes: for 8 hours the room falls, to where the mat would leave the bases "
        "so much too cold in the end",
        nights.begin,
        nights.end,
        nights.during,
        lasts_s=nights.LASTS_S,
        right=_of(_A.TONIGHT),
        also=_COLD,
        value=nights.SHORT_K,
        unit="kelvins",
        everywhere=True,
        foretold=True,
        expect="a warning in the evening, up to some hours before the bases are too cold (a "
        "shallow bed may be as quick as the warning); nothing cut out, nothing blamed. Order it "
        "for the second afternoon (38h) or later: until then there is no day to go by",
    ),
    Kind(
        "power-cut",
        "the mains are out",
        lambda world, _: world.cut_power(),
        lambda world, _: world.restore_power(),
        lasts_s=4 * acts.HOUR_S,
        also=_COLD,
        everywhere=True,
        sure=False,
    ),
    Kind(
        "daemon-hang",
        "the daemon hangs and sends no lease",
        lambda world, _: world.hang_daemon(),
        lambda world, _: world.wake_daemon(),
        lasts_s=30 * acts.MINUTE_S,
        right=_of(_A.DAEMON_SILENT),
        also=_COLD,
        everywhere=True,
        sure=False,
        heat_off=True,
    ),
    Kind(
        "keeper-hang",
        "the keeper hangs",
        lambda world, _: world.hang_keeper(),
        lambda world, _: world.restart_keeper(),
        lasts_s=30 * acts.MINUTE_S,
        right=_of(_A.KEEPER_SILENT),
        also=_COLD | _of(_A.KEEPER_HOLDS),
        everywhere=True,
        sure=False,
        heat_off=True,
    ),
)
KINDS: Final[Mapping[str, Kind]] = {kind.name: kind for kind in _LIST}


def right_alarms(order: Order) -> frozenset[Alarm]:
    """Alarms that say what was ordered; any of them is enough."""
    kind = KINDS[order.kind]
    if order.place == Place.ROOM:
        return _ROOM_RIGHT
    if order.place == acts.KEEPER:
        return frozenset({Alarm.KEEPER_HOLDS, Alarm.PROBE_LOST})
    if order.place == Place.MAT and kind.name.startswith("probe-displaced"):
        # The words of that alarm send the grower to the mat's probe too.
        return kind.right | {Alarm.NO_EFFECT, Alarm.PROBE_LOST}
    return kind.right


def allowed_alarms(order: Order) -> frozenset[Alarm]:
    """Alarms that are no mistake with what was ordered."""
    return right_alarms(order) | KINDS[order.kind].right | KINDS[order.kind].also


def heat_due_off(order: Order, config: Config) -> bool:
    """Whether heat has to go off for what was ordered.

    A second probe on the wet layer stands in for the first; losing the room or the callus probe
    leaves an estimate.
    """
    if not KINDS[order.kind].heat_off or order.place in (Place.ROOM, Place.CALLUS):
        return False
    if order.place == Place.MAT and order.kind.startswith("probe-displaced"):
        return False  # the duty is bounded to what the setpoint needs
    if order.place in (Place.SUBSTRATE, Place.SUBSTRATE_2):
        return Place.SUBSTRATE_2 not in config.chambers[order.chamber].probes.by_place()
    return True
