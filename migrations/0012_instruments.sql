-- Who answered at the station's addresses when a run was measured, as JSON by role: {"source": "…", "receiver": "…"}.
-- Runs from before have none.
ALTER TABLE run ADD COLUMN instruments TEXT CHECK (json_valid(instruments));
