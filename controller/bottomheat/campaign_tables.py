"""A campaign's results by kind of fault: figures for tables and for JSON."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

from bottomheat.campaign import STRONG_W, BatchResult, RunResult, SeasonResult
from bottomheat.campaign_boxes import Scene
from bottomheat.rehearse_kinds import KINDS
from bottomheat.rehearse_verdict import Heard, as_plain

STRATA: Final = ("series relay", "one relay", "100 W")


@dataclass(frozen=True, slots=True)
class Row:
    """One kind of fault in one stratum.  Times in s; None where there is none.

    Attributes:
        label: the kind, its place, and whether tending was announced.
        runs: how many.
        departed: of these, how many moved the wet layer a quarter of a kelvin off its course.
        known: how many were known by a right alarm.
        missed: how many moved the wet layer, had to be known and were not.
        begin_median_s: from the fault to the alarm.
        begin_worst_s: the longest of these.
        late_median_s: from the wet layer's departure to the alarm, 0 where the alarm came first.
        late_worst_s: the longest of these.
        max_callus_c: highest true callus zone, °C.
        max_mat_c: highest true mat, °C.
        min_callus_c: lowest true callus zone, °C.
        heated_s: longest that power went into the mat before heat was off for good, where it has
            to go off.
        heat_off_s: longest from the fault to heat off, likewise.
        still_on: runs in which it never went off though it has to.
        latched: how many latched.
        wrong: alarms that do not belong to the fault.
        false_latches: latches that were not due.
    """

    label: str
    runs: int
    departed: int
    known: int
    missed: int
    begin_median_s: float | None
    begin_worst_s: float | None
    late_median_s: float | None
    late_worst_s: float | None
    max_callus_c: float
    max_mat_c: float
    min_callus_c: float
    heated_s: float | None
    heat_off_s: float | None
    still_on: int
    latched: int
    wrong: int
    false_latches: int


def stratum(scene: Scene) -> str:
    """Which table a scene's runs belong to."""
    if not scene.series:
        return "one relay"
    return "100 W" if max(scene.watts) >= STRONG_W else "series relay"


def label(run: RunResult) -> str:
    """The row that a run belongs to."""
    return run.result.order.label + (", announced" if run.announced else "")


def missed(run: RunResult) -> bool:
    """Whether a fault that had to be known was not."""
    result = run.result
    if KINDS[result.order.kind].foretold:
        return any(night.missed for night in result.nights)
    sure = KINDS[result.order.kind].sure
    return sure and result.departed_s is not None and result.known_s is None


def still_on(run: RunResult) -> bool:
    """Whether heat went on though the fault was one that heat has to go off for."""
    result = run.result
    due = result.heat_due_off and result.departed_s is not None
    return due and result.heat_off_s is None


def runs_of(batches: Iterable[BatchResult]) -> list[RunResult]:
    """Every run, in the order in which they were drawn."""
    return sorted((run for batch in batches for run in batch.runs), key=lambda run: run.number)


def rows(runs: Sequence[RunResult]) -> list[Row]:
    """One row a kind, in the order of the kinds."""
    order = {name: index for index, name in enumerate(KINDS)}
    by_label: dict[str, list[RunResult]] = {}
    for run in runs:
        by_label.setdefault(label(run), []).append(run)
    found = sorted(by_label.items(), key=lambda i: (order[i[1][0].result.order.kind], i[0]))
    return [_row(name, mine) for name, mine in found]


def _row(name: str, runs: Sequence[RunResult]) -> Row:
    results = [run.result for run in runs]
    begin = [r.known_s for r in results if r.known_s is not None]
    late = [r.late_s for r in results if r.late_s is not None]
    due = [r for r in results if r.heat_due_off and r.heat_off_s is not None]
    return Row(
        label=name,
        runs=len(results),
        departed=sum(r.departed_s is not None for r in results),
        known=len(begin),
        missed=sum(map(missed, runs)),
        begin_median_s=statistics.median(begin) if begin else None,
        begin_worst_s=max(begin, default=None),
        late_median_s=statistics.median(late) if late else None,
        late_worst_s=max(late, default=None),
        max_callus_c=max(r.max_callus_c for r in results),
        max_mat_c=max(r.max_mat_c for r in results),
        min_callus_c=min(r.min_callus_c for r in results),
        heated_s=max((r.heated_s for r in due), default=None),
        heat_off_s=max((r.heat_off_s for r in due if r.heat_off_s is not None), default=None),
        still_on=sum(map(still_on, runs)),
        latched=sum(r.latched_s is not None for r in results),
        wrong=sum(len(r.wrong) for r in results),
        false_latches=sum(r.false_latch for r in results),
    )


def scene_plain(scene: Scene) -> dict[str, Any]:
    """A scene as plain data."""
    return {field.name: getattr(scene, field.name) for field in fields(scene)}


def campaign_plain(batches: Sequence[BatchResult]) -> dict[str, Any]:
    """A campaign as plain data for JSON."""
    runs = runs_of(batches)
    tables: dict[str, list[dict[str, Any]]] = {}
    for name in STRATA:
        mine = rows([run for run in runs if stratum(run.scene) == name])
        tables[name] = [
            {field.name: getattr(row, field.name) for field in fields(row)} for row in mine
        ]
    return {
        "tables": tables,
        "runs": [
            {
                "number": run.number,
                "announced": run.announced,
                "missed": missed(run),
                "still_on": still_on(run),
                "scene": scene_plain(run.scene),
                **as_plain(run.result),
            }
            for run in runs
        ],
        "without_fault": [
            {
                "scene": scene_plain(batch.scene),
                "days": batch.days,
                "untrue": [_heard(h) for h in batch.untrue],
            }
            for batch in batches
        ],
    }


def seasons_plain(seasons: Sequence[SeasonResult]) -> list[dict[str, Any]]:
    """Seasons as plain data for JSON."""
    return [
        {
            "scene": scene_plain(season.scene),
            "days": season.days,
            "untrue": [_heard(h) for h in season.untrue],
            "true": [_heard(h) for h in season.true],
            "latched": list(season.latched),
        }
        for season in seasons
    ]


def _heard(heard: Heard) -> dict[str, Any]:
    return {
        "hours": heard.at_s / 3600.0,
        "chamber": heard.chamber,
        "alarm": str(heard.alarm),
        "text": heard.text,
    }
