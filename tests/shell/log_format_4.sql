-- A log of format 4, written by that version, as SQL; the ring file's rows at the end.
PRAGMA page_size = 1024;
PRAGMA application_id = 1114916980;
PRAGMA user_version = 4;
BEGIN TRANSACTION;
CREATE TABLE alarm (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    chamber INTEGER REFERENCES chamber,
    raised INTEGER NOT NULL REFERENCES event,
    cleared INTEGER REFERENCES event
) STRICT;
CREATE TABLE borrowed (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    chamber INTEGER NOT NULL REFERENCES chamber,
    value_mc INTEGER NOT NULL
) STRICT;
INSERT INTO "borrowed" VALUES(1,1,135000,1,23500);
CREATE TABLE borrowing (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    chamber INTEGER NOT NULL REFERENCES chamber,
    probe TEXT NOT NULL,
    for_ms INTEGER,                 -- NULL: it ended
    note TEXT NOT NULL
) STRICT;
INSERT INTO "borrowing" VALUES(1,1,100000,1,'28-0316a2790007',432000000,'for a week');
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
INSERT INTO "probe_check" VALUES(1,1,100000,'28-0316a2795a1f','ice point',-62,30,0,'crushed ice, two readings');
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
INSERT INTO "reference" VALUES(1,1,100000,1,'middle',24800,20,'base depth, digital','on',0,'{"substrate_c":29.4,"room_c":11.2,"lagged_substrate_c":29.38125,"lagged_room_c":11.46,"power_w":27.3,"steadiness_k":0.05,"hours":41.5,"steady":true,"why":"","room_lag_h":1.0,"substrate_lag_h":0.5,"memory_h":6.0,"estimate_c":25.0,"expanded_k":0.4,"calibrated":false,"probes":{"substrate":"28-0316a2795a1f","room":"28-0316a279b33c"},"corrections_k":{"substrate":-0.06,"room":0.0}}');
INSERT INTO "reference" VALUES(2,1,100000,1,'middle',31000,20,'lay on the mat','on',0,'{"substrate_c":29.4,"room_c":11.2,"lagged_substrate_c":29.38125,"lagged_room_c":11.46,"power_w":27.3,"steadiness_k":0.05,"hours":41.5,"steady":true,"why":"","room_lag_h":1.0,"substrate_lag_h":0.5,"memory_h":6.0,"estimate_c":25.0,"expanded_k":0.4,"calibrated":false,"probes":{"substrate":"28-0316a2795a1f","room":"28-0316a279b33c"},"corrections_k":{"substrate":-0.06,"room":0.0}}');
CREATE TABLE reference_drop (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run,
    t_ms INTEGER NOT NULL,
    reference INTEGER NOT NULL REFERENCES reference,
    note TEXT NOT NULL
) STRICT;
INSERT INTO "reference_drop" VALUES(1,1,100000,2,'lay on the mat');
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
INSERT INTO "run" VALUES(1,'11bafb7140941728','boot-1','0.1.0',100000,140000,15,0);
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
INSERT INTO "season_entry" VALUES(1,1,100000,'MUL-1','north-bench','add','{"species":"mulberry","kind":"cuttings","count":120,"made_ms":1768550000000}','',1768550000000,'command',NULL);
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
    note TEXT NOT NULL,
    for_ms INTEGER,                 -- how long it was to last; NULL where that was not kept
    lid TEXT                        -- how the lid lies from then on; NULL: not said, as before
) STRICT;
INSERT INTO "tending" VALUES(1,1,100000,1,'look','2 l, lukewarm',1800000,'ajar');
CREATE VIEW sample_row AS
SELECT sample.id AS id, run, base_ms + t_ms AS t_ms, chamber.name AS chamber,
       substrate_mc, substrate_2_mc, room_mc, mat_mc, callus_mc, top_mc, faults,
       estimate_mc, expanded_ck, setpoint_mc, substrate_setpoint_mc, duty_pm,
       heat, condition, closings
FROM sample CROSS JOIN state ON state.id = sample.state
     CROSS JOIN chamber ON chamber.id = state.chamber;
COMMIT;
-- ring: {"boot_id": "boot-1", "version": "0.1.0", "began_ms": 100000, "wall_ms": 1768550000000, "synchronised": true, "layout": 1, "key": "11bafb7140941728"}
-- ring: ["s",1,110000,"north-bench",[29400,null,11200,43800,null,null],"",25000,40,25000,29400,580,1,"HOLDING",0]
-- ring: ["s",2,120000,"north-bench",[29400,null,11200,43800,null,null],"",25000,40,25000,29400,580,1,"HOLDING",0]
-- ring: ["s",3,130000,"north-bench",[29400,null,11200,43800,null,null],"",25000,40,25000,29400,580,1,"HOLDING",1]
-- ring: ["s",4,140000,"north-bench",[29400,null,11200,43800,null,null],"",25000,40,25000,29400,580,1,"HOLDING",1]
-- ring: ["e",5,140000,null,"log",null,1,"first run"]
-- ring: ["t",6,100000,"north-bench","look","2 l, lukewarm",1800000,"ajar"]
-- ring: ["r",7,100000,"north-bench","middle",24800,20,"base depth, digital","on",0,"{\"substrate_c\":29.4,\"room_c\":11.2,\"lagged_substrate_c\":29.38125,\"lagged_room_c\":11.46,\"power_w\":27.3,\"steadiness_k\":0.05,\"hours\":41.5,\"steady\":true,\"why\":\"\",\"room_lag_h\":1.0,\"substrate_lag_h\":0.5,\"memory_h\":6.0,\"estimate_c\":25.0,\"expanded_k\":0.4,\"calibrated\":false,\"probes\":{\"substrate\":\"28-0316a2795a1f\",\"room\":\"28-0316a279b33c\"},\"corrections_k\":{\"substrate\":-0.06,\"room\":0.0}}"]
-- ring: ["r",9,100000,"north-bench","middle",31000,20,"lay on the mat","on",0,"{\"substrate_c\":29.4,\"room_c\":11.2,\"lagged_substrate_c\":29.38125,\"lagged_room_c\":11.46,\"power_w\":27.3,\"steadiness_k\":0.05,\"hours\":41.5,\"steady\":true,\"why\":\"\",\"room_lag_h\":1.0,\"substrate_lag_h\":0.5,\"memory_h\":6.0,\"estimate_c\":25.0,\"expanded_k\":0.4,\"calibrated\":false,\"probes\":{\"substrate\":\"28-0316a2795a1f\",\"room\":\"28-0316a279b33c\"},\"corrections_k\":{\"substrate\":-0.06,\"room\":0.0}}"]
-- ring: ["d",11,100000,2,"lay on the mat"]
-- ring: ["p",12,100000,"28-0316a2795a1f","ice point",-62,30,0,"crushed ice, two readings"]
-- ring: ["b",13,100000,"north-bench","28-0316a2790007",432000000,"for a week"]
-- ring: ["m",14,135000,"north-bench",23500]
-- ring: ["l",15,100000,"MUL-1","north-bench","add","{\"species\":\"mulberry\",\"kind\":\"cuttings\",\"count\":120,\"made_ms\":1768550000000}","",1768550000000,"command",null,1]
-- ring: ["t",16,100000,"south-bench","fill","",600000,"off"]
-- ring: ["r",17,100000,"south-bench","corner",21500,null,"glass","on",0,"{\"substrate_c\":29.4,\"room_c\":11.2,\"lagged_substrate_c\":29.38125,\"lagged_room_c\":11.46,\"power_w\":27.3,\"steadiness_k\":0.05,\"hours\":41.5,\"steady\":true,\"why\":\"\",\"room_lag_h\":1.0,\"substrate_lag_h\":0.5,\"memory_h\":6.0,\"estimate_c\":25.0,\"expanded_k\":0.4,\"calibrated\":false,\"probes\":{\"substrate\":\"28-0316a2795a1f\",\"room\":\"28-0316a279b33c\"},\"corrections_k\":{\"substrate\":-0.06,\"room\":0.0}}"]
-- ring: ["d",18,100000,1,"no: the lid was ajar"]
-- ring: ["b",19,100000,"north-bench","28-0316a2790007",null,""]
-- ring: ["l",20,100000,"MUL-1",null,"look","{\"saw\":\"callus\"}","white rims",null,"command",null,2]
