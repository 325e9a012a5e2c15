"""Logs for the tests of ``calibrate fit`` and ``budget``: readings, sessions of a borrowed probe.

The box is made up and simple, so that the true answer is known: the bases sit at
room + F (wet layer - room), each path with a first-order lag.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bottomheat.model import Estimate, Good, Place
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.log import SqliteJournal
from clibench import LAYER, MAT, ROOM, Shed
from log_tools import SetClock, entry, paired, sample

F = 0.72
SETPOINT_C = 22.0
ROOM_LAG_H, LAYER_LAG_H = 3.0, 1.0
WATTS_PER_K = 1.6
"""Made up: mean power for every kelvin of wet layer above the room."""

SPARE = "28-0000000000aa"
PROBES = {"substrate": LAYER, "room": ROOM, "mat": MAT}
BEGIN_S = 1000.0


def log_of(shed: Shed) -> Path:
    return shed.folder / "state" / "log.sqlite"


def reading(room_c: float, off_k: float = 0.0, f: float = F, const_k: float = 0.0, **over: Any):
    """A steady reading in a room: what the thermometer showed, and the probes beside it.

    ``expanded_k``, ``spot``, ``lid`` go with the reading, all else with its pairing.
    """
    x_k = (SETPOINT_C - room_c) / f
    layer_c = room_c + x_k
    said = {key: over.pop(key) for key in ("expanded_k", "spot", "lid") if key in over}
    pairing = {
        "substrate_c": layer_c,
        "room_c": room_c,
        "lagged_substrate_c": layer_c,
        "lagged_room_c": room_c,
        "power_w": WATTS_PER_K * x_k,
        "steadiness_k": 0.03,
        "hours": 72.0,
        "room_lag_h": 3.75,
        "substrate_lag_h": 1.25,
        "memory_h": 2.3,
        "estimate_c": SETPOINT_C,
        "expanded_k": 1.0,
        "probes": PROBES,
        "corrections_k": {},
        **over,
    }
    return entry(
        reading_c=SETPOINT_C + const_k + off_k,
        **{"note": "", **said},
        pairing=paired(**pairing),
    )


@dataclass(frozen=True)
class Lent:
    """A session: how long before now it began, h, how long it lasts or lasted, and its error, K."""

    ago_h: float = 60.0
    hours: float = 50.0
    error_k: float = 0.0
    f: float = F
    probe: str = SPARE
    ends: bool = True


@dataclass
class History:
    """What a log is to hold, up to now; times in h before now."""

    hours: float = 0.0
    step_s: float = 300.0
    room_c: float = 9.0
    swing_k: float = 4.0
    rows: Sequence[Any] = ()
    lent: Lent | None = None
    tended: Sequence[tuple[float, str, str | None]] = ()
    configs: Sequence[tuple[float, str]] = ()
    layer_error_k: float = 0.0
    dropped: Sequence[int] = ()
    ago_h: Sequence[float] = field(default=())


def write_log(shed: Shed, history: History) -> None:
    """Write a log as the service writes it: samples, readings, sessions, tendings, configs."""
    whole_h = max(history.hours, 1.0)
    now_ms = SystemClock().wall_ms()
    clock = SetClock(BEGIN_S, now_ms - round(whole_h * 3.6e6))
    journal = SqliteJournal(log_of(shed), None, clock, "0.1.0", "boot-1", background=False)
    end_s = BEGIN_S + whole_h * 3600.0
    orders: list[tuple[float, int, Any]] = []
    configs = history.configs or ((whole_h, shed.config.read_text()),)
    for index, (ago_h, text) in enumerate(configs):
        orders.append((ago_h, 0, lambda text=text, i=index: journal.note_config(text, f"sum{i}")))
    for ago_h, doing, lid in history.tended:
        orders.append(
            (ago_h, 1, lambda d=doing, p=lid: journal.note_tending("north-bench", d, "", 600.0, p))
        )
    lent = history.lent
    if lent is not None:
        name = "north-bench"
        orders.append(
            (
                lent.ago_h,
                2,
                lambda: journal.note_borrowing(name, lent.probe, lent.hours * 3600.0, ""),
            )
        )
        if lent.ends:
            orders.append(
                (
                    lent.ago_h - lent.hours,
                    2,
                    lambda: journal.note_borrowing(name, lent.probe, None, "over"),
                )
            )
    orders.sort(key=lambda order: (-order[0], order[1]))
    room_s, layer_s = ROOM_LAG_H * 3600.0, LAYER_LAG_H * 3600.0
    lagged_room = lagged_layer = None
    steps = round(whole_h * 3600.0 / history.step_s) if history.hours else 0
    for step in range(steps + 1):
        at_s = BEGIN_S + step * history.step_s
        ago_h = (end_s - at_s) / 3600.0
        clock.now_s, clock.wall = at_s, now_ms - round(ago_h * 3.6e6)
        while orders and orders[0][0] >= ago_h:
            orders.pop(0)[2]()
        if not history.hours:
            break
        hour = ago_h + 7.0
        room_c = history.room_c + history.swing_k * math.cos(2 * math.pi * hour / 24.0)
        room_c += history.swing_k / 2 * math.sin(2 * math.pi * hour / 60.0)
        slow_c = history.room_c if lagged_room is None else lagged_room
        layer_c = slow_c + (SETPOINT_C - slow_c) / F
        share = -math.expm1(-history.step_s / room_s), -math.expm1(-history.step_s / layer_s)
        lagged_room = (
            room_c if lagged_room is None else lagged_room + (room_c - lagged_room) * share[0]
        )
        lagged_layer = (
            layer_c if lagged_layer is None else lagged_layer + (layer_c - lagged_layer) * share[1]
        )
        readings = (
            (Place.SUBSTRATE, Good(layer_c + history.layer_error_k, at_s)),
            (Place.ROOM, Good(room_c, at_s)),
        )
        duty = min(1.0, WATTS_PER_K * (layer_c - room_c) / 45.0)
        journal.record(
            [
                sample(
                    at_s,
                    readings=readings,
                    estimate=Estimate(SETPOINT_C, 1.0),
                    heat=(step * 0.618) % 1.0 < duty,
                    closings=0,
                )
            ],
            (),
        )
        if lent is not None and lent.ago_h >= ago_h > lent.ago_h - lent.hours:
            bases_c = lagged_room + lent.f * (lagged_layer - lagged_room)
            journal.note_borrowed("north-bench", bases_c + lent.error_k, at_s)
    clock.now_s, clock.wall = end_s, now_ms
    for order in orders:
        order[2]()
    agos = history.ago_h or [24.0 * (len(history.rows) - i) for i in range(len(history.rows))]
    for row, ago_h in zip(history.rows, agos, strict=True):
        from dataclasses import replace

        journal.note_reference(replace(row, ago_s=ago_h * 3600.0))
    for number in history.dropped:
        journal.note_drop(number, "misread")
    journal.note_clock(end_s, now_ms, True)
    journal.close()
