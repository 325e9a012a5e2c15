"""Frost guard: a little heat for a bed whose wet-layer probe is lost.

Opt-in, off by default.  Only with a good mat probe and a good room probe, no latch, no suspected
weld, and a proved wiring.  The duty would keep the bed a few degrees above freezing by the model,
and is bounded so that the wet layer stays below its limit even in a room of 20 °C, on a mat with
three times the likely gain while the gain has not been learned.
"""

from __future__ import annotations

from collections.abc import Mapping

from bottomheat.config import LIMIT_MARGIN_K, ChamberConfig
from bottomheat.model import Place
from bottomheat.protect import thresholds as th
from bottomheat.protect.watch import Finding
from bottomheat.state import ChamberState

LAYERS = (Place.SUBSTRATE, Place.SUBSTRATE_2)


def guarded(
    finding: Finding,
    state: ChamberState,
    chamber: ChamberConfig,
    usable: Mapping[Place, float | None],
    *,
    hold: str | None,
    proved: bool,
) -> float | None:
    """Duty that guards the bed, 0...1, or None where the guard does not apply.

    Args:
        finding: of the detectors in this cycle.
        state: of the chamber.
        chamber: its config.
        usable: probes that can be relied on, °C.
        hold: why no chamber may be heated, or None.
        proved: the wiring has been proved.
    """
    if not chamber.frost_guard or hold is not None or not proved:
        return None
    watch = state.watch
    if watch.stuck or watch.latched is not None or watch.no_effect is not None:
        return None
    if finding.pause or finding.open_series or Place.MAT in watch.frozen:
        return None
    mat_c, room_c = usable.get(Place.MAT), usable.get(Place.ROOM)
    lost = all(usable.get(place) is None for place in LAYERS) or watch.displaced is not None
    if mat_c is None or room_c is None or finding.room_c is not None or not lost:
        return None
    full_k = chamber.heater.full_power_rise_k or watch.layer.full_k
    likely_k = full_k or th.LAYER_K_PER_W * chamber.heater.watts
    most_k = likely_k * th.PRIOR_SPAN
    if chamber.heater.full_power_rise_k is not None:
        most_k = likely_k
    elif full_k is not None:
        # Learned in hours, while the bed takes a day to show all of it.
        most_k = likely_k * th.FROST_UNSURE
    safe = (chamber.limits.substrate_c - LIMIT_MARGIN_K - th.FROST_ROOM_C) / most_k
    return min(1.0, max(0.0, min(safe, (th.FROST_C - room_c) / likely_k)))


def words(duty: float) -> str:
    """What the screen says meanwhile."""
    return (
        f"frost guard: the wet-layer probe is lost, heat on {duty:.0%} of the time keeps the bed "
        "from freezing"
    )
