"""What an experiment does to a box: swings, durations, and faults that come in the middle of it.

    python tests/bench/experiments.py [boxes [seed]]

Part 1: step and relay on random boxes under the real cycle, rooms drifting by 0.5 K/h: how each
ended, how far wet layer and callus zone went, what was found and how calm a loop tuned by it is on
the true box (Ms of a PI by SIMC from slope and delay).

Part 2: on three makes of box, during a step and during a relay, a welded contact (with a second
relay in series), a wet-layer probe that slips out, and a lid taken off; beside each the same fault
under the ordinary law.  Peaks of wet layer, mat and callus zone (true, °C) over six hours from the
fault on, and how soon the experiment was over.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from beds import MAKES, keys_of
from bottomheat.commission.experiment import Experiment, Kind, Plan
from bottomheat.identification import early
from bottomheat.identification.found import Found, NotEnough
from bottomheat.identification.relay import fit_relay
from bottomheat.identification.step import fit_step
from bottomheat.model import Place
from experiment_world import Trial
from plant import silent
from random_boxes import Box, draw_boxes

DRIFT_K_PER_H: Final = 0.5
FAULT_H: Final = 6.0
RAD_PER_S: Final = np.geomspace(1e-6, math.pi / 600.0, 1500)
LAYER: Final = (Place.SUBSTRATE,)
FAULTED_MAKES: Final = ("nominal", "shallow", "other make, deep")


@dataclass(frozen=True, slots=True)
class Ran:
    """One experiment on a random box.

    Attributes:
        box: its name.
        over: how it ended.
        complete: it ran to its end.
        rest_h: at rest before, h.
        run_h: the experiment itself, h.
        callus_k: swing of the true callus zone, K.
        layer_k: swing of the wet layer as read, K.
        peak_ms: peak sensitivity of a loop tuned by it on the true box; None where it found none.
    """

    box: str
    over: str
    complete: bool
    rest_h: float
    run_h: float
    callus_k: float
    layer_k: float
    peak_ms: float | None


def peak_sensitivity(box: Box, found: Found) -> float:
    """Ms on the true box of a PI by SIMC for an integrator with delay, from what was found.

    Half a window (300 s) and the filter (60 s) are delay; the true loop has a probe lag of 40 s.
    """
    delay_s = found.response.dead_s + 360.0
    slope = early.slope_k_per_ws(found.response) * box.watts
    s = 1j * RAD_PER_S
    process = box.answer(RAD_PER_S) * box.watts / (1 + 40 * s) / (1 + 60 * s) * np.exp(-300 * s)
    loop = process / (slope * 2 * delay_s) * (1 + 1 / (8 * delay_s * s))
    return float(np.max(1 / np.abs(1 + loop)))


def ran(box: Box, kind: Kind, seed: int, drift_k_per_h: float = DRIFT_K_PER_H) -> Ran:
    """Run one experiment on a random box."""
    rng = np.random.default_rng(seed)
    room_c = float(rng.uniform(box.coldest_c + 2.0, 18.0))
    drift_k_per_h *= 1.0 if rng.random() < 0.5 else -1.0
    settle_h = 12.0

    def room(now_s: float) -> float:
        return room_c + drift_k_per_h * max(0.0, now_s / 3600.0 - settle_h)

    trial = Trial(box.make(), box.watts, room, settle_h=settle_h, seed=seed)
    trial.ask(Plan(kind))
    done = trial.until_over(40.0)
    begun_s, over_s = done.begun_s or done.over_s or 0.0, done.over_s or 0.0
    found: Any = NotEnough(("no run",))
    if done.begun_s is not None:
        stretch = trial.stretch()
        relay = kind is Kind.RELAY
        found = fit_relay(stretch, begun_s, over_s) if relay else fit_step(stretch)
        found = getattr(found, "found", found)
    return Ran(
        box.name,
        done.over or "",
        done.complete,
        (begun_s - done.asked_s) / 3600.0,
        (over_s - begun_s) / 3600.0,
        trial.swing_k(Place.CALLUS),
        trial.swing_k(Place.SUBSTRATE),
        peak_sensitivity(box, found) if isinstance(found, Found) else None,
    )


@dataclass(frozen=True, slots=True)
class Peaks:
    """Highest true temperatures over six hours from a fault on, °C, and what was told.

    Attributes:
        layer_c: wet layer.
        mat_c: mat.
        callus_c: callus zone.
        over_min: until the experiment was over, min; None under the ordinary law.
        why: why it was over.
        latched: why heat is latched off at the end, or None.
    """

    layer_c: float
    mat_c: float
    callus_c: float
    over_min: float | None
    why: str | None
    latched: str | None


def weld(trial: Trial) -> None:
    """The contact stays closed from now on."""
    trial.plant.welded.add("bench")


def slip(trial: Trial) -> None:
    """The wet-layer probe lies in the room from now on."""
    trial.plant.lies["bench", Place.SUBSTRATE] = lambda _box, room_c: room_c


def silence(trial: Trial) -> None:
    """The wet-layer probe is torn off."""
    trial.plant.override = lambda _name, place, raw: silent(raw) if place in LAYER else raw


def uncover(trial: Trial) -> None:
    """The lid is off, and nobody says so."""
    trial.plant.boxes["bench"].open_lid("off")


FAULTS: Final[dict[str, Callable[[Trial], None]]] = {
    "welded contact": weld,
    "wet-layer probe slips out": slip,
    "wet-layer probe torn off": silence,
    "lid off": uncover,
}


def peaks(make: str, kind: Kind | None, fault: Callable[[Trial], None]) -> Peaks:
    """A fault an hour into an experiment, or under the ordinary law (None), at 14 °C."""
    box = MAKES[make]()
    trial = Trial(box, 45.0, 14.0, keys=series(box))
    if kind is not None:
        trial.ask(Plan(kind))
        trial.until_begun()
        trial.plant.until(lambda: trial.plant.now_s - (begun(trial) or 0.0) >= 3600.0, 2.0)
    fault(trial)
    at_s, highest = trial.plant.now_s, [-math.inf] * 3
    while trial.plant.now_s - at_s < FAULT_H * 3600.0:
        trial.plant.step()
        now = (trial.plant.temperature(p) for p in (Place.SUBSTRATE, Place.MAT, Place.CALLUS))
        highest = [max(a, b) for a, b in zip(highest, now, strict=True)]
    done: Experiment | None = trial.chamber.experiment
    over_min = None
    if done is not None and done.over_s is not None:
        over_min = (done.over_s - at_s) / 60.0
    why = None if done is None else done.over
    return Peaks(*highest, over_min, why, trial.plant.latched())


def begun(trial: Trial) -> float | None:
    """When the experiment began, s."""
    return trial.experiment.begun_s


def series(box: Any) -> dict[str, Any]:
    """Keys of a chamber with a second relay in series."""
    return {"keeper": keys_of(box, series=True)["keeper"]}


def main(count: int, seed: int) -> None:
    """Print both parts."""
    boxes = draw_boxes(count, seed)
    for kind in Kind:
        rows = [ran(box, kind, number) for number, box in enumerate(boxes)]
        whole = [row for row in rows if row.complete]
        print(f"{kind.value}: {len(whole)} of {len(rows)} ran to their end")
        for row in rows:
            if not row.complete:
                print(f"    {row.box}: {row.over}, after {row.run_h:.1f} h")
        for what, values in (
            ("h at rest", [row.rest_h for row in whole]),
            ("h of experiment", [row.run_h for row in whole]),
            ("callus swing, K", [row.callus_k for row in whole]),
            ("wet-layer swing, K", [row.layer_k for row in whole]),
            ("Ms on the true box", [row.peak_ms for row in rows if row.peak_ms is not None]),
        ):
            if values:
                low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
                print(
                    f"  {what:20s} median {middle:.2f}  5-95 % {low:.2f}-{high:.2f}  "
                    f"largest {max(values):.2f}  of {len(values)}"
                )
    for make in FAULTED_MAKES:
        for name, fault in FAULTS.items():
            for kind in (None, *Kind):
                found = peaks(make, kind, fault)
                who = "ordinary law" if kind is None else kind.value
                over = "" if found.over_min is None else f" over after {found.over_min:.0f} min"
                print(
                    f"{make:18s} {name:26s} {who:13s} layer {found.layer_c:.1f} mat "
                    f"{found.mat_c:.1f} callus {found.callus_c:.1f}{over} ({found.why}) "
                    f"{'latched' if found.latched else ''}"
                )


if __name__ == "__main__":
    main(*(int(word) for word in (*sys.argv[1:3], *("20", "8")[len(sys.argv) - 1 :])))
