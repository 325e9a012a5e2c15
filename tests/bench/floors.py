"""How near the controller comes to what any controller could do, on the bench's task.

    python tests/bench/floors.py                    four boxes, ten minutes on a quiet machine
    python tests/bench/floors.py --box DeepBox      one of them

The task is that of ``run.py``: 25.0 °C for 14 days in a room of 17 ± 3 °C with one day 8 K colder,
f and the lags known, the model the box's best two lags.  Beside it, in the same run:

- the causal floor: a linear-quadratic-Gaussian controller that knows the box exactly, sees wet
  layer and room as the probes do, and moves its duty freely within 0...1 once a window.  Kalman
  filter and gain from two discrete algebraic Riccati equations (K. J. Åström, Introduction to
  Stochastic Control Theory, 1970); the room is taken for a first-order Gauss-Markov process.  Its
  RMS is that of the same 14 days, and, as theory, that of the stationary covariance;
- the clairvoyant bound: the least sum of squares of any duty within 0...1 a window, with the room
  of the whole time known: a convex problem, solved by L-BFGS-B.  It says something where power runs
  short: for the warm-up (24 h from cold) and the cold snap (from its start, 36 h).

Everything is simulated.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import stand
from scipy.linalg import solve_discrete_are, solve_discrete_lyapunov
from scipy.optimize import minimize

sys.path.append(str(Path(__file__).resolve().parents[1]))

from bottomheat.chamber import NOMINAL, Chamber
from bottomheat.config import Config
from bottomheat.config_sections import Model
from bottomheat.rehearse import Stand
from random_boxes import Box, second, shipped

Floats = npt.NDArray[np.float64]

WINDOW_S = 600.0
PROBE_VAR_K2 = 0.0625**2 / 12.0 + 0.02**2
ROOM_SD_K, ROOM_TAU_S = 2.5, 8 * 3600.0
"""The room's, as a process: the bench's sine has 2.1 K RMS and the snap is on top; judgement."""
EFFORT = 1e-3
"""Weight of duty² against K²: less, and the duty would not stay within 0...1."""
WARM_UP_H, SNAP_H = (0.0, 24.0), (168.0, 204.0)
SCORED_FROM_H = 48.0


def box_of(name: str) -> Box:
    """A chamber of the bench with its exact answers."""
    kind = stand.CHAMBERS[name]
    make, modes = shipped(NOMINAL) if kind is Chamber else second(kind)  # type: ignore[arg-type]
    return Box(name, make, stand.WATTS, 5.0, modes)


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """A box sampled once a window: z+ = keep z + heat u + room T, callus and layer from z."""

    keep: Floats
    heat: Floats
    room: Floats
    callus: Floats
    layer: Floats


def sampled(box: Box, window_s: float = WINDOW_S) -> Sampled:
    """Exact for a duty and a room held over a window.

    The modes carry the heat of the callus zone and of the wet layer apart, and the room's.
    """
    rate = np.tile(box.modes.rate_per_s, 4)
    keep = np.exp(-rate * window_s)
    count = box.modes.rate_per_s.size
    heat, room = np.zeros(4 * count), np.zeros(4 * count)
    for part, place in enumerate(("callus", "substrate")):
        at = slice(2 * part * count, (2 * part + 1) * count)
        after = slice((2 * part + 1) * count, (2 * part + 2) * count)
        heat[at] = box.modes.heat[place] * box.watts
        room[after] = box.modes.room[place]
    gone = -np.expm1(-rate * window_s) / rate
    callus, layer = np.zeros(4 * count), np.zeros(4 * count)
    callus[: 2 * count], layer[2 * count :] = 1.0, 1.0
    return Sampled(keep, heat * gone, room * gone, callus, layer)


def reduced(model: Sampled) -> Sampled:
    """Without the modes that have died away within a window and hold nothing."""
    weighs = (np.abs(model.heat) + np.abs(model.room)) > 1e-9
    alive = weighs & (model.keep > 1e-12)
    parts = (model.keep, model.heat, model.room, model.callus, model.layer)
    return Sampled(*(part[alive] for part in parts))


class Lqg:
    """The causal controller of one box, in deviations from its steady state at 17 °C."""

    def __init__(self, box: Box) -> None:
        model = reduced(sampled(box))
        size = model.keep.size + 1
        room_keep = math.exp(-WINDOW_S / ROOM_TAU_S)
        self.a = np.zeros((size, size))
        self.a[:-1, :-1] = np.diag(model.keep)
        self.a[:-1, -1] = model.room
        self.a[-1, -1] = room_keep
        self.b = np.append(model.heat, 0.0)
        self.callus = np.append(model.callus, 0.0)
        self.c = np.vstack([np.append(model.layer, 0.0), np.eye(size)[-1]])
        noise = np.zeros((size, size))
        noise[-1, -1] = ROOM_SD_K**2 * (1.0 - room_keep**2)
        seen = np.eye(2) * PROBE_VAR_K2
        tiny = 1e-10 * np.eye(size)
        p = solve_discrete_are(
            self.a, self.b[:, None], np.outer(self.callus, self.callus) + tiny, [[EFFORT]]
        )
        self.gain = (self.b @ p @ self.a) / (EFFORT + self.b @ p @ self.b)
        s = solve_discrete_are(self.a.T, self.c.T, noise + tiny, seen)
        self.filter = s @ self.c.T @ np.linalg.inv(self.c @ s @ self.c.T + seen)
        self.noise, self.seen = noise, seen
        self.held_duty = (stand.SETPOINT_C - stand.ROOM_C) / (box.gain("callus") * box.watts)
        self.layer_c = stand.ROOM_C + box.gain() * box.watts * self.held_duty

    def theory_k(self) -> float:
        """RMS at the callus zone in the stationary state, K, with the duty unbounded."""
        size = self.b.size
        bk, k_c = np.outer(self.b, self.gain), self.filter @ self.c
        kept = np.eye(size) - k_c
        closed = self.a - bk
        joint = np.block([[self.a - bk @ k_c, -bk @ kept], [closed @ k_c, closed @ kept]])
        spread = np.vstack([-bk @ self.filter, closed @ self.filter])
        drive = spread @ self.seen @ spread.T
        drive[:size, :size] += self.noise
        found = solve_discrete_lyapunov(joint, drive)
        return math.sqrt(self.callus @ found[:size, :size] @ self.callus)

    def run(self, box: Box, room: Callable[[float], float], hours: float, seed: int = 1) -> float:
        """RMS over the same days from a settled start, K."""
        rng = np.random.default_rng(seed)
        true = sampled(box)
        state, guess = np.zeros(true.keep.size), np.zeros(self.b.size)
        errors: list[float] = []
        for step in range(round(hours * 3600.0 / WINDOW_S)):
            hour = step * WINDOW_S / 3600.0
            room_k = room(hour) - stand.ROOM_C
            off = rng.normal(0.0, math.sqrt(PROBE_VAR_K2), 2)
            seen = np.array([true.layer @ state, room_k]) + off
            guess = guess + self.filter @ (seen - self.c @ guess)
            duty = min(1.0, max(0.0, self.held_duty - float(self.gain @ guess)))
            guess = self.a @ guess + self.b * (duty - self.held_duty)
            middle_k = room(hour + WINDOW_S / 7200.0) - stand.ROOM_C
            state = true.keep * state + true.heat * (duty - self.held_duty) + true.room * middle_k
            if hour >= SCORED_FROM_H:
                errors.append(float(true.callus @ state))
        return float(np.sqrt(np.mean(np.square(errors))))


def clairvoyant_k(
    box: Box, room: Callable[[float], float], hours: tuple[float, float], *, cold: bool
) -> float:
    """The least RMS any duty could reach over these hours, K; from a cold box, or a settled one."""
    model = sampled(box)
    count = round((hours[1] - hours[0]) * 3600.0 / WINDOW_S)
    lead = 0 if cold else round(48 * 3600.0 / WINDOW_S)
    begins_h = hours[0] - lead * WINDOW_S / 3600.0
    first_c = room(begins_h)
    rate = -np.log(np.maximum(model.keep, 1e-300)) / WINDOW_S
    state = model.room / (1.0 - model.keep) * first_c
    if not cold:
        held = (stand.SETPOINT_C - first_c) / (box.gain("callus") * box.watts)
        state = state + model.heat / (1.0 - model.keep) * held
    assert np.all(rate > 0.0)
    total = count + lead
    free, impulse = np.empty(total), np.empty(total)
    pulse = model.heat.copy()
    for step in range(total):
        middle_c = room(begins_h + (step + 0.5) * WINDOW_S / 3600.0)
        state = model.keep * state + model.room * middle_c
        free[step] = model.callus @ state
        impulse[step] = model.callus @ pulse
        pulse = model.keep * pulse
    size = 1 << (2 * total - 1).bit_length()
    spectrum = np.fft.rfft(impulse, size)

    def cost(duty: Floats) -> tuple[float, Floats]:
        heated = np.fft.irfft(spectrum * np.fft.rfft(duty, size), size)[:total]
        error = heated + free - stand.SETPOINT_C
        back = np.fft.irfft(np.conj(spectrum) * np.fft.rfft(error, size), size)[:total]
        return 0.5 * float(error @ error), back

    options = {"maxiter": 3000, "maxfun": 6000, "ftol": 1e-14, "gtol": 1e-9}
    best = minimize(
        cost, np.full(total, 0.5), jac=True, method="L-BFGS-B", bounds=[(0, 1)] * total,
        options=options,
    )  # fmt: skip
    heated = np.fft.irfft(spectrum * np.fft.rfft(best.x, size), size)[:total]
    return float(np.sqrt(np.mean(np.square((heated + free - stand.SETPOINT_C)[lead:]))))


@dataclass(frozen=True, slots=True)
class Held:
    """What the controller did: RMS over the scored days, and over warm-up and snap, K."""

    rms_k: float
    warm_up_k: float
    snap_k: float
    closings_per_day: float


def config_of(box: Box, known: stand.Known, warm_up: str) -> Config:
    """The bench's config with the box's model."""
    response = box.two_lags()
    model = Model.model_validate(
        {
            "gain": response.gain_k_per_w,
            "slow_lag": response.slow_s / 3600.0,
            "quick_lag": response.quick_s / 3600.0,
            "quick_share": response.quick_share,
            "dead_time": response.dead_s / 3600.0,
            "room_quick_share": response.room_quick_share,
        }
    )
    config = stand.bench_config(known.offset())
    chamber = config.chambers[stand.NAME].model_copy(update={"model": model, "warm_up": warm_up})
    return config.model_copy(update={"chambers": {stand.NAME: chamber}})


def held(name: str, config: Config, days: float = stand.DAYS) -> Held:
    """Rehearse it."""
    rows: list[tuple[float, float]] = []

    def watch(now_s: float, stands: Mapping[str, Stand]) -> None:
        callus_c = stands[stand.NAME].model.temperature("callus")
        rows.append((now_s / 3600.0, callus_c - stand.SETPOINT_C))

    room = stand.bench_room(0.0)
    outcome = stand.run(stand.CHAMBERS[name], config, room, days, watch=watch)[stand.NAME]
    hours, errors = np.array(rows).T

    def rms(between: tuple[float, float]) -> float:
        inside = (hours >= between[0]) & (hours < between[1])
        return float(np.sqrt(np.mean(np.square(errors[inside])))) if inside.any() else math.nan

    return Held(
        rms((SCORED_FROM_H, 24.0 * days)),
        rms(WARM_UP_H),
        rms(SNAP_H),
        outcome.score.closings_per_day,
    )


def one(name: str) -> dict[str, Any]:
    """Everything of one box."""
    box, room = box_of(name), stand.bench_room(0.0)
    known = stand.known(stand.CHAMBERS[name])
    causal = Lqg(box)
    gentle = held(name, config_of(box, known, "gentle"))
    fast = held(name, config_of(box, known, "fast"), 1.0)
    return {
        "box": name,
        "held": gentle,
        "fast_k": fast.warm_up_k,
        "lqg_k": causal.run(box, room, 24.0 * stand.DAYS),
        "theory_k": causal.theory_k(),
        "best_warm_up_k": clairvoyant_k(box, room, WARM_UP_H, cold=True),
        "best_snap_k": clairvoyant_k(box, room, SNAP_H, cold=False),
    }


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--box", choices=tuple(stand.CHAMBERS), action="append")
    asked = parser.parse_args()
    print("RMS at the callus zone, K; ratios to what could be done")
    for name in asked.box or stand.CHAMBERS:
        found = one(name)
        ours: Held = found["held"]
        print(
            f"{name:12} {ours.rms_k:.4f} with {ours.closings_per_day:.0f} closings a day; causal "
            f"floor {found['lqg_k']:.4f} (theory {found['theory_k']:.4f}), ratio "
            f"{ours.rms_k / found['lqg_k']:.2f}"
        )
        print(
            f"{'':12} warm-up, 24 h: gentle {ours.warm_up_k:.2f}, fast {found['fast_k']:.2f}, "
            f"clairvoyant {found['best_warm_up_k']:.2f}, ratios "
            f"{ours.warm_up_k / found['best_warm_up_k']:.2f} and "
            f"{found['fast_k'] / found['best_warm_up_k']:.2f}"
        )
        print(
            f"{'':12} cold snap, 36 h: {ours.snap_k:.4f}, clairvoyant {found['best_snap_k']:.4f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
