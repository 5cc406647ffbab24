-- Two more kinds of reading. Only a check changes and nothing on the disk, so that ten million rows need not
-- be written anew (the shorter procedure of SQLite's ALTER TABLE page). The view brings a new schema version
-- with it, by which other connections notice.
PRAGMA writable_schema = ON;
UPDATE sqlite_schema SET sql = replace(sql,
'    -- floor: source off; signal: source on; step: source on, a step lower, to see what compresses.
    kind         TEXT NOT NULL CHECK (kind IN (''floor'', ''signal'', ''step'')),',
'    -- floor: source off; signal: source on; step: source on, a step lower, to see what compresses; pad: source
    -- on, a step more attenuation at the receiver, to see who compresses; ambient: source off, where another
    -- signal stood, so that the others were taken beside it (settings: measured_hz).
    kind         TEXT NOT NULL CHECK (kind IN (''floor'', ''signal'', ''step'', ''pad'', ''ambient'')),')
WHERE type = 'table' AND name = 'reading';
PRAGMA writable_schema = RESET;

CREATE VIEW moved AS
    -- Points that were measured beside the frequency asked for, because another signal stood there.
    SELECT run, frequency_hz / 1e6 AS frequency_mhz, polarisation,
        json_extract(settings, '$.measured_hz') / 1e6 AS measured_mhz
    FROM reading WHERE kind = 'signal' AND json_extract(settings, '$.measured_hz') IS NOT NULL;
