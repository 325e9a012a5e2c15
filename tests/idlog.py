"""Logs for the tests of ``identify``: a box that is exactly two lags and a dead time.

`Response` with `Twin` is the box, so that the truth is known to the last digit; relay windows, a
room that swings, probes that have noise and round to 1/16 K.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.signal import lfilter

from bottomheat.identification.stretch import Stretch
from bottomheat.model import Estimate, Good, Place
from bottomheat.response import Response, advance, rested
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.log import SqliteJournal
from clibench import Shed
from log_tools import SetClock, sample

TRUTH = Response(
    gain_k_per_w=0.71,
    slow_s=9.2 * 3600.0,
    quick_s=1.8 * 3600.0,
    quick_share=0.38,
    dead_s=900.0,
    room_quick_share=0.1,
    load_k=0.3,
)
WATTS = 45.0
FACTOR = 0.75
WINDOW = 10
MAT_LAGS_S = (240.0, 3000.0)
MAT_SHARES = (0.35, 0.65)


def room_c(at_s: float) -> float:
    """A shed with days and fronts, °C."""
    hour = at_s / 3600.0
    day = 3.0 * math.cos(2.0 * math.pi * (hour - 15.0) / 24.0)
    return 9.0 + day + 2.0 * math.sin(2.0 * math.pi * hour / 57.0)


def live(
    days: float,
    *,
    truth: Response = TRUTH,
    seed: int = 1,
    step_s: float = 60.0,
    duty: float | None = None,
    target_c: float = 28.0,
    start_c: float | None = None,
    begin_s: float = 0.0,
    steps_k: float = 1.0 / 16.0,
    noise_k: float = 0.02,
) -> Stretch:
    """A box held by a coarse proportional law, or at one duty for ever.

    Args:
        days: length, d.
        truth: the box.
        seed: of the noise.
        step_s: of the rows, s.
        duty: constant share of heat; None: held.
        target_c: of the wet layer, °C.
        start_c: wet layer at first, °C; None: as cold as the room.
        begin_s: time of the first row less a step, s.
        steps_k: what readings are rounded to, K; 0: not.
        noise_k: of the readings, K.
    """
    rng = random.Random(seed)
    twin = rested(truth, room_c(begin_s) if start_c is None else start_c, room_c(begin_s))

    def read(celsius: float) -> float:
        noisy = celsius + rng.gauss(0.0, noise_k)
        return round(noisy / steps_k) * steps_k if steps_k else noisy

    rows, share, heat = [], 0.0, 0.0
    for index in range(round(days * 86_400.0 / step_s)):
        at_s = begin_s + (index + 1) * step_s
        if index % WINDOW == 0:
            layer_c = twin.place_c(truth)
            share = duty if duty is not None else min(1.0, max(0.0, 0.25 * (target_c - layer_c)))
        heat = float((index % WINDOW) + 0.5 < share * WINDOW)
        twin = advance(twin, truth, step_s, heat * WATTS, room_c(at_s))
        layer_c, room = read(twin.place_c(truth)), read(room_c(at_s))
        rows.append((at_s, layer_c, room, heat, room + FACTOR * (layer_c - room)))
    time_s, layer, room, heats, callus = np.array(rows).T.copy()
    return Stretch(time_s, layer, room, heats, WATTS, callus)


def with_mat(
    stretch: Stretch, gain_k_per_w: float = 0.5, apart_k: float = 0.0, seed: int = 3
) -> Stretch:
    """The same with a mat over the wet layer, of two lags of the heat, as a probe reads it.

    Args:
        stretch: rows evenly spaced.
        gain_k_per_w: its steady rise over the wet layer, K/W.
        apart_k: what the two probes differ by, K.
        seed: of the noise.
    """
    rng = random.Random(seed)
    power_w = stretch.heat_share * stretch.watts
    step_s = float(np.median(np.diff(stretch.time_s)))
    lead_k = np.full(len(power_w), apart_k)
    for lag_s, share in zip(MAT_LAGS_S, MAT_SHARES, strict=True):
        keep = math.exp(-step_s / lag_s)
        lead_k = lead_k + gain_k_per_w * share * lfilter([1.0 - keep], [1.0, -keep], power_w)
    noise_k = np.array([rng.gauss(0.0, 0.02) for _ in lead_k])
    mat_c = np.round((stretch.substrate_c + lead_k + noise_k) * 16.0) / 16.0
    return replace(stretch, mat_c=mat_c)


def mat_swing(gain_k_per_w: float) -> float:
    """Peak less mean of that mat at half power in windows of ten minutes, K/W."""
    return gain_k_per_w * sum(
        share * (math.expm1(-300.0 / lag_s) / math.expm1(-600.0 / lag_s) - 0.5)
        for lag_s, share in zip(MAT_LAGS_S, MAT_SHARES, strict=True)
    )


def write_log(
    shed: Shed,
    stretch: Stretch,
    *,
    tended: Sequence[tuple[float, str, float, str | None]] = (),
    holes_h: Sequence[tuple[float, float]] = (),
    days_ago: float = 0.0,
) -> None:
    """Write a log as the service writes it, which ends now, or so many days ago.

    Args:
        shed: whose.
        stretch: what happened.
        tended: h from its begin, what was done, for how long, s, and the lid from then on.
        holes_h: from and to, h from its begin: nothing was recorded.
        days_ago: when it ended, d before now.
    """
    now_ms = SystemClock().wall_ms() - round(days_ago * 86_400_000)
    end_s = float(stretch.time_s[-1])
    clock = SetClock(1000.0, now_ms - round(1000.0 * (end_s - float(stretch.time_s[0]))))
    path = shed.folder / "state" / "log.sqlite"
    journal = SqliteJournal(path, None, clock, "0.1.0", "boot-1", background=False)
    journal.note_config(shed.config.read_text(), "sum")
    ordered = sorted(tended)
    for index, at_s in enumerate(stretch.time_s.tolist()):
        since_s = at_s - float(stretch.time_s[0])
        clock.now_s, clock.wall = 1000.0 + since_s, now_ms - round(1000.0 * (end_s - at_s))
        while ordered and ordered[0][0] * 3600.0 <= since_s:
            _, doing, for_s, lid = ordered.pop(0)
            journal.note_tending("north-bench", doing, "", for_s, lid)
        if any(low <= since_s / 3600.0 < high for low, high in holes_h):
            continue
        layer_c, room = float(stretch.substrate_c[index]), float(stretch.room_c[index])
        following = min(index + 1, len(stretch.time_s) - 1)
        mat = () if stretch.mat_c is None else ((Place.MAT, float(stretch.mat_c[index])),)
        callus_c = stretch.callus_c
        assert callus_c is not None
        journal.record(
            [
                sample(
                    clock.now_s,
                    readings=(
                        (Place.SUBSTRATE, Good(layer_c, clock.now_s)),
                        (Place.ROOM, Good(room, clock.now_s)),
                        *((place, Good(celsius, clock.now_s)) for place, celsius in mat),
                    ),
                    estimate=Estimate(float(callus_c[index]), 0.5),
                    # The log says what the relay does from a row on.
                    heat=bool(stretch.heat_share[following] > 0.5),
                    closings=0,
                )
            ],
            (),
        )
    journal.note_clock(clock.now_s, now_ms, True)
    journal.close()
