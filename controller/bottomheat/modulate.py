"""From duty to relay: time-proportioning window, minimum times, closings.

A window begins with its closed part.  What a window cannot deliver (minimum times, whole cycles) is
carried to the next one, so that the long-run duty is exact.  Opening is always allowed at once;
only closing ever waits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

MEAN_S = 3600.0


@dataclass(frozen=True, slots=True)
class Modulator:
    """State of one relay.

    Attributes:
        closed: what was last commanded.
        changed_s: when that last changed.
        at_s: time of the last cycle.
        window_start_s: start of the window that is running, None between windows.
        length_s: its length, where it differs from the usual; None where it does not.
        planned_s: closed time planned for it.
        owed_s: closed time wanted less closed time given, of windows past.
        given_s: closed time given in this window so far.
        cut: the closed part of this window was ended early by a bound.
        closings: closings since this run began.
        mean_duty: duty over the last hour, exponentially weighted.
    """

    closed: bool = False
    changed_s: float | None = None
    at_s: float | None = None
    window_start_s: float | None = None
    length_s: float | None = None
    planned_s: float = 0.0
    owed_s: float = 0.0
    given_s: float = 0.0
    cut: bool = False
    closings: int = 0
    mean_duty: float = 0.0


def force_open(modulator: Modulator, now_s: float) -> Modulator:
    """Open now, whatever the window says; what was owed is forgotten."""
    modulator = _account(modulator, now_s)
    modulator = replace(modulator, window_start_s=None, owed_s=0.0, given_s=0.0, cut=False)
    return _drive(modulator, False, now_s)


def starts_window(modulator: Modulator, now_s: float, window_s: float) -> bool:
    """Whether this cycle begins a window.

    Half a millisecond early counts, because windows are sums of cycle lengths that are not exact
    in binary.
    """
    start_s = modulator.window_start_s
    return start_s is None or now_s - start_s >= (modulator.length_s or window_s) - 0.0005


def proportion(
    modulator: Modulator,
    duty: float,
    now_s: float,
    *,
    window_s: float,
    min_on_s: float,
    min_off_s: float,
    bound: bool,
    restart: bool = False,
    length_s: float | None = None,
    phase_s: float | None = None,
) -> Modulator:
    """One cycle of time proportioning.

    Args:
        modulator: state of the cycle before.
        duty: wanted fraction of the window, 0...1; taken over at the start of a window.
        now_s: monotonic time, s.
        window_s: length of a window, s.
        min_on_s: shortest closed time, s.
        min_off_s: shortest open time, s.
        bound: a temperature is at its bound: end the closed part of this window now.
        restart: begin a window now, because the setpoint or the config was changed; a closed part
            that has begun still lasts its shortest time.
        length_s: length of a window that begins now, where it is to differ, s.
        phase_s: a first window is cut short so that the next one begins at this time, s, modulo the
            length of a window: chambers that switch at different times can be told apart.

    Returns:
        The new state; ``closed`` is the command.
    """
    modulator = _account(modulator, now_s)
    start_s = modulator.window_start_s
    if restart or starts_window(modulator, now_s, window_s):
        owed_s = 0.0
        past_s = modulator.length_s or window_s
        if start_s is not None and not modulator.cut and not restart:
            owed_s = modulator.owed_s + modulator.planned_s - modulator.given_s
        window_s = length_s or window_s
        early_s = 0.0
        if phase_s is not None and start_s is None and length_s is None:
            early_s = (now_s - phase_s) % window_s
        owed_s = max(-window_s, min(window_s, owed_s))
        wanted_s = max(0.0, min(1.0, duty)) * (window_s - early_s) + owed_s
        planned_s = max(0.0, min(window_s, wanted_s))
        if planned_s < min_on_s:
            planned_s = 0.0
        elif window_s - planned_s < min_off_s:
            planned_s = window_s
        late_s = 0.0 if restart or start_s is None else now_s - start_s - past_s
        modulator = replace(
            modulator,
            length_s=length_s,
            window_start_s=now_s - (late_s if 0.0 <= late_s < window_s else 0.0) - early_s,
            planned_s=planned_s,
            owed_s=wanted_s - planned_s,
            given_s=0.0,
            cut=False,
        )
    if bound and not modulator.cut and modulator.given_s < modulator.planned_s:
        modulator = replace(modulator, cut=True)
    close = not modulator.cut and modulator.given_s < modulator.planned_s - 0.0005
    if close and not modulator.closed:
        close = _rested(modulator, now_s, min_off_s)
    elif modulator.closed and not close and not modulator.cut and not bound:
        close = not _rested(modulator, now_s, min_on_s)
    return _drive(modulator, close, now_s)


def on_off(
    modulator: Modulator,
    want: bool,
    now_s: float,
    *,
    min_on_s: float,
    min_off_s: float,
    bound: bool,
) -> Modulator:
    """One cycle of the on/off law, with minimum times; a bound opens at once."""
    modulator = _account(modulator, now_s)
    modulator = replace(modulator, window_start_s=None, owed_s=0.0, given_s=0.0, cut=bound)
    close = want and not bound
    if close and not modulator.closed:
        close = _rested(modulator, now_s, min_off_s)
    elif modulator.closed and not close and not bound:
        close = not _rested(modulator, now_s, min_on_s)
    return _drive(modulator, close, now_s)


def _rested(modulator: Modulator, now_s: float, least_s: float) -> bool:
    return modulator.changed_s is None or now_s - modulator.changed_s >= least_s - 0.0005


def _account(modulator: Modulator, now_s: float) -> Modulator:
    """Book the time since the last cycle to the state that the relay was in."""
    if modulator.at_s is None:
        return replace(modulator, at_s=now_s)
    dt_s = max(0.0, now_s - modulator.at_s)
    weight = min(1.0, dt_s / MEAN_S)
    on = 1.0 if modulator.closed else 0.0
    return replace(
        modulator,
        at_s=now_s,
        given_s=modulator.given_s + dt_s * on,
        mean_duty=modulator.mean_duty + (on - modulator.mean_duty) * weight,
    )


def _drive(modulator: Modulator, close: bool, now_s: float) -> Modulator:
    if close is modulator.closed:
        return modulator
    return replace(
        modulator,
        closed=close,
        changed_s=now_s,
        closings=modulator.closings + (1 if close else 0),
    )
