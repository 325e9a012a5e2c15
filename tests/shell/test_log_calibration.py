"""What a calibration keeps in the log: readings, pairings, probe checks."""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
import time
from dataclasses import fields
from pathlib import Path
from types import MappingProxyType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.calibration.ledger import Pairing, ProbeCheck, ReferenceEntry
from bottomheat_drivers.log import LogReader, codec, ring
from log_tools import (
    LONG_NOTE,
    NOW_MS,
    Disk,
    SetClock,
    check,
    entry,
    journal,
    note,
    paired,
    raw,
    rings,
    sample,
)

PROBE = "28-0316a2790007"
DAY_S = 86_400.0
number = st.floats(-999_999, 999_999)
any_float = st.floats(allow_nan=True, allow_infinity=True)
odd_text = st.text() | st.just("\udcff") | st.just("\0\n\x1b")
lengths = st.integers(-20_000, 125_000).map(lambda mc: mc / 1000)
kept_text = st.text(st.characters(codec="utf-8"), max_size=60)


@st.composite
def pairings(draw, value=number, words=kept_text) -> Pairing:
    made = {}
    for field in fields(Pairing):
        match field.name:
            case "probes":
                made[field.name] = draw(st.dictionaries(words, words, max_size=6))
            case "corrections_k":
                made[field.name] = draw(st.dictionaries(words, value, max_size=6))
            case "why":
                made[field.name] = draw(words)
            case "steady" | "calibrated":
                made[field.name] = draw(st.booleans())
            case "room_c" | "lagged_room_c" | "power_w" | "estimate_c" | "expanded_k":
                made[field.name] = draw(st.none() | value)
            case _:
                made[field.name] = draw(value)
    return Pairing(**made)


entries = st.builds(
    ReferenceEntry,
    chamber=st.sampled_from(["north-bench", "south-bench"]),
    spot=kept_text,
    lid=st.sampled_from(["on", "ajar", "off"]),
    reading_c=lengths,
    expanded_k=st.integers(0, 500).map(lambda ck: ck / 100),
    note=kept_text,
    ago_s=st.integers(0, 400 * 86_400_000).map(lambda ms: ms / 1000),
    pairing=pairings(),
)


odd_entries = st.builds(
    ReferenceEntry,
    chamber=odd_text,
    spot=odd_text,
    lid=odd_text,
    reading_c=any_float,
    expanded_k=any_float,
    note=odd_text,
    ago_s=any_float,
    pairing=pairings(any_float, odd_text),
)


def usable(folder: Path) -> list:
    with LogReader(folder / "log.sqlite") as log:
        return log.ledger()


def killed(folder: Path, to: Path) -> Path:
    """What a kill at this moment leaves: the card and the memory."""
    to.mkdir()
    for path in folder.glob("log.sqlite*"):
        shutil.copy(path, to)
    shutil.copytree(folder / "run", to / "run")
    return to


# -- readings


@settings(max_examples=40, deadline=None)
@given(st.lists(entries, min_size=1, max_size=4))
def test_every_reading_comes_back_from_the_file(given_entries):
    with tempfile.TemporaryDirectory() as name:
        kept = journal(Path(name), SetClock(500.0), background=False)
        for each in given_entries:
            kept.note_reference(each)
        kept.close()
        found = usable(Path(name))
    by_number = sorted(found, key=lambda reference: reference.number)
    assert [reference.entry for reference in by_number] == given_entries
    assert [reference.number for reference in by_number] == list(range(1, len(found) + 1))
    for reference in found:
        assert reference.wall_ms == NOW_MS - round(reference.entry.ago_s * 1000)
        assert reference.sure
        assert reference.dropped is None
    assert [reference.wall_ms for reference in found] == sorted(row.wall_ms for row in found)


@settings(max_examples=60, deadline=None)
@given(entries, st.integers(0, ring.WIDE_ROOM))
def test_in_the_ring_file_the_note_is_cut_and_the_pairing_never(given_entry, room):
    item = codec.reference_item(2**40, 5, given_entry)
    data = codec.to_bytes(item, room)
    if data is None:  # not even without its note
        bare = codec.to_bytes(item._replace(note="…"), ring.WIDE_ROOM)
        assert len(bare) > room
        return
    assert len(data) <= room
    back = codec.from_bytes(data)
    assert back._replace(note="") == item._replace(note="")
    assert back.note == item.note or item.note.startswith(back.note.removesuffix("…"))
    assert codec.pairing(back.pairing) == given_entry.pairing


def test_a_reading_of_usual_length_lies_in_the_ring_file_whole_and_one_with_a_book_too(tmp_path):
    """The longest request that the service takes is 64 KiB; a note of that length fits."""
    disk = Disk()
    kept = journal(tmp_path / "a", connect=disk.connect, ballast_bytes=0)
    assert kept.flush(60.0)
    disk.goes_on.clear()  # the card hangs: only memory has what follows
    kept.record([sample(110.0)], [])
    kept.note_reference(entry(note=LONG_NOTE))
    kept.note_reference(entry(note='"' * 60_000))  # twice as long in JSON
    kept.note_tending("north-bench", "look", LONG_NOTE, 600.0, "ajar")
    kept.record([sample(120.0)], [note(120.0, "after it")])
    left = killed(tmp_path / "a", tmp_path / "b")
    disk.goes_on.set()
    kept.close()
    again = journal(left, SetClock(200.0))
    again.close()
    assert again.failure() is None
    with LogReader(left / "log.sqlite") as log:
        usual, book = log.ledger()
        assert [row.t_ms for row in log.samples("north-bench")] == [110_000, 120_000]
        assert [row.note for row in log.tendings()] == [LONG_NOTE]
        assert "after it" in [row.event.text for row in log.events()]
    assert (usual.entry.note, usual.entry.pairing) == (LONG_NOTE, paired())
    assert book.entry.pairing == paired()
    assert book.entry.note == '"' * 60_000


@settings(max_examples=60, deadline=None)
@given(odd_entries, any_float, any_float)
def test_odd_values_never_raise_and_harm_nothing_else(odd, celsius, at_s):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        kept = journal(folder, ballast_bytes=0)
        kept.note_reference(odd)
        kept.note_probe_check(ProbeCheck(odd.spot, odd.lid, celsius, at_s, celsius, odd.note))
        kept.note_borrowing(odd.chamber, odd.spot, at_s, odd.note)
        kept.note_borrowed(odd.chamber, celsius, at_s)
        kept.note_drop(7, odd.note)
        kept.note_reference(entry())
        assert kept.flush(60.0)
        assert kept.failure() is None
        kept.close()
        with LogReader(folder / "log.sqlite") as log:
            good = [row.entry for row in log.ledger() if row.entry == entry()]
            every = [*log.references(), *log.probe_checks(), *log.borrowings()]
            every += list(log.borrowed("north-bench"))
    assert good == [entry()]
    assert every


def test_a_number_that_is_none_becomes_a_hole_where_there_may_be_one(tmp_path):
    nan = float("nan")
    kept = journal(tmp_path, background=False)
    kept.note_reference(entry(pairing=paired(room_c=nan, lagged_room_c=None)))
    kept.note_reference(entry(pairing=paired(substrate_c=nan)))
    kept.note_reference(entry(expanded_k=nan))
    kept.note_reference(entry(reading_c=nan))
    proxy = MappingProxyType({"substrate": -0.06})
    kept.note_reference(entry(pairing=paired(corrections_k=proxy)))
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        usable = [(row.number, row.entry.pairing) for row in log.ledger()]
        every = [(row.number, row.pairing is None, row.expanded_k) for row in log.references()]
    assert usable == [
        (1, paired(room_c=None, lagged_room_c=None)),
        (4, paired(corrections_k={"substrate": -0.06})),
    ]
    assert every == [(1, False, 0.2), (2, True, 0.2), (3, False, None), (4, False, 0.2)]


DAMAGE = [
    "",
    "nonsense",
    "null",
    "[]",
    "{}",
    '{"substrate_c": 29.4}',
    "[" * 100_000,
    json.dumps({**json.loads(codec.pairing_text(paired())), "hours": None}),
    json.dumps({**json.loads(codec.pairing_text(paired())), "power_w": True}),
    json.dumps({**json.loads(codec.pairing_text(paired())), "power_w": 10**400}),
    json.dumps({**json.loads(codec.pairing_text(paired())), "probes": {"room": 3}}),
    json.dumps({**json.loads(codec.pairing_text(paired())), "extra": 3}),
    codec.pairing_text(paired()).replace("29.4", "1e999"),
]


@pytest.mark.parametrize("text", DAMAGE)
def test_a_damaged_pairing_costs_its_own_reading_only(tmp_path, text):
    kept = journal(tmp_path, background=False)
    for n in range(3):
        kept.note_reference(entry(reading_c=24.0 + n))
    kept.close()
    connection = sqlite3.connect(tmp_path / "log.sqlite")
    connection.execute("UPDATE reference SET pairing = ? WHERE id = 2", (text,))
    connection.commit()
    connection.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        assert [row.entry.reading_c for row in log.ledger()] == [24.0, 26.0]
        assert [(row.reading_c, row.pairing is None) for row in log.references()] == [
            (24.0, False),
            (25.0, True),
            (26.0, False),
        ]


def test_a_reading_is_placed_at_when_it_was_taken(tmp_path):
    """Entered hours later, by a machine that learned the date only in between."""
    clock = SetClock(20.0, 20_000, synchronised=False)
    kept = journal(tmp_path, clock, background=False)
    clock.now_s = 7200.0
    kept.note_reference(entry(ago_s=7000.0, reading_c=23.0))
    kept.note_clock(7300.0, NOW_MS, True)
    clock.now_s = 7400.0
    kept.note_reference(entry(reading_c=24.0))
    kept.note_reference(entry(ago_s=3 * DAY_S, reading_c=22.0))
    kept.close()
    found = usable(tmp_path)
    assert [(row.entry.reading_c, (row.wall_ms - NOW_MS) / 1000, row.sure) for row in found] == [
        (22.0, 100.0 - 3 * DAY_S, True),
        (23.0, -7100.0, True),
        (24.0, 100.0, True),
    ]


def test_a_slewed_clock_does_not_shift_a_reading_entered_later(tmp_path):
    """How long ago it was is a difference of wall times, so the newest pair of clocks counts."""
    clock = SetClock(100.0)
    kept = journal(tmp_path, clock, background=False)
    kept.note_clock(3700.0, NOW_MS + 3_600_200, True)
    clock.now_s = 3710.0
    kept.note_reference(entry(ago_s=3600.0))
    kept.close()
    (found,) = usable(tmp_path)
    assert found.wall_ms == NOW_MS + 10_200


def test_of_a_clock_never_set_the_time_is_not_sure(tmp_path):
    kept = journal(tmp_path, SetClock(20.0, 20_000, synchronised=False), background=False)
    kept.note_reference(entry())
    kept.close()
    (found,) = usable(tmp_path)
    assert not found.sure


def test_a_dropped_reading_stays_and_says_why(tmp_path):
    kept = journal(tmp_path, background=False)
    for n in range(3):
        kept.note_reference(entry("north-bench" if n else "south-bench", 24.0 + n))
    kept.note_drop(2, "")
    kept.note_drop(3, "held too high")
    kept.note_drop(3, "held at 60 mm")
    kept.note_drop(99, "no such reading")
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        assert [(row.number, row.dropped) for row in log.ledger()] == [
            (1, None),
            (2, ""),
            (3, "held at 60 mm"),
        ]
        assert [row.number for row in log.ledger("south-bench")] == [1]
        assert log.ledger("attic") == []
    assert raw(tmp_path / "log.sqlite", "SELECT reference FROM reference_drop") == [
        (2,),
        (3,),
        (3,),
    ]


def test_a_drop_never_hits_a_reading_of_a_log_begun_anew(tmp_path):
    disk = Disk()
    kept = journal(tmp_path / "a", connect=disk.connect, ballast_bytes=0)
    kept.note_reference(entry())
    assert kept.flush(60.0)
    disk.goes_on.clear()
    kept.note_drop(1, "of the old log")
    left = killed(tmp_path / "a", tmp_path / "b")
    disk.goes_on.set()
    kept.close()
    (left / "log.sqlite").rename(left / "damaged.sqlite")
    (left / "log.sqlite-wal").unlink(missing_ok=True)
    # The ring file's slots of what the card had: as if they had been overwritten since.
    (path,) = rings(left)
    remains = ring.read(path)
    path.unlink()
    header = {key: value for key, value in remains.header.items() if key not in ("layout", "key")}
    made = ring.Ring(left / "run", str(remains.header["key"]), header)
    for data in remains.rows:
        if isinstance(item := codec.from_bytes(data), codec.DropItem):
            made.put(item.seq, data)
    made.close(remove=False)
    again = journal(left)
    again.note_reference(entry(reading_c=20.0))
    again.close()
    (found,) = usable(left)
    assert (found.number, found.dropped) == (1, None)


@pytest.mark.parametrize(
    "put",
    [
        lambda kept: kept.note_reference(entry()),
        lambda kept: kept.note_drop(1, "wrong"),
        lambda kept: kept.note_probe_check(check()),
        lambda kept: kept.note_borrowing("north-bench", PROBE, DAY_S),
    ],
)
def test_what_a_grower_entered_is_on_the_card_at_once(tmp_path, put):
    disk = Disk()
    kept = journal(tmp_path, connect=disk.connect)
    assert kept.flush(60.0)
    kept.record([sample(110.0)], [])
    kept.note_borrowed("north-bench", 24.0, 110.0)
    before = len(disk.synchronous)
    put(kept)
    deadline = time.perf_counter() + 60
    while len(disk.synchronous) == before and time.perf_counter() < deadline:
        time.sleep(0.01)
    assert disk.synchronous[before:] == ["FULL"]
    kept.close()


# -- probe checks


def test_the_uncertainty_of_a_check_is_never_understated(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.note_probe_check(check(uncertainty_k=0.0301))
    kept.note_probe_check(check(probe="28-0316a279b33c", how="jar", add_k=0.1234567, at_c=21.5))
    kept.note_probe_check(check(add_k=float("nan")))
    kept.note_probe_check(check(uncertainty_k=float("inf")))
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        first, second = log.probe_checks()
    assert first.check == check(uncertainty_k=0.031)
    assert second.check == check("28-0316a279b33c", how="jar", add_k=0.123, at_c=21.5)
    assert (first.number, first.wall_ms, first.sure) == (1, NOW_MS, True)
