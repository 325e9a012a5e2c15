-- A log of format 1, written by that version, as SQL; the ring file's rows at the end.
PRAGMA page_size = 4096;
PRAGMA application_id = 1114916980;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE alarm (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    chamber INTEGER REFERENCES chamber,
    raised INTEGER NOT NULL REFERENCES event,
    cleared INTEGER REFERENCES event
) STRICT;
CREATE TABLE chamber (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT;
INSERT INTO "chamber" VALUES(1,'north-bench');
CREATE TABLE clock (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    wall_ms INTEGER NOT NULL,       -- UTC since 1970
    synchronised INTEGER NOT NULL   -- 1: the wall clock had been set from outside
) STRICT;
INSERT INTO "clock" VALUES(1,1,100000,1768550000000,1);
CREATE TABLE config_version (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    checksum TEXT NOT NULL,
    text TEXT NOT NULL
) STRICT;
INSERT INTO "config_version" VALUES(1,1,100000,'abc','cycle: 10
');
CREATE TABLE counter (
    chamber INTEGER PRIMARY KEY REFERENCES chamber,
    run INTEGER NOT NULL REFERENCES run,
    in_run INTEGER NOT NULL,        -- closings since that run's start
    lifetime INTEGER NOT NULL
) STRICT;
INSERT INTO "counter" VALUES(1,1,1,1);
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
INSERT INTO "event" VALUES(1,1,140000,NULL,'log',NULL,1,'first run');
CREATE TABLE reference (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    chamber INTEGER NOT NULL REFERENCES chamber,
    spot TEXT NOT NULL,             -- where it was held
    reading_mc INTEGER NOT NULL,
    expanded_ck INTEGER,            -- expanded uncertainty (k = 2), 1/100 K
    note TEXT NOT NULL
) STRICT;
INSERT INTO "reference" VALUES(1,1,100000,1,'callus depth, middle',24800,20,'digital');
CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,       -- random name of the run, the same in its ring file
    boot_id TEXT NOT NULL,          -- runs of one boot share the monotonic clock
    version TEXT NOT NULL,          -- of the software
    began_ms INTEGER NOT NULL,      -- monotonic
    last_ms INTEGER NOT NULL,       -- monotonic time of the newest row in this file
    last_seq INTEGER NOT NULL,      -- number of the newest row: what recovery need not add again
    closed INTEGER NOT NULL         -- 1 after an orderly end
) STRICT;
INSERT INTO "run" VALUES(1,'369bad21f9f44363','boot-1','0.1.0',100000,140000,8,0);
CREATE TABLE sample (
    id INTEGER PRIMARY KEY,
    state INTEGER NOT NULL REFERENCES state,
    t_ms INTEGER NOT NULL,          -- after state.base_ms: 4 bytes instead of 6 from day 25 on
    substrate_mc INTEGER,           -- NULL: no good reading (state.faults says why) or no probe
    substrate_2_mc INTEGER,
    room_mc INTEGER,
    mat_mc INTEGER,
    callus_mc INTEGER,
    top_mc INTEGER,
    estimate_mc INTEGER,            -- callus zone
    expanded_ck INTEGER,            -- its expanded uncertainty (k = 2), 1/100 K, rounded up
    substrate_setpoint_mc INTEGER,
    duty_pm INTEGER                 -- 1/1000
) STRICT;
INSERT INTO "sample" VALUES(1,1,110000,29400,NULL,11200,43800,NULL,NULL,25000,40,29400,580);
INSERT INTO "sample" VALUES(2,1,120000,29400,NULL,11200,43800,NULL,NULL,25000,40,29400,580);
INSERT INTO "sample" VALUES(3,2,130000,29400,NULL,11200,43800,NULL,NULL,25000,40,29400,580);
INSERT INTO "sample" VALUES(4,1,140000,29400,NULL,11200,43800,NULL,NULL,25000,40,29400,580);
CREATE TABLE state (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    chamber INTEGER NOT NULL REFERENCES chamber,
    setpoint_mc INTEGER,            -- callus zone
    condition TEXT NOT NULL,        -- HOLDING, NO_HEAT ...
    heat INTEGER NOT NULL,          -- 1: relay commanded closed
    closings INTEGER NOT NULL,      -- of the contact since this chamber's sample before
    base_ms INTEGER NOT NULL,       -- added to t_ms of its samples: a multiple of 2^31
    faults TEXT NOT NULL            -- 'mat:CRC room:STALE': places without a good reading, and why
) STRICT;
INSERT INTO "state" VALUES(1,1,1,25000,'HOLDING',1,0,0,'');
INSERT INTO "state" VALUES(2,1,1,25000,'HOLDING',1,1,0,'');
CREATE TABLE tending (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    chamber INTEGER NOT NULL REFERENCES chamber,
    doing TEXT NOT NULL,
    note TEXT NOT NULL
) STRICT;
INSERT INTO "tending" VALUES(1,1,100000,1,'water','2 l, lukewarm');
CREATE VIEW sample_row AS
SELECT sample.id AS id, run, base_ms + t_ms AS t_ms, chamber.name AS chamber,
       substrate_mc, substrate_2_mc, room_mc, mat_mc, callus_mc, top_mc, faults,
       estimate_mc, expanded_ck, setpoint_mc, substrate_setpoint_mc, duty_pm,
       heat, condition, closings
FROM sample CROSS JOIN state ON state.id = sample.state
     CROSS JOIN chamber ON chamber.id = state.chamber;
COMMIT;
-- ring: {"boot_id": "boot-1", "version": "0.1.0", "began_ms": 100000, "wall_ms": 1768550000000, "synchronised": true, "layout": 1, "key": "369bad21f9f44363"}
-- ring: ["s",2,110000,"north-bench",[29400,null,11200,43800,null,null],"",25000,40,25000,29400,580,1,"HOLDING",0]
-- ring: ["s",3,120000,"north-bench",[29400,null,11200,43800,null,null],"",25000,40,25000,29400,580,1,"HOLDING",0]
-- ring: ["s",4,130000,"north-bench",[29400,null,11200,43800,null,null],"",25000,40,25000,29400,580,1,"HOLDING",1]
-- ring: ["s",5,140000,"north-bench",[29400,null,11200,43800,null,null],"",25000,40,25000,29400,580,1,"HOLDING",1]
-- ring: ["e",6,140000,null,"log",null,1,"first run"]
-- ring: ["t",7,100000,"north-bench","water","2 l, lukewarm"]
-- ring: ["r",8,100000,"north-bench","callus depth, middle",24800,20,"digital"]
-- ring: ["t",9,100000,"north-bench","fill",""]
-- ring: ["r",10,100000,"south-bench","corner",21500,null,"glass"]
