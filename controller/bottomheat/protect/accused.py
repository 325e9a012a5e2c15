"""Whether what a bed's wet-layer probe says is believed, and since when it is in doubt.

A probe that stands accused, as displaced, frozen or of another box, still counts against heat where
it is hot.  Nothing is worked out of it: until it agrees again nobody knows how warm the bases are.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from typing import Final

from bottomheat.estimate_state import Outlook
from bottomheat.model import Event, EventKind, Place
from bottomheat.protect import crossing
from bottomheat.protect import thresholds as th
from bottomheat.protect.frozen import changed
from bottomheat.protect.supply import Supply
from bottomheat.protect.watch import AWAY, BACK, Watch

LAYERS: Final = (Place.SUBSTRATE, Place.SUBSTRATE_2)
DISPLACED: Final = "wet-layer probe displaced"
FROZEN: Final = "wet-layer probe frozen"
LOST: Final = "wet-layer probe lost"
CROSSED: Final = "boxes crossed"


def why(watch: Watch, latched: str | None, substrate_c: float | None) -> str | None:
    """Why what the wet layer is said to have is not believed, in few words; None: it is.

    Args:
        watch: of this cycle.
        latched: what the cutoff latched for, in words, or None.
        substrate_c: wet layer by the probes that are left, °C; a second good one is enough.
    """
    causes = [text for text in (latched, watch.latched) if text is not None]
    if any(crossing.FOREIGN in text for text in causes):
        return CROSSED
    # A latch outlives a restart, which forgets everything else.
    if watch.displaced is not None or any(text.startswith(AWAY) for text in causes):
        return DISPLACED
    if substrate_c is None and not watch.frozen.isdisjoint(LAYERS):
        return FROZEN
    return None


def lost(outlook: Outlook, supplies: Mapping[Place, Supply]) -> Outlook:
    """The outlook, with the word for it where no wet-layer probe can be relied on any more.

    Args:
        outlook: of this cycle.
        supplies: how far each probe can be relied on.
    """
    if outlook.estimate is not None or outlook.doubt is not None:
        return outlook
    layers = [supplies[place] for place in LAYERS if place in supplies]
    if not any(each.lost for each in layers) or any(each.usable is not None for each in layers):
        return outlook
    return replace(outlook, doubt=LOST)


def since_s(watch: Watch, doubt: str, now_s: float) -> float | None:
    """Since when what the probe says has been in doubt, monotonic s; None: only from now on.

    A displaced probe since it last agreed with the mat, a frozen one since its last change; boxes
    are crossed since somebody was there, within the hour that it takes to see it.

    Args:
        watch: of the cycle in which it was accused.
        doubt: of what, see ``why``.
        now_s: monotonic time, s.
    """
    since: float | None = None
    if doubt == DISPLACED:
        since = watch.doubted_s
    elif doubt == FROZEN:
        stills = [watch.still[p].since_s for p in LAYERS if p in watch.frozen and p in watch.still]
        since = max(stills, default=None)
    elif doubt == CROSSED:
        since = now_s - th.CROSSED_S
    if since is None or watch.begun_s is None:
        return since
    return max(since, watch.begun_s)


def displaced(events: Iterable[Event], before: Collection[str] = ()) -> frozenset[str]:
    """Chambers whose wet-layer probe was found displaced and has not agreed since.

    Args:
        events: of one run, in their order.
        before: such chambers before the first of them.
    """
    names = set(before)
    for event in events:
        if event.chamber is None:
            continue
        if event.kind is EventKind.DIAGNOSED and event.text.startswith(AWAY):
            names.add(event.chamber)
        elif event.kind is EventKind.RESET or (
            event.kind is EventKind.DIAGNOSED and event.text.startswith(BACK)
        ):
            names.discard(event.chamber)
    return frozenset(names)


def carried(watch: Watch, now_s: float) -> Watch:
    """The watch of a start after a run that had found the probe displaced.

    A run that forgot it would learn from it, and heat by it.  It needs a mat probe, with which the
    probe is believed again once both agree for half an hour without heat.

    Args:
        watch: of the start.
        now_s: monotonic time, s.
    """
    return changed(watch, displaced=f"{AWAY}: found before the last start", displaced_s=now_s)
