"""What the controller hands over, as rows of integers and words, and as bytes for the ring file.

Nothing here raises on odd values: a number that is not finite becomes NULL and text that is not
valid Unicode gets replacement characters, because a row with a hole is worth more than none.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields
from typing import NamedTuple, TypeAlias

from bottomheat.calibration.ledger import Pairing, ProbeCheck, ReferenceEntry, from_plain
from bottomheat.model import Bad, Condition, Event, Fault, Good, Place, Reading, Record
from bottomheat.season.ledger import SeasonEntry, What

PLACES = (
    Place.SUBSTRATE,
    Place.SUBSTRATE_2,
    Place.ROOM,
    Place.MAT,
    Place.CALLUS,
    Place.TOP,
)
"""Order of the temperature columns."""

_LARGEST = 10.0**9
_LARGEST_TIME_MS = 2**53
_LONGEST_CHARACTER = 6  # bytes in JSON: a control character, \\u0000


class SampleItem(NamedTuple):
    """A row for ``sample`` and ``state``."""

    seq: int
    t_ms: int
    chamber: str
    places_mc: tuple[int | None, ...]
    faults: str
    estimate_mc: int | None
    expanded_ck: int | None
    setpoint_mc: int | None
    substrate_setpoint_mc: int | None
    duty_pm: int | None
    heat: int
    condition: str
    closings: int


class EventItem(NamedTuple):
    """A row for ``event``."""

    seq: int
    t_ms: int
    chamber: str | None
    kind: str
    alarm: str | None
    durable: int
    text: str


class ClockItem(NamedTuple):
    """A row for ``clock``."""

    seq: int
    t_ms: int
    wall_ms: int
    synchronised: int


class ReferenceItem(NamedTuple):
    """A row for ``reference``; a ring file of format 2 or before lacks the last three."""

    seq: int
    t_ms: int
    chamber: str
    spot: str
    reading_mc: int
    expanded_ck: int | None
    note: str
    lid: str | None = None
    ago_ms: int | None = None
    pairing: str | None = None


class DropItem(NamedTuple):
    """A row for ``reference_drop``."""

    seq: int
    t_ms: int
    reference: int
    note: str


class ProbeCheckItem(NamedTuple):
    """A row for ``probe_check``."""

    seq: int
    t_ms: int
    probe: str
    how: str
    add_mk: int
    uncertainty_mk: int
    at_mc: int
    note: str


class BorrowingItem(NamedTuple):
    """A row for ``borrowing``."""

    seq: int
    t_ms: int
    chamber: str
    probe: str
    for_ms: int | None
    note: str


class BorrowedItem(NamedTuple):
    """A row for ``borrowed``."""

    seq: int
    t_ms: int
    chamber: str
    value_mc: int


class TendingItem(NamedTuple):
    """A row for ``tending``; a ring file of format 1 lacks the last two."""

    seq: int
    t_ms: int
    chamber: str
    doing: str
    note: str
    for_ms: int | None = None
    lid: str | None = None


class SeasonItem(NamedTuple):
    """A row for ``season_entry``; ``data`` is JSON, ``number`` its id, or None for the next."""

    seq: int
    t_ms: int
    batch: str | None
    chamber: str | None
    what: str
    data: str
    note: str
    about_ms: int | None
    origin: str
    corrects: int | None
    number: int | None = None


class ConfigItem(NamedTuple):
    """A row for ``config_version``; too long for the ring file."""

    seq: int
    t_ms: int
    checksum: str
    text: str


Item: TypeAlias = (
    SampleItem
    | EventItem
    | ClockItem
    | ReferenceItem
    | DropItem
    | ProbeCheckItem
    | BorrowingItem
    | BorrowedItem
    | TendingItem
    | SeasonItem
    | ConfigItem
)
Entry: TypeAlias = (
    ReferenceItem | DropItem | ProbeCheckItem | BorrowingItem | TendingItem | SeasonItem
)
"""What a grower entered: it may take several slots of the ring file."""

_BY_TAG: dict[str, type[Item]] = {
    "s": SampleItem,
    "e": EventItem,
    "c": ClockItem,
    "r": ReferenceItem,
    "t": TendingItem,
    "d": DropItem,
    "p": ProbeCheckItem,
    "b": BorrowingItem,
    "m": BorrowedItem,
    "l": SeasonItem,
}
_TAGS = {kind: tag for tag, kind in _BY_TAG.items()}


def milli(value: float | None) -> int | None:
    """The value in thousandths, or None where there is none or it is not a usable number."""
    if value is None or not -_LARGEST < value < _LARGEST:
        return None
    return round(value * 1000)


def centi_up(value: float | None) -> int | None:
    """The value in hundredths, rounded up so that an uncertainty is never understated."""
    if value is None or not -_LARGEST < value < _LARGEST:
        return None
    return math.ceil(round(value * 100, 6))


def milli_up(value: float | None) -> int | None:
    """The value in thousandths, rounded up so that an uncertainty is never understated."""
    if value is None or not -_LARGEST < value < _LARGEST:
        return None
    return math.ceil(round(value * 1000, 6))


def to_ms(seconds: float) -> int:
    """Seconds of a run as milliseconds; 0 where that is not a usable number."""
    return milli(seconds) or 0


def whole_ms(wall_ms: int) -> int:
    """A wall time that fits its column whatever the clock says."""
    return max(-_LARGEST_TIME_MS, min(_LARGEST_TIME_MS, int(wall_ms)))


def plain(text: str) -> str:
    """The text with anything that is not valid Unicode replaced."""
    return text.encode("utf-8", "replace").decode("utf-8")


def sample_item(seq: int, record: Record) -> SampleItem:
    """The row of one chamber's cycle."""
    found: dict[Place, int | None] = {}
    faults: list[str] = []
    for place, reading in record.readings:
        match reading:
            case Good(celsius=celsius):
                found[place] = milli(celsius)
            case Bad(fault=fault):
                faults.append(f"{place.value}:{fault.name}")
    estimate = record.estimate
    return SampleItem(
        seq,
        to_ms(record.at_s),
        plain(record.chamber),
        tuple([found.get(place) for place in PLACES]),
        " ".join(sorted(faults)),
        milli(estimate.celsius) if estimate else None,
        centi_up(estimate.expanded_k) if estimate else None,
        milli(record.setpoint_c),
        milli(record.substrate_setpoint_c),
        milli(record.duty),
        int(record.heat),
        record.condition.name,
        int(record.closings),
    )


def event_item(seq: int, event: Event) -> EventItem:
    """The row of one event."""
    return EventItem(
        seq,
        to_ms(event.at_s),
        None if event.chamber is None else plain(event.chamber),
        event.kind.value,
        None if event.alarm is None else event.alarm.value,
        int(event.durable),
        plain(event.text),
    )


def tending_item(
    seq: int, t_ms: int, chamber: str, doing: str, note: str, for_s: float | None, lid: str | None
) -> TendingItem:
    """The row of a box that is tended."""
    lies = None if lid is None else plain(lid)
    return TendingItem(seq, t_ms, plain(chamber), plain(doing), plain(note), milli(for_s), lies)


def reference_item(seq: int, t_ms: int, entry: ReferenceEntry) -> ReferenceItem | None:
    """The row of a trusted thermometer's reading, or None where it is not a usable number."""
    reading_mc = milli(entry.reading_c)
    if reading_mc is None:
        return None
    return ReferenceItem(
        seq,
        t_ms,
        plain(entry.chamber),
        plain(entry.spot),
        reading_mc,
        centi_up(entry.expanded_k),
        plain(entry.note),
        plain(entry.lid),
        max(0, milli(entry.ago_s) or 0),
        pairing_text(entry.pairing),
    )


def probe_check_item(seq: int, t_ms: int, check: ProbeCheck) -> ProbeCheckItem | None:
    """The row of a probe's comparison, or None where one of its numbers is not usable."""
    add_mk, at_mc = milli(check.add_k), milli(check.at_c)
    uncertainty_mk = milli_up(check.uncertainty_k)
    if add_mk is None or uncertainty_mk is None or at_mc is None:
        return None
    return ProbeCheckItem(
        seq,
        t_ms,
        plain(check.probe),
        plain(check.how),
        add_mk,
        uncertainty_mk,
        at_mc,
        plain(check.note),
    )


def borrowing_item(
    seq: int, t_ms: int, chamber: str, probe: str, for_s: float | None, note: str
) -> BorrowingItem:
    """The row of a borrowed probe that begins to teach, or ends (``for_s`` None)."""
    return BorrowingItem(seq, t_ms, plain(chamber), plain(probe), milli(for_s), plain(note))


def season_item(seq: int, t_ms: int, entry: SeasonEntry, number: int | None = None) -> SeasonItem:
    """The row of an entry in the season's ledger."""
    return SeasonItem(
        seq,
        t_ms,
        None if entry.batch is None else plain(entry.batch),
        None if entry.chamber is None else plain(entry.chamber),
        entry.what.value,
        _json(entry.data),
        plain(entry.note),
        None if entry.about_ms is None else whole_ms(entry.about_ms),
        plain(entry.origin),
        None if entry.corrects is None else int(entry.corrects),
        number,
    )


def season_entry(item: SeasonItem) -> SeasonEntry:
    """The entry of a stored row; data that is damaged is left out, and the ledger says so.

    Raises:
        ValueError: a word that this version does not know.
    """
    try:
        data = json.loads(item.data)
    except (ValueError, RecursionError):
        data = None
    return SeasonEntry(
        What(item.what),
        item.batch,
        item.chamber,
        data if isinstance(data, dict) else {},
        item.note,
        item.about_ms,
        item.origin,
        item.corrects,
    )


def pairing_text(pairing: Pairing) -> str:
    """The pairing as JSON; a number that is not finite becomes null."""
    return _json({field.name: getattr(pairing, field.name) for field in fields(Pairing)})


def _json(data: Mapping[str, object]) -> str:
    return json.dumps(_clean(data), ensure_ascii=False, separators=(",", ":"))


def _clean(value: object) -> object:
    match value:
        case None | bool() | int():
            return value
        case float():
            return float(value) if math.isfinite(value) else None
        case Mapping():
            return {plain(str(key)): _clean(each) for key, each in value.items()}
        case list() | tuple():
            return [_clean(each) for each in value]
        case _:
            return plain(str(value))


def pairing(text: str | None) -> Pairing | None:
    """The pairing of a stored row, or None where it was not kept or cannot be used."""
    try:
        return None if text is None else from_plain(json.loads(text))
    except (ValueError, OverflowError, RecursionError):
        return None


def to_bytes(item: Item, room: int) -> bytes | None:
    """The item for the ring file in at most ``room`` bytes, or None if it cannot be made to fit.

    An event's text and a grower's note are cut to fit, and nothing else is.
    """
    tag = _TAGS.get(type(item))
    if tag is None:
        return None
    data = json.dumps([tag, *item], ensure_ascii=False, separators=(",", ":")).encode()
    if len(data) > room and isinstance(item, Entry):
        keep = len(item.note)
        while len(data) > room and keep > 0:
            keep = max(0, keep - max(1, (len(data) - room) // _LONGEST_CHARACTER))
            cut = item._replace(note=item.note[:keep] + "…")
            data = json.dumps([tag, *cut], ensure_ascii=False, separators=(",", ":")).encode()
    if len(data) > room and isinstance(item, EventItem):
        keep = max(0, len(item.text) - (len(data) - room) - 3)
        short = item._replace(text=item.text[:keep] + "…")
        data = json.dumps([tag, *short], separators=(",", ":"), ensure_ascii=False).encode()
    return data if len(data) <= room else None


def from_bytes(data: bytes) -> Item | None:
    """The item of a ring slot, or None if the bytes are not one."""
    try:
        tag, *fields = json.loads(data)
        if tag == "s":
            fields[3] = tuple(fields[3])
        return _BY_TAG[tag](*fields)
    except (ValueError, TypeError, KeyError, IndexError):
        return None


def readings(
    t_ms: int, places_mc: tuple[int | None, ...], faults: str
) -> tuple[tuple[Place, Reading], ...]:
    """The readings of a stored row, in the order of ``PLACES``; places without a probe are absent.

    Raises:
        ValueError: a word that this version does not know.
    """
    at_s = t_ms / 1000
    why = dict(word.split(":", 1) for word in faults.split())
    out: list[tuple[Place, Reading]] = []
    for place, value_mc in zip(PLACES, places_mc, strict=True):
        if value_mc is not None:
            out.append((place, Good(value_mc / 1000, at_s)))
        elif place.value in why:
            out.append((place, Bad(fault(why[place.value]), at_s)))
    return tuple(out)


def fault(name: str) -> Fault:
    """The fault of that name.

    Raises:
        ValueError: this version does not know it.
    """
    if name not in Fault.__members__:
        raise ValueError(f"unknown fault {name!r}")
    return Fault[name]


def condition(name: str) -> Condition:
    """The condition of that name.

    Raises:
        ValueError: this version does not know it.
    """
    if name not in Condition.__members__:
        raise ValueError(f"unknown condition {name!r}")
    return Condition[name]
