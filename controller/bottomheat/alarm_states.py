"""The states of one alarm and what moves it from one to the next; pure, and nothing about heat.

The states and transitions are those of IEC 62682 and ANSI/ISA-18.2, taken second hand: the texts of
both are for sale.  Read was OPC 10000-9 (OPC UA Part 9: Alarms & Conditions), section 4.8, which
says that it is designed in accordance with both: what active, shelved, suppressed, out of service
and latched mean, that an alarm set aside goes on following its condition, and that a latched one
does not clear until it is reset, even if the process is back to normal.  Read in a public
implementation were the names of the states and normal -> unacknowledged -> acknowledged -> normal,
unacknowledged -> returned to normal unacknowledged, and "any -> set aside".  From memory: that a
latched alarm which nobody has acknowledged is, once reset, one that returned to normal
unacknowledged; and that shelving cannot be laid over another way of setting aside.
Two points are ours, both to the side of telling: an alarm that nobody had seen when it was
suppressed is still not seen when the suppression ends, and what is out of service or shelved may
be reset, because the reset concerns the latch and not the display.

On screen the states have other words (``word``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType


class State(StrEnum):
    """Where an alarm stands."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-to-normal-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


class Cue(StrEnum):
    """What can happen to an alarm."""

    COMES = "condition-comes"
    GOES = "condition-goes"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SHELF_TIME_OUT = "shelf-time-ran-out"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    TAKE_OUT = "take-out-of-service"
    PUT_BACK = "put-back-into-service"


class If(StrEnum):
    """What a transition depends on besides state and cue, after the cue has been taken in."""

    ALWAYS = "always"
    ACTIVE = "the condition stands"
    HELD = "it latches and has not been reset"
    UNSEEN = "nobody has acknowledged it"
    IDLE_HELD = "the condition is gone and the latch has not been reset"


SET_ASIDE = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})
"""States that announce nothing; the condition is followed all the same."""

_Ways = tuple[tuple[If, State], ...]

_BACK: _Ways = (
    (If.ACTIVE, State.UNACKNOWLEDGED),
    (If.HELD, State.LATCHED_UNACKNOWLEDGED),
    (If.UNSEEN, State.RETURNED),
    (If.ALWAYS, State.NORMAL),
)
"""Out of being set aside: what stands is announced again."""


def _to(state: State) -> _Ways:
    return ((If.ALWAYS, state),)


TABLE: Mapping[tuple[State, Cue], _Ways] = MappingProxyType(
    {
        # -- the condition
        (State.NORMAL, Cue.COMES): _to(State.UNACKNOWLEDGED),
        (State.RETURNED, Cue.COMES): _to(State.UNACKNOWLEDGED),
        (State.LATCHED_UNACKNOWLEDGED, Cue.COMES): _to(State.UNACKNOWLEDGED),
        (State.LATCHED_ACKNOWLEDGED, Cue.COMES): _to(State.UNACKNOWLEDGED),
        (State.UNACKNOWLEDGED, Cue.GOES): (
            (If.HELD, State.LATCHED_UNACKNOWLEDGED),
            (If.ALWAYS, State.RETURNED),
        ),
        (State.ACKNOWLEDGED, Cue.GOES): (
            (If.HELD, State.LATCHED_ACKNOWLEDGED),
            (If.ALWAYS, State.NORMAL),
        ),
        # -- the operator
        (State.UNACKNOWLEDGED, Cue.ACKNOWLEDGE): _to(State.ACKNOWLEDGED),
        (State.RETURNED, Cue.ACKNOWLEDGE): _to(State.NORMAL),
        (State.LATCHED_UNACKNOWLEDGED, Cue.ACKNOWLEDGE): _to(State.LATCHED_ACKNOWLEDGED),
        (State.LATCHED_UNACKNOWLEDGED, Cue.RESET): _to(State.RETURNED),
        (State.LATCHED_ACKNOWLEDGED, Cue.RESET): _to(State.NORMAL),
        # -- shelved by the operator, for a time
        (State.NORMAL, Cue.SHELVE): _to(State.SHELVED),
        (State.UNACKNOWLEDGED, Cue.SHELVE): _to(State.SHELVED),
        (State.ACKNOWLEDGED, Cue.SHELVE): _to(State.SHELVED),
        (State.RETURNED, Cue.SHELVE): _to(State.SHELVED),
        (State.LATCHED_UNACKNOWLEDGED, Cue.SHELVE): _to(State.SHELVED),
        (State.LATCHED_ACKNOWLEDGED, Cue.SHELVE): _to(State.SHELVED),
        (State.SHELVED, Cue.UNSHELVE): _BACK,
        (State.SHELVED, Cue.SHELF_TIME_OUT): _BACK,
        (State.SHELVED, Cue.COMES): _to(State.SHELVED),
        (State.SHELVED, Cue.GOES): _to(State.SHELVED),
        (State.SHELVED, Cue.RESET): ((If.IDLE_HELD, State.SHELVED),),
        # -- suppressed by design, while the logic says so
        (State.NORMAL, Cue.SUPPRESS): _to(State.SUPPRESSED),
        (State.UNACKNOWLEDGED, Cue.SUPPRESS): _to(State.SUPPRESSED),
        (State.ACKNOWLEDGED, Cue.SUPPRESS): _to(State.SUPPRESSED),
        (State.RETURNED, Cue.SUPPRESS): _to(State.SUPPRESSED),
        (State.LATCHED_UNACKNOWLEDGED, Cue.SUPPRESS): _to(State.SUPPRESSED),
        (State.LATCHED_ACKNOWLEDGED, Cue.SUPPRESS): _to(State.SUPPRESSED),
        (State.SUPPRESSED, Cue.UNSUPPRESS): _BACK,
        (State.SUPPRESSED, Cue.COMES): _to(State.SUPPRESSED),
        (State.SUPPRESSED, Cue.GOES): _to(State.SUPPRESSED),
        (State.SUPPRESSED, Cue.RESET): ((If.IDLE_HELD, State.SUPPRESSED),),
        # -- out of service, for work on it
        (State.NORMAL, Cue.TAKE_OUT): _to(State.OUT_OF_SERVICE),
        (State.UNACKNOWLEDGED, Cue.TAKE_OUT): _to(State.OUT_OF_SERVICE),
        (State.ACKNOWLEDGED, Cue.TAKE_OUT): _to(State.OUT_OF_SERVICE),
        (State.RETURNED, Cue.TAKE_OUT): _to(State.OUT_OF_SERVICE),
        (State.LATCHED_UNACKNOWLEDGED, Cue.TAKE_OUT): _to(State.OUT_OF_SERVICE),
        (State.LATCHED_ACKNOWLEDGED, Cue.TAKE_OUT): _to(State.OUT_OF_SERVICE),
        (State.OUT_OF_SERVICE, Cue.PUT_BACK): _BACK,
        (State.OUT_OF_SERVICE, Cue.COMES): _to(State.OUT_OF_SERVICE),
        (State.OUT_OF_SERVICE, Cue.GOES): _to(State.OUT_OF_SERVICE),
        (State.OUT_OF_SERVICE, Cue.RESET): ((If.IDLE_HELD, State.OUT_OF_SERVICE),),
    }
)
"""Every transition; what is not here is impossible and changes nothing."""


@dataclass(frozen=True, slots=True)
class Machine:
    """One alarm.

    Attributes:
        latching: it needs a reset after its condition is gone.
        state: where it stands.
        active: the condition stands; moved by ``COMES`` and ``GOES`` and nothing else.
        held: it latches, has come, and has not been reset since.
        seen: a person has acknowledged or shelved it since it last came.
    """

    latching: bool = False
    state: State = State.NORMAL
    active: bool = False
    held: bool = False
    seen: bool = True

    @property
    def stands(self) -> bool:
        """Whether something is wrong now, or waits to be reset, told or not."""
        return self.active or self.held

    def holds(self, guard: If) -> bool:
        """Whether a condition of the table is met."""
        match guard:
            case If.ALWAYS:
                return True
            case If.ACTIVE:
                return self.active
            case If.HELD:
                return self.held
            case If.UNSEEN:
                return not self.seen
            case If.IDLE_HELD:
                return self.held and not self.active


def advance(machine: Machine, cue: Cue) -> tuple[Machine, bool]:
    """Take a cue in; False, and the machine as it was, where the cue is impossible here."""
    ways = TABLE.get((machine.state, cue))
    if ways is None:
        return machine, False
    taken = machine
    match cue:
        case Cue.COMES:
            if machine.active:
                return machine, False
            # What comes while it is set aside announces nothing, so there is nothing to have seen.
            seen = machine.seen if machine.state in SET_ASIDE else False
            taken = replace(machine, active=True, held=machine.latching, seen=seen)
        case Cue.GOES:
            if not machine.active:
                return machine, False
            taken = replace(machine, active=False)
        case Cue.ACKNOWLEDGE | Cue.SHELVE:
            taken = replace(machine, seen=True)
        case _:
            pass
    for guard, state in ways:
        if taken.holds(guard):
            if cue is Cue.RESET:
                taken = replace(taken, held=False)
            back = machine.state in SET_ASIDE and state not in SET_ASIDE
            if back and state in (State.UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED):
                taken = replace(taken, seen=False)
            return replace(taken, state=state), True
    return machine, False


def word(machine: Machine) -> str:
    """What the screen calls the state; "" for an alarm with nothing to say."""
    match machine.state:
        case State.NORMAL:
            return ""
        case State.UNACKNOWLEDGED:
            return "new"
        case State.ACKNOWLEDGED:
            return "needs reset" if machine.latching else "seen"
        case State.RETURNED:
            return "gone but not seen"
        case State.LATCHED_UNACKNOWLEDGED | State.LATCHED_ACKNOWLEDGED:
            return "needs reset"
        case State.SHELVED | State.SUPPRESSED | State.OUT_OF_SERVICE:
            return "paused"
