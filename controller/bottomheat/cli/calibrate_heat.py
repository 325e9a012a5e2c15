"""No heat while a probe is out of its place: who would heat by it, and whether heat may flow.

A wet-layer probe in a jar of ice would ask for full heat, and a mat probe there would hide what
that does.  Tending does not switch heat off, so that it is not enough: the service has to be
stopped, its wiring not proved yet, or the box cut out.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from bottomheat.errors import AlreadyRunningError, DriverError, NotRunningError, RefusedError
from bottomheat.model import PLACE_WORDS, Condition, Place

if TYPE_CHECKING:
    from bottomheat.config import Config


def places_of(config: Config) -> dict[str, list[str]]:
    """Where the config has each probe, in words: "north-bench wet layer"."""
    where: dict[str, list[str]] = {}
    for name, box in config.chambers.items():
        for place, probe in box.probes.by_place().items():
            where.setdefault(probe, []).append(f"{name} {PLACE_WORDS[place]}")
        own = box.keeper.probe
        if own is not None and own != box.probes.by_place().get(Place.MAT):
            where.setdefault(own, []).append(f"{name} mat, the keeper's own")
    return where


def boxes_of(config: Config, probes: Collection[str]) -> list[str]:
    """The boxes that are heated by any of these probes, or protected by one."""
    return [
        name
        for name, box in config.chambers.items()
        if not {*box.probes.by_place().values(), box.keeper_probe}.isdisjoint(probes)
    ]


def may_heat(status: Mapping[str, Any] | None, boxes: Collection[str]) -> list[str]:
    """Which of these boxes the service may heat, by its own answer; all of them where unclear.

    Args:
        status: its answer to ``status``; None where no service answers.
        boxes: names of boxes.
    """
    if status is None:
        return []
    if status.get("proved") is False and status.get("proving") is None:
        return []
    chambers = status.get("chambers")
    rows = chambers if isinstance(chambers, list) else []
    told = {c.get("name"): c for c in rows if isinstance(c, Mapping)}
    cut_out = {
        name for name, c in told.items() if c.get("latched") or c.get("condition") == CUT_OUT
    }
    return [name for name in boxes if name not in cut_out]


CUT_OUT = Condition.CUT_OUT.value


def lent_to(status: Mapping[str, Any] | None) -> dict[str, str]:
    """The borrowed probes that teach at present, by box, by the service's own answer."""
    chambers = None if status is None else status.get("chambers")
    rows = chambers if isinstance(chambers, list) else []
    return {
        str(row.get("name")): str(row["learning"].get("probe"))
        for row in rows
        if isinstance(row, Mapping) and isinstance(row.get("learning"), Mapping)
    }


def refuse_heat(config: Config, probes: Collection[str], *, begun: bool = False) -> None:
    """Refuse to measure with probes out of their places while the service goes by them.

    Args:
        config: says who heats by them.
        probes: their names.
        begun: the measurement is under way already.

    Raises:
        RefusedError: it may heat by one, or learns from one; says what to do.
    """
    status = _status(config, begun=begun)
    for name, probe in lent_to(status).items():
        if probe in probes:
            raise RefusedError(
                f"{probe} teaches {name} at present, and a lesson in a jar would be a wrong one: "
                f"say bottomheat calibrate learn --chamber {name} --stop before."
            )
    hot = may_heat(status, boxes_of(config, probes))
    if not hot:
        return
    names = " and ".join(hot)
    if not status:
        why = f"the service does not answer, and it may heat {names} by these probes"
    elif begun:
        why = f"the service may heat {names} now, by probes that are out of their place"
    else:
        why = f"the service may heat {names}, blindly while one of these probes is out of its place"
    raise RefusedError(
        f"{why}: stop it for so long (systemctl stop bottomheat); half an hour without heat does "
        "no harm. Start it when every probe is back."
    )


def _status(config: Config, *, begun: bool) -> Mapping[str, Any] | None:
    """The service's answer; empty where one runs and does not give it, None where none runs."""
    from bottomheat.app import control_path, state_folder
    from bottomheat_drivers.control_socket import ask
    from bottomheat_drivers.process_lock import lock_state

    try:
        return ask(control_path(config), {"do": "status"}, 10.0)
    except NotRunningError as error:
        if isinstance(error.__cause__, PermissionError):
            return {}
    if begun:
        return None  # a lock taken again and again would be in the way of a service that starts
    try:
        lock_state(state_folder(config)).close()
    except AlreadyRunningError:
        return {}
    except DriverError:
        return None  # no state folder yet
    return None
