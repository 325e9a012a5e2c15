"""A bench of simulated boxes under the real cycle: quantised, lagging, noisy probes; fixed steps.

``plug_of`` and ``probe_of`` say which box a plug or a probe really belongs to, so that a test can
cross them.  ``Feed`` runs the cycle on readings given by hand instead.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from bottomheat import cycle
from bottomheat.commission import proving
from bottomheat.config import Config
from bottomheat.model import Event, Fault, Place, Raw, Record, Sample, Unread

PROBE_LAG_S = 40.0
NOISE_K = 0.02
COUNT_K = 1 / 16

MODEL_PLACE = {
    Place.SUBSTRATE: "substrate",
    Place.SUBSTRATE_2: "substrate",
    Place.ROOM: "room",
    Place.MAT: "mat",
    Place.CALLUS: "callus",
    Place.TOP: "top",
}
_LETTERS = {Place.SUBSTRATE: 1, Place.ROOM: 2, Place.MAT: 3, Place.CALLUS: 4, Place.TOP: 5}


def chamber_keys(
    no: int = 0,
    probes: tuple[Place, ...] = (Place.SUBSTRATE, Place.ROOM, Place.MAT),
    **keys: Any,
) -> dict[str, Any]:
    """Keys of one chamber as a file would have them; ``keys`` replace or add."""
    named: dict[str, Any] = {
        place.value: f"28-0000000{no:02d}00{_LETTERS[place]}"
        for place in probes
        if place is not Place.SUBSTRATE_2
    }
    if Place.SUBSTRATE_2 in probes:
        named["substrate"] = [named["substrate"], f"28-0000000{no:02d}006"]
    return {
        "callus_zone": 25.0,
        "heater": {"gpio": 17 + no, "watts": 45.0},
        "probes": named,
        "offset": {"method": "temperature-factor", "factor": 0.743},
        **keys,
    }


def config(cycle_s: float = 10.0, **chambers: Mapping[str, Any]) -> Config:
    """A config of named chambers (underscores become hyphens); one plain chamber by default."""
    named = {name.replace("_", "-"): dict(keys) for name, keys in chambers.items()}
    return Config.model_validate({"cycle": cycle_s, "chambers": named or {"bench": chamber_keys()}})


class Plant:
    """Boxes, their probes and their mats, and the controller that runs them.

    ``override`` may replace any reading: ``(chamber, place, reading) -> reading``.
    """

    def __init__(
        self,
        config: Config,
        boxes: Mapping[str, Any],
        *,
        start_c: float = 15.0,
        room_c: float | Callable[[float], float] = 15.0,
        proved: bool = True,
        plug_of: Mapping[str, str] | None = None,
        probe_of: Mapping[tuple[str, Place], tuple[str, Place]] | None = None,
        seed: int = 1,
    ) -> None:
        self.config = config
        self.boxes = dict(boxes)
        self.state = cycle.start(config, {}, proved=proved)
        self.now_s = 1000.0
        self.unplugged: set[str] = set()
        self.override: Callable[[str, Place, Raw], Raw] | None = None
        self.events: list[Event] = []
        self.records: dict[str, list[Record]] = {name: [] for name in config.chambers}
        self.callus_c: dict[str, list[float]] = {name: [] for name in self.boxes}
        self.heat: frozenset[str] = frozenset()
        self.room_c = room_c
        self._plug_of = dict(plug_of or {})
        self._probe_of = dict(probe_of or {})
        self._probe_c: dict[tuple[str, Place], float] = {}
        self._random = random.Random(seed)
        for box in self.boxes.values():
            box.advance(0.0, 0.0, start_c)

    def step(self) -> cycle.Step:
        """One cycle: the boxes under the heat commanded last, then readings, then the cycle."""
        dt_s = self.config.cycle_s
        self.now_s += dt_s
        room_c = self.room_c(self.now_s) if callable(self.room_c) else self.room_c
        heated = {self._plug_of.get(name, name) for name in self.heat}
        for name, box in self.boxes.items():
            on = name in heated and name not in self.unplugged
            box.advance(dt_s, self._watts(name) if on else 0.0, room_c)
            self.callus_c[name].append(box.temperature("callus"))
        step = cycle.advance(self.state, self._read(dt_s), self.now_s, self.config)
        self.state, self.heat = step.state, step.heat
        self.events += step.events
        for record in step.records:
            self.records[record.chamber].append(record)
        return step

    def run(self, hours: float) -> None:
        """Step for so many hours."""
        for _ in range(round(hours * 3600 / self.config.cycle_s)):
            self.step()

    def prove(self, most_hours: float = 8.0) -> proving.Proving:
        """A proving run over every chamber, to its end."""
        run = proving.begin(tuple(self.config.chambers))
        self.state = replace(self.state, proving=run)
        for _ in range(round(most_hours * 3600 / self.config.cycle_s)):
            self.step()
            run = self.state.proving or run
            if run.finished:
                return run
        raise AssertionError(f"proving has not finished in {most_hours} h: {run}")

    def _watts(self, name: str) -> float:
        return self.config.chambers[name].heater.watts

    def _read(self, dt_s: float) -> dict[str, dict[Place, Raw]]:
        share = -math.expm1(-dt_s / PROBE_LAG_S)
        for name, box in self.boxes.items():
            for place, model in MODEL_PLACE.items():
                true_c = box.temperature(model)
                seen_c = self._probe_c.get((name, place), true_c)
                self._probe_c[name, place] = seen_c + (true_c - seen_c) * share
        raws: dict[str, dict[Place, Raw]] = {}
        for name, chamber in self.config.chambers.items():
            raws[name] = {}
            for place in chamber.probes.by_place():
                seen_c = self._probe_c[self._probe_of.get((name, place), (name, place))]
                count = round((seen_c + self._random.gauss(0.0, NOISE_K)) / COUNT_K)
                raw: Raw = Sample(count * COUNT_K, self.now_s)
                raws[name][place] = self.override(name, place, raw) if self.override else raw
        return raws


USUAL = {
    Place.SUBSTRATE: 20.0,
    Place.SUBSTRATE_2: 20.0,
    Place.ROOM: 15.0,
    Place.MAT: 25.0,
    Place.CALLUS: 19.0,
    Place.TOP: 16.0,
}
"""What every probe of a warming box may say, °C."""


Change = Mapping[Place, float | Sample | Unread | None]


class Feed:
    """Cycles on readings given by hand: USUAL, but for what a step says (None: silent)."""

    def __init__(
        self,
        keys: Mapping[str, Any] | None = None,
        *,
        proved: bool = True,
        latched: Mapping[str, str] | None = None,
    ) -> None:
        self.config = config(bench=keys or chamber_keys())
        self.state = cycle.start(self.config, latched or {}, proved=proved)
        self.places = tuple(self.config.chambers["bench"].probes.by_place())
        self.now_s = 1000.0
        self.events: list[Event] = []
        self.latched: dict[str, str] = {}

    def step(self, change: Change | None = None, dt_s: float = 10.0) -> cycle.Step:
        self.now_s += dt_s
        raws: dict[Place, Raw] = {}
        for place in self.places:
            value = (change or {}).get(place, USUAL[place])
            if isinstance(value, Sample | Unread):
                raws[place] = replace(value, at_s=self.now_s)
            elif value is None:
                raws[place] = Unread(Fault.ABSENT, self.now_s)
            else:
                raws[place] = Sample(value, self.now_s)
        step = cycle.advance(self.state, {"bench": raws}, self.now_s, self.config)
        self.state = step.state
        self.events += step.events
        self.latched.update(step.latched)
        return step

    def heat(self, change: Change | None = None, count: int = 1, dt_s: float = 10.0) -> list[bool]:
        """Whether heat was on at each of some cycles."""
        return ["bench" in self.step(change, dt_s).heat for _ in range(count)]

    def warm(self) -> Feed:
        """Past the start: heat is on."""
        assert self.heat(count=3) == [False, False, True]
        return self

    @property
    def chamber(self) -> cycle.ChamberState:
        return self.state.chambers["bench"]


def silent(raw: Raw) -> Raw:
    """The reading of a probe that does not answer."""
    return Unread(Fault.ABSENT, raw.at_s)
