"""Reading the log: its rows, placed in wall time."""

from __future__ import annotations

import contextlib
import heapq
from collections.abc import Generator, Iterator, Mapping, Sequence
from typing import Any, TypeVar

from bottomheat import doubtful
from bottomheat.calibration.ledger import ProbeCheck, Reference, ReferenceEntry
from bottomheat.model import Alarm, Estimate, Event, EventKind
from bottomheat.protect.tending import Lid
from bottomheat.season.ledger import Dated, SeasonEntry, What
from bottomheat_drivers.log import codec
from bottomheat_drivers.log.placing import Placing
from bottomheat_drivers.log.rows import (
    AlarmRow,
    BorrowingRow,
    ConfigRow,
    EventRow,
    ProbeCheckRow,
    ReferenceRow,
    RunRow,
    SampleRow,
    TendingRow,
)
from bottomheat_drivers.log.searching import LONGEST_ROW_MS, Searcher

_Word = TypeVar("_Word", EventKind, Alarm)


class LogReader(Searcher):
    """The log's file, open for reading; a context manager.

    Wall times are UTC in ms since 1970; a stretch of time includes its start, not its end.
    A reader that was opened while the service did not run does not see what it writes later: open
    a new one for each look.

    Raises:
        LogError: missing, not a log of ours, of another version, damaged or not readable; any
            method may raise it too.
    """

    def runs(self) -> list[RunRow]:
        """Every start of the daemon, oldest first."""
        placings = self._placings()
        rows = self._all("SELECT id, boot_id, version, began_ms, last_ms, closed FROM run")
        return [
            RunRow(
                run,
                boot_id,
                version,
                placings[run].wall_ms(began_ms),
                placings[run].wall_ms(last_ms),
                placings[run].sure,
                bool(closed),
            )
            for run, boot_id, version, began_ms, last_ms, closed in rows
            if run in placings
        ]

    def chambers(self) -> list[str]:
        """The chambers that the log knows, by name."""
        return [name for (name,) in self._all("SELECT name FROM chamber ORDER BY name")]

    def samples(
        self,
        chamber: str,
        from_ms: int | None = None,
        to_ms: int | None = None,
        *,
        longest_row_s: float = 0.0,
    ) -> Iterator[SampleRow]:
        """The chamber's samples of a stretch of wall time, in the order they were written.

        With ``longest_row_s`` thinned rows up to that length come as samples of their means, in
        their middle, with heat on where it was for most of it.
        """
        for run, placing in self._placings().items():
            from_t, to_t = placing.t_range(
                -(2**62) if from_ms is None else from_ms, 2**62 if to_ms is None else to_ms
            )
            ids = self._within(run, from_t, to_t)
            if longest_row_s > 0:
                older = self._within(run, from_t - LONGEST_ROW_MS, to_t, "thinned")
                found = self._merged(chamber, ids, older, round(longest_row_s * 1000))
            else:
                found = self._samples(chamber, ids)
            with contextlib.closing(found):  # before the file is, also where a row cannot be read
                for row in found:
                    sample = self._sample(row, placing)
                    if (from_ms is None or sample.wall_ms >= from_ms) and (
                        to_ms is None or sample.wall_ms < to_ms
                    ):
                        yield sample

    def thinned(self, chamber: str, from_ms: int, to_ms: int) -> tuple[int, float]:
        """How many rows a stretch of wall time of a box was thinned to, and the longest, s."""
        count, longest_ms = 0, 0
        for run, placing in self._placings().items():
            from_t, to_t = placing.t_range(from_ms, to_ms)
            ids = self._within(run, from_t - LONGEST_ROW_MS, to_t, "thinned")
            ((rows, span_ms),) = self._all(
                "SELECT count(*), coalesce(max(CASE WHEN samples > 1 THEN span_ms END), 0) "
                "FROM thinned_row WHERE id >= ? AND id < ? AND chamber = ? AND t_ms + span_ms > ?",
                (*ids, chamber, from_t),
            )
            count, longest_ms = count + rows, max(longest_ms, span_ms)
        return count, longest_ms / 1000

    def last_sample(self, chamber: str) -> SampleRow | None:
        """The chamber's newest sample that has reached the file, or None."""
        rows = self._all(
            "SELECT * FROM sample_row WHERE chamber = ? ORDER BY id DESC LIMIT 1", (chamber,)
        )
        return self._sample(rows[0], self._placings()[rows[0][1]]) if rows else None

    def newest(self, most: int) -> list[SampleRow]:
        """The newest samples of all chambers that have reached the file, newest first."""
        rows = self._all("SELECT * FROM sample_row ORDER BY id DESC LIMIT ?", (most,))
        placings = self._placings() if rows else {}
        return [self._sample(row, placings[row[1]]) for row in rows]

    def closings(self, chamber: str) -> int:
        """Closings of the chamber's contact over all runs."""
        rows = self._all(
            "SELECT lifetime FROM counter JOIN chamber ON chamber.id = counter.chamber "
            "WHERE chamber.name = ?",
            (chamber,),
        )
        return int(rows[0][0]) if rows else 0

    def doubted(self) -> Mapping[str, Sequence[doubtful.Doubt]]:
        """By chamber the stretches of time whose estimates are in doubt."""
        return doubtful.spans(self.events(kind=EventKind.DOUBTED))

    def events(
        self,
        from_ms: int | None = None,
        to_ms: int | None = None,
        *,
        chamber: str | None = None,
        kind: EventKind | None = None,
    ) -> list[EventRow]:
        """Events of a stretch of wall time; ``chamber`` leaves out those of other chambers."""
        placings = self._placings()
        rows = self._all(
            "SELECT run, t_ms, chamber.name, kind, alarm, durable, text FROM event "
            "LEFT JOIN chamber ON chamber.id = event.chamber "
            "WHERE (:kind IS NULL OR kind = :kind) AND (:chamber IS NULL "
            "OR chamber.name = :chamber OR chamber.name IS NULL) ORDER BY event.id",
            {"kind": None if kind is None else kind.value, "chamber": chamber},
        )
        found: list[EventRow] = []
        for run, t_ms, name, word, alarm, durable, text in rows:
            wall_ms = placings[run].wall_ms(t_ms)
            if (from_ms is not None and wall_ms < from_ms) or (
                to_ms is not None and wall_ms >= to_ms
            ):
                continue
            event = Event(
                self._known(EventKind, word),
                t_ms / 1000,
                name,
                text,
                None if alarm is None else self._known(Alarm, alarm),
                bool(durable),
            )
            found.append(EventRow(run, wall_ms, placings[run].sure, event))
        return found

    def alarms(self) -> list[AlarmRow]:
        """Every alarm, in the order in which they were raised."""
        placings = self._placings()
        rows = self._all(
            "SELECT alarm.name, chamber.name, up.run, up.t_ms, down.run, down.t_ms FROM alarm "
            "JOIN event AS up ON up.id = alarm.raised "
            "LEFT JOIN event AS down ON down.id = alarm.cleared "
            "LEFT JOIN chamber ON chamber.id = alarm.chamber ORDER BY alarm.id"
        )
        return [
            AlarmRow(
                self._known(Alarm, word),
                name,
                run,
                placings[run].wall_ms(t_ms),
                None if end_run is None else placings[end_run].wall_ms(end_ms),
                placings[run].sure and (end_run is None or placings[end_run].sure),
            )
            for word, name, run, t_ms, end_run, end_ms in rows
        ]

    def configs(self) -> list[ConfigRow]:
        """Every config that was accepted, oldest first."""
        placings = self._placings()
        rows = self._all("SELECT run, t_ms, checksum, text FROM config_version ORDER BY id")
        return [
            ConfigRow(run, placings[run].wall_ms(t_ms), placings[run].sure, *rest)
            for run, t_ms, *rest in rows
        ]

    def references(self) -> list[ReferenceRow]:
        """Every reading of the trusted thermometer, in the order of entry, usable or not."""
        placings = self._placings()
        rows = self._all(
            "SELECT reference.id, run, t_ms, chamber.name, spot, reading_mc, expanded_ck, note, "
            "lid, coalesce(ago_ms, 0), pairing, (SELECT note FROM reference_drop "
            "WHERE reference = reference.id ORDER BY id DESC LIMIT 1) FROM reference "
            "JOIN chamber ON chamber.id = reference.chamber ORDER BY reference.id"
        )
        return [
            ReferenceRow(
                number,
                run,
                placings[run].wall_ms(t_ms) - ago_ms,
                placings[run].sure,
                name,
                spot,
                reading_mc / 1000,
                None if expanded_ck is None else expanded_ck / 100,
                note,
                lid,
                ago_ms / 1000,
                codec.pairing(pairing),
                dropped,
            )
            for (
                number,
                run,
                t_ms,
                name,
                spot,
                reading_mc,
                expanded_ck,
                note,
                lid,
                ago_ms,
                pairing,
                dropped,
            ) in rows
        ]

    def ledger(self, chamber: str | None = None) -> list[Reference]:
        """The readings that a fit can use, oldest first by when they were taken; dropped ones too.

        Left out, so that one bad row does not keep the others from use: a reading without its
        pairing (kept by a version of before format 3, or damaged), lid or uncertainty.
        ``references`` has those as well.
        """
        found = [
            Reference(
                row.number,
                row.wall_ms,
                row.sure,
                ReferenceEntry(
                    row.chamber,
                    row.spot,
                    row.lid,
                    row.reading_c,
                    row.expanded_k,
                    row.note,
                    row.ago_s,
                    row.pairing,
                ),
                row.dropped,
            )
            for row in self.references()
            if chamber in (None, row.chamber)
            and row.pairing is not None
            and row.lid is not None
            and row.expanded_k is not None
        ]
        return sorted(found, key=lambda reference: (reference.wall_ms, reference.number))

    def probe_checks(self) -> list[ProbeCheckRow]:
        """Comparisons of the probes, oldest first."""
        placings = self._placings()
        rows = self._all(
            "SELECT id, run, t_ms, probe, how, add_mk, uncertainty_mk, at_mc, note "
            "FROM probe_check ORDER BY id"
        )
        return [
            ProbeCheckRow(
                number,
                run,
                placings[run].wall_ms(t_ms),
                placings[run].sure,
                ProbeCheck(probe, how, add_mk / 1000, u_mk / 1000, at_mc / 1000, note),
            )
            for number, run, t_ms, probe, how, add_mk, u_mk, at_mc, note in rows
        ]

    def borrowings(self) -> list[BorrowingRow]:
        """When borrowed probes began to teach and when they ended, oldest first."""
        placings = self._placings()
        rows = self._all(
            "SELECT run, t_ms, chamber.name, probe, for_ms, note FROM borrowing "
            "JOIN chamber ON chamber.id = borrowing.chamber ORDER BY borrowing.id"
        )
        return [
            BorrowingRow(
                run,
                t_ms,
                placings[run].wall_ms(t_ms),
                placings[run].sure,
                name,
                probe,
                None if for_ms is None else for_ms / 1000,
                note,
            )
            for run, t_ms, name, probe, for_ms, note in rows
        ]

    def borrowed(
        self, chamber: str, from_ms: int | None = None, to_ms: int | None = None
    ) -> Iterator[tuple[int, float]]:
        """Wall ms and °C of the chamber's borrowed probe, in the order they were written."""
        placings = self._placings()
        for run, t_ms, value_mc in self._each(
            "SELECT run, t_ms, value_mc FROM borrowed WHERE chamber = "
            "(SELECT id FROM chamber WHERE name = ?) ORDER BY id",
            (chamber,),
        ):
            wall_ms = placings[run].wall_ms(t_ms)
            if (from_ms is None or wall_ms >= from_ms) and (to_ms is None or wall_ms < to_ms):
                yield wall_ms, value_mc / 1000

    def borrowed_since(self, row: BorrowingRow) -> int:
        """How many readings of the chamber's borrowed probe are newer than this row."""
        return int(
            self._all(
                "SELECT count(*) FROM borrowed WHERE chamber = "
                "(SELECT id FROM chamber WHERE name = ?) AND (run, t_ms) >= (?, ?)",
                (row.chamber, row.run, row.t_ms),
            )[0][0]
        )

    def kept_upto(self) -> dict[str, int]:
        """The number of the newest row that the file holds of each run, by the run's key."""
        return dict(self._all("SELECT key, last_seq FROM run"))

    def coldest_room(self, chamber: str) -> float | None:
        """The coldest good room reading in the log, °C, or None where there is none."""
        of_box = (
            "WHERE state IN (SELECT id FROM state "
            "WHERE chamber = (SELECT id FROM chamber WHERE name = ?1))"
        )
        rows = self._all(
            f"SELECT min(room_mc) FROM sample {of_box} UNION ALL "  # noqa: S608 words of ours
            f"SELECT min(room_mc - room_low_mk) FROM thinned {of_box}",
            (chamber,),
        )
        return min((room_mc / 1000 for (room_mc,) in rows if room_mc is not None), default=None)

    def lid_at(self, chamber: str, wall_ms: int) -> str:
        """How the lid lay then: what was said last up to that moment, "on" if nothing was."""
        said = [
            (row.wall_ms, row.lid)
            for row in self.tendings()
            if row.chamber == chamber and row.lid is not None and row.wall_ms <= wall_ms
        ]
        return sorted(said, key=lambda pair: pair[0])[-1][1] if said else Lid.ON.value

    def tendings(self) -> list[TendingRow]:
        """When the boxes were opened, oldest first."""
        placings = self._placings()
        rows = self._all(
            "SELECT run, t_ms, chamber.name, doing, note, for_ms, lid FROM tending "
            "JOIN chamber ON chamber.id = tending.chamber ORDER BY tending.id"
        )
        return [
            TendingRow(
                run,
                t_ms,
                placings[run].wall_ms(t_ms),
                placings[run].sure,
                name,
                doing,
                note,
                None if for_ms is None else for_ms / 1000,
                lid,
            )
            for run, t_ms, name, doing, note, for_ms, lid in rows
        ]

    def season_entries(self) -> list[Dated]:
        """The season's ledger, in the order of entry."""
        placings = self._placings()
        rows = self._all(
            "SELECT id, run, t_ms, batch, chamber, what, data, note, about_ms, origin, corrects "
            "FROM season_entry ORDER BY id"
        )
        found: list[Dated] = []
        for number, run, t_ms, *rest in rows:
            placing = placings[run]
            try:
                entry = codec.season_entry(codec.SeasonItem(0, t_ms, *rest))
            except ValueError as error:  # one row is no reason to know nothing of the season
                entry = SeasonEntry(What.UNREADABLE, data={"why": f"not known here: {error}"})
            found.append(Dated(number, placing.wall_ms(t_ms), placing.sure, entry))
        return found

    # -- inside

    def _merged(
        self, chamber: str, ids: tuple[int, int], older: tuple[int, int], longest_ms: int
    ) -> Generator[Any, None, None]:
        with (
            contextlib.closing(self._samples(chamber, ids)) as samples,
            contextlib.closing(self._means(chamber, older, longest_ms)) as means,
        ):
            yield from heapq.merge(samples, means, key=lambda row: int(row[2]))

    def _samples(self, chamber: str, ids: tuple[int, int]) -> Generator[Any, None, None]:
        return self._each(
            "SELECT * FROM sample_row WHERE id >= ? AND id < ? AND chamber = ? ORDER BY id",
            (*ids, chamber),
        )

    def _means(
        self, chamber: str, ids: tuple[int, int], longest_ms: int
    ) -> Generator[Any, None, None]:
        """Thinned rows in the shape of ``sample_row``."""
        return self._each(
            "SELECT id, run, t_ms + span_ms / 2, chamber, substrate_mc, substrate_2_mc, room_mc, "
            "mat_mc, callus_mc, top_mc, faults, estimate_mc, expanded_ck, setpoint_mc, NULL, "
            "CASE WHEN span_ms > 0 THEN heat_ms * 1000 / span_ms END, 2 * heat_ms > span_ms, "
            "condition, closings, span_ms FROM thinned_row "
            "WHERE id >= ? AND id < ? AND chamber = ? AND span_ms <= ? ORDER BY id",
            (*ids, chamber, longest_ms),
        )

    def _sample(self, row: tuple[Any, ...], placing: Placing) -> SampleRow:
        (_, run, t_ms, chamber, *places_mc, faults) = row[:11]
        estimate_mc, expanded_ck, setpoint_mc, inner_mc, duty_pm, heat, word, closings = row[11:19]
        try:
            readings = codec.readings(t_ms, tuple(places_mc), faults)
            condition = codec.condition(word)
        except ValueError as error:
            raise self._strange(str(error)) from error
        estimate = None
        if estimate_mc is not None:
            # An uncertainty that was not a number is as good as none: never zero.
            expanded_k = float("inf") if expanded_ck is None else expanded_ck / 100
            estimate = Estimate(estimate_mc / 1000, expanded_k)
        return SampleRow(
            run=run,
            t_ms=t_ms,
            wall_ms=placing.wall_ms(t_ms),
            sure=placing.sure,
            chamber=chamber,
            readings=readings,
            estimate=estimate,
            setpoint_c=None if setpoint_mc is None else setpoint_mc / 1000,
            substrate_setpoint_c=None if inner_mc is None else inner_mc / 1000,
            duty=None if duty_pm is None else duty_pm / 1000,
            heat=bool(heat),
            condition=condition,
            closings=closings,
            grain_s=row[19] / 1000 if len(row) > 19 else 0.0,
        )

    def _known(self, words: type[_Word], word: str) -> _Word:
        try:
            return words(word)
        except ValueError as error:
            raise self._strange(str(error)) from error
