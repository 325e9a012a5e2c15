"""What the keeper tells when something has changed: its events.  Pure."""

from __future__ import annotations

from bottomheat import keeper_weld as weld
from bottomheat.keeper_probe import ProbeTrack
from bottomheat.model import Alarm, Event, EventKind


def lease_event(leased_before: bool, refusal: str, now_s: float) -> list[Event]:
    """The controller's word has begun to count, or has ceased to."""
    if leased_before == (not refusal):
        return []
    text = f"no heat: {refusal}" if refusal else "the controller has spoken: heat may be asked for"
    return [Event(EventKind.KEEPER, now_s, None, text)]


def probe_event(chamber: str, before: ProbeTrack, track: ProbeTrack, now_s: float) -> list[Event]:
    """The keeper's own probe has become good, or has ceased to be."""
    if before.trusted == track.trusted:
        return []
    text = "the keeper's probe is good" if track.trusted else f"no heat: {track.words}"
    return [Event(EventKind.KEEPER, now_s, chamber, text)]


def weld_event(
    chamber: str, before: weld.Watch, watch: weld.Watch, cause: str | None, now_s: float
) -> list[Event]:
    """A suspicion has begun, or has come to nothing; one that holds is told as a cutoff."""
    if cause is not None or (before.suspected_s is None) == (watch.suspected_s is None):
        return []
    if watch.suspected_s is not None:
        text = (
            f"{weld.CHECKING}: the mat did not get cooler with its relay open; "
            f"no heat for {weld.WATCH_S / 60.0:.0f} minutes"
        )
    else:
        text = "the check of its relay is over and has found no weld"
    return [Event(EventKind.KEEPER, now_s, chamber, text)]


def cutoff_event(chamber: str, cause: str, now_s: float) -> Event:
    """The keeper has latched."""
    return Event(
        EventKind.CUTOFF,
        now_s,
        chamber,
        f"the keeper cut the heat and latched: {cause}",
        alarm=Alarm.KEEPER_LATCHED,
        durable=True,
    )


def reset_event(chamber: str, obstacle: str | None, now_s: float) -> Event:
    """A reset was asked for; ``obstacle`` is why it was refused."""
    text = "the keeper's latch was reset" if obstacle is None else f"reset refused: {obstacle}"
    return Event(EventKind.RESET, now_s, chamber, text, durable=True)
