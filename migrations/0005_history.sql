-- History over many runs and years: rare results found without reading the others, words found in any text,
-- details kept packed, runs that were imported or withdrawn, and raw traces that were moved to a second file.

-- Results ------------------------------------------------------------------------------------------------

-- `detail` packed: a zlib stream (RFC 1950) of the JSON text, made with a preset dictionary; null in rows
-- written before, whose `detail` holds the text itself. The stream's header names its dictionary by checksum.
ALTER TABLE result ADD COLUMN packed BLOB;

-- 1: a newer analysis of the same point is there. Kept by the triggers, so that nobody need look for it.
ALTER TABLE result ADD COLUMN superseded INTEGER NOT NULL DEFAULT 0 CHECK (superseded IN (0, 1));
UPDATE result SET superseded = 1 WHERE EXISTS (SELECT 1 FROM result AS n
    WHERE n.run = result.run AND n.frequency_hz = result.frequency_hz AND n.face = result.face
        AND n.polarisation = result.polarisation AND n.repeat = result.repeat
        AND n.analysis > result.analysis);
CREATE TRIGGER result_supersedes AFTER INSERT ON result
WHEN EXISTS (SELECT 1 FROM result AS o
    WHERE o.run = NEW.run AND o.frequency_hz = NEW.frequency_hz AND o.face = NEW.face
        AND o.polarisation = NEW.polarisation AND o.repeat = NEW.repeat AND o.analysis <> NEW.analysis)
BEGIN
    UPDATE result SET superseded = (analysis < (SELECT max(n.analysis) FROM result AS n
        WHERE n.run = NEW.run AND n.frequency_hz = NEW.frequency_hz AND n.face = NEW.face
            AND n.polarisation = NEW.polarisation AND n.repeat = NEW.repeat))
    WHERE run = NEW.run AND frequency_hz = NEW.frequency_hz AND face = NEW.face
        AND polarisation = NEW.polarisation AND repeat = NEW.repeat;
END;

CREATE TABLE dictionary (
    -- What packed details were made with. In Python: zlib.decompressobj(zdict=text).decompress(packed)
    adler32 INTEGER NOT NULL PRIMARY KEY,
    text    BLOB NOT NULL
) STRICT;
INSERT INTO dictionary (adler32, text) VALUES (1067923658, CAST('{"figure":0.0,"word":"overload"},{"figure":0.0,"word":"level_clamped"},{"figure":0.0,"word":"stale_reference"},{"figure":0.0,"word":"reference_drift"},{"figure":0.0,"word":"compression"},{"figure":0.0,"word":"cannot_see_limit"},{"figure":0.0,"word":"negative_se"},{"figure":0.0,"word":"cavity_resonance"},{"figure":0.0,"word":"ambient"},{"figure":0.0,"word":"near_floor"},{"cause":"attenuator_step","distribution":"rectangular","dof":null,"origin":"default","u_db":0.5773502691896258,"value_db":1.0},{"cause":"ambient","distribution":"rectangular","dof":null,"origin":"measured","u_db":0.0,"value_db":0.0},{"cause":"item_noise","distribution":"normal","dof":null,"origin":"measured","u_db":0.0,"value_db":0.0}{"budget":{"combined_db":0.546936598754238,"components":[{"cause":"repeatability","distribution":"normal","dof":null,"origin":"station","u_db":0.3,"value_db":0.3},{"cause":"receiver_linearity","distribution":"rectangular","dof":null,"origin":"station","u_db":0.2886751345948129,"value_db":0.5},{"cause":"mismatch","distribution":"u_shaped","dof":null,"origin":"station","u_db":0.11168233429135413,"value_db":0.1579426718323188},{"cause":"source_drift","distribution":"rectangular","dof":null,"origin":"station","u_db":0.17320508075688773,"value_db":0.3},{"cause":"position","distribution":"rectangular","dof":null,"origin":"station","u_db":0.2886751345948129,"value_db":0.5},{"budget":{"combined_db":0.546936598754238,"components":[{"cause":"repeatability","distribution":"normal","dof":null,"origin":"default","u_db":0.5,"value_db":0.5},{"cause":"receiver_linearity","distribution":"rectangular","dof":null,"origin":"default","u_db":0.5773502691896258,"value_db":1.0},{"cause":"mismatch","distribution":"u_shaped","dof":null,"origin":"default","u_db":0.18476700192404483,"value_db":0.2613},{"cause":"source_drift","distribution":"rectangular","dof":null,"origin":"default","u_db":0.2886751345948129,"value_db":0.5},{"cause":"position","distribution":"rectangular","dof":null,"origin":"default","u_db":0.8660254037844387,"value_db":1.5},{"cause":"reference_noise","distribution":"normal","dof":null,"origin":"measured","u_db":0.0001,"value_db":0.0001},{"cause":"item_noise","distribution":"normal","dof":null,"origin":"measured","u_db":0.01,"value_db":0.01}],"dof":null,"expanded_db":1.0938745341666125,"k":2.000002443899603},"dynamic_range_db":78.,"flags":[{"figure":477.1345159236942,"word":"near_field"},{"figure":0.4,"word":"small_item"}],"noise_correction_db":0.0}"budget":null,"dynamic_range_db":80.,"flags":[],"noise_correction_db":null}' AS BLOB));

-- What is rare is looked for most, and newest first: these hold only what does not pass.
CREATE INDEX result_failed ON result (run DESC, frequency_hz, face, polarisation, repeat)
    WHERE verdict = 'fail';
CREATE INDEX result_undecided ON result (run DESC, frequency_hz, face, polarisation, repeat)
    WHERE verdict = 'undecided';
CREATE INDEX result_worst ON result (margin_db) WHERE verdict = 'fail';
CREATE INDEX result_none ON result (run DESC, frequency_hz, face, polarisation, repeat) WHERE kind = 'none';
CREATE INDEX run_failed ON run (started, id) WHERE verdict = 'fail';
CREATE INDEX run_undecided ON run (started, id) WHERE verdict = 'undecided';

CREATE TABLE flagged (
    -- Results by flag, newest run first; kept by the triggers below, and can be made anew from `result.flags`.
    flag         TEXT NOT NULL,
    run          TEXT NOT NULL,
    frequency_hz REAL NOT NULL,
    face         TEXT NOT NULL,
    polarisation TEXT NOT NULL,
    repeat       INTEGER NOT NULL,
    analysis     INTEGER NOT NULL,
    PRIMARY KEY (flag, run DESC, frequency_hz, face, polarisation, repeat, analysis)
) STRICT, WITHOUT ROWID;
INSERT INTO flagged
    SELECT DISTINCT value, run, frequency_hz, face, polarisation, repeat, analysis
    FROM result, json_each(result.flags);
CREATE TRIGGER result_is_flagged AFTER INSERT ON result WHEN NEW.flags <> '[]'
BEGIN
    INSERT OR IGNORE INTO flagged
        SELECT value, NEW.run, NEW.frequency_hz, NEW.face, NEW.polarisation, NEW.repeat, NEW.analysis
        FROM json_each(NEW.flags);
END;
CREATE TRIGGER result_is_flagged_anew AFTER UPDATE OF flags ON result WHEN NEW.flags <> OLD.flags
BEGIN
    DELETE FROM flagged WHERE flag IN (SELECT value FROM json_each(OLD.flags))
        AND run = OLD.run AND frequency_hz = OLD.frequency_hz AND face = OLD.face
        AND polarisation = OLD.polarisation AND repeat = OLD.repeat AND analysis = OLD.analysis;
    INSERT OR IGNORE INTO flagged
        SELECT value, NEW.run, NEW.frequency_hz, NEW.face, NEW.polarisation, NEW.repeat, NEW.analysis
        FROM json_each(NEW.flags);
END;
CREATE TRIGGER result_is_no_longer_flagged AFTER DELETE ON result WHEN OLD.flags <> '[]'
BEGIN
    DELETE FROM flagged WHERE flag IN (SELECT value FROM json_each(OLD.flags))
        AND run = OLD.run AND frequency_hz = OLD.frequency_hz AND face = OLD.face
        AND polarisation = OLD.polarisation AND repeat = OLD.repeat AND analysis = OLD.analysis;
END;

-- Runs ---------------------------------------------------------------------------------------------------

-- 1: readings taken by hand or kept in a spreadsheet, read in from a file. `plan_sha` and `station_sha` both
-- name that file, kept word for word; there are results, but no readings and no traces.
ALTER TABLE run ADD COLUMN imported INTEGER NOT NULL DEFAULT 0 CHECK (imported IN (0, 1));
-- When somebody said that a run is not to be counted, and why. It stays; lists leave it out.
ALTER TABLE run ADD COLUMN withdrawn TEXT;
ALTER TABLE run ADD COLUMN withdrawn_why TEXT CHECK ((withdrawn IS NULL) = (withdrawn_why IS NULL));
CREATE INDEX run_of_file ON run (plan_sha) WHERE imported = 1;

-- When the item was last described: of two descriptions the later counts.
ALTER TABLE item ADD COLUMN described TEXT;
UPDATE item SET described = first_seen;

-- Words --------------------------------------------------------------------------------------------------

CREATE TABLE worded (
    -- The words of a run and those of an item, to be searched; kept by the triggers below.
    id   INTEGER PRIMARY KEY,
    run  TEXT UNIQUE REFERENCES run (id),
    item TEXT UNIQUE REFERENCES item (serial),
    text TEXT NOT NULL,
    CHECK ((run IS NULL) <> (item IS NULL))
) STRICT;
-- SELECT run, item FROM worded WHERE id IN (SELECT rowid FROM word WHERE word MATCH '"rolled seam"');
CREATE VIRTUAL TABLE word USING fts5 (
    text, content = 'worded', content_rowid = 'id', tokenize = 'unicode61 remove_diacritics 2');

CREATE TRIGGER worded_is_indexed AFTER INSERT ON worded
BEGIN
    INSERT INTO word (rowid, text) VALUES (NEW.id, NEW.text);
END;
CREATE TRIGGER worded_is_indexed_anew AFTER UPDATE ON worded
BEGIN
    INSERT INTO word (word, rowid, text) VALUES ('delete', OLD.id, OLD.text);
    INSERT INTO word (rowid, text) VALUES (NEW.id, NEW.text);
END;

CREATE TRIGGER run_is_worded AFTER INSERT ON run
BEGIN
    INSERT INTO worded (run, text) VALUES (NEW.id, NEW.id || coalesce(' ' || NEW.item, '') || coalesce(' ' || NEW.model, '')
        || coalesce(' ' || NEW.lot, '') || coalesce(' ' || NEW.operator, '') || coalesce(' ' || NEW.note, '')
        || coalesce(' ' || NEW.reason, '') || coalesce(' ' || NEW.withdrawn_why, ''));
END;
CREATE TRIGGER run_is_worded_anew
AFTER UPDATE OF item, model, lot, operator, reason, note, withdrawn_why ON run
BEGIN
    UPDATE worded SET text = NEW.id || coalesce(' ' || NEW.item, '') || coalesce(' ' || NEW.model, '')
        || coalesce(' ' || NEW.lot, '') || coalesce(' ' || NEW.operator, '') || coalesce(' ' || NEW.note, '')
        || coalesce(' ' || NEW.reason, '') || coalesce(' ' || NEW.withdrawn_why, '') WHERE run = NEW.id;
END;
CREATE TRIGGER item_is_worded AFTER INSERT ON item
BEGIN
    INSERT INTO worded (item, text) VALUES (NEW.serial, NEW.serial || coalesce(' ' || NEW.model, '') || coalesce(' ' || NEW.lot, '')
        || coalesce(' ' || NEW.size, '') || coalesce(' ' || NEW.construction, '') || coalesce(' ' || NEW.note, ''));
END;
CREATE TRIGGER item_is_worded_anew AFTER UPDATE ON item
BEGIN
    UPDATE worded SET text = NEW.serial || coalesce(' ' || NEW.model, '') || coalesce(' ' || NEW.lot, '')
        || coalesce(' ' || NEW.size, '') || coalesce(' ' || NEW.construction, '') || coalesce(' ' || NEW.note, '') WHERE item = NEW.serial;
END;
INSERT INTO worded (run, text) SELECT NEW.id, NEW.id || coalesce(' ' || NEW.item, '') || coalesce(' ' || NEW.model, '')
        || coalesce(' ' || NEW.lot, '') || coalesce(' ' || NEW.operator, '') || coalesce(' ' || NEW.note, '')
        || coalesce(' ' || NEW.reason, '') || coalesce(' ' || NEW.withdrawn_why, '') FROM run AS NEW;
INSERT INTO worded (item, text) SELECT NEW.serial, NEW.serial || coalesce(' ' || NEW.model, '') || coalesce(' ' || NEW.lot, '')
        || coalesce(' ' || NEW.size, '') || coalesce(' ' || NEW.construction, '') || coalesce(' ' || NEW.note, '') FROM item AS NEW;

-- Traces that were moved ---------------------------------------------------------------------------------

CREATE TABLE archive (
    -- A second file, to which raw traces were moved.
    id   TEXT NOT NULL PRIMARY KEY CHECK (length(id) = 26),
    -- Its name when it was written.
    name TEXT NOT NULL,
    made TEXT NOT NULL
) STRICT;
CREATE TABLE moved_trace (
    -- Stands where a trace stood, with its checksum, and says in which file the trace is now. Two stations'
    -- files that were merged may each have moved it: then it is in either.
    run      TEXT NOT NULL,
    seq      INTEGER NOT NULL,
    points   INTEGER NOT NULL CHECK (points > 0),
    sha256   BLOB NOT NULL CHECK (length(sha256) = 32),
    archive  TEXT NOT NULL REFERENCES archive (id),
    PRIMARY KEY (run, seq, archive),
    FOREIGN KEY (run, seq) REFERENCES reading (run, seq)
) STRICT, WITHOUT ROWID;

DROP TRIGGER trace_is_never_removed;
CREATE TRIGGER trace_is_never_removed BEFORE DELETE ON trace
WHEN NOT EXISTS (SELECT 1 FROM moved_trace AS moved
    WHERE moved.run = OLD.run AND moved.seq = OLD.seq AND moved.sha256 = OLD.sha256)
BEGIN SELECT RAISE(ABORT, 'traces are never removed, only moved'); END;
CREATE TRIGGER moved_trace_is_never_changed BEFORE UPDATE ON moved_trace
BEGIN SELECT RAISE(ABORT, 'where a trace was moved to is never changed'); END;
CREATE TRIGGER moved_trace_is_never_forgotten BEFORE DELETE ON moved_trace
WHEN NOT EXISTS (SELECT 1 FROM trace
    WHERE trace.run = OLD.run AND trace.seq = OLD.seq AND trace.sha256 = OLD.sha256)
BEGIN SELECT RAISE(ABORT, 'where a trace was moved to is never forgotten'); END;

-- Views --------------------------------------------------------------------------------------------------

-- As before, without the runs that were withdrawn. `worst` is made of it.
DROP VIEW se;
CREATE VIEW se AS
    -- Shielding effectiveness, newest analysis of every point, ready to read:
    --   SELECT se_text FROM se WHERE serial = 'P-0042' AND frequency_mhz BETWEEN 100 AND 300;
    -- A lower bound is written with its sign and rounded down, never up. Withdrawn runs are left out.
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
    WHERE run.kind = 'item' AND run.withdrawn IS NULL AND r.superseded = 0;

-- Likewise.
DROP VIEW lots;
CREATE VIEW lots AS
    -- What was measured of each lot; a unit counts by its latest complete run, as `muffle lot judge` says it:
    --   SELECT * FROM lots WHERE lot = 'L-7';
    -- Withdrawn runs are left out.
    SELECT lot.name AS lot, lot.model, lot_rule.size, lot_rule.sample, lot_rule.accept, lot_rule.content,
        lot_rule.confidence, lot_rule.counts,
        count(latest.item) AS units, count(*) FILTER (WHERE latest.verdict = 'pass') AS passed,
        count(*) FILTER (WHERE latest.verdict = 'fail') AS failed,
        count(*) FILTER (WHERE latest.verdict = 'undecided') AS undecided
    FROM lot LEFT JOIN lot_rule ON lot_rule.lot = lot.name
    LEFT JOIN (
        SELECT lot, item, verdict,
            row_number() OVER (PARTITION BY lot, item ORDER BY started DESC, id DESC) AS place
        FROM run WHERE kind = 'item' AND state = 'complete' AND lot IS NOT NULL AND withdrawn IS NULL) latest
        ON latest.lot = lot.name AND latest.place = 1
    GROUP BY lot.name;
