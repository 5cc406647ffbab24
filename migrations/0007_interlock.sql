CREATE TABLE interlock (
    -- Every change of a station's interlock contact, in order. An emission that was stopped by it says so in
    -- `how_ended`.
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    at      TEXT NOT NULL,
    station TEXT NOT NULL,
    state   TEXT NOT NULL CHECK (state IN ('closed', 'open')),
    -- What was seen: the contact itself, or why it could not be read.
    reason  TEXT NOT NULL
) STRICT;
CREATE INDEX interlock_by_station ON interlock (station, id);

CREATE TRIGGER interlock_is_never_changed BEFORE UPDATE ON interlock
BEGIN SELECT RAISE(ABORT, 'the interlock log is never changed'); END;
CREATE TRIGGER interlock_is_never_removed BEFORE DELETE ON interlock
BEGIN SELECT RAISE(ABORT, 'the interlock log is never shortened'); END;
