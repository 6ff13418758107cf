-- A store as version 1 of the format left it: one run that ended, one that did not.
-- Frozen: it stands for files that are out there, so it is never changed together with the program.

PRAGMA application_id = 0x4E526967;
PRAGMA user_version = 1;
PRAGMA journal_mode = WAL;

CREATE TABLE run (
    id      INTEGER PRIMARY KEY,
    label   TEXT NOT NULL,
    started TEXT NOT NULL,
    head    TEXT NOT NULL
) STRICT;

CREATE TABLE observation (
    run  INTEGER NOT NULL REFERENCES run (id),
    seq  INTEGER NOT NULL,
    data TEXT NOT NULL,
    PRIMARY KEY (run, seq)
) STRICT;

CREATE TABLE ending (
    run      INTEGER PRIMARY KEY REFERENCES run (id),
    outcome  TEXT NOT NULL CHECK (outcome IN ('result', 'refused', 'failed', 'interrupted')),
    warnings TEXT NOT NULL
) STRICT;

CREATE TABLE result (
    id              INTEGER PRIMARY KEY,
    run             INTEGER NOT NULL REFERENCES run (id),
    program_version TEXT NOT NULL,
    data            TEXT NOT NULL
) STRICT;

CREATE INDEX result_of_run ON result (run, id);

CREATE TRIGGER run_keep_update BEFORE UPDATE ON run
BEGIN SELECT RAISE(ABORT, 'a run is never altered'); END;
CREATE TRIGGER run_keep_delete BEFORE DELETE ON run
BEGIN SELECT RAISE(ABORT, 'a run is never deleted'); END;
CREATE TRIGGER observation_keep_update BEFORE UPDATE ON observation
BEGIN SELECT RAISE(ABORT, 'an observation is never altered'); END;
CREATE TRIGGER observation_keep_delete BEFORE DELETE ON observation
BEGIN SELECT RAISE(ABORT, 'an observation is never deleted'); END;
CREATE TRIGGER ending_keep_update BEFORE UPDATE ON ending
BEGIN SELECT RAISE(ABORT, 'an ending is never altered'); END;
CREATE TRIGGER ending_keep_delete BEFORE DELETE ON ending
BEGIN SELECT RAISE(ABORT, 'an ending is never deleted'); END;
CREATE TRIGGER result_keep_update BEFORE UPDATE ON result
BEGIN SELECT RAISE(ABORT, 'a result is never altered'); END;
CREATE TRIGGER result_keep_delete BEFORE DELETE ON result
BEGIN SELECT RAISE(ABORT, 'a result is never deleted'); END;

CREATE TRIGGER run_keep_replace BEFORE INSERT ON run
WHEN EXISTS (SELECT 1 FROM run WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'a run is never replaced'); END;
CREATE TRIGGER observation_keep_replace BEFORE INSERT ON observation
WHEN EXISTS (SELECT 1 FROM observation WHERE run = NEW.run AND seq = NEW.seq)
BEGIN SELECT RAISE(ABORT, 'an observation is never replaced'); END;
CREATE TRIGGER ending_keep_replace BEFORE INSERT ON ending
WHEN EXISTS (SELECT 1 FROM ending WHERE run = NEW.run)
BEGIN SELECT RAISE(ABORT, 'an ending is never replaced'); END;
CREATE TRIGGER result_keep_replace BEFORE INSERT ON result
WHEN EXISTS (SELECT 1 FROM result WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'a result is never replaced'); END;

CREATE TRIGGER observation_after_ending BEFORE INSERT ON observation
WHEN EXISTS (SELECT 1 FROM ending WHERE run = NEW.run)
BEGIN SELECT RAISE(ABORT, 'a run that ended takes no more observations'); END;

INSERT INTO run VALUES (1, 'old meter', '2026-11-25T20:00:00Z', '{"label":"old meter","rig_name":"bench","rig_text":"","statement":{"name":"bench","sense":[{"ohms":1000.0,"tolerance":0.0002}],"shunt":[],"contact":0.1,"thermal_emf":3e-6,"drop_input":1e10,"drop_meter":[],"loop_meter":[],"ambient":null,"slowest_period":4.0},"instruments":[["drop","MAKER,MODEL,1,2.3"]],"program_version":"0.1.0","seed":7,"simulated":true,"ambient":[22.5,0.5],"started":"2026-11-25T20:00:00Z","guarded_by":[],"notes":[]}');
INSERT INTO run SELECT 2, 'old meter, again', started, head FROM run WHERE id = 1;
INSERT INTO observation VALUES (1, 0, '{"seq":0,"at":0.25,"purpose":"zero_before","set":{"supply":0.0,"path":null,"series":3043000.0,"sense":null,"shunt":[10.0,20.0],"reversed":false,"connected":false},"loop_drop":null,"drop":{"value":1.1e-6,"s":2e-7,"n":10,"range":0.1},"supply":null,"needle":{"deflection":-0.001,"u":0.0005,"u_shared":0.001},"needle_s":0.0004,"sightings":8,"refused":[1,"glare"],"unsettled":0.0}');
INSERT INTO observation SELECT 2, seq, data FROM observation WHERE run = 1;
INSERT INTO result VALUES (1, 1, '0.1.0', '{"ohms":1987.5}');
INSERT INTO ending VALUES (1, 'result', '["scale marks are not confirmed"]');
