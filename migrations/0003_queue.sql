-- What is to be measured when, who was asked to lend a hand, what has happened, and who may ask over HTTP.

CREATE TABLE job (
    -- One entry of a station's queue. A repeating job makes its successor when it ends. The id is a ULID.
    id              TEXT NOT NULL PRIMARY KEY CHECK (length(id) = 26),
    station         TEXT NOT NULL CHECK (station <> ''),
    -- items: a reference if need be, then the items. check_item: the same, of the check item. reference: the
    -- open path alone. rest: what `rest_of` lacks.
    kind            TEXT NOT NULL CHECK (kind IN ('items', 'reference', 'rest', 'check_item')),
    plan_sha        TEXT REFERENCES snapshot (sha256),
    rest_of         TEXT REFERENCES run (id),
    items           TEXT NOT NULL CHECK (json_type(items) = 'array'),
    fresh_reference INTEGER NOT NULL CHECK (fresh_reference IN (0, 1)),
    -- The item stays where it was put between repeats: nobody is asked to place it again.
    stays           INTEGER NOT NULL CHECK (stays IN (0, 1)),
    operator        TEXT,
    -- The highest goes first; among equals the one made first.
    priority        INTEGER NOT NULL,
    not_before      TEXT,
    -- When it comes again, as JSON; null: never.
    repeat          TEXT CHECK (repeat IS NULL OR json_valid(repeat)),
    -- Which repeat this is, from 1, and the job it follows.
    number          INTEGER NOT NULL CHECK (number > 0),
    follows         TEXT REFERENCES job (id),
    state           TEXT NOT NULL CHECK (state IN ('waiting', 'running', 'held', 'paused', 'done', 'failed', 'cancelled')),
    reason          TEXT,
    -- What somebody asked of a job that was running or held, until the station has seen to it.
    wanted          TEXT CHECK (wanted IN ('pause', 'cancel')),
    -- How often it was begun.
    attempt         INTEGER NOT NULL,
    made            TEXT NOT NULL,
    started         TEXT,
    ended           TEXT,
    CHECK ((kind = 'rest') = (rest_of IS NOT NULL)),
    CHECK ((kind = 'rest') = (plan_sha IS NULL))
) STRICT;
CREATE INDEX job_open ON job (station, priority DESC, id) WHERE ended IS NULL;
CREATE INDEX job_by_station ON job (station, id);

CREATE TABLE job_run (
    -- The runs a job has begun or gone on with, in order.
    job TEXT NOT NULL REFERENCES job (id),
    seq INTEGER NOT NULL,
    run TEXT NOT NULL REFERENCES run (id),
    PRIMARY KEY (job, seq),
    UNIQUE (job, run)
) STRICT, WITHOUT ROWID;
CREATE INDEX job_by_run ON job_run (run);

CREATE TABLE queue (
    -- Stations whose queue is paused; a station without a row is not.
    station TEXT NOT NULL PRIMARY KEY,
    reason  TEXT NOT NULL,
    since   TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE prompt (
    -- Something a person is asked to do at a station.
    id       TEXT NOT NULL PRIMARY KEY CHECK (length(id) = 26),
    station  TEXT NOT NULL,
    job      TEXT NOT NULL REFERENCES job (id),
    text     TEXT NOT NULL,
    since    TEXT NOT NULL,
    until    TEXT NOT NULL,
    -- done, stop; expired: nobody answered in time; withdrawn: it was no longer wanted.
    answer   TEXT CHECK (answer IN ('done', 'stop', 'expired', 'withdrawn')),
    answered TEXT,
    who      TEXT,
    CHECK ((answer IS NULL) = (answered IS NULL))
) STRICT;
CREATE INDEX prompt_open ON prompt (station) WHERE answer IS NULL;

CREATE TABLE event (
    -- What has happened, in the order it was committed. Ids are never used again, so that a client who says
    -- which was its last misses nothing. Old ones are removed, but never those of a job that is not ended.
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    at      TEXT NOT NULL,
    station TEXT NOT NULL,
    job     TEXT,
    run     TEXT,
    kind    TEXT NOT NULL,
    body    TEXT NOT NULL CHECK (json_valid(body))
) STRICT;
CREATE INDEX event_by_station ON event (station, id);
CREATE INDEX event_by_job ON event (job);

CREATE TABLE token (
    -- Who may ask over HTTP. The hash is the SHA-256 of 256 random bits: nothing to guess, so nothing to slow down.
    name    TEXT NOT NULL PRIMARY KEY CHECK (name <> ''),
    hash    TEXT NOT NULL UNIQUE CHECK (length(hash) = 64),
    scope   TEXT NOT NULL CHECK (scope IN ('read', 'operate')),
    made    TEXT NOT NULL,
    revoked TEXT
) STRICT;
