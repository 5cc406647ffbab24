-- What one `muffle measure` had to do, kept before its first run begins, so that `--resume` goes on with all of it also
-- after a kill.

CREATE TABLE batch (
    -- The id is a ULID.
    id              TEXT NOT NULL PRIMARY KEY CHECK (length(id) = 26),
    station         TEXT NOT NULL,
    plan_sha        TEXT NOT NULL REFERENCES snapshot (sha256),
    items           TEXT NOT NULL CHECK (json_type(items) = 'array'),
    fresh_reference INTEGER NOT NULL CHECK (fresh_reference IN (0, 1)),
    operator        TEXT,
    made            TEXT NOT NULL,
    -- When all of it was done.
    ended           TEXT
) STRICT, WITHOUT ROWID;

CREATE TABLE batch_run (
    -- The runs it has begun, in order.
    batch TEXT NOT NULL REFERENCES batch (id),
    seq   INTEGER NOT NULL,
    run   TEXT NOT NULL REFERENCES run (id),
    PRIMARY KEY (batch, seq)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX batch_by_run ON batch_run (run);
