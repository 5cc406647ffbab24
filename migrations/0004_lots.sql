-- How lots are judged, after how many cycles of use a run was made, and which items check the station.

CREATE TABLE lot_rule (
    -- Sampling plan and acceptance rule of a lot. Fixed before its first unit: a plan that may be changed once
    -- results are known shows nothing.
    lot        TEXT NOT NULL PRIMARY KEY REFERENCES lot (name),
    -- Units in the lot; null for a running production.
    size       INTEGER CHECK (size > 0),
    -- Units that are measured.
    sample     INTEGER NOT NULL CHECK (sample > 0),
    -- By attributes: so many of them may fail. Null where the lot is not judged so.
    accept     INTEGER CHECK (accept >= 0 AND accept < sample),
    -- By variables: the share of the lot that must meet the limit. Null where the lot is not judged so.
    content    REAL CHECK (content > 0 AND content < 1),
    confidence REAL NOT NULL CHECK (confidence > 0 AND confidence < 1),
    -- Distance kept from the limit; null: the uncertainty that the units share, by their budgets.
    guard_db   REAL CHECK (guard_db >= 0),
    -- Which result of a unit measured again decides.
    counts     TEXT NOT NULL CHECK (counts IN ('latest', 'worst')),
    made       TEXT NOT NULL,
    CHECK (accept IS NOT NULL OR content IS NOT NULL),
    CHECK (size IS NULL OR size >= sample)
) STRICT;

CREATE TRIGGER lot_rule_is_fixed_before_the_first_unit BEFORE UPDATE ON lot_rule
WHEN EXISTS (SELECT 1 FROM run WHERE run.lot = OLD.lot)
BEGIN SELECT RAISE(ABORT, 'the plan of a lot is fixed before its first unit is measured'); END;
CREATE TRIGGER lot_rule_is_not_taken_away BEFORE DELETE ON lot_rule
WHEN EXISTS (SELECT 1 FROM run WHERE run.lot = OLD.lot)
BEGIN SELECT RAISE(ABORT, 'the plan of a lot is fixed before its first unit is measured'); END;

CREATE TABLE run_cycles (
    -- After how many washes, foldings or closings of its item a run was made, where somebody counted.
    run    TEXT NOT NULL PRIMARY KEY REFERENCES run (id),
    cycles INTEGER NOT NULL CHECK (cycles >= 0)
) STRICT, WITHOUT ROWID;

CREATE TABLE check_item (
    -- Stable items measured regularly to prove that the station has not moved.
    serial TEXT NOT NULL PRIMARY KEY REFERENCES item (serial),
    since  TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE VIEW lots AS
    -- What was measured of each lot; a unit counts by its latest complete run, as `muffle lot judge` says it:
    --   SELECT * FROM lots WHERE lot = 'L-7';
    SELECT lot.name AS lot, lot.model, lot_rule.size, lot_rule.sample, lot_rule.accept, lot_rule.content,
        lot_rule.confidence, lot_rule.counts,
        count(latest.item) AS units, count(*) FILTER (WHERE latest.verdict = 'pass') AS passed,
        count(*) FILTER (WHERE latest.verdict = 'fail') AS failed,
        count(*) FILTER (WHERE latest.verdict = 'undecided') AS undecided
    FROM lot LEFT JOIN lot_rule ON lot_rule.lot = lot.name
    LEFT JOIN (
        SELECT lot, item, verdict,
            row_number() OVER (PARTITION BY lot, item ORDER BY started DESC, id DESC) AS place
        FROM run WHERE kind = 'item' AND state = 'complete' AND lot IS NOT NULL) latest
        ON latest.lot = lot.name AND latest.place = 1
    GROUP BY lot.name;
