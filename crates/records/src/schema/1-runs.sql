-- Version 1: runs, what was observed in them, how they ended, what was computed from them.
-- Every table only grows. A record that could be altered afterwards would prove nothing.

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

-- INSERT OR REPLACE deletes without firing the delete triggers, so it is stopped before it starts.
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

-- What ended, ended.
CREATE TRIGGER observation_after_ending BEFORE INSERT ON observation
WHEN EXISTS (SELECT 1 FROM ending WHERE run = NEW.run)
BEGIN SELECT RAISE(ABORT, 'a run that ended takes no more observations'); END;
