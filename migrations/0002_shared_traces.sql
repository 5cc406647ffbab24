-- The readings of one closing of the sealed arrangement are picked from one wide trace, kept once: with the
-- first of them. `trace_seq` is that reading's place; null where a reading has a trace of its own.
ALTER TABLE reading ADD COLUMN trace_seq INTEGER;
