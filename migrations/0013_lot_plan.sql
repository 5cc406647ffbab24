-- The units of a lot are measured by one plan, and the views say what `muffle lot judge` and the runs say, or nothing.

-- The plan file named when the lot was put in; null: that of the first unit measured. A unit measured otherwise does
-- not count.
ALTER TABLE lot_rule ADD COLUMN plan_sha TEXT REFERENCES snapshot (sha256);

DROP TRIGGER lot_rule_is_fixed_before_the_first_unit;
CREATE TRIGGER lot_rule_is_fixed_before_the_first_unit
BEFORE UPDATE OF lot, size, sample, accept, content, confidence, guard_db, counts, plan_sha ON lot_rule
WHEN EXISTS (SELECT 1 FROM run WHERE run.lot = OLD.lot)
BEGIN SELECT RAISE(ABORT, 'the plan of a lot is fixed before its first unit is measured'); END;

DROP VIEW worst;
DROP VIEW se;
CREATE VIEW se AS
    -- Shielding effectiveness, newest analysis of every point, ready to read:
    --   SELECT se_text FROM se WHERE serial = 'P-0042' AND frequency_mhz BETWEEN 100 AND 300;
    -- A lower bound is written with its sign and rounded down, never up. `verdict` is the point's; a run that is not
    -- complete has no run_verdict. Withdrawn runs are left out.
    SELECT run.item AS serial, run.model, run.lot,
        r.frequency_hz / 1e6 AS frequency_mhz, r.face, r.polarisation, r.repeat,
        CASE r.kind
            WHEN 'measured' THEN printf('%.1f', round(r.se_db * 10) / 10 + 0.0)
            -- The smallest whole number from 10 000 below, so that a negative one is rounded down too.
            WHEN 'at_least' THEN '≥ ' || printf('%.1f', (CAST(r.se_db * 10 + 1e-6 + 10000 AS INTEGER) - 10000) / 10.0)
            ELSE '—'
        END AS se_text,
        r.se_db, r.kind, r.u_db, r.limit_db, r.margin_db, r.verdict,
        r.run, run.started, run.state,
        CASE run.state WHEN 'complete' THEN run.verdict END AS run_verdict
    FROM run JOIN result r ON r.run = run.id
    WHERE run.kind = 'item' AND run.withdrawn IS NULL AND r.superseded = 0;

CREATE VIEW worst AS
    -- The point of each run with the smallest margin to the limit, or without a limit the smallest SE.
    --   SELECT * FROM worst WHERE lot = 'L-7' ORDER BY margin_db;
    -- `verdict` is the run's: a point with a larger margin, or none, may have decided it. None until it is complete.
    SELECT serial, model, lot, frequency_mhz, face, polarisation, repeat, se_text, se_db, kind, u_db,
        limit_db, margin_db, run_verdict AS verdict, verdict AS point_verdict, run, started, state
    FROM (
        -- Every column here belongs to the run, so that a question about one item reads only its runs.
        SELECT *, row_number() OVER (
            PARTITION BY run, serial, model, lot, started
            ORDER BY margin_db NULLS LAST, se_db NULLS LAST, frequency_mhz, face, polarisation, repeat) AS place
        FROM se)
    WHERE place = 1;

DROP VIEW lots;
CREATE VIEW lots AS
    -- How the sample of each lot stands, as `muffle lot judge` says it; of a lot without a sampling plan, all its units:
    --   SELECT * FROM lots WHERE lot = 'L-7';
    -- Whether another plan asks for the same only the program can tell. So where a run was made by another plan file than
    -- the lot's, or imported, the counts are null and runs_by_another_plan says how many: ask `muffle lot judge`.
    -- Withdrawn runs are left out.
    WITH complete AS (
        SELECT run.lot, run.item, run.id, run.started, run.verdict, lot_rule.lot IS NOT NULL AND (run.imported = 1
            OR run.plan_sha IS NOT coalesce(lot_rule.plan_sha, (SELECT f.plan_sha FROM run f
                WHERE f.lot = run.lot AND f.kind = 'item' AND f.state = 'complete' AND f.withdrawn IS NULL
                    AND f.verdict IS NOT NULL ORDER BY f.started, f.id LIMIT 1))) AS other_plan,
            row_number() OVER (PARTITION BY run.lot, run.item ORDER BY run.started, run.id) AS place,
            row_number() OVER (PARTITION BY run.lot, run.item ORDER BY CASE WHEN lot_rule.counts = 'worst'
                THEN CASE run.verdict WHEN 'fail' THEN 3 WHEN 'undecided' THEN 2 WHEN 'pass' THEN 1 ELSE 0 END END DESC,
                run.started DESC, run.id DESC) AS deciding
        FROM run LEFT JOIN lot_rule ON lot_rule.lot = run.lot
        WHERE run.kind = 'item' AND run.state = 'complete' AND run.lot IS NOT NULL AND run.withdrawn IS NULL),
    unit AS (
        SELECT first.lot, decides.verdict,
            row_number() OVER (PARTITION BY first.lot ORDER BY first.started, first.id) AS number
        FROM complete first JOIN complete decides ON decides.lot = first.lot AND decides.item = first.item
        WHERE first.place = 1 AND decides.deciding = 1),
    other AS (SELECT lot, sum(other_plan) AS runs FROM complete GROUP BY lot)
    SELECT lot.name AS lot, lot.model, lot_rule.size, lot_rule.sample, lot_rule.accept, lot_rule.content,
        lot_rule.confidence, lot_rule.counts,
        iif(other.runs > 0, NULL, count(unit.number)) AS units,
        iif(other.runs > 0, NULL, count(*) FILTER (WHERE unit.verdict = 'pass')) AS passed,
        iif(other.runs > 0, NULL, count(*) FILTER (WHERE unit.verdict = 'fail')) AS failed,
        iif(other.runs > 0, NULL, count(*) FILTER (WHERE unit.verdict = 'undecided')) AS undecided,
        coalesce(other.runs, 0) AS runs_by_another_plan
    FROM lot LEFT JOIN lot_rule ON lot_rule.lot = lot.name
    LEFT JOIN other ON other.lot = lot.name
    LEFT JOIN unit ON unit.lot = lot.name AND (lot_rule.sample IS NULL OR unit.number <= lot_rule.sample)
    GROUP BY lot.name;
