-- The first schema. Levels are dBm, ratios dB, frequencies Hz, times RFC 3339 UTC with milliseconds
-- (text: it sorts, and a person with only the sqlite3 shell can read it). Lists and free-form parts are
-- JSON. Comments stand inside the statements so that `.schema` in the shell shows them.

-- "mufl": tells our file from another program's.
PRAGMA application_id = 1836410476;

CREATE TABLE snapshot (
    -- Station, plan and driver files word for word as they were; named by the SHA-256 of the text.
    sha256 TEXT NOT NULL PRIMARY KEY CHECK (length(sha256) = 64),
    kind   TEXT NOT NULL CHECK (kind IN ('station', 'plan', 'driver')),
    name   TEXT NOT NULL,
    text   TEXT NOT NULL
) STRICT;

CREATE TABLE lot (
    -- Units of one model made together.
    name       TEXT NOT NULL PRIMARY KEY CHECK (name <> ''),
    model      TEXT,
    note       TEXT,
    first_seen TEXT NOT NULL
) STRICT;

CREATE TABLE item (
    -- The things tested, as last described; a run keeps the model and lot it was started with.
    serial       TEXT NOT NULL PRIMARY KEY CHECK (serial <> ''),
    model        TEXT,
    lot          TEXT REFERENCES lot (name),
    size         TEXT,
    construction TEXT,
    note         TEXT,
    first_seen   TEXT NOT NULL
) STRICT;
CREATE INDEX item_by_lot ON item (lot);
CREATE INDEX item_by_model ON item (model);

CREATE TABLE run (
    -- One measuring of one item, or of the open path (kind 'reference'). The id is a ULID: unique over all
    -- stations, sorting by start.
    id              TEXT NOT NULL PRIMARY KEY CHECK (length(id) = 26),
    kind            TEXT NOT NULL CHECK (kind IN ('reference', 'item')),
    item            TEXT REFERENCES item (serial),
    model           TEXT,
    lot             TEXT,
    plan_sha        TEXT NOT NULL REFERENCES snapshot (sha256),
    station_sha     TEXT NOT NULL REFERENCES snapshot (sha256),
    reference_run   TEXT REFERENCES run (id),
    -- The reference measured again afterwards, where the plan brackets.
    reference_after TEXT REFERENCES run (id),
    -- Hash of whatever a reference must share with a run that uses it.
    signature       TEXT NOT NULL,
    operator        TEXT,
    started         TEXT NOT NULL,
    -- When it became complete.
    finished        TEXT,
    state           TEXT NOT NULL CHECK (state IN ('running', 'stopped', 'complete', 'failed')),
    reason          TEXT,
    verdict         TEXT CHECK (verdict IN ('pass', 'fail', 'undecided')),
    note            TEXT,
    program_version TEXT NOT NULL,
    CHECK ((kind = 'item') = (item IS NOT NULL)),
    CHECK ((state = 'complete') = (finished IS NOT NULL))
) STRICT;
-- With the id, and unique by it, each yields "newest first" with nothing left to sort: the first page of ten
-- years' results then costs no more than that of a day's.
CREATE UNIQUE INDEX run_by_started ON run (started, id);
CREATE UNIQUE INDEX run_by_item ON run (item, started, id);
CREATE UNIQUE INDEX run_by_lot ON run (lot, started, id);
CREATE UNIQUE INDEX run_by_model ON run (model, started, id);
CREATE UNIQUE INDEX run_reusable_reference ON run (signature, started, id)
    WHERE kind = 'reference' AND state = 'complete';

CREATE TABLE run_snapshot (
    -- The driver files a run was made with.
    run    TEXT NOT NULL REFERENCES run (id),
    sha256 TEXT NOT NULL REFERENCES snapshot (sha256),
    PRIMARY KEY (run, sha256)
) STRICT, WITHOUT ROWID;

CREATE TABLE reading (
    -- The peak as picked from a trace when it was taken. Never changed, never removed.
    run          TEXT NOT NULL REFERENCES run (id),
    seq          INTEGER NOT NULL CHECK (seq > 0),
    -- floor: source off; signal: source on; step: source on, a step lower, to see what compresses.
    kind         TEXT NOT NULL CHECK (kind IN ('floor', 'signal', 'step')),
    frequency_hz REAL NOT NULL CHECK (frequency_hz > 0),
    face         TEXT NOT NULL,
    polarisation TEXT NOT NULL,
    repeat       INTEGER NOT NULL,
    -- How many tries it took (1: the first).
    attempt      INTEGER NOT NULL,
    taken        TEXT NOT NULL,
    -- Sweeps over which the peak was held.
    sweeps       INTEGER NOT NULL,
    peak_dbm     REAL NOT NULL,
    peak_hz      REAL NOT NULL,
    flags        TEXT NOT NULL CHECK (json_type(flags) = 'array'),
    settings     TEXT NOT NULL CHECK (json_valid(settings)),
    PRIMARY KEY (run, seq),
    UNIQUE (run, kind, frequency_hz, face, polarisation, repeat)
) STRICT, WITHOUT ROWID;

CREATE TABLE trace (
    -- Levels over frequency as the receiver gave them: `points` numbers, evenly spaced from start to stop,
    -- little-endian, 4 or 8 bytes each, bit for bit. sha256 is over data alone, so that
    -- `sha256sum` can check what `writefile('t.bin', data)` in the sqlite3 shell wrote.
    -- Has a rowid, unlike its neighbours: blobs this long overflow the pages of a WITHOUT ROWID table.
    run      TEXT NOT NULL,
    seq      INTEGER NOT NULL,
    start_hz REAL NOT NULL,
    stop_hz  REAL NOT NULL,
    points   INTEGER NOT NULL CHECK (points > 0),
    encoding TEXT NOT NULL CHECK (encoding IN ('f32le', 'f64le')),
    unit     TEXT NOT NULL,
    sha256   BLOB NOT NULL CHECK (length(sha256) = 32),
    data     BLOB NOT NULL,
    PRIMARY KEY (run, seq),
    FOREIGN KEY (run, seq) REFERENCES reading (run, seq),
    CHECK (length(data) = points * CASE encoding WHEN 'f32le' THEN 4 ELSE 8 END)
) STRICT;

CREATE TRIGGER reading_is_never_changed BEFORE UPDATE ON reading
BEGIN SELECT RAISE(ABORT, 'readings are never changed'); END;
CREATE TRIGGER reading_is_never_removed BEFORE DELETE ON reading
BEGIN SELECT RAISE(ABORT, 'readings are never removed'); END;
CREATE TRIGGER trace_is_never_changed BEFORE UPDATE ON trace
BEGIN SELECT RAISE(ABORT, 'traces are never changed'); END;
CREATE TRIGGER trace_is_never_removed BEFORE DELETE ON trace
BEGIN SELECT RAISE(ABORT, 'traces are never removed'); END;

CREATE TABLE result (
    -- What follows from the readings. Derived: may be recomputed; a newer analysis adds rows beside the older.
    -- The key begins with run and frequency, so that `run_by_item` and it answer "this item at these
    -- frequencies" with no further index.
    run           TEXT NOT NULL REFERENCES run (id),
    frequency_hz  REAL NOT NULL CHECK (frequency_hz > 0),
    face          TEXT NOT NULL,
    polarisation  TEXT NOT NULL,
    repeat        INTEGER NOT NULL,
    analysis      INTEGER NOT NULL CHECK (analysis > 0),
    -- 'measured'; 'at_least': se_db is a lower bound; 'none': nothing can be said.
    kind          TEXT NOT NULL CHECK (kind IN ('measured', 'at_least', 'none')),
    se_db         REAL,
    -- Expanded uncertainty with coverage factor k.
    u_db          REAL,
    k             REAL,
    limit_db      REAL,
    margin_db     REAL,
    verdict       TEXT CHECK (verdict IN ('pass', 'fail', 'undecided')),
    -- Probability that the true SE is not below the limit.
    conformity    REAL CHECK (conformity BETWEEN 0 AND 1),
    reference_dbm REAL,
    level_dbm     REAL,
    floor_dbm     REAL,
    flags         TEXT NOT NULL CHECK (json_type(flags) = 'array'),
    made          TEXT NOT NULL,
    detail        TEXT NOT NULL CHECK (json_valid(detail)),
    PRIMARY KEY (run, frequency_hz, face, polarisation, repeat, analysis),
    CHECK ((kind = 'none') = (se_db IS NULL))
) STRICT, WITHOUT ROWID;

CREATE TABLE emission (
    -- Every time the output was on: written before it goes on, closed when it is off. An open row after a
    -- crash means that the source may still be on.
    id           TEXT NOT NULL PRIMARY KEY CHECK (length(id) = 26),
    run          TEXT REFERENCES run (id),
    station      TEXT NOT NULL,
    frequency_hz REAL NOT NULL CHECK (frequency_hz > 0),
    -- At the source, and at the antenna's feed where that is known.
    level_dbm    REAL NOT NULL,
    radiated_dbm REAL,
    why          TEXT NOT NULL,
    began        TEXT NOT NULL,
    ended        TEXT,
    how_ended    TEXT,
    CHECK ((ended IS NULL) = (how_ended IS NULL))
) STRICT;
CREATE INDEX emission_by_run ON emission (run);
CREATE INDEX emission_by_began ON emission (began);
CREATE INDEX emission_open ON emission (station) WHERE ended IS NULL;

CREATE TRIGGER emission_is_only_closed BEFORE UPDATE ON emission
WHEN OLD.ended IS NOT NULL
    OR (NEW.id, NEW.station, NEW.frequency_hz, NEW.level_dbm, NEW.why, NEW.began)
        IS NOT (OLD.id, OLD.station, OLD.frequency_hz, OLD.level_dbm, OLD.why, OLD.began)
    OR NEW.run IS NOT OLD.run
    OR NEW.radiated_dbm IS NOT OLD.radiated_dbm
BEGIN SELECT RAISE(ABORT, 'an emission is only closed, once'); END;
CREATE TRIGGER emission_is_never_removed BEFORE DELETE ON emission
BEGIN SELECT RAISE(ABORT, 'emissions are never removed'); END;

CREATE VIEW se AS
    -- Shielding effectiveness, newest analysis of every point, ready to read:
    --   SELECT se_text FROM se WHERE serial = 'P-0042' AND frequency_mhz BETWEEN 100 AND 300;
    -- A lower bound is written with its sign and rounded down, never up.
    SELECT run.item AS serial, run.model, run.lot,
        r.frequency_hz / 1e6 AS frequency_mhz, r.face, r.polarisation, r.repeat,
        CASE r.kind
            WHEN 'measured' THEN printf('%.1f', r.se_db)
            WHEN 'at_least' THEN '≥ ' || printf('%.1f', r.se_db - 0.0499)
            ELSE '—'
        END AS se_text,
        r.se_db, r.kind, r.u_db, r.limit_db, r.margin_db, r.verdict,
        r.run, run.started
    FROM run JOIN result r ON r.run = run.id
    WHERE run.kind = 'item' AND r.analysis = (
        SELECT max(n.analysis) FROM result n
        WHERE n.run = r.run AND n.frequency_hz = r.frequency_hz AND n.face = r.face
            AND n.polarisation = r.polarisation AND n.repeat = r.repeat);

CREATE VIEW worst AS
    -- The point that decides each run: the smallest margin to the limit, or without a limit the smallest SE.
    --   SELECT * FROM worst WHERE lot = 'L-7' ORDER BY margin_db;
    SELECT serial, model, lot, frequency_mhz, face, polarisation, repeat, se_text, se_db, kind, u_db,
        limit_db, margin_db, verdict, run, started
    FROM (
        -- Every column here belongs to the run, so that a question about one item reads only its runs.
        SELECT *, row_number() OVER (
            PARTITION BY run, serial, model, lot, started
            ORDER BY margin_db NULLS LAST, se_db NULLS LAST, frequency_mhz, face, polarisation, repeat) AS place
        FROM se)
    WHERE place = 1;

CREATE VIEW emissions AS
    -- The emission log, newest first; duration_s is empty while the output is (or may still be) on.
    SELECT began, ended, round((julianday(ended) - julianday(began)) * 86400.0, 3) AS duration_s,
        station, frequency_hz / 1e6 AS frequency_mhz, level_dbm, radiated_dbm, why, how_ended, run, id
    FROM emission ORDER BY began DESC;
