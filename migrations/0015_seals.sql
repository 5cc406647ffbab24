-- Complete runs are sealed: a digest over all their rows, chained to the seal before it. Runs from before are sealed by
-- the program when it migrates the file, and their seals say so.

CREATE TABLE origin (
    -- This file's own name in the chain of its seals, drawn at random, and the last seal it made by it. A copy of the
    -- file has the same name. There is a second name only where that last seal was gone: then a new chain begins.
    number INTEGER PRIMARY KEY,
    id     TEXT NOT NULL UNIQUE CHECK (length(id) = 32),
    head   BLOB REFERENCES seal (sha256)
) STRICT;

CREATE TABLE seal (
    -- Of a complete run. What may change afterwards (results computed anew, withdrawing) appends a seal with its reason;
    -- the one with the highest generation says how the run is.
    -- SHA-256 over all other columns.
    sha256     BLOB NOT NULL PRIMARY KEY CHECK (length(sha256) = 32),
    run        TEXT NOT NULL REFERENCES run (id),
    generation INTEGER NOT NULL CHECK (generation > 0),
    reason     TEXT NOT NULL,
    made       TEXT NOT NULL,
    -- How the rows were put together for the digests.
    format     INTEGER NOT NULL CHECK (format > 0),
    -- SHA-256 of what never changes, 32 bytes each: the run, its drivers, readings, traces (axis, unit, encoding and
    -- checksum), transmissions, recordings.
    facts      BLOB NOT NULL,
    -- SHA-256 of what may be amended: verdict and withdrawal, names of files, cycles, results, emissions.
    derived    BLOB NOT NULL,
    -- The file that made it, its number there, and the seal before it there.
    origin     TEXT NOT NULL CHECK (length(origin) = 32),
    number     INTEGER NOT NULL CHECK (number > 0),
    previous   BLOB REFERENCES seal (sha256),
    CHECK ((number = 1) = (previous IS NULL))
) STRICT, WITHOUT ROWID;
INSERT INTO origin (id, head) VALUES (lower(hex(randomblob(16))), NULL);
CREATE INDEX seal_by_run ON seal (run, generation);

CREATE TRIGGER seal_is_never_changed BEFORE UPDATE ON seal
BEGIN SELECT RAISE(ABORT, 'seals are never changed'); END;
CREATE TRIGGER seal_is_never_removed BEFORE DELETE ON seal
BEGIN SELECT RAISE(ABORT, 'seals are never removed'); END;

-- What is left of a trace that was moved says its axis, unit and encoding too; null in marks from before.
ALTER TABLE moved_trace ADD COLUMN start_hz REAL;
ALTER TABLE moved_trace ADD COLUMN stop_hz REAL;
ALTER TABLE moved_trace ADD COLUMN encoding TEXT;
ALTER TABLE moved_trace ADD COLUMN unit TEXT;
