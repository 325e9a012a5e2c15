"""Thinned rows as arrays, to draw a course through (``knots``).  For analysis only: needs numpy."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from bottomheat_drivers.log.knots import Course, ThinnedRows
from bottomheat_drivers.log.placing import Placing

Floats: TypeAlias = npt.NDArray[np.float64]
Integers: TypeAlias = npt.NDArray[np.int64]

PLACES: Final[Mapping[str, str]] = {
    "substrate_c": "substrate",
    "room_c": "room",
    "mat_c": "mat",
    "top_c": "top",
    "callus_c": "callus",
}
"""How a place's columns begin, by the name of its temperatures."""
_OWN: Final = (
    "state",
    "t_ms",
    "span_ms",
    "samples",
    "closings",
    "heat_ms",
    "below_ms",
    "above_ms",
    "below_mks",
    "above_mks",
)
_NONE: Final = -(2**62)
_AT_ONCE: Final = 5_000


@dataclass(frozen=True, slots=True, eq=False)
class States:
    """States by rising id; all arrays are equally long.

    Attributes:
        id: of each.
        run: that it is of.
        setpoint_c: callus zone, °C.
        base_ms: added to the times of its rows, ms.
        mat_base_mc: added to their mat, 1/1000 °C.
        estimate_base_mc: added to their estimate, 1/1000 °C.
    """

    id: Integers
    run: Integers
    setpoint_c: Floats
    base_ms: Integers
    mat_base_mc: Integers
    estimate_base_mc: Integers


def query(places: Sequence[str], where: str) -> str:
    """The SQL for these places of ``PLACES`` and the rows that ``where`` names, by id."""
    columns = [*_OWN, *_course("estimate_over"), f"coalesce(expanded_ck, {_NONE})"]
    for name in places:
        columns += _course("mat_over" if name == "mat_c" else PLACES[name])
    return f"SELECT {', '.join(columns)} FROM thinned WHERE {where} ORDER BY id"  # noqa: S608


def _course(start: str) -> list[str]:
    place = start.removesuffix("_over")
    return [
        f"coalesce({start}_mc, {_NONE})",
        f"coalesce({place}_low_mk, 0)",
        f"coalesce({place}_high_mk, 0)",
    ]


def tables(cursor: sqlite3.Cursor) -> Iterator[Floats]:
    """What such a query gives, as tables of numbers."""
    while rows := cursor.fetchmany(_AT_ONCE):
        wide = len(rows[0])
        flat = np.fromiter(chain.from_iterable(rows), np.float64, wide * len(rows))
        yield flat.reshape(len(rows), wide)


def rows_of(
    table: Floats,
    states: States,
    at: npt.NDArray[np.intp],
    placings: Mapping[int, Placing],
    places: Sequence[str],
    placed: Callable[[Integers, Integers, Mapping[int, Placing]], Integers],
) -> ThinnedRows:
    """The rows of a table that ``query`` gave.

    Args:
        table: it.
        states: of the log.
        at: the place of each row's state among them.
        placings: of the runs.
        places: as they were asked for.
        placed: gives wall times of runs and their own times, ms.
    """
    run = states.run[at]
    t_ms = states.base_ms[at] + table[:, 1].astype(np.int64)
    span_ms = table[:, 2]
    expanded_ck = table[:, 13]
    courses = {"estimate": _celsius(table[:, 10:13], states.estimate_base_mc[at])}
    for number, name in enumerate(places):
        first = 14 + 3 * number
        base_mc = states.mat_base_mc[at] if name == "mat_c" else np.zeros(1, np.int64)
        courses[name] = _celsius(table[:, first : first + 3], base_mc)
    estimate = courses.pop("estimate")
    expanded_k = np.where(expanded_ck == _NONE, np.inf, expanded_ck / 100)
    return ThinnedRows(
        begin_ms=placed(run, t_ms, placings),
        end_ms=placed(run, t_ms + span_ms.astype(np.int64), placings),
        span_ms=span_ms,
        samples=table[:, 3].astype(np.int64),
        heat_ms=table[:, 5],
        closings=table[:, 4].astype(np.int64),
        setpoint_c=states.setpoint_c[at],
        estimate=estimate,
        expanded_k=np.where(np.isnan(estimate.mean_c), np.nan, expanded_k),
        out_ms=(table[:, 6], table[:, 7]),
        out_kms=(table[:, 8], table[:, 9]),
        places=courses,
    )


def _celsius(columns: Floats, base_mc: Integers) -> Course:
    mean_mc = np.where(columns[:, 0] == _NONE, np.nan, columns[:, 0] + base_mc)
    return Course(
        (mean_mc - columns[:, 1]) / 1000, mean_mc / 1000, (mean_mc + columns[:, 2]) / 1000
    )
