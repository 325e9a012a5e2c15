"""What the service says of its alarms, checked; a garbled answer counts as none."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    FiniteFloat,
    StringConstraints,
    ValidationError,
)

MOST_ALARMS = 1000
MOST_BOXES = 32


def _at_most_a_thousand(text: str) -> str:
    return text if len(text) <= 1000 else text[:999] + "…"


Words = Annotated[str, StringConstraints(max_length=20_000), AfterValidator(_at_most_a_thousand)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=100)]
WallMs = Annotated[int, Field(ge=-(10**13), le=10**14)]
Celsius = Annotated[FiniteFloat, Field(ge=-300, le=300)]
Share = Annotated[FiniteFloat, Field(ge=0, le=1)]

State = Literal["new", "seen", "gone but not seen", "paused", "needs reset"]


class Frozen(BaseModel):
    """Frozen and strict; a key that is not known is ignored, so that the service may say more."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", hide_input_in_errors=True)


class AlarmView(Frozen):
    """One alarm, as the service tells it.

    Attributes:
        id: box (or "house") and kind, the same each time the alarm comes.
        serial: a new number each time it comes.
        level: "now" needs somebody at once, "morning" can wait for the message of the day.
        at_once: of the level "morning", and sent once when it comes as well.
        what: what is wrong.
        how_long: how long the plants have.
        first: what to do first.
        helper: what somebody else should do, from the config.
    """

    id: Name
    serial: int
    chamber: Name | None
    alarm: Name
    level: Literal["now", "morning"]
    state: State
    seen: bool
    active: bool
    raised_ms: WallMs
    gone_ms: WallMs | None
    paused_until_ms: WallMs | None
    what: Words
    how_long: Words
    first: Words
    helper: Words | None
    at_once: bool = False

    @property
    def over(self) -> bool:
        """Whether it is gone before anybody has seen it."""
        return self.state == "gone but not seen"

    @property
    def waits(self) -> bool:
        """Whether it stands and nobody has seen or paused it."""
        return not self.seen and self.state in ("new", "needs reset")


class BoxView(Frozen):
    """One box: what it is doing, and its night (lowest, highest, share of time in band)."""

    name: Name
    condition: Name
    estimate_c: Celsius | None
    setpoint_c: Celsius
    low_c: Celsius | None
    high_c: Celsius | None
    in_band_frac: Share | None
    heat_frac: Share | None


class Away(Frozen):
    """The grower is away, from when until when (ms since 1970)."""

    until_ms: WallMs
    since_ms: WallMs


class Answer(Frozen):
    """The whole answer."""

    ok: Literal[True]
    now_ms: WallMs
    synchronised: bool
    running_s: Annotated[FiniteFloat, Field(ge=0)]
    away: Away | None
    alarms: Annotated[list[AlarmView], Field(max_length=MOST_ALARMS)]
    boxes: Annotated[list[BoxView], Field(max_length=MOST_BOXES)]


def parse_answer(data: Mapping[str, Any] | None) -> Answer | None:
    """Check an answer; None where it is missing or not as agreed."""
    if data is None:
        return None
    try:
        answer = Answer.model_validate(data)
    except (ValidationError, RecursionError):
        return None
    ids = {alarm.id for alarm in answer.alarms}
    return answer if len(ids) == len(answer.alarms) else None
