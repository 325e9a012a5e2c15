"""The log as tables of text (CSV, RFC 4180) for a spreadsheet or another program.

Times are UTC, in words and as milliseconds since 1970; temperatures °C, uncertainties and
differences K; an empty cell is a value that was not there.
"""

from __future__ import annotations

import contextlib
import csv
import json
import re
from collections.abc import Generator, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from bottomheat.errors import InputError, LogError
from bottomheat_drivers.log.copying import Tell
from bottomheat_drivers.log.gaps import MAX_GAP_S, THINNED_FORMAT, GapReader

_TIMES = ("time_utc", "time_ms", "clock_set")
SAMPLES = (
    *_TIMES,
    "substrate_c",
    "substrate_2_c",
    "room_c",
    "mat_c",
    "callus_c",
    "top_c",
    "faults",
    "estimate_c",
    "expanded_k",
    "setpoint_c",
    "substrate_setpoint_c",
    "duty",
    "heat",
    "condition",
    "closings",
)
"""Columns of a box's samples; the other tables name theirs where they are written."""
_COURSES = ("substrate", "substrate_2", "room", "mat", "callus", "top", "estimate")
THINNED = (
    *_TIMES,
    "span_s",
    "samples",
    *(f"{name}{part}_c" for name in _COURSES for part in ("", "_low", "_high")),
    "faults",
    "expanded_k",
    "setpoint_c",
    "condition",
    "closings",
    "heat_s",
    "above_s",
    "above_k_s",
    "below_s",
    "below_k_s",
)
"""Columns of what is left of a box's older samples: means with the lowest and highest; out of band,
by more than 0.5 K from the setpoint, how long and by how much in all."""
_THINNED_SQL = ", ".join(
    (
        *("id", "run", "t_ms", "span_ms", "samples"),
        *(f"{name}_mc, {name}_low_mk, {name}_high_mk" for name in _COURSES),
        *("faults", "expanded_ck", "setpoint_mc", "condition", "closings"),
        *("heat_ms", "above_ms", "above_mks", "below_ms", "below_mks"),
    )
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FAR_MS = 2**62
_SAY_EVERY = 50_000

Row = Sequence[Any]
Rows = Generator[Row, None, None]
Table = tuple[str, Sequence[str], Rows]


def export_csv(
    path: Path,
    chambers: Sequence[str],
    folder: Path,
    from_ms: int | None,
    to_ms: int | None,
    tell: Tell,
) -> dict[str, int]:
    """Write the tables of a stretch of wall time, its start included, its end not.

    Args:
        path: the log's file.
        chambers: the boxes; none: all that the log knows.
        folder: where the files go; made where its parent exists.
        from_ms: UTC ms; None: from the first row on.
        to_ms: UTC ms; None: up to the last row.
        tell: is told how far it is.

    Returns:
        How many rows each file holds, by its name.

    Raises:
        InputError: a box that the log does not know, or a file that exists already.
        LogError: the log cannot be read, or a file not written; what was begun is removed.
    """
    made: list[Path] = []
    with Exporter(path) as log:
        names = log.named(chambers)
        tables = list(log.tables(names, from_ms, to_ms, tell))
        taken = [folder / name for name, _, _ in tables if (folder / name).exists()]
        if taken:
            raise InputError(f"{taken[0]} exists already: name a new folder.")
        counts: dict[str, int] = {}
        try:
            folder.mkdir(exist_ok=True)
            for name, head, rows in tables:
                target = folder / name
                with target.open("x", encoding="utf-8", newline="") as file:
                    made.append(target)
                    writer = csv.writer(file)
                    writer.writerow(head)
                    counts[name] = _write(writer, rows)
        except (OSError, LogError) as error:
            for target in made:
                with contextlib.suppress(OSError):
                    target.unlink()
            if isinstance(error, LogError):
                raise
            raise LogError(
                f"The tables could not be written to {folder} ({error.strerror or error}): check "
                "the disk and that you may write there."
            ) from error
    return counts


def _write(writer: Any, rows: Rows) -> int:
    count = 0
    with contextlib.closing(rows):  # at once also where the disk is full, while the log is open
        for row in rows:
            writer.writerow(row)
            count += 1
    return count


class Exporter(GapReader):
    """Reads the log a row at a time, for files of another kind."""

    def named(self, chambers: Sequence[str]) -> list[str]:
        """The boxes that are meant; none named: all that the log knows.

        Raises:
            InputError: a box that the log does not know.
        """
        known = self.chambers()
        for name in chambers:
            if name not in known:
                shown = "".join(c if c.isprintable() else "?" for c in name[:40])
                raise InputError(
                    f"The log knows no box {shown}; it knows {', '.join(known) or 'none yet'}."
                )
        return list(dict.fromkeys(chambers)) or known

    def tables(
        self, chambers: Sequence[str], from_ms: int | None, to_ms: int | None, tell: Tell
    ) -> Iterator[Table]:
        """Name, head and rows of each; rows are read when they are asked for."""
        low_ms, high_ms = bounds(from_ms, to_ms)
        for name in chambers:
            rows = (_as_text(row) for row in self.samples_of(name, low_ms, high_ms, tell))
            yield f"samples-{_safe(name)}.csv", SAMPLES, rows
            if self.thins(name):
                older = (_thinned_text(row) for row in self.thinned_of(name, low_ms, high_ms, tell))
                yield f"thinned-{_safe(name)}.csv", THINNED, older
        wanted = frozenset(chambers)

        def inside(wall_ms: int | None) -> bool:
            return wall_ms is None or low_ms <= wall_ms < high_ms

        def ours(chamber: str | None) -> bool:
            return chamber is None or chamber in wanted

        yield (
            "events.csv",
            (*_TIMES, "chamber", "kind", "alarm", "text"),
            (
                (*_when(row.wall_ms, row.sure), each.chamber, each.kind, each.alarm, each.text)
                for row in self.events(from_ms, to_ms)
                if ours((each := row.event).chamber)
            ),
        )
        yield (
            "alarms.csv",
            (*_TIMES, "chamber", "alarm", "cleared_utc", "cleared_ms"),
            (
                (
                    *_when(row.raised_wall_ms, row.sure),
                    row.chamber,
                    row.alarm,
                    _utc(row.cleared_wall_ms),
                    row.cleared_wall_ms,
                )
                for row in self.alarms()
                if ours(row.chamber) and inside(row.raised_wall_ms)
            ),
        )
        yield (
            "gaps.csv",
            ("from_utc", "from_ms", "to_utc", "to_ms", "cause", "why"),
            (
                (_utc(gap.from_ms), gap.from_ms, _utc(gap.to_ms), gap.to_ms, gap.cause, gap.why)
                for gap in self.gaps(from_ms, to_ms, round(MAX_GAP_S * 1000))
            ),
        )
        yield (
            "tending.csv",
            (*_TIMES, "chamber", "doing", "for_s", "lid", "note"),
            (
                (
                    *_when(row.wall_ms, row.sure),
                    row.chamber,
                    row.doing,
                    row.for_s,
                    row.lid,
                    row.note,
                )
                for row in self.tendings()
                if ours(row.chamber) and inside(row.wall_ms)
            ),
        )
        yield (
            "thermometer.csv",
            (*_TIMES, "number", "chamber", "spot", "reading_c", "expanded_k", "dropped", "note"),
            (
                (
                    *_when(row.wall_ms, row.sure),
                    row.number,
                    row.chamber,
                    row.spot,
                    row.reading_c,
                    row.expanded_k,
                    row.dropped,
                    row.note,
                )
                for row in self.references()
                if ours(row.chamber) and inside(row.wall_ms)
            ),
        )
        # Of batches all: one that stood in this box was entered, moved and counted elsewhere.
        yield (
            "batches.csv",
            (
                *("entered_utc", "entered_ms", "clock_set", "number", "about_utc", "about_ms"),
                *("what", "batch", "place", "data", "note", "origin", "corrects"),
            ),
            (
                (
                    *_when(row.entered_ms, row.sure),
                    row.number,
                    _utc(row.at_ms),
                    row.at_ms,
                    row.entry.what,
                    row.entry.batch,
                    row.entry.chamber,
                    json.dumps(row.entry.data, ensure_ascii=False),
                    row.entry.note,
                    row.entry.origin,
                    row.entry.corrects,
                )
                for row in self.season_entries()
            ),
        )

    def samples_of(self, chamber: str, low_ms: int, high_ms: int, tell: Tell) -> Rows:
        """A box's samples as the log holds them: time, UTC ms, whether the clock was set, the rest.

        The rest is the columns of ``SAMPLES`` from the first probe on: temperatures in 1/1000 °C,
        the uncertainty in 1/100 K, the duty in 1/1000.
        """
        placings = self._placings()
        first, end = self._extent(placings, low_ms, high_ms)
        what = f"Writing {chamber}"
        rows = self._each(
            "SELECT id, run, t_ms, substrate_mc, substrate_2_mc, room_mc, mat_mc, callus_mc, "
            "top_mc, faults, estimate_mc, expanded_ck, setpoint_mc, substrate_setpoint_mc, "
            "duty_pm, heat, condition, closings FROM sample_row "
            "WHERE id >= ? AND id < ? AND chamber = ? ORDER BY id",
            (first, end, chamber),
        )
        for count, row in enumerate(rows, 1):
            placing = placings[row[1]]
            wall_ms = placing.wall_ms(row[2])
            if low_ms <= wall_ms < high_ms:
                yield (wall_ms, placing.sure, *row[3:])
            if count % _SAY_EVERY == 0:
                tell(what, (row[0] - first) / max(end - first, 1))
        tell(what, 1.0)

    def thins(self, chamber: str) -> bool:
        """Whether there are samples of a box that were made into rows of minutes."""
        return self.format >= THINNED_FORMAT and bool(
            self._all(
                "SELECT 1 FROM thinned JOIN state ON state.id = thinned.state "
                "JOIN chamber ON chamber.id = state.chamber WHERE chamber.name = ? LIMIT 1",
                (chamber,),
            )
        )

    def thinned_of(self, chamber: str, low_ms: int, high_ms: int, tell: Tell) -> Rows:
        """What is left of a box's older samples, by when each row begins.

        Time, UTC ms, whether the clock was set, then the columns of ``THINNED`` from the length on:
        times in ms, temperatures in 1/1000 °C, each with its mean, lowest and highest, the
        uncertainty in 1/100 K, what was out of band in 1/1000 K s.
        """
        placings = self._placings()
        first, end = self._extent(placings, low_ms, high_ms, "thinned")
        what = f"Writing {chamber}, older"
        rows = self._each(
            f"SELECT {_THINNED_SQL} FROM thinned_row "  # noqa: S608 columns of ours
            "WHERE id >= ? AND id < ? AND chamber = ? ORDER BY id",
            (first, end, chamber),
        )
        for count, row in enumerate(rows, 1):
            placing = placings[row[1]]
            wall_ms = placing.wall_ms(row[2])
            if low_ms <= wall_ms < high_ms:
                courses = row[5 : 5 + 3 * len(_COURSES)]
                ends = [
                    value
                    for mean, low, high in zip(
                        courses[::3], courses[1::3], courses[2::3], strict=True
                    )
                    for value in _ends(mean, low, high)
                ]
                yield (wall_ms, placing.sure, *row[3:5], *ends, *row[5 + len(courses) :])
            if count % _SAY_EVERY == 0:
                tell(what, (row[0] - first) / max(end - first, 1))
        tell(what, 1.0)


def _ends(
    mean: int | None, below: int | None, above: int | None
) -> tuple[int | None, int | None, int | None]:
    """The mean with the lowest and the highest, of how far these lay from it."""
    if mean is None:
        return None, None, None
    return mean, mean - (below or 0), mean + (above or 0)


def _thinned_text(row: Row) -> Row:
    last = 4 + 3 * len(_COURSES)
    return (
        *_when(row[0], row[1]),
        _milli(row[2]),
        row[3],
        *[_milli(value) for value in row[4:last]],
        row[last],
        "" if row[last + 1] is None else f"{row[last + 1] / 100:.2f}",
        _milli(row[last + 2]),
        *row[last + 3 : last + 5],
        *[_milli(value) for value in row[last + 5 :]],
    )


def _as_text(row: Row) -> Row:
    return (
        *_when(row[0], row[1]),
        *[_milli(value) for value in row[2:8]],
        row[8],
        _milli(row[9]),
        "" if row[10] is None else f"{row[10] / 100:.2f}",
        *[_milli(value) for value in row[11:14]],
        *row[14:],
    )


def bounds(from_ms: int | None, to_ms: int | None) -> tuple[int, int]:
    """A stretch of wall time, UTC ms, without an open end."""
    return -_FAR_MS if from_ms is None else from_ms, _FAR_MS if to_ms is None else to_ms


def _when(wall_ms: int, sure: bool) -> tuple[str, int, int]:
    return _utc(wall_ms), wall_ms, int(sure)


def _utc(wall_ms: int | None) -> str:
    if wall_ms is None:
        return ""
    try:
        then = _EPOCH + timedelta(milliseconds=wall_ms)
    except OverflowError:
        return ""
    return f"{then:%Y-%m-%dT%H:%M:%S}.{wall_ms % 1000:03d}Z"


def _milli(value: int | None) -> str:
    return "" if value is None else f"{value / 1000:.3f}"


def _safe(name: str) -> str:
    """The name of a box as a part of a file's name; a log of elsewhere may hold any text."""
    return re.sub(r"[^\w.-]", "_", name, flags=re.ASCII) or "_"
