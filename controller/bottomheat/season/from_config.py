"""What the config file says anew of its batches, as entries for the ledger.  Pure.

The file is the other way to keep a season, beside commands.  The ledger remembers what the file
said last (``What.WRITTEN``): only a change of it counts, so that an old line of the file does not
undo what was entered by command since.  A batch that is taken out of the file stays as it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, tzinfo
from typing import Any, Final

from bottomheat.config import Config, WrittenBatch
from bottomheat.config_season import plain_name
from bottomheat.season.ledger import Batch, Season, SeasonEntry, Stage, What

ORIGIN: Final = "config"
_NOON: Final = time(12)
_CHANGES: Final = ("species", "kind", "count", "zone", "height_mm", "target_c", "at_latest")
"""Keys that are entered as they stand; the others have entries of their own."""


def entries(
    config: Config, season: Season, now_ms: int | None, zone: tzinfo | None
) -> tuple[SeasonEntry, ...]:
    """What has to be entered, in this order, so that the ledger agrees with the file.

    Args:
        config: the accepted config.
        season: what the ledger comes to so far.
        now_ms: UTC ms; None where the clock is not sure: then no day of the file is taken for one
            that is still to come.
        zone: of the days in the file; a day stands for its noon there.  None: this machine's.

    Returns:
        Nothing where the file says nothing new.  A batch that the file names for the first time and
        the ledger knows already, by command, is changed to what the file says.
    """
    days = _Days(now_ms, zone)
    return tuple(
        entry
        for name, written in config.batches.items()
        for entry in _of_batch(known_name(name, season), written, season, days)
    )


def as_written(written: WrittenBatch) -> Mapping[str, Any]:
    """What the file says of a batch as plain JSON data, days as text."""
    return written.model_dump(mode="json")


def known_name(name: str, season: Season) -> str:
    """The ledger's own spelling of a name, which does not go by capitals and hyphens."""
    known = (*season.batches, *season.written)
    if name in known:
        return name
    plain = plain_name(name)
    return next((each for each in known if plain_name(each) == plain), name)


def name_is_used(written: WrittenBatch, batch: Batch | None, zone: tzinfo | None) -> bool:
    """Whether the file means another batch than the closed one of that name.

    It does where it was made on another day.  Nothing is entered of it: what was closed stays.
    """
    return batch is not None and not batch.open and day_of(batch.made_ms, zone) != written.made


def day_of(at_ms: int, zone: tzinfo | None) -> date:
    """The day of a time in UTC ms."""
    return datetime.fromtimestamp(at_ms / 1000, zone).date()


@dataclass(frozen=True, slots=True)
class _Days:
    """Days of the file as times."""

    now_ms: int | None
    zone: tzinfo | None

    def noon_ms(self, day: date) -> int:
        """Noon, UTC ms; now, where that day is today and noon is still to come."""
        noon_ms = round(datetime.combine(day, _NOON, self.zone).timestamp() * 1000)
        if self.to_come(noon_ms) and day_of(self.now_ms or 0, self.zone) == day:
            return self.now_ms or 0
        return noon_ms

    def to_come(self, at_ms: int) -> bool:
        """Whether a time is still to come."""
        return self.now_ms is not None and at_ms > self.now_ms


def _of_batch(
    name: str, written: WrittenBatch, season: Season, days: _Days
) -> Iterator[SeasonEntry]:
    said = as_written(written)
    before = season.written.get(name)
    batch = season.batches.get(name)
    if (before is not None and dict(before) == said) or name_is_used(written, batch, days.zone):
        return
    if batch is None:
        yield from _new(name, written, days)
    elif before is None:
        yield from _changes(batch, written, _differing(batch, written, days.zone), days)
    else:
        anew = {key for key, value in said.items() if before.get(key) != value}
        yield from _changes(batch, written, anew, days)
    yield SeasonEntry(What.WRITTEN, name, data=said, origin=ORIGIN)


def _new(name: str, written: WrittenBatch, days: _Days) -> Iterator[SeasonEntry]:
    """Added as callusing on the day it was made, in its box; a later stage by an entry of its own.

    The file has one box and one stage.  What was before is not in it: the batch is taken to have
    stood in that box from the day it was made.
    """
    made_ms = days.noon_ms(written.made)
    data: dict[str, Any]
    data = {key: value for key in _CHANGES if (value := _given(written, key)) is not None}
    data |= {"made_ms": made_ms, "stage": Stage.CALLUSING.value}
    yield SeasonEntry(
        What.ADD,
        name,
        written.chamber,
        data,
        written.note,
        about_ms=days.now_ms if days.to_come(made_ms) else made_ms,
        origin=ORIGIN,
    )
    if written.stage != Stage.CALLUSING.value:
        yield _stage(name, written, made_ms, days, since_counts=True)


def _changes(
    batch: Batch, written: WrittenBatch, anew: set[str], days: _Days
) -> Iterator[SeasonEntry]:
    """A closed batch is neither moved nor brought on: it no longer stands anywhere."""
    if "kind" in anew and written.zone is None:
        anew = {*anew, "zone"}  # it goes by the kind
    data: dict[str, Any] = {key: _given(written, key) for key in _CHANGES if key in anew}
    if "made" in anew:
        data["made_ms"] = days.noon_ms(written.made)
    note = written.note if "note" in anew else ""
    if data or note:
        yield SeasonEntry(What.CHANGE, batch.name, data=data, note=note, origin=ORIGIN)
    if not batch.open:
        return
    if "chamber" in anew and batch.place != written.chamber:
        yield SeasonEntry(What.MOVE, batch.name, written.chamber, origin=ORIGIN)
    if "stage" in anew and batch.stage != written.stage:
        begun_ms = batch.stages[-1].from_ms if batch.stages else batch.made_ms
        yield _stage(batch.name, written, begun_ms, days, since_counts="since" in anew)


def _stage(
    name: str, written: WrittenBatch, not_before_ms: int, days: _Days, *, since_counts: bool
) -> SeasonEntry:
    """The stage that the file gives, from the day it gives for it, or else from now.

    A day that stood in the file before the stage was changed is that of the stage before.
    """
    about_ms: int | None = None
    if written.since is not None and since_counts:
        about_ms = max(days.noon_ms(written.since), not_before_ms)
        if days.to_come(about_ms):
            about_ms = None
    return SeasonEntry(
        What.STAGE, name, data={"stage": written.stage}, about_ms=about_ms, origin=ORIGIN
    )


def _differing(batch: Batch, written: WrittenBatch, zone: tzinfo | None) -> set[str]:
    """Keys that the file gives, and in which it differs from what the ledger has by command."""
    has = {key: getattr(batch, key) for key in (*_CHANGES, "stage", "note")}
    has |= {"made": day_of(batch.made_ms, zone), "chamber": batch.place}
    given = written.model_fields_set
    differing = {key for key, value in has.items() if _given(written, key) != value}
    return (differing & given) | (given & {"since"})


def _given(written: WrittenBatch, key: str) -> Any:
    return written.part if key == "zone" else getattr(written, key)
