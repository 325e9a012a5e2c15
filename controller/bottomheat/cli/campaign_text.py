"""How a campaign and its seasons read on screen: tables of 80 columns, and what went wrong."""

from __future__ import annotations

import statistics
import textwrap
from collections import Counter
from collections.abc import Sequence

from bottomheat.campaign import BatchResult, RunResult, SeasonResult
from bottomheat.campaign_boxes import Scene
from bottomheat.campaign_tables import STRATA, Row, label, missed, rows, runs_of, still_on, stratum
from bottomheat.durations import words
from bottomheat.protect import thresholds as th
from bottomheat.rehearse_verdict import Heard

WIDTH = 80
LISTED = 40

_TITLES = {
    "series relay": "Two relays in series",
    "one relay": "One relay: a welded contact cannot be opened; what the bed reaches in 8 h",
    "100 W": "100 W mats, two relays in series",
}


def render(batches: Sequence[BatchResult], seed: int) -> str:
    """Write the tables of a campaign, and below them each run that went wrong."""
    runs = runs_of(batches)
    boxes = {box for run in runs for box in run.scene.boxes}
    head = (
        f"CAMPAIGN of {len(runs)} faults on {len(boxes)} boxes, seed {seed}: a simulation on "
        "calculated chambers, not a measurement. The controller and the keeper are the real ones. "
        "A fault is known when a right alarm is raised; off course is where the true wet layer is "
        "0.25 K from its fault-free twin, of a cold night where the bases leave their band; missed "
        "is what went off course, had to be known and was not, and a cold night that was not "
        "warned of before. Times in minutes, temperatures in °C."
    )
    parts = [textwrap.fill(head, WIDTH)]
    for name in STRATA:
        found = rows([run for run in runs if stratum(run.scene) == name])
        if found:
            parts += [_TITLES[name] + "\n" + _known(found), _warm(found)]
    parts += _cold_nights(runs)
    parts.append(_untrue(batches))
    parts.append(_wrong(runs))
    return "\n\n".join(parts)


def _known(found: Sequence[Row]) -> str:
    lines = [
        f"{'':31}{'off':>6}{'':>7}{'':>8}{'fault to alarm':>15}{'off to alarm':>13}",
        f"{'fault':27}{'runs':>4}{'course':>7}{'known':>6}{'missed':>7}"
        f"{'median':>9}{'worst':>7}{'median':>7}{'worst':>6}",
    ]
    lines += [
        f"{row.label[:27]:27}{row.runs:>4}{row.departed:>7}{row.known:>6}{row.missed or '-':>7}"
        f"{_min(row.begin_median_s):>9}{_min(row.begin_worst_s):>7}"
        f"{_min(row.late_median_s):>7}{_min(row.late_worst_s):>6}"
        for row in found
    ]
    return "\n".join(lines)


def _warm(found: Sequence[Row]) -> str:
    lines = [
        f"{'':27}{'bases':>7}{'bases':>7}{'mat':>6}{'heat left':>10}{'still':>6}"
        f"{'':>8}{'wrong':>9}",
        f"{'fault':27}{'lowest':>7}{'highest':>8}{'':>5}{'on':>8}{'on':>8}"
        f"{'latched':>8}{'alarms':>9}",
    ]
    lines += [
        f"{row.label[:27]:27}{row.min_callus_c:>7.1f}{row.max_callus_c:>8.1f}{row.max_mat_c:>6.1f}"
        f"{_min(row.heated_s):>7}{row.still_on or '-':>8}"
        f"{_latched(row):>8}{row.wrong or '-':>9}"
        for row in found
    ]
    return "\n".join(lines)


def _latched(row: Row) -> str:
    if not row.latched:
        return "-"
    return f"{row.latched}" + (f" ({row.false_latches}!)" if row.false_latches else "")


def _min(seconds: float | None) -> str:
    return "-" if seconds is None else f"{seconds / 60:.0f}"


def _cold_nights(runs: Sequence[RunResult]) -> list[str]:
    """How long before the bases left their band a cold night was warned of."""
    nights = [night for run in runs for night in run.result.nights]
    if not nights:
        return []
    short = [night for night in nights if night.short_k >= th.SHORT_K]
    missed = sum(night.missed for night in short)
    ahead = [night.ahead_s for night in nights if night.ahead_s is not None]
    text = (
        f"Cold nights: {len(nights)} boxes, of which {len(short)} became {th.SHORT_K:g} K too "
        f"cold; {len(short) - missed} of these were warned of before they left their band"
    )
    if ahead:
        text += (
            f". From the warning to there {_min(statistics.median(ahead))} min in the median, "
            f"{_min(min(ahead))} at the least"
        )
    return [textwrap.fill(f"{text}.", WIDTH)]


def _untrue(batches: Sequence[BatchResult]) -> str:
    days = sum(batch.days * len(batch.scene.boxes) for batch in batches)
    untrue = [(batch.scene, heard) for batch in batches for heard in batch.untrue]
    head = f"Without a fault: {len(untrue)} untrue alarms in {days:.0f} days of a box."
    return "\n".join([head, *(_alarm(scene, heard) for scene, heard in untrue[:LISTED])])


def _wrong(runs: Sequence[RunResult]) -> str:
    lines = []
    for run in runs:
        found = []
        if missed(run):
            found.append("not known")
        if still_on(run) and run.scene.series:
            found.append("heat still on")
        if run.result.false_latch:
            found.append("a latch that was not due")
        found += [f"wrong alarm {heard.alarm}" for heard in run.result.wrong]
        if found:
            lines.append(_fill(f"no. {run.number} {label(run)}, {_where(run)}: {', '.join(found)}"))
    if not lines:
        return "Every fault that had to be known was known, and no alarm was wrong."
    more = len(lines) - LISTED
    tail = [f"and {more} more"] if more > 0 else []
    return "\n".join(["Runs that went wrong", *lines[:LISTED], *tail])


def _where(run: RunResult) -> str:
    return f"{run.result.order.chamber} of {place(run.scene)}"


def place(scene: Scene) -> str:
    """A scene in a few words."""
    boxes = " and ".join(
        f"{box.rpartition(':')[2]} {watts:g} W"
        for box, watts in zip(scene.boxes, scene.watts, strict=True)
    )
    room = f"{scene.room} °C" if scene.room.isdigit() else scene.room
    return f"{boxes} in room {room}, noise {scene.sigma_k:g} K"


def seasons(found: Sequence[SeasonResult]) -> str:
    """Write what fault-free seasons said."""
    days = sum(season.days for season in found)
    latches = sum(len(season.latched) for season in found)
    untrue = sum(len(season.untrue) for season in found)
    head = (
        f"SEASONS without a fault, {len(found)} boxes, {days:.0f} days in all, with sun through a "
        "window, a lamp and weekly tending, half of it unannounced: "
        f"{untrue} untrue alarms, {latches} latches."
    )
    lines = [textwrap.fill(head, WIDTH)]
    for season in found:
        true = Counter(str(heard.alarm) for heard in season.true)
        told = ", ".join(f"{count} {name}" for name, count in sorted(true.items())) or "none"
        latched = ", LATCHED" if season.latched else ""
        lines.append(
            _fill(
                f"{place(season.scene)}: {len(season.untrue)} untrue alarms, true ones {told}"
                f"{latched}"
            )
        )
        lines += [_alarm(season.scene, heard) for heard in season.untrue[:LISTED]]
    return "\n".join(lines)


def _alarm(scene: Scene, heard: Heard) -> str:
    where = "" if heard.chamber is None else f"{heard.chamber} of "
    return _fill(f"  {words(heard.at_s)} in, {where}{place(scene)}: {heard.alarm}")


def _fill(text: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent="    ")
