"""What is kept on disk, and where the count of seconds goes on after a restart."""

from __future__ import annotations

from bottomheat.alerts.answer import Frozen
from bottomheat.alerts.message import Moment
from bottomheat.alerts.outbox import Outbox
from bottomheat.alerts.schedule import Memory


class Saved(Frozen):
    """When and in which boot of the machine it was kept."""

    boot: str
    monotonic_s: float
    now_s: float
    wall_ms: int
    synchronised: bool


class Kept(Frozen):
    """The whole file."""

    saved: Saved
    memory: Memory = Memory()
    outbox: Outbox = Outbox()


def count_now_s(saved: Saved | None, boot: str, monotonic_s: float, wall: Moment) -> float:
    """Where the count of seconds stands, so that it goes on over restarts and never back.

    In the same boot the monotonic clock says how long it was; after another one the wall clock,
    where it could be believed at both ends; otherwise the time in between is not known and not
    counted.

    Args:
        saved: what was kept, or None at the very first start.
        boot: the kernel's id of this boot.
        monotonic_s: the monotonic clock of this boot, s.
        wall: the wall clock now (its ``now_s`` is not used).
    """
    if saved is None:
        return 0.0
    if boot and saved.boot == boot:
        return saved.now_s + max(0.0, monotonic_s - saved.monotonic_s)
    if saved.synchronised and wall.synchronised:
        return saved.now_s + max(0.0, (wall.wall_ms - saved.wall_ms) / 1000.0)
    return saved.now_s
