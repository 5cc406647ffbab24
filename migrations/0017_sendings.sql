-- What the source said at the end of an emission of a pass, as JSON as it stands with a linked reading, and the forward
-- power then, where the station has a monitor of it. Emissions from before have neither.
ALTER TABLE sending ADD COLUMN carrier TEXT CHECK (json_valid(carrier));
ALTER TABLE sending ADD COLUMN forward_dbm REAL;
