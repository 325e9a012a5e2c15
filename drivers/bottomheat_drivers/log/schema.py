"""The log's tables.

One file, SQLite in WAL mode, rows appended by rowid.  Temperatures are integer thousandths of a
degree Celsius (``_mc``), times integer milliseconds.  ``t_ms`` is the monotonic clock of the run,
because a Pi without a clock battery does not know the date when it starts; ``clock`` rows tie a run
to wall time, also for the rows written before the date was known.

Versions:
    1  first one.
    2  tending: for how long, and how the lid lies from then on.
    3  reference: the lid, when it was read, what the probes showed; reference_drop, probe_check,
       borrowing, borrowed.
    4  season_entry.
    5  thinned; run: how far that has come; state: what its mats and estimates are counted from.
"""

from __future__ import annotations

SCHEMA_VERSION = 5
"""Kept in ``PRAGMA user_version``."""

APPLICATION_ID = 0x42744874
"""``PRAGMA application_id`` of our files ("BtHt"): any other SQLite file is not ours."""

PAGE_SIZE = 1024
"""Bytes; cannot change once a file is in WAL mode, so it is set first; older files keep theirs.

A commit of ten minutes touches a dozen pages and fills few of them: with 4096 a day of four boxes
wrote 1.5 MB more to the card (tests/bench/winter.py); reading takes as long.
"""

THINNED = """
-- What is left of old samples: a row a chamber and minute, later ten minutes, from the sample that
-- it begins with to the one that it ends with; by id ordered as the samples.  From one to the next
-- the course is taken to be straight; where none came for 15 minutes nothing is known.
CREATE TABLE thinned (
    id INTEGER PRIMARY KEY,
    state INTEGER NOT NULL REFERENCES state,    -- that held longest; its heat and closings: ignore
    t_ms INTEGER NOT NULL,          -- begin, after state.base_ms
    span_ms INTEGER NOT NULL,       -- length
    samples INTEGER NOT NULL,       -- made of so many; 1: nothing was recorded until its end
    closings INTEGER NOT NULL,      -- of the contact
    heat_ms INTEGER NOT NULL,       -- so long was the relay commanded closed
    above_ms INTEGER NOT NULL,      -- so long was the callus zone above its setpoint + 0.5 K
    above_mks INTEGER NOT NULL,     -- and by how much in all, 1/1000 K s
    below_ms INTEGER NOT NULL,      -- the same below its setpoint - 0.5 K
    below_mks INTEGER NOT NULL,
    estimate_over_mc INTEGER,       -- callus zone: mean, over state.estimate_base_mc; NULL: unknown
    estimate_low_mk INTEGER,        -- how far below its mean the lowest lay, and above it
    estimate_high_mk INTEGER,       -- the highest; the same for each place
    expanded_ck INTEGER,            -- the largest expanded uncertainty (k = 2), 1/100 K
    substrate_mc INTEGER,
    substrate_low_mk INTEGER,
    substrate_high_mk INTEGER,
    substrate_2_mc INTEGER,
    substrate_2_low_mk INTEGER,
    substrate_2_high_mk INTEGER,
    room_mc INTEGER,
    room_low_mk INTEGER,
    room_high_mk INTEGER,
    mat_over_mc INTEGER,            -- over state.mat_base_mc
    mat_low_mk INTEGER,
    mat_high_mk INTEGER,
    callus_mc INTEGER,
    callus_low_mk INTEGER,
    callus_high_mk INTEGER,
    top_mc INTEGER,
    top_low_mk INTEGER,
    top_high_mk INTEGER
) STRICT;

"""
"""New in format 5."""

VIEWS = """
-- Samples with their state spelled out, for anyone with an SQL prompt.
CREATE VIEW sample_row AS
SELECT sample.id AS id, run, base_ms + t_ms AS t_ms, chamber.name AS chamber,
       substrate_mc, substrate_2_mc, room_mc, mat_base_mc + mat_over_mc AS mat_mc,
       callus_mc, top_mc, faults, estimate_base_mc + estimate_over_mc AS estimate_mc, expanded_ck,
       setpoint_mc, substrate_setpoint_mc, duty_pm, heat, condition, closings
FROM sample CROSS JOIN state ON state.id = sample.state
     CROSS JOIN chamber ON chamber.id = state.chamber;

-- The same of what is left of older ones.
CREATE VIEW thinned_row AS
SELECT thinned.id AS id, run, base_ms + t_ms AS t_ms, span_ms, samples, chamber.name AS chamber,
       setpoint_mc, condition, faults, thinned.closings AS closings, heat_ms,
       above_ms, above_mks, below_ms, below_mks,
       estimate_base_mc + estimate_over_mc AS estimate_mc, estimate_low_mk, estimate_high_mk,
       expanded_ck, substrate_mc, substrate_low_mk, substrate_high_mk,
       substrate_2_mc, substrate_2_low_mk, substrate_2_high_mk, room_mc, room_low_mk, room_high_mk,
       mat_base_mc + mat_over_mc AS mat_mc, mat_low_mk, mat_high_mk,
       callus_mc, callus_low_mk, callus_high_mk, top_mc, top_low_mk, top_high_mk
FROM thinned CROSS JOIN state ON state.id = thinned.state
     CROSS JOIN chamber ON chamber.id = state.chamber;
"""
"""Made anew by a migration that changes a table they show."""

SCHEMA = f"""
-- One start of the daemon.
CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,       -- random name of the run, the same in its ring file
    boot_id TEXT NOT NULL,          -- runs of one boot share the monotonic clock
    version TEXT NOT NULL,          -- of the software
    began_ms INTEGER NOT NULL,      -- monotonic
    last_ms INTEGER NOT NULL,       -- monotonic time of the newest row in this file
    last_seq INTEGER NOT NULL,      -- number of the newest row: what recovery need not add again
    closed INTEGER NOT NULL,        -- 1 after an orderly end
    sample_upto INTEGER NOT NULL DEFAULT 0, -- samples up to this id that are there stay so
    thinned_upto INTEGER NOT NULL DEFAULT 0 -- rows of thinned up to this id are of ten minutes
) STRICT;

-- Monotonic time tied to wall time.
CREATE TABLE clock (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    wall_ms INTEGER NOT NULL,       -- UTC since 1970
    synchronised INTEGER NOT NULL   -- 1: the wall clock had been set from outside
) STRICT;

CREATE TABLE chamber (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT;

-- What takes few values within a run, so that a sample need only point here: it halves the file.
-- Equal rows may occur twice.
CREATE TABLE state (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    chamber INTEGER NOT NULL REFERENCES chamber,
    setpoint_mc INTEGER,            -- callus zone
    condition TEXT NOT NULL,        -- HOLDING, NO_HEAT ...
    heat INTEGER NOT NULL,          -- 1: relay commanded closed
    closings INTEGER NOT NULL,      -- of the contact since this chamber's sample before
    base_ms INTEGER NOT NULL,       -- added to t_ms of its samples: a multiple of 2^24
    faults TEXT NOT NULL,           -- 'mat:CRC room:STALE': places without a good reading, and why
    mat_base_mc INTEGER NOT NULL DEFAULT 0,     -- added to mat_over_mc, and the next to
    estimate_base_mc INTEGER NOT NULL DEFAULT 0 -- estimate_over_mc, so that those take fewer bytes
) STRICT;

-- One row a chamber and cycle; read it through the view sample_row.  By rowid, run and then time
-- never decrease: readers search by that, an index would cost a third more on the card.
CREATE TABLE sample (
    id INTEGER PRIMARY KEY,
    state INTEGER NOT NULL REFERENCES state,
    t_ms INTEGER NOT NULL,          -- after state.base_ms, so that 3 bytes hold it
    substrate_mc INTEGER,           -- NULL: no good reading (state.faults says why) or no probe
    substrate_2_mc INTEGER,
    room_mc INTEGER,
    mat_over_mc INTEGER,            -- over state.mat_base_mc
    callus_mc INTEGER,
    top_mc INTEGER,
    estimate_over_mc INTEGER,       -- callus zone, over state.estimate_base_mc
    expanded_ck INTEGER,            -- its expanded uncertainty (k = 2), 1/100 K, rounded up
    substrate_setpoint_mc INTEGER,
    duty_pm INTEGER                 -- 1/1000
) STRICT;

{THINNED}
-- Lifetime closings of each chamber's contact.
CREATE TABLE counter (
    chamber INTEGER PRIMARY KEY REFERENCES chamber,
    run INTEGER NOT NULL REFERENCES run,
    in_run INTEGER NOT NULL,        -- closings since that run's start
    lifetime INTEGER NOT NULL
) STRICT;

CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    chamber INTEGER REFERENCES chamber,
    kind TEXT NOT NULL,
    alarm TEXT,
    durable INTEGER NOT NULL,
    text TEXT NOT NULL
) STRICT;

-- From when to when an alarm stood.  One left open by a run that ended stays open: unknown after.
CREATE TABLE alarm (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    chamber INTEGER REFERENCES chamber,
    raised INTEGER NOT NULL REFERENCES event,
    cleared INTEGER REFERENCES event
) STRICT;

-- A thermometer that the grower trusts, read in the box.
CREATE TABLE reference (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    chamber INTEGER NOT NULL REFERENCES chamber,
    spot TEXT NOT NULL,             -- where it was held
    reading_mc INTEGER NOT NULL,
    expanded_ck INTEGER,            -- expanded uncertainty (k = 2), 1/100 K
    note TEXT NOT NULL,
    lid TEXT,                       -- how it lay; NULL, as the next two: kept by format 2 or before
    ago_ms INTEGER,                 -- read so long before it was entered at t_ms
    pairing TEXT                    -- JSON: what the probes showed then, and how steady it was
) STRICT;

-- A reading that no longer counts; it stays where it is.
CREATE TABLE reference_drop (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    reference INTEGER NOT NULL REFERENCES reference,
    note TEXT NOT NULL
) STRICT;

-- A probe compared with something trusted.
CREATE TABLE probe_check (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    probe TEXT NOT NULL,
    how TEXT NOT NULL,              -- 'ice point', 'against', 'jar'
    add_mk INTEGER NOT NULL,        -- to its uncorrected reading
    uncertainty_mk INTEGER NOT NULL, -- standard (k = 1), rounded up
    at_mc INTEGER NOT NULL,         -- at which temperature
    note TEXT NOT NULL
) STRICT;

-- A borrowed probe begins to teach, or ends.
CREATE TABLE borrowing (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    chamber INTEGER NOT NULL REFERENCES chamber,
    probe TEXT NOT NULL,
    for_ms INTEGER,                 -- NULL: it ended
    note TEXT NOT NULL
) STRICT;

-- What a borrowed probe showed: a row a minute.
CREATE TABLE borrowed (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    chamber INTEGER NOT NULL REFERENCES chamber,
    value_mc INTEGER NOT NULL
) STRICT;

-- The box was opened: fill, water, look, move; or a spell was over early: done.
CREATE TABLE tending (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    chamber INTEGER NOT NULL REFERENCES chamber,
    doing TEXT NOT NULL,
    note TEXT NOT NULL,
    for_ms INTEGER,                 -- how long it was to last; NULL where that was not kept
    lid TEXT                        -- how the lid lies from then on; NULL: not said, as before
) STRICT;

-- What the grower entered of batches, boxes and the season; never changed, only added to.  By id:
-- the order of entry, and what a correction calls an entry by.
CREATE TABLE season_entry (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    batch TEXT,                     -- NULL: about a box, the house or the season
    chamber TEXT,                   -- a box or 'unheated', where the entry names a place
    what TEXT NOT NULL,             -- 'add', 'look', 'stage', 'move' ...
    data TEXT NOT NULL,             -- JSON: the rest
    note TEXT NOT NULL,
    about_ms INTEGER,               -- UTC since 1970: when it happened; NULL: when it was entered
    origin TEXT NOT NULL,           -- 'command', 'config', 'service'
    corrects INTEGER                -- the entry that this one replaces or withdraws
) STRICT;

-- Every config that was accepted, whole.
CREATE TABLE config_version (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    checksum TEXT NOT NULL,
    text TEXT NOT NULL
) STRICT;
{VIEWS}"""
