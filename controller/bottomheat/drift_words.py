"""What a change of a box over weeks points to, and how a grower is told.  Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

ALIKE = 0.06
"""Logarithms of lift and lead closer than this have changed by the same share; judgement."""


class Cause(StrEnum):
    """What has changed, as far as lift and lead tell."""

    MAT_LESS = "mat gives less"
    MAT_MORE = "mat gives more"
    LOSES_MORE = "box loses more"
    LOSES_LESS = "box loses less"
    LAYER_DRIER = "layer drier"
    LAYER_WETTER = "layer wetter"
    UNKNOWN = "not told apart"


@dataclass(frozen=True, slots=True)
class Change:
    """What is told.

    Attributes:
        lift_share: change of the lift, as a share of what it was; -0.12 is 12 % less.
        lead_share: the same of the lead; None without a probe on the mat.
        cause: what that points to.
        since_day: number of the day (24 h of the hours given) that the reference is from.
    """

    lift_share: float
    lead_share: float | None
    cause: Cause
    since_day: int


def cause(lift_value: float, lead_value: float | None, loose_share: float = 0.0) -> Cause:
    """What a change of both ratios points to.

    Args:
        lift_value: change of the logarithm of the lift.
        lead_value: the same of the lead; None without a probe on the mat.
        loose_share: what the probes' errors may add to that of the lead.
    """
    if lead_value is None:
        return Cause.UNKNOWN
    apart = abs(lift_value - lead_value)
    still = abs(lead_value) < 0.5 * abs(lift_value) + loose_share
    alike = (
        lift_value * lead_value > 0.0 and apart < max(ALIKE, 0.4 * abs(lead_value)) + loose_share
    )
    if still and alike:
        return Cause.UNKNOWN
    if still or (lift_value * lead_value < 0.0 and abs(lift_value) >= 0.5 * abs(lead_value)):
        # More heat on its way through the layer lengthens the lead a little, too.
        return Cause.LOSES_MORE if lift_value < 0.0 else Cause.LOSES_LESS
    if alike:
        return Cause.MAT_LESS if lead_value < 0.0 else Cause.MAT_MORE
    return Cause.LAYER_WETTER if lead_value < 0.0 else Cause.LAYER_DRIER


def words(change: Change, since: str) -> str:
    """A change in words for a grower.

    Args:
        change: what was found.
        since: when the reference is from, as "5 November".
    """
    told = f"since about {since} a watt lifts the wet layer {_percent(change.lift_share)}"
    if change.lead_share is not None:
        told += f", and the mat over it {_percent(change.lead_share)}"
    told = f"{told}: {_LOOK[change.cause]}"
    return told + _WOULD_TELL if change.lead_share is None else told


def _percent(share: float) -> str:
    if abs(share) < 0.015:
        return "as before"
    return f"{100 * abs(share):.0f} % {'more' if share > 0.0 else 'less'}"


_LOOK = {
    Cause.MAT_LESS: "the mat gives less heat: it is ageing, part of it is dead, or the mains "
    "voltage is low; look at it before the coldest night",
    Cause.MAT_MORE: "the mat gives more heat than it did: another mat, or a higher mains voltage; "
    "write its watts into the config",
    Cause.LOSES_MORE: "the box loses more heat: is the lid on and tight, does it stand in a "
    "draught, is the medium wetter or the foam wet?",
    Cause.LOSES_LESS: "the box loses less heat: the medium has dried, or it is better covered; "
    "feel whether it wants water",
    Cause.LAYER_DRIER: "the layer over the mat has become drier, or the box no longer lies flat on "
    "the mat: look, water from below",
    Cause.LAYER_WETTER: "the layer over the mat has become wetter: look whether water stands in it",
    Cause.UNKNOWN: "the mat is ageing, or the medium is drier or wetter, or the lid lies "
    "otherwise: look",
}

_WOULD_TELL = " (a probe on the mat would tell more)"
