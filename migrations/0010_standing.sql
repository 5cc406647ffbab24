-- What stands at a station, so that a daemon that was ended asks nobody again for what stays; and what a prompt asks.

CREATE TABLE standing (
    -- What stands before the antenna by what somebody said last, as JSON; no row where nobody knows.
    station   TEXT NOT NULL PRIMARY KEY,
    placement TEXT NOT NULL CHECK (json_valid(placement)),
    since     TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- place: to place, open or close something. come: to come to the station, which may transmit until then.
ALTER TABLE prompt ADD COLUMN asks TEXT NOT NULL DEFAULT 'place' CHECK (asks IN ('place', 'come'));
