"""Simulated boxes with faults: a welded contact, a dead mat, a probe that lies or freezes.

``plant.Plant`` with what the detectors have to do with: a second relay in series, a keeper that
says what it did, probes that do not read the place they are named for.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from typing import Any

import chambers
from bottomheat import cycle
from bottomheat.campaign_boxes import BOXES
from bottomheat.chamber import Chamber
from bottomheat.model import Alarm, EventKind, Feedback, Place, Raw, Sample
from bottomheat.protect.tending import Doing, Tending
from bottomheat.protect.watch import Facts
from plant import COUNT_K, MODEL_PLACE, NOISE_K, Plant, chamber_keys, config

CYCLE_S = 30.0
HOUR = round(3600.0 / CYCLE_S)

FACTS = Facts(
    heat=False,
    readings_c={Place.SUBSTRATE: 25.0, Place.MAT: 30.0, Place.ROOM: 15.0},
    mat_c=30.0,
    substrate_c=25.0,
    room_c=15.0,
    other_rooms_c={},
    likely_c=24.0,
    estimate_c=24.0,
    setpoint_c=25.0,
    needed_c=28.0,
    duty=0.4,
    short=False,
    no_heat=None,
    tending=False,
    modulated=True,
    pulse=False,
    heard=True,
    window_s=600.0,
    series=True,
    series_open=False,
    closed=False,
    watts=45.0,
    mat_margin_k=20.0,
    full_power_rise_k=None,
    cycle_s=CYCLE_S,
)
"""One cycle's facts of a bed that is held, heat off."""

Truth = Callable[[Any, float], float]
"""(box, room in °C) -> what a probe that lies elsewhere is surrounded by, °C."""


MAKES: dict[str, Callable[[], Any]] = {
    "nominal": Chamber,
    "shallow": lambda: Chamber(BOXES["shallow"]),
    "jacketed": lambda: Chamber(BOXES["jacketed"]),
    "other make, deep": chambers.DeepBox,
    "other make, wet sand": chambers.WetSand,
}
"""Boxes to try every fault on: the model that ships with other sizes, and one written apart."""


def factor_of(box: Any) -> float:
    """Temperature factor of a box of either make."""
    if hasattr(box, "factor"):
        return box.factor()
    return box.settled("callus", 1.0, 0.0) / box.settled("substrate", 1.0, 0.0)


def keys_of(box: Any, no: int = 0, *, series: bool = False, **more: Any) -> dict[str, Any]:
    """Keys of a chamber that is calibrated for a box."""
    keys = chamber_keys(
        no, **{"offset": {"method": "temperature-factor", "factor": factor_of(box)}, **more}
    )
    if series:
        keys["keeper"] = {**keys.get("keeper", {}), "series_relay": {"gpio": 22 + no}}
    return keys


class Beds(Plant):
    """Boxes whose faults are ordered by hand.

    Attributes:
        welded: chambers whose heat contact stays closed.
        series_welded: the same of the series contact.
        power_share: share of its rating that a mat gives, by chamber; 1 where missing.
        lies: what a probe is really surrounded by, by (chamber, place).
        stuck_at: probes that show one count for ever, by (chamber, place), °C.
        noise_k: of the probes, standard deviation.
        silent_keeper: the keeper says nothing.
    """

    def __init__(self, config: Any, boxes: Mapping[str, Any], **more: Any) -> None:
        super().__init__(config, boxes, **more)
        self.welded: set[str] = set()
        self.series_welded: set[str] = set()
        self.power_share: dict[str, float] = {}
        self.lies: dict[tuple[str, Place], Truth] = {}
        self.stuck_at: dict[tuple[str, Place], float] = {}
        self.noise_k = NOISE_K
        self.silent_keeper = False
        self._open_series: frozenset[str] = frozenset()

    def powered(self, name: str) -> bool:
        """Whether current flows to the plug of a chamber."""
        if name not in self.heat and name not in self.welded:
            return False
        if self.config.chambers[name].keeper.series_relay is None:
            return True
        return name not in self._open_series or name in self.series_welded

    def step(self) -> cycle.Step:
        dt_s = self.config.cycle_s
        self.now_s += dt_s
        room_c = self.room_c(self.now_s) if callable(self.room_c) else self.room_c
        hot = {self._plug_of.get(name, name) for name in self.config.chambers if self.powered(name)}
        for name, box in self.boxes.items():
            on = name in hot and name not in self.unplugged
            watts = self._watts(name) * self.power_share.get(name, 1.0)
            box.advance(dt_s, watts if on else 0.0, room_c)
            self.callus_c[name].append(box.temperature("callus"))
        step = cycle.advance(
            self.state, self._seen(dt_s, room_c), self.now_s, self.config, self._feedback()
        )
        self.state, self.heat, self._open_series = step.state, step.heat, step.open_series
        self.events += step.events
        for record in step.records:
            self.records[record.chamber].append(record)
        return step

    def forget(self) -> None:
        """Begin events, records and courses anew."""
        self.events.clear()
        for rows in (*self.records.values(), *self.callus_c.values()):
            rows.clear()

    def until(self, done: Callable[[], bool], most_hours: float) -> float:
        """Step until something is so; how long that took, h.  Fails where it never is."""
        for count in range(round(most_hours * HOUR)):
            if done():
                return count / HOUR
            self.step()
        assert done(), f"not within {most_hours} h"
        return most_hours

    def alarms(self, name: str = "bench") -> frozenset[Alarm]:
        """Alarms that stand."""
        return self.state.chambers[name].alarms

    def latched(self, name: str = "bench") -> str | None:
        """Why a chamber is latched, or None."""
        return self.state.chambers[name].cutoff.latched

    def raised(self, since: int = 0) -> set[Alarm]:
        """Alarms raised since the event of that number."""
        kind = EventKind.ALARM_RAISED
        return {e.alarm for e in self.events[since:] if e.kind is kind and e.alarm is not None}

    def diagnosed(self, since: int = 0) -> list[str]:
        """What has been found out since the event of that number."""
        return [e.text for e in self.events[since:] if e.kind is EventKind.DIAGNOSED]

    def heated(self, name: str = "bench", last: int | None = None) -> float:
        """Share of the last cycles in which heat was commanded."""
        records = self.records[name] if last is None else self.records[name][-last:]
        return sum(r.heat for r in records) / max(1, len(records))

    def temperature(self, place: Place, name: str = "bench") -> float:
        """True temperature of a place, °C."""
        return self.boxes[name].temperature(MODEL_PLACE[place])

    def tend(self, hours: float, name: str = "bench") -> None:
        """Say that a box is open."""
        spell = Tending(Doing.FILL, self.now_s, self.now_s + hours * 3600.0)
        self.state = cycle.tend(self.state, name, spell)

    def freeze(self, place: Place, name: str = "bench") -> None:
        """Let a probe show its last count from now on."""
        reading = dict(self.state.chambers[name].readings)[place]
        self.stuck_at[name, place] = reading.celsius

    def _feedback(self) -> dict[str, Feedback] | None:
        if all(c.keeper.series_relay is None for c in self.config.chambers.values()):
            return {} if self.silent_keeper else None
        if self.silent_keeper:
            return {}
        return {
            name: Feedback(
                closed=name in self.heat,
                series_closed=None
                if chamber.keeper.series_relay is None
                else name not in self._open_series,
            )
            for name, chamber in self.config.chambers.items()
        }

    def _seen(self, dt_s: float, room_c: float) -> dict[str, dict[Place, Raw]]:
        true_of = {}
        for key, truth in self.lies.items():
            true_of[key] = truth(self.boxes[key[0]], room_c)
        boxes = self.boxes
        self.boxes = {
            name: _Elsewhere(box, {p: c for (n, p), c in true_of.items() if n == name})
            for name, box in boxes.items()
        }
        try:
            raws = self._read(dt_s)
        finally:
            self.boxes = boxes
        for (name, place), celsius in self.stuck_at.items():
            raws[name][place] = Sample(celsius, self.now_s)
        if self.noise_k != NOISE_K:
            for name, chamber in self.config.chambers.items():
                for place in chamber.probes.by_place():
                    if (name, place) in self.stuck_at:
                        continue
                    seen_c = self._probe_c[self._probe_of.get((name, place), (name, place))]
                    count = round((seen_c + self._random.gauss(0.0, self.noise_k)) / COUNT_K)
                    raws[name][place] = Sample(count * COUNT_K, self.now_s)
        return raws


class _Elsewhere:
    """A box as probes see it of which some lie elsewhere."""

    def __init__(self, box: Any, celsius: Mapping[Place, float]) -> None:
        self._box = box
        self._celsius = {MODEL_PLACE[place]: value for place, value in celsius.items()}

    def temperature(self, model: str) -> float:
        value = self._celsius.get(model)
        return self._box.temperature(model) if value is None else value


_WARMED: dict[Any, Beds] = {}


def warmed(
    make: Callable[[], Any] = Chamber,
    *,
    room_c: float = 12.0,
    hours: float = 20.0,
    noise_k: float = NOISE_K,
    second: bool = False,
    **more: Any,
) -> Beds:
    """One box, "bench", held for long enough that its answers are learned; a copy each time."""
    key = (make, room_c, hours, noise_k, second, repr(sorted(more.items())))
    if key not in _WARMED:
        probes = (Place.SUBSTRATE, Place.ROOM, Place.MAT)
        if second:
            probes = (Place.SUBSTRATE, Place.SUBSTRATE_2, Place.ROOM, Place.MAT)
        probes = more.pop("probes", probes)
        box = make()
        keys = keys_of(box, probes=probes, **more)
        beds = Beds(config(cycle_s=CYCLE_S, bench=keys), {"bench": box}, room_c=room_c)
        beds.noise_k = noise_k
        beds.run(hours)
        beds.forget()
        _WARMED[key] = beds
    return copy.deepcopy(_WARMED[key])
