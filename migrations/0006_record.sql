-- The scheduled arrangement: a recorder in the closed item and the source outside follow one timetable, each
-- by its own clock and into its own file. What the recorder keeps is a recording, what the source keeps a
-- pass; when both are laid on each other, the holds that count become readings of the pass's run. Seconds
-- count from `began` of the same row's recording or pass, by the clock of whoever wrote it.

CREATE TABLE recording (
    -- What a recorder saw between two markers. `schedule` is the SHA-256 of the timetable it followed.
    id       TEXT NOT NULL PRIMARY KEY CHECK (length(id) = 26),
    schedule TEXT NOT NULL CHECK (length(schedule) = 64),
    kind     TEXT NOT NULL CHECK (kind IN ('reference', 'item')),
    -- Who the receiver said it was.
    receiver TEXT NOT NULL,
    began    TEXT NOT NULL,
    -- Levels at the marker's frequency, as JSON; the second marker's are absent where it was cut off.
    start_marker TEXT NOT NULL CHECK (json_valid(start_marker)),
    end_marker   TEXT CHECK (json_valid(end_marker))
) STRICT;
CREATE INDEX recording_by_schedule ON recording (schedule, began);

CREATE TABLE hold (
    -- One held trace of a recording, as the receiver gave it; columns as in table trace.
    recording    TEXT NOT NULL REFERENCES recording (id),
    seq          INTEGER NOT NULL CHECK (seq > 0),
    frequency_hz REAL NOT NULL CHECK (frequency_hz > 0),
    from_s       REAL NOT NULL,
    until_s      REAL NOT NULL CHECK (until_s >= from_s),
    overload     INTEGER NOT NULL CHECK (overload IN (0, 1)),
    start_hz     REAL NOT NULL,
    stop_hz      REAL NOT NULL,
    points       INTEGER NOT NULL CHECK (points > 0),
    encoding     TEXT NOT NULL CHECK (encoding IN ('f32le', 'f64le')),
    unit         TEXT NOT NULL,
    sha256       BLOB NOT NULL CHECK (length(sha256) = 32),
    data         BLOB NOT NULL,
    PRIMARY KEY (recording, seq),
    CHECK (length(data) = points * CASE encoding WHEN 'f32le' THEN 4 ELSE 8 END)
) STRICT;

CREATE TABLE pass (
    -- The source's way through a timetable, at one stand of a run.
    id           TEXT NOT NULL PRIMARY KEY CHECK (length(id) = 26),
    run          TEXT NOT NULL REFERENCES run (id),
    schedule     TEXT NOT NULL CHECK (length(schedule) = 64),
    face         TEXT NOT NULL,
    polarisation TEXT NOT NULL,
    repeat       INTEGER NOT NULL,
    began        TEXT NOT NULL,
    -- When all was sent; a pass that was cut off has none, and counts for nothing.
    ended        TEXT,
    -- The recording merged with it, and how the clocks were laid on each other. A recording serves once.
    recording    TEXT UNIQUE,
    merged       TEXT CHECK (json_valid(merged)),
    CHECK ((recording IS NULL) = (merged IS NULL))
) STRICT;
CREATE INDEX pass_by_run ON pass (run, began);

CREATE TABLE sending (
    -- When an emission of a pass was surely off, surely on, surely on until, and surely off again.
    pass         TEXT NOT NULL REFERENCES pass (id),
    seq          INTEGER NOT NULL CHECK (seq > 0),
    what         TEXT NOT NULL CHECK (what IN ('start', 'signal', 'step', 'end')),
    frequency_hz REAL NOT NULL CHECK (frequency_hz > 0),
    level_dbm    REAL NOT NULL,
    before_s     REAL NOT NULL,
    on_s         REAL NOT NULL,
    off_s        REAL NOT NULL,
    after_s      REAL NOT NULL,
    PRIMARY KEY (pass, seq),
    CHECK (before_s <= on_s AND on_s <= off_s AND off_s <= after_s)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER recording_is_only_closed BEFORE UPDATE ON recording
WHEN OLD.end_marker IS NOT NULL
    OR (NEW.id, NEW.schedule, NEW.kind, NEW.receiver, NEW.began, NEW.start_marker)
        IS NOT (OLD.id, OLD.schedule, OLD.kind, OLD.receiver, OLD.began, OLD.start_marker)
BEGIN SELECT RAISE(ABORT, 'a recording is only closed, once'); END;
CREATE TRIGGER recording_is_never_removed BEFORE DELETE ON recording
BEGIN SELECT RAISE(ABORT, 'recordings are never removed'); END;
CREATE TRIGGER hold_is_never_changed BEFORE UPDATE ON hold
BEGIN SELECT RAISE(ABORT, 'traces are never changed'); END;
CREATE TRIGGER hold_is_never_removed BEFORE DELETE ON hold
BEGIN SELECT RAISE(ABORT, 'traces are never removed'); END;
CREATE TRIGGER sending_is_never_changed BEFORE UPDATE ON sending
BEGIN SELECT RAISE(ABORT, 'sendings are never changed'); END;
CREATE TRIGGER sending_is_never_removed BEFORE DELETE ON sending
BEGIN SELECT RAISE(ABORT, 'sendings are never removed'); END;
