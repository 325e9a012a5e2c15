"""The undisturbed running of a box, out of the log: what ``identify`` is made of."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from bottomheat.cli.kept_config import kept_config
from bottomheat.identification.stretch import Stretch
from bottomheat.model import Alarm
from bottomheat.protect.tending import Doing, Lid

if TYPE_CHECKING:
    from bottomheat.config import ChamberConfig, Config
    from bottomheat_drivers.log import LogReader
    from bottomheat_drivers.log.columns import Columns

DAYS: Final = 7.0
"""So much of the log is looked at unless said, d: more of it is another bed, drier or wetter."""
GAP_S: Final = 300.0
"""Rows further apart: what the heat did between them is not known, s; judgement."""
AFTER_S: Final = 1800.0
"""So long after the lid was closed again or an alarm ended the record is left out, s; judgement."""
HARMLESS: Final = frozenset(
    {
        *(Alarm.SHORTFALL, Alarm.NOT_PROVED, Alarm.CONFIG_REFUSED, Alarm.CONFIG_FALLBACK),
        *(Alarm.LOG_FAILED, Alarm.TOP_WARM, Alarm.ROOM_LOW, Alarm.CALLUS_HOT),
        *(Alarm.LATCH_UNWRITABLE, Alarm.UNDERVOLTAGE, Alarm.RELAY_WORN, Alarm.TONIGHT),
    }
)
"""Alarms in which readings and heat are still what they say."""
_CHANGES: Final = frozenset({Doing.FILL.value, Doing.MOVE.value})
_NEEDED: Final = ("estimate_c", "substrate_c", "room_c", "mat_c", "callus_c")
_DAY_MS: Final = 86_400_000

Span = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Running:
    """Undisturbed running of a box.

    Attributes:
        stretches: it, oldest first, on wall time, s.
        notes: what was left out and why, in sentences.
    """

    stretches: tuple[Stretch, ...]
    notes: tuple[str, ...]


def running(config: Config, name: str, days: float, now_ms: int) -> Running:
    """Read the undisturbed running of a box from the log; the log is only read.

    Args:
        config: the config in force.
        name: of the box.
        days: how far back to look from the newest row, d.
        now_ms: wall time, UTC ms.

    Raises:
        InputError: the box has no room probe.
        LogError: the log cannot be read.
    """
    from bottomheat.cli.calibrate_box import reader_of
    from bottomheat.errors import InputError
    from bottomheat_drivers.log.columns import columns

    box = config.chambers[name]
    if box.probes.room is None:
        raise InputError(
            f"{name} has no room probe, and without the room nobody can tell what the heat did: "
            "put a probe into the room."
        )
    with reader_of(config) as reader:
        newest = reader.last_sample(name)
        if newest is not None:  # a file from elsewhere, or a box that has rested since
            now_ms = min(now_ms, newest.wall_ms + 1)
        from_ms = now_ms - round(days * _DAY_MS)
        begin_ms, notes = _begin_ms(reader, box, name, from_ms)
        offset_ms = _offset_since_ms(reader, box, name)
        out = _left_out(reader, name, begin_ms, now_ms)
    rows = columns(Path(config.log), name, begin_ms, now_ms, only=_NEEDED)
    made = tuple(_stretches(rows, box, out, offset_ms))
    hours_out = sum(end - begin for begin, end in _joined(out, begin_ms / 1000.0)) / 3600.0
    if hours_out >= 0.1:
        notes = (
            *notes,
            f"Left out: {hours_out:.1f} h in which the box was open or an alarm stood.",
        )
    if (rows.grain_ms > 0).any():
        notes = (*notes, "Of the oldest days the log keeps minutes, not readings: left out.")
    return Running(made, notes)


def _begin_ms(
    reader: LogReader, box: ChamberConfig, name: str, from_ms: int
) -> tuple[int, tuple[str, ...]]:
    """From when on the box is the box it is now, UTC ms, and why it is not longer."""
    begin_ms, why = from_ms, ""
    for row in reader.tendings():
        if row.chamber == name and row.doing in _CHANGES and row.wall_ms > begin_ms:
            begin_ms = row.wall_ms
            why = "Only what was recorded since the box was last filled or moved counts."
    since_ms = _since_ms(reader, box, name, _alike)
    if since_ms > begin_ms:
        begin_ms = since_ms
        why = "Only what was recorded with these probes and this mat counts."
    return begin_ms, (why,) if why else ()


def _offset_since_ms(reader: LogReader, box: ChamberConfig, name: str) -> int:
    """From when on the estimate is worked out as it is now, UTC ms."""
    return _since_ms(reader, box, name, lambda then, now: bool(then.offset == now.offset))


def _alike(then: ChamberConfig, now: ChamberConfig) -> bool:
    return then.probes == now.probes and then.heater.watts == now.heater.watts


def _since_ms(
    reader: LogReader,
    box: ChamberConfig,
    name: str,
    same: Callable[[ChamberConfig, ChamberConfig], bool],
) -> int:
    """When the newest config came that is in this not as the one now is replaced, UTC ms."""
    since_ms, other = 0, False
    for row in sorted(reader.configs(), key=lambda row: row.wall_ms):
        then = kept_config(row.text)
        there = None if then is None else then.chambers.get(name)
        if there is None:
            continue
        if not same(there, box):
            other = True
        elif other:
            since_ms, other = row.wall_ms, False
    return since_ms


def _left_out(reader: LogReader, name: str, from_ms: int, to_ms: int) -> list[Span]:
    """When the box was open, or an alarm stood that puts the record in doubt, s."""
    out: list[Span] = []
    to_s = to_ms / 1000.0
    tended = sorted((r for r in reader.tendings() if r.chamber == name), key=lambda r: r.wall_ms)
    lid, lid_since_s = Lid.ON.value, 0.0
    for index, row in enumerate(tended):
        at_s = row.wall_ms / 1000.0
        if row.for_s is not None and row.doing != "done":
            after = tended[index + 1].wall_ms / 1000.0 if index + 1 < len(tended) else at_s + 1e9
            out.append((at_s, min(at_s + row.for_s, after) + AFTER_S))
        if row.lid is not None and row.lid != lid:
            if lid != Lid.ON.value:
                out.append((lid_since_s, at_s + AFTER_S))
            lid, lid_since_s = row.lid, at_s
    if lid != Lid.ON.value:
        out.append((lid_since_s, to_s))
    for alarm in reader.alarms():
        if alarm.chamber not in (None, name) or alarm.alarm in HARMLESS:
            continue
        cleared_ms = to_ms if alarm.cleared_wall_ms is None else alarm.cleared_wall_ms
        out.append((alarm.raised_wall_ms / 1000.0, cleared_ms / 1000.0 + AFTER_S))
    for doubt in reader.doubted().get(name, ()):
        out.append((doubt.from_ms / 1000.0, doubt.to_ms / 1000.0 + AFTER_S))
    return [(begin, min(end, to_s)) for begin, end in out if end * 1000.0 > from_ms]


def _joined(spans: Iterable[Span], from_s: float) -> list[Span]:
    found: list[Span] = []
    for begin, end in sorted((max(begin, from_s), end) for begin, end in spans):
        if found and begin <= found[-1][1]:
            found[-1] = found[-1][0], max(end, found[-1][1])
        elif begin < end:
            found.append((begin, end))
    return found


def _stretches(
    rows: Columns, box: ChamberConfig, out: Sequence[Span], offset_ms: int
) -> Iterable[Stretch]:
    # Thinned rows hold the course but not when exactly the relay was closed.
    there = rows.grain_ms == 0
    at_s = rows.wall_ms[there] / 1000.0
    fresh = np.concatenate((np.diff(at_s) > 0.0, [True])) if len(at_s) else np.zeros(0, bool)
    at_s = at_s[fresh]
    layer_c, room_c, mat_c = (
        column[there][fresh] for column in (rows.substrate_c, rows.room_c, rows.mat_c)
    )
    direct = box.probes.callus is not None
    callus_c = (rows.callus_c if direct else rows.estimate_c)[there][fresh].copy()
    if not direct:
        callus_c[at_s * 1000.0 < offset_ms] = np.nan
    heat = rows.heat[there][fresh].astype(np.float64)
    # A row says what the relay does from it on; a stretch wants what it did until it.
    share = np.concatenate(([0.0], heat[:-1])) if len(heat) else heat
    outside = np.zeros(len(at_s), dtype=bool)
    for begin, end in out:
        outside |= (at_s >= begin) & (at_s < end)
    breaks = np.flatnonzero((np.diff(at_s) > GAP_S) | (outside[1:] != outside[:-1])) + 1
    for part in np.split(np.arange(len(at_s)), breaks):
        if len(part) < 2 or outside[part[0]]:
            continue
        # The heat before its first row is not known.
        own = share[part].copy()
        own[0] = own[1]
        yield Stretch(
            at_s[part],
            layer_c[part],
            room_c[part],
            own,
            box.heater.watts,
            callus_c[part],
            mat_c[part],
        )
