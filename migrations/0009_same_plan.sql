-- Two stations may put the same plan in, each at its own time. Gathered into one file the earlier time counts, also
-- where units are measured already: when it was said is not what was said.
DROP TRIGGER lot_rule_is_fixed_before_the_first_unit;
CREATE TRIGGER lot_rule_is_fixed_before_the_first_unit
BEFORE UPDATE OF lot, size, sample, accept, content, confidence, guard_db, counts ON lot_rule
WHEN EXISTS (SELECT 1 FROM run WHERE run.lot = OLD.lot)
BEGIN SELECT RAISE(ABORT, 'the plan of a lot is fixed before its first unit is measured'); END;
