"""No heat while a probe is out of its place: who would heat by it, and whether heat may flow.

A wet-layer probe in a jar of ice would ask for full heat, and a mat probe there would hide what
that does.  Tending does not switch heat off, so that it is not enough: the service has to be
stopped, its wiring not proved yet, or the box cut out.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from bottomheat.errors import RefusedError
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
    told = {c.get("name"): c for c in status.get("chambers") or () if isinstance(c, Mapping)}
    cut_out = {
        name for name, c in told.items() if c.get("latched") or c.get("condition") == CUT_OUT
    }
    return [name for name in boxes if name not in cut_out]


CUT_OUT = Condition.CUT_OUT.value


def refuse_heat(config: Config, probes: Collection[str], *, begun: bool = False) -> None:
    """Refuse to measure with probes out of their places while the service may heat by them.

    Args:
        config: says who heats by them.
        probes: their names.
        begun: the measurement is under way already.

    Raises:
        RefusedError: it may; says what to do.
    """
    from bottomheat.cli.calibrate_box import service_answer

    boxes = boxes_of(config, probes)
    if not boxes:
        return
    hot = may_heat(service_answer(config, {"do": "status"}), boxes)
    if not hot:
        return
    first = (
        f"the service may heat {' and '.join(hot)} and goes by probes that are out of their place "
        "now"
        if begun
        else f"the service heats {' and '.join(hot)} by these probes, and would heat blindly with "
        "one of them out of its place"
    )
    raise RefusedError(
        f"{first}. Stop it for so long (systemctl stop bottomheat): half an hour without heat "
        "does no harm. Start it when every probe is back."
    )
