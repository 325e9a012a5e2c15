"""Rows of the log as the even record that ``learned`` takes, and which stretch of it counts.  Pure.

All times are s on one axis, such as wall ms / 1000.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from bottomheat.calibration.borrowed_rows import Series
from bottomheat.calibration.pairing import Seen
from bottomheat.protect.tending import Doing, Lid

Array = npt.NDArray[np.float64]

STEP_S: Final = 300.0
"""Step of the grid, s: bases take an hour to follow anything."""

BEFORE_S: Final = 72 * 3600.0
"""Record from before a session, for what the bed remembers, s."""

HOLD_S: Final = 900.0
"""A row says what the heat does for so long at most, s; longer, nobody knows."""

CHANGES: Final = frozenset({Doing.FILL.value, Doing.MOVE.value})
"""After these a box is another box."""


@dataclass(frozen=True, slots=True)
class Lent:
    """A row of the log about a borrowed probe: it begins for ``for_s``, or ends (None)."""

    at_s: float
    probe: str
    for_s: float | None


@dataclass(frozen=True, slots=True)
class Tended:
    """When the box was tended, what was done, how the lid lay from then on (None: as before)."""

    at_s: float
    doing: str
    lid: str | None


@dataclass(frozen=True, slots=True)
class Session:
    """A borrowed probe in the callus zone, from begin to end or to now."""

    probe: str
    begin_s: float
    end_s: float
    running: bool


def sessions(lent: Sequence[Lent], now_s: float) -> list[Session]:
    """The learning sessions of one box, oldest first.

    Args:
        lent: its rows.
        now_s: the time now, s.
    """
    rows = sorted(lent, key=lambda row: row.at_s)
    found = []
    for index, row in enumerate(rows):
        if row.for_s is None:
            continue
        after = rows[index + 1] if index + 1 < len(rows) else None
        end_s = now_s if after is None else after.at_s
        found.append(Session(row.probe, row.at_s, end_s, after is None))
    return found


def last_change(tended: Sequence[Tended], before_s: float) -> Tended | None:
    """What last made the box another box: filled or moved.

    Args:
        tended: what was done at this box.
        before_s: up to this time, s.
    """
    found = [each for each in tended if each.doing in CHANGES and each.at_s <= before_s]
    return max(found, key=lambda each: each.at_s, default=None)


def stretches(
    session: Session, tended: Sequence[Tended], lid: str, now_s: float
) -> list[tuple[float, float]]:
    """The parts of a session that tell of the box as it is now with one position of the lid.

    Args:
        session: the session.
        tended: what was done at this box.
        lid: the position.
        now_s: the time now, s.
    """
    change = last_change(tended, now_s)
    begin_s = session.begin_s if change is None else max(session.begin_s, change.at_s)
    said = sorted((t for t in tended if t.lid is not None), key=lambda t: t.at_s)
    moves: list[tuple[float, str]] = [(-np.inf, Lid.ON.value)]
    moves += [(t.at_s, t.lid) for t in said if t.lid is not None]
    found = []
    for index, (from_s, position) in enumerate(moves):
        until_s = moves[index + 1][0] if index + 1 < len(moves) else np.inf
        low_s, high_s = max(from_s, begin_s), min(until_s, session.end_s)
        if position == lid and low_s < high_s:
            found.append((float(low_s), float(high_s)))
    return found


def series(
    seen: Sequence[Seen],
    callus: Sequence[tuple[float, float]],
    *,
    watts: float,
    counted: Sequence[tuple[float, float]],
    to_s: float,
) -> Series:
    """Means on an even grid, from the first row on.

    Args:
        seen: rows of the box's own probes, in order of time; at least one.
        callus: time in s and temperature in °C of the borrowed probe.
        watts: rated power of the mat, W.
        counted: stretches of time of which the borrowed probe is taken, s.
        to_s: where the record ends, s.

    Raises:
        ValueError: there is no row.
    """
    if not seen:
        raise ValueError("no row, no record")
    at_s = np.array([row.at_s for row in seen])
    count = max(2, int(np.ceil((to_s - at_s[0]) / STEP_S)))
    edges = at_s[0] + STEP_S * np.arange(count + 1)
    inside = [
        (when_s, celsius)
        for when_s, celsius in callus
        if any(low_s <= when_s < high_s for low_s, high_s in counted)
    ]
    return Series(
        at_s=edges[:-1] + STEP_S / 2,
        substrate_c=_means(edges, at_s, [row.substrate_c for row in seen]),
        room_c=_means(edges, at_s, [row.room_c for row in seen]),
        callus_c=_means(
            edges, np.array([when_s for when_s, _ in inside]), [celsius for _, celsius in inside]
        ),
        power_w=_power_w(edges, at_s, np.array([row.heat for row in seen]) * watts),
    )


def _means(edges: Array, at_s: Array, values: Sequence[float | None]) -> Array:
    known = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
    good = np.isfinite(known)
    found = np.full(len(edges) - 1, np.nan)
    if not good.any():
        return found
    where = np.floor((at_s[good] - edges[0]) / STEP_S).astype(np.int64)
    within = (where >= 0) & (where < len(found))
    sums = np.bincount(where[within], known[good][within], minlength=len(found))
    many = np.bincount(where[within], minlength=len(found))
    there = many > 0
    found[there] = sums[there] / many[there]
    return found


def _power_w(edges: Array, at_s: Array, power_w: Array) -> Array:
    """Mean power in each step; the heat of a row counts from it to the next, W."""
    starts = np.append(at_s, at_s[-1] + STEP_S)
    apart_s = np.diff(starts)
    # A hole holds no heat that anybody knows of: its seconds do not count either.
    held_s = np.where(apart_s <= HOLD_S, apart_s, 0.0)
    seconds = np.interp(edges, starts, np.concatenate([[0.0], np.cumsum(held_s)]))
    joules = np.interp(edges, starts, np.concatenate([[0.0], np.cumsum(held_s * power_w)]))
    known_s = np.diff(seconds)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_w = np.diff(joules) / known_s
    return np.where(known_s >= STEP_S / 2, mean_w, np.nan)
