"""What identification hands on: a response with intervals, or why there is none.  Plain Python."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from bottomheat.response import Response

Method = Literal["log", "step", "relay"]

CONFIDENCE: Final = 0.95
"""Of every interval here."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A 95 % interval in the unit of what it is about; ``low`` is not above ``high``."""

    low: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.high:
            raise ValueError(f"an interval from {self.low} to {self.high} holds nothing")

    def holds(self, value: float) -> bool:
        """Whether a value lies in it, ends included."""
        return self.low <= value <= self.high


@dataclass(frozen=True, slots=True)
class Whiteness:
    """Whether what the fit leaves over still has a pattern.

    Attributes:
        statistic: Ljung-Box Q of the one-step residuals over ``lags`` lags, dimensionless.
        lags: how many lags it looks at.
        p_value: probability of a Q as large from residuals without any pattern.
        white: whether they pass at 1 %.
    """

    statistic: float
    lags: int
    p_value: float
    white: bool


@dataclass(frozen=True, slots=True)
class Mat:
    """How the mat answers, as its probe reads it beside the wet layer's.

    Attributes:
        gain_k_per_w: how far a watt of mean power lifts it above the wet layer in the end, K/W.
        gain: 95 % interval of that, K/W.
        swing_k_per_w: how far its peaks lie above its mean at half power in windows of ten
            minutes, for each watt that is rated, K/W.
    """

    gain_k_per_w: float
    gain: Interval
    swing_k_per_w: float


@dataclass(frozen=True, slots=True)
class Found:
    """How a box answers, with how sure that is.

    Attributes:
        response: of the wet layer.
        callus: of the callus zone as the service takes it (its estimate, or its probe); None where
            the record has none.
        intervals: 95 % intervals by field name of ``Response`` for the wet layer, and
            ``callus.<field>`` for the callus zone; a field that the record cannot tell has none.
            After a step also ``slope``: of the wet layer's answer to a watt where it begins,
            K/(W·s).
        method: where it comes from.
        hours: length of the record that was used, h.
        rows: means that were fitted.
        residual_rms_k: RMS of measured less model over the whole run, K.
        whiteness: of the wet layer's one-step residuals; None where there were too few.
        notes: what a reader should know, in plain words.
        first_rise_s: time after a step in which the wet layer surely did not answer yet, s; None
            where nobody looked or it does not show.
        mat: of the mat; None where the record does not tell.
    """

    response: Response
    callus: Response | None
    intervals: Mapping[str, Interval]
    method: Method
    hours: float
    rows: int
    residual_rms_k: float
    whiteness: Whiteness | None = None
    notes: tuple[str, ...] = field(default=())
    first_rise_s: float | None = None
    mat: Mat | None = None

    @property
    def white(self) -> bool:
        """Whether the residuals have no pattern left; False where that is not known."""
        return self.whiteness is not None and self.whiteness.white


@dataclass(frozen=True, slots=True)
class NotEnough:
    """The record does not tell how the box answers: no number rather than a wrong one.

    Attributes:
        reasons: what is missing and what to do about it, a sentence each.
    """

    reasons: tuple[str, ...]

    def __post_init__(self) -> None:
        if not self.reasons:
            raise ValueError("not enough of what? give a reason")
