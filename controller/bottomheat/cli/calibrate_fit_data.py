"""What a fit is made of, out of config and log: readings, a borrowed probe's session, the cold."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bottomheat.calibration import series as record
from bottomheat.calibration.fit import SINK_K, Fit, LeftOut, fit, rows_of
from bottomheat.calibration.learned import Learned, learn
from bottomheat.calibration.outcome import rows_without_room
from bottomheat.calibration.pairing import Seen
from bottomheat.calibration.problem import Doubts, Row
from bottomheat.doubts import U_PROBE_K
from bottomheat.errors import InputError
from bottomheat.model import Place
from bottomheat.protect.tending import Lid

if TYPE_CHECKING:
    from bottomheat.calibration.ageing import Ageing
    from bottomheat.calibration.learned import Series
    from bottomheat.calibration.ledger import Reference
    from bottomheat.config import ChamberConfig, Config
    from bottomheat_drivers.log import ConfigRow, LogReader, SampleRow

_LAYER = (Place.SUBSTRATE, Place.SUBSTRATE_2)

ROW_S = 700.0
"""What older samples were thinned to serves as well, up to ten minutes: a bed is slower."""


@dataclass(frozen=True, slots=True, eq=False)
class Taught:
    """What a borrowed probe taught.

    Attributes:
        probe: its name.
        begin_s: first reading that counts, wall time, s.
        end_s: last one, s.
        running: the session goes on.
        learned: the result.
        rooms_c: coldest and warmest room while it lay there, °C.
        room_c: mean room, °C.
    """

    probe: str
    begin_s: float
    end_s: float
    running: bool
    learned: Learned
    rooms_c: tuple[float, float]
    room_c: float


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """Everything that a fit needs.

    Attributes:
        name: of the box.
        box: its config.
        lid: the position that is fitted.
        references: every reading of the box, dropped ones too, oldest first.
        rows: those that a fit may use.
        left_out: the others.
        made: the fit to the rows; None without any.
        doubts: standard uncertainties known beforehand.
        taught: the newest session of a borrowed probe that can be used, or None.
        coldest_c: coldest room on record, °C.
        bare: probes of that session, and of the box beside it, that were never compared.
        change: what last made the box another box, or None.
        age: how the calibration in force stands, or None where there is none.
        notes: what the grower should know of how this was put together.
    """

    name: str
    box: ChamberConfig
    lid: Lid
    references: Sequence[Reference]
    rows: Sequence[Row]
    left_out: Sequence[LeftOut]
    made: Fit | None
    doubts: Doubts
    taught: Taught | None
    coldest_c: float | None
    bare: tuple[str, ...]
    change: record.Tended | None
    age: Ageing | None
    notes: tuple[str, ...]


def gather(config: Config, reader: LogReader, name: str, lid: Lid | None, now_s: float) -> Material:
    """Collect what is known of a box with one position of the lid.

    Args:
        config: the config in force.
        reader: the log.
        name: of the box.
        lid: position of the lid; None: as it lies now.
        now_s: wall time now, s.
    """
    from bottomheat.cli.calibrate_list import ages_of

    box = config.chambers[name]
    lid = Lid(reader.lid_at(name, round(now_s * 1000))) if lid is None else lid
    references = reader.ledger(name)
    doubts = _doubts(config, box, lid)
    probes = {place.value: probe for place, probe in box.probes.by_place().items()}
    adds_k = {place: _add_k(config, probe) for place, probe in probes.items()}
    if box.probes.room is None:
        rows, others = rows_without_room(
            references, lid.value, probes["substrate"], adds_k["substrate"], doubts
        )
        left_out = [LeftOut(number, why) for number, why in others]
    else:
        rows, left_out = rows_of(
            references, lid=lid.value, probes=probes, corrections_k=adds_k, doubts=doubts
        )
    tended = [
        record.Tended(row.wall_ms / 1000, row.doing, row.lid)
        for row in reader.tendings()
        if row.chamber == name
    ]
    taught, notes = _taught(config, reader, box, name, lid, tended, doubts, now_s)
    return Material(
        name=name,
        box=box,
        lid=lid,
        references=references,
        rows=rows,
        left_out=left_out,
        made=_fitted(rows, doubts, left_out),
        doubts=doubts,
        taught=taught,
        coldest_c=reader.coldest_room(name),
        bare=() if taught is None else _bare(config, box, taught.probe),
        change=record.last_change(tended, now_s),
        age=ages_of(config, reader, references).get((name, lid.value)),
        notes=tuple(notes),
    )


def _fitted(rows: Sequence[Row], doubts: Doubts, left_out: Sequence[LeftOut]) -> Fit | None:
    """The fit.

    Raises:
        InputError: wet layer and room were equal in all readings.
    """
    if not rows:
        return None
    try:
        return fit(rows, doubts, left_out)
    except ValueError:
        raise InputError(
            "wet layer and room were equally warm in all readings, which says nothing of what is "
            "between them: read again in a colder room, with the heat on."
        ) from None


def _add_k(config: Config, probe: str) -> float:
    correction = config.corrections.get(probe)
    return 0.0 if correction is None else correction.add_k


def _u_k(config: Config, probe: str) -> float:
    correction = config.corrections.get(probe)
    return U_PROBE_K if correction is None else correction.uncertainty_k


def _doubts(config: Config, box: ChamberConfig, lid: Lid) -> Doubts:
    places = box.probes.by_place()
    layer = [_u_k(config, places[place]) for place in _LAYER if place in places]
    room = places.get(Place.ROOM)
    return Doubts(
        # Two probes on the wet layer count by their mean.
        substrate_k=math.hypot(*layer) / len(layer),
        room_k=0.0 if room is None else _u_k(config, room),
        sink_k=0.0 if lid is Lid.ON else SINK_K,
    )


# -- a borrowed probe


def _bare(config: Config, box: ChamberConfig, borrowed: str) -> tuple[str, ...]:
    places = box.probes.by_place()
    named = [places[place] for place in (*_LAYER, Place.ROOM) if place in places]
    return tuple(probe for probe in (*named, borrowed) if probe not in config.corrections)


def _taught(
    config: Config,
    reader: LogReader,
    box: ChamberConfig,
    name: str,
    lid: Lid,
    tended: Sequence[record.Tended],
    doubts: Doubts,
    now_s: float,
) -> tuple[Taught | None, list[str]]:
    """The newest session that can be used, and what there is to say."""
    from bottomheat.cli.in_doubt import InDoubt

    lent = [
        record.Lent(row.wall_ms / 1000, row.probe, row.for_s)
        for row in reader.borrowings()
        if row.chamber == name
    ]
    notes: list[str] = []
    then = _Then(reader.configs() if lent else ())
    for session in reversed(record.sessions(lent, now_s)):
        counted = record.stretches(session, tended, lid.value, now_s)
        if not counted:
            continue
        other = then.other_probe(name, box, counted)
        if other:
            notes.append(f"The borrowed probe's session is not used: {other}.")
            continue
        from_ms = round((counted[0][0] - record.BEFORE_S) * 1000)
        to_ms = round(counted[-1][1] * 1000) + 1
        places = box.probes.by_place()
        doubt = InDoubt(reader, name)
        rows = (
            row
            for row in reader.samples(name, from_ms, to_ms, longest_row_s=ROW_S)
            if not doubt.at(row.wall_ms, known=row.estimate is not None)
        )
        seen = _seen(rows, places, config, then)
        shift_k = then.shift_k(session.probe, config)
        callus = [
            (wall_ms / 1000, celsius + shift_k(wall_ms))
            for wall_ms, celsius in reader.borrowed(name, from_ms, to_ms)
        ]
        notes += then.said()
        try:
            return _learnt(session, seen, callus, counted, box, doubts, config), notes
        except InputError as error:
            notes.append(f"The borrowed probe's session is not used: {str(error).rstrip('.')}.")
    return None, notes


def _learnt(
    session: record.Session,
    seen: Sequence[Seen],
    callus: Sequence[tuple[float, float]],
    counted: Sequence[tuple[float, float]],
    box: ChamberConfig,
    doubts: Doubts,
    config: Config,
) -> Taught:
    """What one session taught.

    Raises:
        InputError: it cannot be used; says why.
    """
    import numpy as np

    if not seen:
        raise InputError("the log holds no row of the box's own probes from that time")
    grid = record.series(seen, callus, watts=box.heater.watts, counted=counted, to_s=counted[-1][1])
    learned = _learn(grid, box, doubts, config, session.probe)
    there = np.isfinite(grid.callus_c) & np.isfinite(grid.room_c)
    rooms = grid.room_c[there]
    low_c, high_c = (float(each) for each in np.percentile(rooms, (2.0, 98.0)))
    when_s = grid.at_s[there]
    return Taught(
        probe=session.probe,
        begin_s=float(when_s[0]),
        end_s=float(when_s[-1]),
        running=session.running,
        learned=learned,
        rooms_c=(low_c, high_c),
        room_c=float(rooms.mean()),
    )


def _learn(
    grid: Series, box: ChamberConfig, doubts: Doubts, config: Config, borrowed: str
) -> Learned:
    """What a session teaches, by what is known of its probes against each other.

    Probes of one jar share an error that f does not depend on: it cancels.  It does not cancel in
    how warm the bases are, so it comes back there.

    Raises:
        InputError: it cannot be used; says why.
    """
    places = box.probes.by_place()
    named = [places[place] for place in (*_LAYER, Place.ROOM) if place in places]
    jar = [config.corrections.get(probe) for probe in (*named, borrowed)]
    apart = [each.apart_k for each in jar if each is not None and each.apart_k is not None]
    if len(apart) < len(jar):
        return learn(
            grid,
            u_substrate_k=doubts.substrate_k,
            u_room_k=doubts.room_k,
            u_callus_k=_u_k(config, borrowed),
        )
    common_k = max(
        math.sqrt(max(each.uncertainty_k**2 - (each.apart_k or 0.0) ** 2, 0.0))
        for each in jar
        if each is not None
    )
    layers = apart[: sum(place in places for place in _LAYER)]
    learned = learn(
        grid,
        u_substrate_k=math.hypot(*layers) / len(layers),
        u_room_k=apart[len(layers)] if Place.ROOM in places else 0.0,
        u_callus_k=apart[-1],
    )
    flow = learned.flow
    if flow is not None:
        flow = replace(flow, uncertainty_k=math.hypot(flow.uncertainty_k, common_k))
    return replace(learned, uncertainty_k=math.hypot(learned.uncertainty_k, common_k), flow=flow)


def _seen(
    rows: Iterable[SampleRow], places: Mapping[Place, str], config: Config, then: _Then
) -> list[Seen]:
    """The rows in order of time, as the corrections of now would have made them.

    Two wet-layer probes become one temperature, as they do for control.
    """
    from bottomheat.estimate import Estimator, control_substrate
    from bottomheat.model import Good

    shifts = {place: then.shift_k(probe, config) for place, probe in places.items()}
    estimator, found = Estimator(), []
    for row in rows:
        good = {
            place: each.celsius + shifts[place](row.wall_ms)
            for place, each in row.readings
            if isinstance(each, Good) and place in shifts
        }
        estimator, layer_c = control_substrate(
            estimator, good.get(Place.SUBSTRATE), good.get(Place.SUBSTRATE_2)
        )
        heat = (row.duty or 0.0) if row.grain_s else float(row.heat)
        found.append(Seen(row.wall_ms / 1000, layer_c, good.get(Place.ROOM), heat))
    return sorted(found, key=lambda each: each.at_s)


class _Then:
    """The configs that were in force, as far as they can be read now."""

    def __init__(self, rows: Sequence[ConfigRow]) -> None:
        from bottomheat.config_facts import facts_of
        from bottomheat_drivers.config_yaml import check_text

        self._unread = False
        self._facts = []
        for row in sorted(rows, key=lambda row: row.wall_ms):
            plain = check_text(row.text).plain
            self._unread |= plain is None
            self._facts.append((row.wall_ms, None if plain is None else facts_of(plain.data)))

    def said(self) -> list[str]:
        """What could not be read, once."""
        if not self._unread:
            return []
        self._unread = False
        return [
            "A config of that time cannot be read by this version: what its corrections made of "
            "the readings is taken as it is."
        ]

    def other_probe(
        self, name: str, box: ChamberConfig, counted: Sequence[tuple[float, float]]
    ) -> str:
        """Which place had another probe then, as part of a sentence; empty where none had."""
        now = {place.value: probe for place, probe in box.probes.by_place().items()}
        words = {"substrate": "wet layer", "substrate_2": "wet layer", "room": "room"}
        for index, (wall_ms, facts) in enumerate(self._facts):
            until_ms = self._facts[index + 1][0] if index + 1 < len(self._facts) else math.inf
            within = any(
                wall_ms < high_s * 1000 and low_s * 1000 < until_ms for low_s, high_s in counted
            )
            if facts is None or not within:
                continue
            there = next((each for each in facts.chambers if each.name == name), None)
            if there is None or not there.probes_read:
                continue
            for place, word in words.items():
                if there.probes.get(place) != now.get(place):
                    return f"another probe lay in the place {word} then"
        return ""

    def shift_k(self, probe: str, config: Config) -> _Shift:
        """By time, what the correction of now adds to what the one of then made of a reading."""
        now_k = _add_k(config, probe)
        steps = [
            (wall_ms, 0.0 if facts is None else now_k - _added_k(facts.corrections, probe))
            for wall_ms, facts in self._facts
        ]
        return _Shift(steps)


@dataclass(slots=True)
class _Shift:
    """A step function of wall time in ms, read mostly forwards."""

    steps: Sequence[tuple[int, float]]
    at: int = 0

    def __call__(self, wall_ms: int) -> float:
        if not self.steps:
            return 0.0
        if wall_ms < self.steps[self.at][0]:
            self.at = 0
        while self.at + 1 < len(self.steps) and self.steps[self.at + 1][0] <= wall_ms:
            self.at += 1
        return self.steps[self.at][1]


def _added_k(corrections: Mapping[str, object], probe: str) -> float:
    return float(getattr(corrections.get(probe), "add_k", 0.0))
