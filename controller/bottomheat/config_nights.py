"""What the ceiling and the limits of a box make of a cold night."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from bottomheat.config import LIMIT_MARGIN_K, Offset, Path, Problem
from bottomheat.config_facts import ChamberFacts
from bottomheat.config_sections import Model
from bottomheat.operating_point import (
    callus_given_c,
    layer_under_c,
    mat_at_c,
    mat_ripple_k,
    needed_layer_c,
    runs_away,
)

MILD_ROOM_C = 15.0
"""A room in which any box must hold its setpoint; a colder one may be excused (judgement)."""

CLOSE_TO_LIMIT_K = 5.0
"""Normal operation nearer than this to a limit is worth a warning (judgement)."""

HIGH_DUTY = 0.8
"""Share of the time above which a mat has too little in hand for a colder night (judgement)."""

_WORTH_A_FIGURE_K = 0.2


@dataclass(frozen=True, slots=True)
class _Bound:
    """A temperature that rises as the room cools, and the levels it must stay below, °C.

    ``seen``: it was identified, and a probe of ours holds it back.  What it says is how the box is
    and no mistake in the file, which the model itself could not be written into otherwise.
    """

    path: Path
    what: str
    limit_c: float
    held_at_c: float
    peak_c: Callable[[float], float]
    mean_c: Callable[[float], float]
    mean_at_most_c: float
    layer_when_held_c: Callable[[float], float]
    remedy: str
    seen: bool = False

    @property
    def limit_room_c(self) -> float:
        """The warmest room in which the limit is reached, °C."""
        return _room_at_c(self.limit_c, self.peak_c)

    @property
    def held_room_c(self) -> float:
        """The warmest room in which the law gives less heat than asked for, °C."""
        return _room_at_c(self.held_at_c, self.peak_c)

    @property
    def near_room_c(self) -> float:
        """The warmest room in which normal operation is near the limit, °C."""
        near_c = self.limit_c - CLOSE_TO_LIMIT_K
        return _room_at_c(near_c, self.mean_c) if self.mean_at_most_c > near_c else -math.inf


def _room_at_c(level_c: float, of_c: Callable[[float], float]) -> float:
    """The warmest room, °C, in which a temperature is at a level or above it.

    Every temperature here is linear in the room's, and none falls as the room cools.
    """
    at_zero_c = of_c(0.0)
    per_k = of_c(1.0) - at_zero_c
    if per_k > -1e-9:
        return math.inf if at_zero_c >= level_c else -math.inf
    return (level_c - at_zero_c) / per_k


def cold_night(chamber: ChamberFacts, coldest_c: float) -> tuple[list[Problem], list[Problem]]:
    """Tell what the ceiling and the limits do to a box as its room cools: problems and warnings.

    With the lid on: nobody leaves it off on a cold night, and what it costs is not known.

    Args:
        chamber: what is known of a box; nothing is said where too little is.
        coldest_c: coldest room to be ready for, °C.
    """
    set_c, offset = chamber.setpoint_c, chamber.offset
    if set_c is None or offset is None or runs_away(offset, chamber.rise_k_per_w):
        return [], []
    if coldest_c >= set_c:
        message = (
            f"{coldest_c:g} °C is no colder than the setpoint of {set_c:g} °C, so cold nights are "
            "not checked; write how cold the room can get"
        )
        return [], [Problem(("coldest_room",), None, message)]
    bounds = _bounds(chamber, set_c, offset, coldest_c)
    cut = [
        Problem(chamber.path(*bound.path), None, _cuts_out(bound, set_c, coldest_c))
        for bound in bounds
        if bound.limit_room_c >= coldest_c and not bound.seen
    ]
    if cut:
        return cut, []
    warnings: list[Problem] = []
    mild_c = max(MILD_ROOM_C, coldest_c)
    always = [bound for bound in bounds if bound.held_room_c >= mild_c]
    if always:
        # A mat that was seen to bind first hides no slip in another line.
        worst = max(always, key=lambda bound: (not bound.seen, bound.held_room_c))
        problem = Problem(chamber.path(*worst.path), None, _always_held(worst, set_c))
        return ([], [problem]) if worst.seen else ([problem], [])
    first = max(bounds, key=lambda bound: bound.held_room_c, default=None)
    if first is not None and first.held_room_c > coldest_c:
        layer_c = first.layer_when_held_c(coldest_c)
        held_c = callus_given_c(layer_c, offset, coldest_c, chamber.rise_k_per_w)
        message = _held(first, set_c, coldest_c, held_c)
        warnings.append(Problem(chamber.path(*first.path), None, message))
        bounds.remove(first)
    warnings += [
        Problem(chamber.path(*bound.path), None, _near(bound, coldest_c))
        for bound in bounds
        if bound.near_room_c > coldest_c
    ]
    if chamber.full_power_rise_k is not None:
        warnings += _capacity(chamber, set_c, offset, chamber.full_power_rise_k, coldest_c)
    return [], warnings


def _bounds(chamber: ChamberFacts, set_c: float, offset: Offset, coldest_c: float) -> list[_Bound]:
    """Ceiling, wet-layer limit and mat limit, as far as they are known."""

    def layer_c(room_c: float) -> float:
        return needed_layer_c(set_c, offset, room_c, chamber.rise_k_per_w)

    def mat_c(room_c: float) -> float:
        return mat_at_c(layer_c(room_c), room_c, chamber.rise_k_per_w, by)

    by = _mat_model(chamber, layer_c(coldest_c), coldest_c)
    found: list[_Bound] = []
    ceiling_c, substrate_c, limit_c = chamber.ceiling_c, chamber.substrate_c, chamber.mat_c
    if ceiling_c is not None and ceiling_c >= set_c:
        raise_it = "insulate the box, or raise layer_ceiling if the roots allow"
        found.append(
            _Bound(
                path=("layer_ceiling",),
                what="wet layer",
                limit_c=math.inf,
                held_at_c=ceiling_c,
                peak_c=layer_c,
                mean_c=layer_c,
                mean_at_most_c=ceiling_c,
                layer_when_held_c=lambda _room_c: ceiling_c,
                remedy=raise_it,
            )
        )
    if substrate_c is not None:
        # The ceiling, which is lower, bounds the law; the limit itself is looked at without it.
        lid_c = math.inf if ceiling_c is None else ceiling_c
        found.append(
            _Bound(
                path=("limits", "substrate"),
                what="wet layer",
                limit_c=substrate_c,
                held_at_c=math.inf,
                peak_c=layer_c,
                mean_c=layer_c,
                mean_at_most_c=lid_c,
                layer_when_held_c=layer_c,
                remedy="insulate the box, or lower callus_zone",
            )
        )
    if limit_c is not None and chamber.window_s is not None:
        ripple_k = mat_ripple_k(chamber.window_s, chamber.watts, by)
        held_at_c = limit_c - LIMIT_MARGIN_K
        found.append(
            _Bound(
                path=("limits", "mat"),
                what="mat",
                limit_c=limit_c,
                # Without a probe on the mat the law cannot know, and does not hold back.
                held_at_c=held_at_c if chamber.has_probe("mat") else math.inf,
                peak_c=lambda room_c: mat_c(room_c) + ripple_k,
                mean_c=mat_c,
                mean_at_most_c=math.inf,
                layer_when_held_c=lambda room_c: layer_under_c(
                    held_at_c - ripple_k, room_c, chamber.rise_k_per_w, by
                ),
                remedy="insulate the box, or raise limits.mat if the mat's rating allows",
                seen=chamber.has_probe("mat")
                and chamber.model is not None
                and chamber.model.mat_gain_k_per_w is not None,
            )
        )
    return found


def _mat_model(chamber: ChamberFacts, layer_c: float, coldest_c: float) -> Model | None:
    """The model that the mat is worked out by; None: as a usual box.

    Where no probe lies on the mat nothing holds its heat back, and nothing shows a slip in what the
    model says of it: the hotter of that and a usual box counts.
    """
    model, k_per_w = chamber.model, chamber.rise_k_per_w
    if chamber.has_probe("mat") or model is None or model.mat_gain_k_per_w is None:
        return model
    by_model_c = mat_at_c(layer_c, coldest_c, k_per_w, model)
    return model if by_model_c > mat_at_c(layer_c, coldest_c, k_per_w, None) else None


def _night(room_c: float) -> str:
    """The warmest night on which something happens, for a sentence, to whole degrees."""
    return "any night" if math.isinf(room_c) else f"a night of {round(room_c)} °C"


def _cuts_out(bound: _Bound, set_c: float, coldest_c: float) -> str:
    return (
        f"this will cut out on {_night(bound.limit_room_c)}: for {set_c:g} °C in a room of "
        f"{coldest_c:g} °C the {bound.what} reaches {bound.peak_c(coldest_c):.0f} °C, and its "
        f"limit is {bound.limit_c:g} °C; {bound.remedy}"
    )


def _always_held(bound: _Bound, set_c: float) -> str:
    return (
        f"this holds the box below its setpoint of {set_c:g} °C even in a room of "
        f"{MILD_ROOM_C:g} °C, where the {bound.what} would reach "
        f"{bound.peak_c(MILD_ROOM_C):.0f} °C and heat is held back from {bound.held_at_c:g} °C; "
        f"{bound.remedy}"
    )


def _held(bound: _Bound, set_c: float, coldest_c: float, held_c: float) -> str:
    short_k = set_c - held_c
    how_far = "a little below" if short_k < _WORTH_A_FIGURE_K else f"at about {held_c:.1f} °C"
    return (
        f"this will hold the box below its setpoint of {set_c:g} °C on "
        f"{_night(bound.held_room_c)}, when the {bound.what} reaches {bound.held_at_c:g} °C and "
        f"heat is held back; in a room of {coldest_c:g} °C the callus zone stays {how_far}; "
        f"{bound.remedy}"
    )


def _near(bound: _Bound, coldest_c: float) -> str:
    mean_c = min(bound.mean_c(coldest_c), bound.mean_at_most_c)
    return (
        f"on {_night(bound.near_room_c)} the {bound.what} comes within "
        f"{CLOSE_TO_LIMIT_K:g} K of this limit of {bound.limit_c:g} °C in normal use "
        f"({mean_c:.0f} °C in a room of {coldest_c:g} °C), and a small fault "
        f"would cut the heat; {bound.remedy}"
    )


def _capacity(
    chamber: ChamberFacts, set_c: float, offset: Offset, full_k: float, coldest_c: float
) -> list[Problem]:
    """Whether the mat is strong enough: only where full power's rise was measured."""

    def duty(room_c: float) -> float:
        return (needed_layer_c(set_c, offset, room_c, chamber.rise_k_per_w) - room_c) / full_k

    at_coldest = duty(coldest_c)
    if at_coldest <= HIGH_DUTY:
        return []
    path = chamber.path("heater", "full_power_rise")
    if at_coldest > 1:
        until = f"{_room_at_c(1.0, duty):.0f} °C"
        message = (
            f"the mat cannot hold {set_c:g} °C in a room of {coldest_c:g} °C, where full power is "
            f"not enough below about {until}; insulate the box or use a stronger mat"
        )
    else:
        message = (
            f"the mat needs heat on {at_coldest:.0%} of the time for {set_c:g} °C in a room of "
            f"{coldest_c:g} °C, which leaves little for a colder night; insulate the box"
        )
    return [Problem(path, None, message)]
